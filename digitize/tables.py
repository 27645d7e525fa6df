"""Tables of the files that people write: read from TOML, closed to unknown keys, lengths in millimetres."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, TypeVar, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError, ValidationInfo
from pydantic_core import ErrorDetails

from calibration.errors import UsageError
from calibration.units import Unit, parse_length


def _as_mm(value: object, info: ValidationInfo) -> object:
    """Return the millimetres of a written length; the unit of a bare number, not of a text, is in the context."""
    if not isinstance(value, str | int | float):
        raise ValueError("a length is needed")
    if isinstance(value, str):
        return length_with_unit(value)
    unit: Unit = (info.context or {}).get("unit", "mm")
    return parse_length(value, unit)


def length_with_unit(text: str) -> float:
    """Return the millimetres of a length that says its unit: who writes ``19 7/8`` alone means inches, most likely.

    Raises:
        UsageError: ``bad-length`` or ``length-without-unit``.
    """
    length_mm = parse_length(text)
    if length_mm != parse_length(text, "in"):
        raise UsageError("length-without-unit", text=text)
    return length_mm


def printable(text: str) -> str:
    """Return a file's name, or what holds one, with bytes that are no UTF-8 written out: they fit into no file."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _none_or_mm(value: object, info: ValidationInfo) -> object:
    """Return a written length that may also be none at all: 0, ``0 mm`` or ``0 in``."""
    if not isinstance(value, bool) and re.fullmatch(r"0+(?:\.0*)?\s*(?:mm|cm|m|in|\")?", str(value).strip()):
        return 0.0
    return _as_mm(value, info)


LengthMm = Annotated[float, BeforeValidator(_as_mm)]
MaybeNoneMm = Annotated[float, BeforeValidator(_none_or_mm)]


class Table(BaseModel):
    """One table of a file: frozen, and closed to keys that it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


Whole = TypeVar("Whole", bound=Table)


def parsed(path: Path) -> dict[str, Any]:
    """Return what a TOML file holds.

    Raises:
        UsageError: ``bad-toml``.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as fault:
        raise UsageError("bad-toml", file=path.name, why=str(fault)) from fault


def validated(model: type[Whole], content: dict[str, Any], file: str, unit: object, forms: Mapping[str, str]) -> Whole:
    """Return a file's content as its model; lengths that are bare numbers are in ``unit``.

    Args:
        model: of the whole file; its fields are tables.
        content: as parsed.
        file: its name, for complaints.
        unit: "mm" or "in"; anything else stands for "mm", and is left to the model to refuse.
        forms: how each table is opened in the file.

    Raises:
        UsageError: ``unknown-key``, ``bad-value``, ``bad-length`` or ``length-without-unit``.
    """
    try:
        return model.model_validate(content, context={"unit": unit if unit in get_args(Unit) else "mm"})
    except ValidationError as fault:
        raise _first_fault(fault.errors(), file, model, forms) from fault


def _first_fault(faults: list[ErrorDetails], file: str, model: type[Table], forms: Mapping[str, str]) -> UsageError:
    """Return the fault to name; an unknown key first, as it often explains a missing one."""
    fault = next((one for one in faults if one["type"] == "extra_forbidden"), faults[0])
    names = [part for part in fault["loc"] if isinstance(part, str)]
    if fault["type"] == "extra_forbidden":
        return _unknown_key(names, file, model)
    got = "missing" if fault["type"] == "missing" else _short(fault["input"])
    return UsageError("bad-value", file=file, key=".".join(names), got=got, need=_need(fault, forms))


def _unknown_key(names: list[str], file: str, model: type[Table]) -> UsageError:
    table, key = (names[0], names[-1]) if len(names) > 1 else ("the file", names[-1])
    near = difflib.get_close_matches(key.lower(), _known_keys(table, model), n=1)
    hint = f" (did you mean '{near[0]}'?)" if near else ""
    return UsageError("unknown-key", file=file, key=key, table=table, hint=hint)


def _known_keys(table: str, model: type[Table]) -> list[str]:
    """Return the keys of a table, or of the file itself."""
    field = model.model_fields.get(table)
    inside = [field.annotation, *get_args(field.annotation)] if field is not None else [model]
    tables = [one for one in inside if isinstance(one, type) and issubclass(one, Table)]
    return [str(entry.validation_alias or name) for one in tables for name, entry in one.model_fields.items()]


def _need(fault: ErrorDetails, forms: Mapping[str, str]) -> str:
    """Return what a value has to be, in words that follow "but"; before "is needed"."""
    allowed = fault.get("ctx", {}).get("expected")
    if allowed is not None:
        return str(allowed)
    place = "a place [x, y] in pixels"
    by_type = {"missing": "a value", "tuple_type": place, "float_parsing": "a number", "float_type": "a number"}
    if len(fault["loc"]) == 1:
        return f"a table {forms.get(str(fault['loc'][0]), '')}"
    if fault["type"] in ("too_long", "too_short"):
        return "a polygon of three places or more" if "ignore" in fault["loc"] else place
    if fault["type"] in ("greater_than_equal", "less_than_equal"):
        return f"{fault['ctx']['ge']} or more" if "ge" in fault["ctx"] else f"{fault['ctx']['le']} or less"
    if fault["type"] == "missing" and isinstance(fault["loc"][-1], int):
        return place
    return by_type.get(fault["type"], str(fault["msg"]).removeprefix("Value error, "))


def _short(value: object, longest: int = 40) -> str:
    text = repr(value)
    return text if len(text) <= longest else text[: longest - 3] + "..."
