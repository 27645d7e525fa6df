"""How big the body is: the table of sizes and the drawing with its dimensions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup

from calibration.units import MM_PER_INCH
from digitize.report import charts, words
from digitize.report.context import ReportContext
from digitize.shapes import Unit

MM2_PER_CM2 = 100.0


@dataclass(frozen=True)
class Measure:
    """One row of the table of sizes."""

    name: str
    first: tuple[str, str]  # value and its uncertainty, in the person's own unit
    second: tuple[str, str]  # the same in the other unit


def measures(record: Mapping[str, Any], unit: Unit) -> list[Measure]:
    """Return the sizes of the body; widths carry both edges' uncertainty at its worst."""
    body = words.dig(record, "body") or {}
    edge = words.dig(record, "outline", "u95_mm")
    both = None if edge is None else 2 * edge
    rows = [
        ("Length, tail to neck end", body.get("length_mm"), body.get("length_u95_mm")),
        ("Lower bout, across", body.get("lower_bout_mm"), body.get("lower_bout_u95_mm", both)),
        ("Waist, across", body.get("waist_mm"), body.get("waist_u95_mm", both)),
        ("Upper bout, across", body.get("upper_bout_mm"), body.get("upper_bout_u95_mm", both)),
        # An edge that is off by u all round makes the way round longer by 2 pi u.
        ("All the way round", body.get("perimeter_mm"), None if edge is None else 2 * math.pi * edge),
    ]
    other: Unit = "in" if unit == "mm" else "mm"
    found = [Measure(name, _cell(mm, u, unit), _cell(mm, u, other)) for name, mm, u in rows if mm]
    return found + _area_and_radius(body, edge, unit)


def _cell(value_mm: float, u95_mm: float | None, unit: Unit) -> tuple[str, str]:
    return words.length(value_mm, u95_mm, unit), "" if u95_mm is None else words.plus_minus(u95_mm, unit)


def _area_and_radius(body: Mapping[str, Any], edge_mm: float | None, unit: Unit) -> list[Measure]:
    found = []
    area, round_mm, radius = body.get("area_mm2"), body.get("perimeter_mm"), body.get("min_radius_mm")
    if area:
        # An edge that is off by u all round adds a rim as long as the perimeter.
        u = edge_mm * round_mm if edge_mm and round_mm else None
        cells = [_area(area, u, MM2_PER_CM2, "cm²"), _area(area, u, MM_PER_INCH**2, "sq in")]
        found.append(_measure("Area inside", cells, unit))
    if radius and math.isfinite(radius):
        cells = [(f"about {words.number(radius, 0)} mm", ""), (f"about {words.number(radius / MM_PER_INCH, 1)} in", "")]
        found.append(_measure("Tightest curve, radius", cells, unit))
    return found


def _measure(name: str, cells: list[tuple[str, str]], unit: Unit) -> Measure:
    first, second = cells if unit == "mm" else reversed(cells)
    return Measure(name, first, second)


def _area(area_mm2: float, u95_mm2: float | None, mm2_per_unit: float, unit: str) -> tuple[str, str]:
    u = "" if u95_mm2 is None else f"± {words.number(u95_mm2 / mm2_per_unit, 1)} {unit}"
    return words.number(area_mm2 / mm2_per_unit, 1, unit), u


def corners(record: Mapping[str, Any]) -> list[str]:
    """Return one line per sharp corner of the outline."""
    return [
        f"{words.number(one.get('x_mm'), 1)} mm across, {words.number(one.get('y_mm'), 1)} mm from the tail: "
        f"{words.number(one.get('angle_deg'), 0)}°"
        for one in words.dig(record, "body", "corners") or []
    ]


def body_figure(record: Mapping[str, Any], context: ReportContext) -> Markup | None:
    """Return the body with its dimensions; None without an outline."""
    if context.body is None:
        return None
    sizes = [] if context.measures is None else _sizes(context)
    length_mm = words.dig(record, "body", "length_mm") or float(np.ptp(context.body.xy[:, 1]))
    return charts.body_drawing(context.body.xy, sizes, words.short_length(length_mm, context.unit))


def _sizes(context: ReportContext) -> list[charts.Size]:
    found = context.measures
    assert found is not None  # the caller saw to it
    pairs = [
        (found.lower_bout_y_mm, found.lower_bout_mm),
        (found.waist_y_mm, found.waist_mm),
        (found.upper_bout_y_mm, found.upper_bout_mm),
    ]
    return [charts.Size(y, words.short_length(mm, context.unit)) for y, mm in pairs if y is not None and mm is not None]
