"""Changes to the text of a plan file that leave everything else in it as the person wrote it.

A change is ``{"do": "set" | "add" | "drop", "at": [...], "value": ...}``. ``at`` goes from the file down:
``["body", "near"]``, ``["body", "through", 2]``, ``["span"]``, ``["rule", 0, "unit"]``. To set nothing (null) is to
take the key out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.items import AoT
from tomlkit.toml_document import TOMLDocument


@dataclass(frozen=True)
class Changeable:
    """What the page may change of a file; everything else is named by nobody but the person's own hand."""

    tables: Mapping[str, frozenset[str]]
    lists: Mapping[str, frozenset[str]]
    switches: frozenset[str] = frozenset()  # keys that are true or false


OF_A_PLAN = Changeable(
    {
        "plan": frozenset({"unit", "line"}),
        "body": frozenset(
            {
                "length", "lower_bout", "waist", "upper_bout", "keep", "hand", "near", "neck", "centerline", "ignore",
                "through",
            }
        ),
    },
    {
        "rule": frozenset({"role", "unit", "near", "grade", "within", "thickness"}),
        "span": frozenset({"from", "to", "length"}),
    },
)
OF_A_JOB = Changeable(
    {
        "mold": frozenset({"shape", "wall", "depth"}),
        "sheet": frozenset({"thickness"}),
        "sides": frozenset({"thickness"}),
        "spreaders": frozenset({"bouts", "waist", "liner"}),
        "forms": frozenset({"bending", "inside"}),
        "output": frozenset({"page", "unit"}),
    },
    {},
    frozenset({"bouts", "waist", "bending", "inside"}),
)
DEEPEST = 3  # a polygon is a list of places, a place a list of numbers
LONGEST_TEXT = 100


class BadChangeError(ValueError):
    """A change that makes no sense, with its reason."""


def changed(text: str, changes: Sequence[Mapping[str, Any]], may: Changeable = OF_A_PLAN) -> str:
    """Return a file's text after some changes.

    Raises:
        BadChangeError: a change is malformed, or is of something the page may not change.
    """
    document = tomlkit.parse(text)
    for change in changes:
        _change(document, change, may)
    return tomlkit.dumps(document)


def _change(document: TOMLDocument, change: Mapping[str, Any], may: Changeable) -> None:
    do, at, value = change.get("do"), change.get("at"), change.get("value")
    if not isinstance(at, list) or not at or not isinstance(at[0], str):
        raise BadChangeError("a change needs a place in the file")
    _allow(at, value, may)
    try:
        if do == "add":
            _add(document, at, value, may)
        elif do == "drop" or (do == "set" and value is None):
            _drop(document, at, may)
        elif do == "set":
            _set(document, at, value if isinstance(value, bool) and at[-1] in may.switches else _plain(value), may)
        else:
            raise BadChangeError("a change sets, adds or drops")
    except (KeyError, IndexError, TypeError, AttributeError) as fault:
        raise BadChangeError(f"nothing to change at {at}") from fault


def _allow(at: list[Any], value: object, may: Changeable) -> None:
    """Refuse what the page may not change."""
    name = at[0]
    if name in may.tables and len(at) >= 2 and at[1] in may.tables[name] and all(_is_place(one) for one in at[2:]):
        return
    keys = may.lists.get(name, frozenset())
    if keys and len(at) <= 3 and all(_is_place(one) for one in at[1:2]) and all(key in keys for key in at[2:]):
        if len(at) == 1 and not (isinstance(value, Mapping) and keys.issuperset(value)):
            raise BadChangeError(f"a {name} has the keys {', '.join(sorted(keys))}")
        return
    raise BadChangeError(f"{at} is not changed from here")


def _is_place(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def _plain(value: Any, depth: int = 0) -> Any:
    """Return a value as TOML has it: whole numbers without a point.

    Raises:
        BadChangeError: it is no text, number, or list or table of such.
    """
    if isinstance(value, str) and len(value) <= LONGEST_TEXT:
        return value
    if isinstance(value, float) and math.isfinite(value):
        return int(value) if value.is_integer() else value
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    if isinstance(value, list) and depth < DEEPEST:
        return [_plain(one, depth + 1) for one in value]
    raise BadChangeError("a value is a text, a number, or a list of numbers")


def _add(document: TOMLDocument, at: list[Any], value: Any, may: Changeable) -> None:
    if at[0] in may.lists and len(at) == 1:
        _add_table(document, at[0], value)
        return
    value = _plain(value)
    holder: Any = _table(document, at[0])
    if at[1] not in holder:
        holder[at[1]] = []
    for step in at[1:]:
        holder = holder[step]
    holder.append(value)


def _add_table(document: TOMLDocument, name: str, value: Mapping[str, Any]) -> None:
    plain = {key: _plain(one) for key, one in value.items()}
    if name not in document:
        document[name] = tomlkit.aot()
    there: Any = document[name]
    if not isinstance(there, AoT):  # written as a list of tables in braces
        inline = tomlkit.inline_table()
        inline.update(plain)
        there.append(inline)
        return
    table = tomlkit.table()
    table.update(plain)
    there.append(table)


def _set(document: TOMLDocument, at: list[Any], value: Any, may: Changeable) -> None:
    holder: Any = _table(document, at[0]) if at[0] in may.tables else document[at[0]]
    for step in at[1:-1]:
        holder = holder[step]
    holder[at[-1]] = value


def _drop(document: TOMLDocument, at: list[Any], may: Changeable) -> None:
    holder: Any = document
    if at[0] in may.tables and at[0] not in document:
        return  # nothing was set there
    for step in at[:-1]:
        holder = holder[step]
    if isinstance(at[-1], str) and at[-1] not in holder:
        return
    del holder[at[-1]]
    if at[0] in may.lists and len(at) == 2 and not holder:
        del document[at[0]]


def _table(document: TOMLDocument, name: str) -> Any:
    if name not in document:
        document[name] = tomlkit.table()
    return document[name]
