"""What every page is made with: its template and style, and the tables that all of them end with."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined, Template

from digitize.report import words

PACKAGE = "digitize.report"
STYLE = "report.css"
NO_BREAK_SPACE = "\u00a0"
# A number and its unit, a sign and its number: never on two lines.
KEPT_TOGETHER = re.compile(r"(?<=\d) (?=(?:mm|cm²|in|sq in|px|%|dpi)(?!\w))|(?<=[±−]) (?=\d)")


def filled(name: str, shown: Mapping[str, Any]) -> str:
    """Return one of the package's templates filled in; every text is escaped."""
    return KEPT_TOGETHER.sub(NO_BREAK_SPACE, template(name).render(shown))


@cache
def template(name: str) -> Template:
    """Return one of the package's templates."""
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, loader=FunctionLoader(data)
    )
    return environment.get_template(name)


def data(name: str) -> str:
    """Return the text of a file of this package."""
    return resources.files(PACKAGE).joinpath(name).read_text(encoding="utf-8")


def flat(settings: Mapping[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    """Return nested settings as (dotted name, value) in order; what was left to the tool says so."""
    found: list[tuple[str, str]] = []
    for key, value in settings.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping):
            found += flat(value, f"{name}.")
        else:
            found.append((name, _setting(value)))
    return found


def _setting(value: Any) -> str:
    if value is None:
        return "not given"
    if isinstance(value, list | tuple):
        return "; ".join(_setting(one) for one in value) if value else "none"
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_setting(one)}" for key, one in value.items() if one is not None)
    return str(value)


def timings(record: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the seconds of each stage and their sum."""
    seconds = words.dig(record, "timings_s") or {}
    rows = [(str(stage), words.number(one, 2, "s")) for stage, one in seconds.items()]
    return [*rows, ("together", words.number(sum(one or 0.0 for one in seconds.values()), 2, "s"))] if rows else []
