"""The sizes of a record as the page shows them, in the unit that the plan file asks for."""

from __future__ import annotations

from typing import Any

from calibration.units import format_length

NAMES = (
    ("length_mm", "Body length"),
    ("lower_bout_mm", "Lower bout"),
    ("waist_mm", "Waist"),
    ("upper_bout_mm", "Upper bout"),
    ("perimeter_mm", "Once round"),
    ("min_radius_mm", "Tightest bend, radius"),
)


def sizes(record: dict[str, Any]) -> list[list[str]]:
    """Return names and lengths in words; nothing of a refused run."""
    body, unit = record["body"], record["settings"]["unit"]
    if body is None:
        return []
    return [[name, format_length(body[key], unit)] for key, name in NAMES if body[key] is not None]
