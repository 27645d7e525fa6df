"""Strokes and calibration to the body outline in millimetres: the only crossing from px to mm for geometry."""

from __future__ import annotations

import numpy as np

from calibration.errors import Refusal
from calibration.flags import Doubt, doubt
from calibration.frames import BoolArray, FloatArray, PxPoints
from calibration.solve import Calibration
from digitize.contour.build import build_network
from digitize.contour.choose import choose_outline
from digitize.contour.crossing import part_crossings
from digitize.contour.lines import LongLine
from digitize.contour.measure import measure_line
from digitize.contour.neck import neck_ends
from digitize.contour.others import crossing_lines
from digitize.contour.section import Measured
from digitize.contour.straight import fit_straight
from digitize.shapes import Ink, OutlineHints, Picture, Seen, SheetLine, TracedOutline

# More bridged line than this asks for a look.
MOST_BRIDGED_MM = 3.0
# So does a bend without ink that leaves more than this open, its ends' headings taken over so many stations.
MOST_SLACK_MM, HEADING_STATIONS = 0.1, 6
# A longer stretch without ink means that the line was lost, not that it has a gap.
LONGEST_BRIDGE_MM = 14.0
LONGEST_STEP_MM = 1.0
# An outline nearer than this to the picture's edge has run off it.
EDGE_PX = 3.0


def find_outline(picture: Picture, ink: Ink, calibration: Calibration, hints: OutlineHints) -> TracedOutline:
    """Return the body's outline on the sheet, measured at full resolution.

    Raises:
        Refusal: ``no-outline``, ``several-bodies`` or ``outline-off-sheet``.
    """
    px_per_mm = 2.0 / (calibration.mm_per_px_x + calibration.mm_per_px_y)
    network = build_network(picture, ink, px_per_mm, hints.ignore)
    crossings = part_crossings(network)
    choice = choose_outline(network, ink, px_per_mm, hints)
    measured = measure_line(
        picture,
        choice.way.xy * px_per_mm,
        px_per_mm,
        ink.line_width_px,
        closed=choice.way.closed,
        edge=hints.line,
        through_px=hints.through,
        others=crossing_lines(network, crossings, choice.way, picture.grey, px_per_mm),
    )
    _refuse_off_sheet(measured, picture, hints)
    height, width = picture.grey.shape
    necks = neck_ends(network, choice.way, choice.lines, (width / px_per_mm, height / px_per_mm))
    lines = tuple(
        line
        for candidate, neck in zip(choice.lines, necks, strict=True)
        if (line := _sheet_line(picture, candidate, neck, px_per_mm, ink.line_width_px, calibration)) is not None
    )
    return TracedOutline(
        points=calibration.to_sheet(PxPoints(measured.xy)),
        sigma_mm=measured.sigma_px / px_per_mm,
        seen=measured.seen,
        corners=measured.corners,
        half=choice.half,
        lines=lines,
        width_mm=measured.width_px / px_per_mm,
        doubts=(
            *choice.doubts,
            *_bridged(measured, px_per_mm, hints, closed=choice.way.closed),
            *_merged(measured, px_per_mm, hints),
        ),
        evidence=choice.evidence,
    )


def _longest_run_mm(flags: BoolArray, steps_mm: FloatArray) -> float:
    """Return the length of the longest run of flagged stations (a run over the seam counts as two)."""
    run = longest = 0.0
    for flag, step in zip(flags.tolist(), steps_mm.tolist(), strict=True):
        run = run + step if flag else 0.0
        longest = max(longest, run)
    return longest


def _refuse_off_sheet(measured: Measured, picture: Picture, hints: OutlineHints) -> None:
    height, width = picture.grey.shape
    low, high = measured.xy.min(axis=0), measured.xy.max(axis=0)
    if low.min() < EDGE_PX or high[0] > width - 1 - EDGE_PX or high[1] > height - 1 - EDGE_PX:
        worst = measured.xy[np.argmin(np.minimum(measured.xy, [width, height] - measured.xy).min(axis=1))]
        raise Refusal("outline-off-sheet", place=f"({hints.place(worst)})")


def _bridged(measured: Measured, px_per_mm: float, hints: OutlineHints, *, closed: bool) -> tuple[Doubt, ...]:
    steps = np.hypot(*np.diff(measured.xy, axis=0, append=measured.xy[:1]).T) / px_per_mm
    if not closed:
        steps[-1] = 0.0
    # Stations are a quarter of a millimetre apart: a longer step has no ink under it either.
    missing = (measured.seen == Seen.BRIDGED) | (steps > LONGEST_STEP_MM)
    if _longest_run_mm(missing, steps) > LONGEST_BRIDGE_MM:
        raise Refusal("no-outline")
    length = float(steps[missing].sum())
    if length < MOST_BRIDGED_MM and _slack_mm(measured.xy, missing, steps) < MOST_SLACK_MM:
        return ()
    place = hints.place(measured.xy[np.nonzero(missing)[0][0]])
    percent = 100.0 * length / float(steps.sum())
    return (doubt("bridged", length=f"{length:.0f}", percent=f"{percent:.1f}", place=f"({place})"),)


def _slack_mm(xy: FloatArray, missing: BoolArray, steps_mm: FloatArray) -> float:
    """Return how far off the line may run in the worst stretch without ink.

    That is half the height of the corner that the lines leading into it make.
    """
    worst = 0.0
    for start, stop in np.flatnonzero(np.diff(np.r_[0, missing.astype(int), 0])).reshape(-1, 2).tolist():
        before, after = max(0, start - HEADING_STATIONS), min(len(xy) - 1, stop + HEADING_STATIONS)
        into, out = xy[start] - xy[before], xy[after] - xy[min(stop, len(xy) - 1)]
        cross, along = float(into[0] * out[1] - into[1] * out[0]), float(into @ out)
        turn = abs(np.arctan2(cross, along))
        worst = max(worst, float(steps_mm[start:stop].sum()) / 4.0 * float(np.tan(min(turn, 2.0) / 2.0)))
    return worst


def _merged(measured: Measured, px_per_mm: float, hints: OutlineHints) -> tuple[Doubt, ...]:
    """Doubt stretches that another line runs along in, where it is not certain which edge is the outline's."""
    if not measured.unsure.any():
        return ()
    steps = np.hypot(*np.diff(measured.xy, axis=0, append=measured.xy[:1]).T) / px_per_mm
    runs = np.flatnonzero(np.diff(np.r_[0, measured.unsure.astype(int), 0])).reshape(-1, 2)
    start, stop = max(runs.tolist(), key=lambda run: float(steps[run[0] : run[1]].sum()))
    place = hints.place(measured.xy[(start + stop) // 2])
    length = float(steps[measured.unsure].sum())
    return (doubt("merged-line", length=f"{length:.0f}", place=f"({place})"),)


def _sheet_line(
    picture: Picture, line: LongLine, neck: int, px_per_mm: float, line_width_px: float, calibration: Calibration
) -> SheetLine | None:
    """Measure a straight line at full resolution and fit it robustly; None when its ink is not straight."""
    rough = np.stack([line.start, line.end]) * px_per_mm
    fit = fit_straight(picture.grey, rough, px_per_mm, line_width_px)
    if fit is None:
        return None
    ends, offset_sigma, angle_sigma, inked = fit
    sheet = calibration.to_sheet(PxPoints(ends)).xy
    return SheetLine(
        (float(sheet[0, 0]), float(sheet[0, 1])),
        (float(sheet[1, 0]), float(sheet[1, 1])),
        inked,
        offset_sigma / px_per_mm,
        angle_sigma,
        neck,
    )


__all__ = ["find_outline"]
