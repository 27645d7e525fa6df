"""The fair outline: smooth runs between corners, exactly even where the trace is, and their arcs."""

from __future__ import annotations

import itertools

import numpy as np
import shapely
from scipy.interpolate import CubicSpline
from scipy.ndimage import uniform_filter1d

from calibration.frames import BodyPoints, FloatArray, frozen_floats
from digitize import arcs
from digitize.curve import arc_length, feet, right_normals, unit_tangents
from digitize.fair.biarcs import Run, arcs_of
from digitize.fair.corners import meeting_point, real_corners
from digitize.fair.smooth import RUN_ON_MM, Fit, closed_data, open_data, smooth
from digitize.shapes import ArcPath, BodyTrace, FairOutline

# Spacing of the fair outline's dense points.
DENSE_MM = 0.25
# How closely the arcs are drawn out to measure them against the points.
MEASURE_MM = 0.0002
# On the centerline without a corner, the outline is square to it.
SQUARE = np.array([1.0, 0.0])
# What fairing moves the line by is told as a mean over so much of it, so that the noise it takes out does not count.
MOVED_OVER_MM = 10.0
# Bridging pieces of less than this between a run and its corner are left out.
SPECK_MM = 0.05
# The two sides of a sharp corner meet this near the traced line (over the sine of half the angle between them, no
# less than the second figure), looked for among so many stations each side.
ON_TRACE_MM, LEAST_SINE, NEAR_STATIONS = 0.12, 0.08, 16


def _dense(curve: CubicSpline, low: float, high: float) -> Run:
    """Return a spline's points and tangents between two places along it."""
    count = max(round((high - low) / DENSE_MM), 4)
    at = np.linspace(low, high, count + 1)
    tangent = curve(at, 1)
    return Run(np.asarray(curve(at)), tangent / np.hypot(*tangent.T)[:, None])


def _closed_run(trace: BodyTrace) -> Run:
    """Return the whole outline as one smooth run that ends where it starts."""
    data, whole = closed_data(trace.points.xy, trace.sigma_mm, trace.seen)
    fit = smooth(data, whole)
    xy = fit.xy.copy()
    xy[-1] = xy[0] = (xy[0] + xy[-1]) / 2.0
    return _dense(CubicSpline(fit.at, xy, bc_type="periodic"), 0.0, float(fit.at[-1]))


def _fits(trace: BodyTrace, corners: list[int]) -> list[Fit]:
    """Return the smooth fit of each stretch from corner to corner, carried on past both."""
    count = len(trace.points)
    fits = []
    for first, last in zip(corners, [*corners[1:], corners[0] + count], strict=True):
        run = np.arange(first, last + 1) % count
        fits.append(smooth(open_data(trace.points.xy[run], trace.sigma_mm[run], trace.seen[run])))
    return fits


def _end_piece(fit: Fit, at_end: bool) -> FloatArray:
    """Return dense points around one end of a fit, where its neighbour is met."""
    low, high = float(fit.at[0]), float(fit.at[-1])
    reach = min(3.0 * RUN_ON_MM, (high - low) / 2.0)
    piece = np.linspace(high - reach, high, 120) if at_end else np.linspace(low, low + reach, 120)
    return np.asarray(fit.spline()(piece))


def _place_on(fit: Fit, point: FloatArray, at_end: bool) -> float:
    """Return how far along a fit the place nearest to ``point`` lies, near one end."""
    low, high = float(fit.at[0]), float(fit.at[-1])
    reach = min(3.0 * RUN_ON_MM, (high - low) / 2.0)
    start = high - reach if at_end else low
    at = np.linspace(start, start + reach, 600)
    foot = feet(point[None], np.asarray(fit.spline()(at)), closed=False)
    return float(at[foot.segment[0]] + foot.fraction[0] * (at[1] - at[0]))


def _between_corners(trace: BodyTrace, corners: list[int]) -> tuple[list[Run], list[int]]:
    """Return the smooth runs, each from corner to corner, and the corners that were kept.

    A corner whose two sides would meet away from the traced line is a small round, and smoothed.
    """
    while corners:
        fits = _fits(trace, corners)
        meet = [_meeting(trace, corner, fits[k - 1], fits[k]) for k, corner in enumerate(corners)]
        runs = _runs(fits, meet)
        sharp = [_off_trace(trace, c, meet[k]) <= _allowed(runs[k - 1], runs[k]) for k, c in enumerate(corners)]
        if all(sharp):
            return runs, corners
        left = [corner for corner, kept in zip(corners, sharp, strict=True) if kept]
        corners = [c for c in left if (len(trace.points) - c) % len(trace.points) in left] if trace.symmetric else left
    return [_closed_run(trace)], []


