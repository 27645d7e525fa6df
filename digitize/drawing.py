"""The fair outline drawn once into a neutral record that every writer plays.

Layers: BODY the closed outline; CENTERLINE one line; HALF the half template, closed on the centerline;
CHECK_LENGTH a 100 mm line with ticks and its text; NOTES text. The fairing's own drawing has, instead of BODY and HALF,
ARCS, the few arcs and lines of the closed outline, and SPLINE, its curves from corner to corner. Body frame, mm.
"""

from __future__ import annotations

import numpy as np

from calibration.errors import Refusal
from calibration.frames import frozen_floats
from calibration.units import format_length
from digitize.arcs import Box, crossings, extents, polygon, run_between
from digitize.shapes import ArcPath, BodyMeasures, Drawing, FairOutline, FairSpline, FewArcs, TextMark, Unit

BODY, CENTERLINE, HALF, CHECK_LENGTH, NOTES = "BODY", "CENTERLINE", "HALF", "CHECK_LENGTH", "NOTES"

ARCS, SPLINE = "ARCS", "SPLINE"

CHECK_LENGTH_MM = 100.0
CENTERLINE_OVERRUN_MM = 15.0
TICK_MM = 6.0  # whole height of an end tick
TEXT_MM = 5.0
TITLE_MM = 8.0
LINE_FEED_MM = 9.0
GAP_MM = 12.0  # between the centerline's lower end and the check line
CHECK_NOTE = "true size: the check line is 100 mm"


def draw_outline(fair: FairOutline, measures: BodyMeasures, unit: Unit, title: str) -> Drawing:
    """Return the drawing of a body: outline, centerline, right half, check line and notes.

    The centerline overruns the body's extents by 15 mm at both ends. Sizes stand in ``unit``, with mm beside inches.

    Raises:
        Refusal: ``half-not-single`` when the outline does not cross the centerline exactly twice.
    """
    box = extents(fair.path)
    foot_mm = box[1] - CENTERLINE_OVERRUN_MM - GAP_MM
    paths = [
        (BODY, fair.path),
        (CENTERLINE, _centerline(box)),
        (HALF, right_half(fair.path)),
        *((CHECK_LENGTH, path) for path in _check_line(foot_mm)),
    ]
    lines = [title, *_sizes(measures, unit), CHECK_NOTE]
    return Drawing(tuple(paths), tuple(_texts(lines, foot_mm)), title, unit, {"half": "right"})


def draw_fair(few: FewArcs, spline: FairSpline | None, measures: BodyMeasures, unit: Unit, title: str) -> Drawing:
    """Return the drawing of the outline as few arcs, and as splines where they were found, each on its own layer."""
    box = extents(few.path)
    foot_mm = box[1] - CENTERLINE_OVERRUN_MM - GAP_MM
    curves = spline.curves if spline is not None else ()
    lines = [title, *_sizes(measures, unit), f"{ARCS}: {_within(few.deviation_mm, few.tolerance_mm)}"]
    if spline is not None:
        lines.append(f"{SPLINE}: {_within(spline.deviation_mm, spline.tolerance_mm)}, curvature without jumps")
    return Drawing(
        ((ARCS, few.path), (CENTERLINE, _centerline(box)), *((CHECK_LENGTH, path) for path in _check_line(foot_mm))),
        tuple(_texts([*lines, CHECK_NOTE], foot_mm)),
        title,
        unit,
        splines=tuple((SPLINE, curve) for curve in curves),
    )


def _within(deviation_mm: float, tolerance_mm: float) -> str:
    return f"within {deviation_mm:.3f} mm of the fair outline ({tolerance_mm:g} mm allowed)"


def _centerline(box: Box) -> ArcPath:
    ends_mm = [(0.0, box[1] - CENTERLINE_OVERRUN_MM), (0.0, box[3] + CENTERLINE_OVERRUN_MM)]
    return polygon(frozen_floats(ends_mm), closed=False)


def right_half(body: ArcPath) -> ArcPath:
    """Return the part of a closed body with x >= 0, closed by a straight line on x = 0; arcs are cut exactly there.

    Raises:
        Refusal: ``half-not-single`` when the outline does not cross x = 0 exactly twice.
    """
    found = crossings(body)
    if len(found) != 2:
        raise Refusal("half-not-single", count=len(found))
    runs = [run_between(body, found[0], found[1]), run_between(body, found[1], found[0])]
    run = max(runs, key=lambda each: extents(each)[2])
    return ArcPath(run.xy_mm, frozen_floats(np.append(run.bulge, 0.0)), True)


def _check_line(y_mm: float) -> list[ArcPath]:
    """Return the 100 mm line, centred on the centerline, and its two end ticks."""
    half, tick = CHECK_LENGTH_MM / 2.0, TICK_MM / 2.0
    rows = [[(-half, y_mm), (half, y_mm)], *([(x, y_mm - tick), (x, y_mm + tick)] for x in (-half, half))]
    return [polygon(frozen_floats(row), closed=False) for row in rows]


def _texts(lines: list[str], foot_mm: float) -> list[tuple[str, TextMark]]:
    left = -CHECK_LENGTH_MM / 2.0
    marks = [(CHECK_LENGTH, TextMark((left + TICK_MM / 2.0, foot_mm + TICK_MM / 4.0), TEXT_MM, "100 mm"))]
    at_mm = foot_mm - TICK_MM - TITLE_MM
    for index, text in enumerate(lines):
        height = TITLE_MM if index == 0 else TEXT_MM
        marks.append((NOTES, TextMark((left, at_mm), height, text)))
        at_mm -= LINE_FEED_MM
    return marks


def _sizes(measures: BodyMeasures, unit: Unit) -> list[str]:
    """Return one line of text for each size the body has."""
    named = [
        ("body length", measures.length_mm),
        ("lower bout", measures.lower_bout_mm),
        ("waist", measures.waist_mm),
        ("upper bout", measures.upper_bout_mm),
    ]
    return [f"{name}: {_size(mm, unit)}" for name, mm in named if mm is not None]


def _size(length_mm: float, unit: Unit) -> str:
    millimetres = format_length(length_mm, "mm")
    return millimetres if unit == "mm" else f"{format_length(length_mm, unit)} ({millimetres})"
