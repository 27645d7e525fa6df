"""record.json: what a run found, checked against the JSON Schema (2020-12) that ships with the tool."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from jsonschema import Draft202012Validator

from digitize.writers.check import fail

RECORD_FILE = "record.json"
SCHEMA_FILE = Path(__file__).parent.parent / "record.schema.json"
LENS_SCHEMA_FILE = SCHEMA_FILE.with_name("lens_record.schema.json")
MOLD_SCHEMA_FILE = SCHEMA_FILE.with_name("mold_record.schema.json")
FIT_SCHEMA_FILE = SCHEMA_FILE.with_name("fit_record.schema.json")

# Decimals by what a name ends or begins with, first match: lengths to 0.0001 mm, a scale to far below 1e-6 of itself.
DECIMALS = (
    ("mm_per_px", 9),
    ("u_mm", 6),
    ("residual", 6),
    ("_percent", 6),
    ("_px", 4),
    ("_mm2", 4),
    ("_mm", 4),
    ("_deg", 5),
)
OTHER_DECIMALS = 6


def write_record(record: Mapping[str, Any], path: Path) -> None:
    """Write a record as JSON, keys sorted, numbers rounded, and read it back.

    Raises:
        Refusal: ``file-check`` when the schema does not fit, a number is not finite, or it reads back differently.
    """
    tidy = tidied(record)
    check_record(tidy, path)
    path.write_text(as_text(tidy), encoding="utf-8")
    check_record_file(tidy, path)


def as_text(record: Mapping[str, Any]) -> str:
    """Return a record's JSON, the same for equal records.

    Raises:
        ValueError: a number is not finite.
    """
    return json.dumps(tidied(record), indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"


def tidied(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return a copy in plain JSON types with numbers rounded by their unit; settings are left as they were given."""
    return {key: _tidy(key, value, rounded=key != "settings") for key, value in record.items()}


def _tidy(name: str, value: Any, *, rounded: bool) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _tidy(str(key), each, rounded=rounded) for key, each in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_tidy(name, each, rounded=rounded) for each in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        # Adding 0.0 turns -0.0 into 0.0.
        return round(float(value), _decimals(name)) + 0.0 if rounded and math.isfinite(value) else float(value)
    return value


def _decimals(name: str) -> int:
    fits = (count for part, count in DECIMALS if name.endswith(part) or name.startswith(part))
    return next(fits, OTHER_DECIMALS)


@cache
def _validator(file: Path) -> Draft202012Validator:
    # That the schemas themselves are right is tested, not looked at in every run.
    return Draft202012Validator(json.loads(file.read_text(encoding="utf-8")))


def check_record(record: Mapping[str, Any], path: Path = Path(RECORD_FILE), schema: Path = SCHEMA_FILE) -> None:
    """Check a record against the schema and for numbers that are not finite.

    Raises:
        Refusal: ``file-check`` naming the first place that does not fit.
    """
    for place, value in _leaves("", record):
        if isinstance(value, float) and not math.isfinite(value):
            raise fail(path, f"{place} is {value}, not a number")
    found = _validator(schema).iter_errors(record)
    faults = sorted(found, key=lambda fault: [str(part) for part in fault.absolute_path])
    if faults:
        place = "/".join(str(part) for part in faults[0].absolute_path) or "the record"
        raise fail(path, f"{place}: {faults[0].message}")


def _leaves(place: str, value: Any) -> list[tuple[str, Any]]:
    if isinstance(value, Mapping):
        return [leaf for key, each in value.items() for leaf in _leaves(f"{place}/{key}".lstrip("/"), each)]
    if isinstance(value, list | tuple):
        return [leaf for index, each in enumerate(value) for leaf in _leaves(f"{place}/{index}", each)]
    return [(place, value)]


def check_record_file(record: Mapping[str, Any], path: Path, schema: Path = SCHEMA_FILE) -> None:
    """Compare a file with the record it stands for.

    Raises:
        Refusal: ``file-check`` when it cannot be read or differs.
    """
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, OSError) as fault:
        raise fail(path, f"it cannot be read back ({fault})") from fault
    if found != tidied(record):
        raise fail(path, "it does not read back as it was written")
    check_record(found, path, schema)