def _meeting(trace: BodyTrace, corner: int, before: Fit, after: Fit) -> FloatArray:
    """Return where the smooth runs before and after a corner meet."""
    point = meeting_point(_end_piece(before, True), _end_piece(after, False), trace.points.xy[corner])
    on_axis = trace.symmetric and corner in (0, len(trace.points) // 2)
    return np.array([0.0, point[1]]) if on_axis else point


def _allowed(before: Run, after: Run) -> float:
    """Return how far off the trace two sides may meet, mm: the sharper the corner, the less surely they do."""
    turn = float(np.arccos(np.clip(before.tangent[-1] @ after.tangent[0], -1.0, 1.0)))
    return ON_TRACE_MM / max(float(np.cos(turn / 2.0)), LEAST_SINE)


def _off_trace(trace: BodyTrace, corner: int, place: FloatArray) -> float:
    """Return how far from the traced line near a corner a place lies, mm."""
    near = np.arange(corner - NEAR_STATIONS, corner + NEAR_STATIONS + 1) % len(trace.points)
    return float(feet(place[None], trace.points.xy[near], closed=False).distance[0])


def _runs(fits: list[Fit], meet: list[FloatArray]) -> list[Run]:
    runs = []
    for k, fit in enumerate(fits):
        start, end = meet[k], meet[(k + 1) % len(meet)]
        run = _dense(fit.spline(), _place_on(fit, start, False), _place_on(fit, end, True))
        xy = run.xy.copy()
        xy[0], xy[-1] = start, end
        runs.append(Run(xy, run.tangent))
    return runs


# --- evenness --------------------------------------------------------------------------


def _cut_on_axis(run: Run, start_right: bool) -> Run:
    """Return the part of a run that crosses x = 0 once, from there on or up to there, square to it."""
    x = run.xy[:, 0]
    turn = np.flatnonzero((x[:-1] < 0) != (x[1:] < 0))
    k = int(turn[np.argmin(np.abs(turn - len(x) / 2))]) if len(turn) else (0 if start_right else len(x) - 2)
    part = x[k] / (x[k] - x[k + 1]) if x[k] != x[k + 1] else 0.0
    middle = np.array([[0.0, run.xy[k, 1] + part * (run.xy[k + 1, 1] - run.xy[k, 1])]])
    square = (SQUARE if start_right else -SQUARE)[None]
    away = np.hypot(*(run.xy - middle).T) > SPECK_MM
    if start_right:
        rest = np.flatnonzero(away & (np.arange(len(x)) > k))
        return Run(np.vstack([middle, run.xy[rest]]), np.vstack([square, run.tangent[rest]]))
    rest = np.flatnonzero(away & (np.arange(len(x)) <= k))
    return Run(np.vstack([run.xy[rest], middle]), np.vstack([run.tangent[rest], square]))


def _right_half(runs: list[Run], corners: list[int], count: int) -> list[Run]:
    """Return the runs of the right half, from the tail's centerline to the neck's."""
    half = count // 2
    if not corners:
        whole = runs[0]
        # Horns may reach beyond the neck's end: the run is cut where it comes back to the centerline.
        middle = int(np.flatnonzero((whole.xy[:-1, 0] > 0) & (whole.xy[1:, 0] <= 0))[0])
        reach = len(whole.xy) // 8
        upper = Run(whole.xy[: middle + reach], whole.tangent[: middle + reach])
        return [_started(_ended(upper))]
    chosen = []
    for run, first, last in zip(runs, corners, [*corners[1:], corners[0] + count], strict=True):
        if first >= half and last <= count:
            continue  # the left half
        over_neck, over_tail = first < half < last, last > count
        if over_neck:
            chosen.append(_cut_on_axis(run, start_right=False))
        elif over_tail:
            chosen.insert(0, _cut_on_axis(run, start_right=True))
        else:
            chosen.append(run)
    return chosen


def _started(run: Run) -> Run:
    """Return a run that starts near x = 0 with its first point and tangent exactly on it, square."""
    xy, tangent = run.xy.copy(), run.tangent.copy()
    xy[0], tangent[0] = (0.0, xy[0, 1]), SQUARE
    keep = np.ones(len(xy), dtype=bool)
    keep[1:3] = xy[1:3, 0] > SPECK_MM
    return Run(xy[keep], tangent[keep])


def _ended(run: Run) -> Run:
    """Return a run cut where it comes back to x = 0, square to it."""
    x = run.xy[:, 0]
    back = np.flatnonzero((x[:-1] > 0) & (x[1:] <= 0))
    k = int(back[-1])
    part = x[k] / (x[k] - x[k + 1])
    end = np.array([[0.0, run.xy[k, 1] + part * (run.xy[k + 1, 1] - run.xy[k, 1])]])
    last = k + 1 if np.hypot(*(run.xy[k] - end[0])) > SPECK_MM else k
    return Run(np.vstack([run.xy[:last], end]), np.vstack([run.tangent[:last], -SQUARE[None]]))


# --- putting together ------------------------------------------------------------------


def _joined(pieces: list[FloatArray], closed: bool) -> FloatArray:
    """Return the points of runs that each start where the last one ended."""
    xy = np.vstack([p[:-1] for p in pieces] + [pieces[-1][-1:]])
    return xy[:-1] if closed else xy


def _path(runs: list[Run], even: bool) -> ArcPath:
    parts = [arcs_of(run) for run in runs]
    xy = _joined([p for p, _ in parts], closed=not even)
    bulge = np.concatenate([b for _, b in parts])
    if even:
        xy = np.vstack([xy, (xy * (-1.0, 1.0))[-2:0:-1]])
        bulge = np.concatenate([bulge, bulge[::-1]])
    return ArcPath(frozen_floats(xy), frozen_floats(bulge), True)


def _points(runs: list[Run], even: bool) -> FloatArray:
    xy = _joined([run.xy for run in runs], closed=not even)
    return np.vstack([xy, (xy * (-1.0, 1.0))[-2:0:-1]]) if even else xy


def _deviation(path: ArcPath, points: FloatArray) -> float:
    """Return the largest distance between arcs and points, both ways, mm."""
    drawn = arcs.flatten(path, MEASURE_MM)
    # flattened straight lines are long, and near a sharp corner the nearest vertex lies on the other side
    there = shapely.distance(shapely.points(points), shapely.LinearRing(drawn)).max()
    back = feet(drawn, points, closed=True).distance.max()
    return float(max(there, back))


def _corner_rows(runs: list[Run], even: bool, closed: bool) -> tuple[tuple[float, float, float], ...]:
    """Return x, y and inside angle of every corner."""
    rows = []
    pairs = list(itertools.pairwise(runs)) + ([(runs[-1], runs[0])] if closed else [])
    for before, after in pairs:
        rows.append(_corner(after.xy[0], before.tangent[-1], after.tangent[0]))
    if even:
        rows += [(-x, y, angle) for x, y, angle in rows]
        rows += _axis_corners(runs)
    return tuple(rows)


def _corner(at: FloatArray, before: FloatArray, after: FloatArray) -> tuple[float, float, float]:
    turn = np.degrees(np.arctan2(before[0] * after[1] - before[1] * after[0], before @ after))
    return float(at[0]), float(at[1]), 180.0 - float(turn)


def _axis_corners(runs: list[Run]) -> list[tuple[float, float, float]]:
    """Return the corners on the centerline: where the right half does not leave it square."""
    tail, neck = runs[0].tangent[0], runs[-1].tangent[-1]
    flip = np.array([1.0, -1.0])
    rows = [_corner(runs[0].xy[0], tail * flip, tail), _corner(runs[-1].xy[-1], neck, neck * flip)]
    return [row for row in rows if abs(row[2] - 180.0) > 1e-6]


def _moved_mean(trace: BodyTrace, points: FloatArray) -> tuple[float, tuple[float, float]]:
    """Return the largest mean of what fairing moved the line by, one way, over a length of it, mm; and where."""
    foot = feet(trace.points.xy, points, closed=True)
    normal = right_normals(unit_tangents(points, closed=True))[foot.segment]
    off = np.where(trace.traced, np.einsum("ij,ij->i", foot.xy - trace.points.xy, normal), 0.0)
    size = max(round(MOVED_OVER_MM / (arc_length(trace.points.xy, closed=True)[-1] / len(off))), 1)
    mean = uniform_filter1d(off, size, mode="wrap")
    k = int(np.argmax(np.abs(mean)))
    x, y = trace.points.xy[k]
    return float(abs(mean[k])), (float(x), float(y))


def fair_outline(trace: BodyTrace) -> FairOutline:
    """Return the outline without its noise, its corners kept, as dense points and as arcs.

    Args:
        trace: the closed outline in the body frame.

    Returns:
        The fair outline, counter-clockwise; exactly even where the trace is. Arcs meet
        tangentially except in corners and stay within 0.01 mm of the points.
    """
    corners = [int(c) for c in real_corners(trace)]
    runs, corners = _between_corners(trace, corners)
    even = trace.symmetric
    if even:
        runs = _right_half(runs, corners, len(trace.points))
    points, path = _points(runs, even), _path(runs, even)
    moved = feet(trace.points.xy[trace.traced], points, closed=True).distance
    moved_mean, moved_at = _moved_mean(trace, points)
    return FairOutline(
        points=BodyPoints(points),
        path=path,
        corners=_corner_rows(runs, even, closed=bool(corners) and not even),
        path_deviation_mm=_deviation(path, points),
        moved_rms_mm=float(np.sqrt(np.mean(moved**2))),
        moved_max_mm=float(moved.max()),
        symmetric=even,
        moved_mean_mm=moved_mean,
        moved_at=moved_at,
    )
