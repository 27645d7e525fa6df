"""A rough way over the page becomes measured stations: corners are found and the parts between them measured."""

from __future__ import annotations

import itertools
from functools import partial

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.contour.band import LineEdge, resample, smooth
from digitize.contour.others import OtherLine
from digitize.contour.peaks import peaks
from digitize.contour.section import STATION_MM, Measured, Places, measure_section
from digitize.shapes import Picture, Seen

# A turn of this much within CORNER_REACH_MM each side is a corner.
CORNER_TURN_DEG, CORNER_REACH_MM = 30.0, 1.6
# How far round a corner paper and ink are looked up; over so many stations each side, this part must be ink.
SHARP_LOOK_MM, SIDE_STATIONS, LEAST_INKED = 1.5, 6, 0.7
# Ink is looked up so far beyond a corner's tip, in half widths of the line.
OUT_SHARE = 0.4
# Where another line passes so near, its ink may make a corner of a small round. Measured without a corner, a sharp one
# still turns by this part of its whole turn, over the second length, within the first of the place. At an acute tip, of
# a larger turn, the ink of its two sides runs together and rounds it.
OTHER_NEAR_MM, SHARP_SHARE, SHARP_TURN_MM, WHOLE_TURN_MM, ACUTE_DEG = 1.0, 0.7, 0.75, 3.0, 100.0
# Two sections run past the corner where they meet by fewer stations than this.
CORNER_STATIONS = 24


def find_corners(xy: FloatArray, reach: int, *, closed: bool, least_deg: float = CORNER_TURN_DEG) -> IntArray:
    """Return the stations where the line turns sharply, comparing directions over ``reach`` stations each side.

    With CORNER_REACH_MM a curve of 3 mm radius still counts as a curve.
    """
    turn = _turn_deg(xy, reach, closed=closed)
    pad = min(len(turn), 4 * reach) if closed else 0
    padded = np.concatenate([turn[len(turn) - pad :], turn, turn[:pad]]) if pad else turn
    found = peaks(padded, least_deg, max(2, reach))
    inside = found[(found >= pad) & (found < pad + len(turn))] - pad
    return np.asarray(np.unique(inside), dtype=np.int64)


def _turn_deg(xy: FloatArray, reach: int, *, closed: bool) -> FloatArray:
    index = np.arange(len(xy))
    if closed:
        before, after = xy[(index - reach) % len(xy)], xy[(index + reach) % len(xy)]
    else:
        before, after = xy[np.maximum(index - reach, 0)], xy[np.minimum(index + reach, len(xy) - 1)]
    first, second = xy - before, after - xy
    cross = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    turn = np.abs(np.degrees(np.arctan2(cross, (first * second).sum(axis=1))))
    if not closed:
        turn[:reach] = turn[len(xy) - reach :] = 0.0
    return np.asarray(turn)


def measure_line(
    picture: Picture,
    rough_px: FloatArray,
    px_per_mm: float,
    line_width_px: float,
    *,
    closed: bool,
    edge: LineEdge = "middle",
    through_px: Places = (),
    others: tuple[OtherLine, ...] = (),
) -> Measured:
    """Measure the ink along a rough way ``rough_px`` (N, 2) of full-resolution pixels.

    Sharp corners split the line: each part is measured on its own, up to its corners. ``others`` are the lines that
    cross it.
    """
    path = resample(rough_px, STATION_MM * px_per_mm, closed=closed)
    gentle = smooth(path, 0.4 / STATION_MM, closed=closed)
    corners = find_corners(gentle, round(CORNER_REACH_MM / STATION_MM), closed=closed)
    side = _outer_side(path, closed=closed)
    section = partial(
        measure_section, picture, px_per_mm=px_per_mm, line_width_px=line_width_px, edge=edge, side=side,
        through_px=through_px, others=others,
    )  # fmt: skip
    def measured(corners: IntArray) -> Measured:
        if closed and len(corners) == 0:
            return section(path, closed=True)
        return _join([section(path[cut], closed=False) for cut in _cuts(path, corners, closed=closed)], closed=closed)

    touched = np.array([_touched(path[c], others, px_per_mm) for c in corners], dtype=np.bool_)
    if edge == "middle" and touched.any():
        without = measured(corners[~touched]).xy
        rounds = [c for c in corners[touched] if not _turns_at_once(without, path[c], closed=closed)]
        corners = np.setdiff1d(corners, rounds)
    while True:
        whole = measured(corners)
        round_ones = [not _sharp(picture.grey, whole, int(c), px_per_mm) for c in whole.corners]
        if edge != "middle" or not any(round_ones):
            return whole
        # Where both sides were carried on to meet there is no ink: the line turns there in a small round.
        corners = _without(corners, path, whole.xy[whole.corners[round_ones]])


def _touched(place: FloatArray, others: tuple[OtherLine, ...], px_per_mm: float) -> bool:
    """Whether another line passes near a place."""
    return any(np.hypot(*(line.path - place).T).min() < OTHER_NEAR_MM * px_per_mm for line in others)


def _turns_at_once(xy: FloatArray, place: FloatArray, *, closed: bool) -> bool:
    """Whether a line that was measured without a corner near a place turns there as sharply as one, or acutely."""
    near = int(np.argmin(np.hypot(*(xy - place).T)))
    around = np.arange(near - SIDE_STATIONS, near + SIDE_STATIONS + 1)
    around = around % len(xy) if closed else around[(around >= 0) & (around < len(xy))]
    reaches = (round(reach_mm / STATION_MM) for reach_mm in (SHARP_TURN_MM, WHOLE_TURN_MM))
    at_once, whole = (_turn_deg(xy, reach, closed=closed)[around].max() for reach in reaches)
    return bool(at_once > SHARP_SHARE * whole or whole > ACUTE_DEG)


def _sharp(grey: npt.NDArray[np.uint8], whole: Measured, corner: int, px_per_mm: float) -> bool:
    """Whether there is ink where the two sides of a corner meet, a little beyond, and under most of both on the way.

    A pen's round end on the tip of a sharp corner reaches half its width beyond the tip; a small round never does.
    """
    xy = whole.xy
    reach = round(SHARP_LOOK_MM * px_per_mm)
    x, y = (round(float(v)) for v in xy[corner])
    window = grey[max(0, y - reach) : y + reach + 1, max(0, x - reach) : x + reach + 1]
    tip = grey[max(0, y - 1) : y + 2, max(0, x - 1) : x + 2]
    if window.size == 0 or tip.size == 0:
        return False
    ink, paper = np.percentile(window, [2, 90])
    middle = (ink + paper) / 2.0
    near = np.arange(corner - SIDE_STATIONS, corner + SIDE_STATIONS + 1) % len(xy)
    columns, rows = np.rint(np.clip(xy[near], 0, np.array(grey.shape[::-1]) - 1)).astype(np.int64).T
    sides = xy[near[[0, -1]]] - xy[corner]
    inwards = (sides / np.maximum(np.hypot(*sides.T), 1e-9)[:, None]).sum(axis=0)
    beyond = xy[corner] - OUT_SHARE * whole.width_px / 2.0 * inwards / max(float(np.hypot(*inwards)), 1e-9)
    out = cv2.getRectSubPix(grey, (3, 3), (float(beyond[0]), float(beyond[1])))[1, 1]
    return bool(tip.mean() < middle and out < middle and np.mean(grey[rows, columns] < middle) > LEAST_INKED)


def _without(corners: IntArray, path: FloatArray, places: FloatArray) -> IntArray:
    """Return the corners but for the one nearest to each of some places."""
    left = corners.tolist()
    for place in places:
        left.remove(min(left, key=lambda c: float(np.hypot(*(path[c] - place)))))
    return np.array(left, dtype=np.int64)


def _outer_side(path: FloatArray, *, closed: bool) -> int:
    """Return +1 when the normal points out of the region that the line goes round, else -1."""
    x, y = path.T
    area = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    return -1 if area > 0 else 1


def _cuts(path: FloatArray, corners: IntArray, *, closed: bool) -> list[IntArray]:
    """Return the stations of each section from corner to corner."""
    inner = corners.tolist()
    cuts = [*inner, inner[0] + len(path)] if closed else [0, *inner, len(path) - 1]
    return [np.arange(a, b + 1) % len(path) for a, b in itertools.pairwise(cuts) if b - a >= 8]


def _join(sections: list[Measured], *, closed: bool) -> Measured:
    """Join sections end to end; where two meet, both are cut, or carried on, to where they cross: the corner."""
    count = len(sections)
    first = 0 if closed else 1
    corners = {n: _meeting(sections[n - 1].xy, sections[n].xy) for n in range(first, count)}
    parts = [
        _ended(section, corners.get(n), corners.get((n + 1) % count if closed else n + 1))
        for n, section in enumerate(sections)
    ]
    starts = np.cumsum([0, *(len(part.xy) for part in parts)])
    return Measured(
        np.concatenate([part.xy for part in parts]),
        np.concatenate([part.sigma_px for part in parts]),
        np.concatenate([part.seen for part in parts]),
        starts[first:count].astype(np.int64),
        float(np.median([section.width_px for section in sections])),
        np.concatenate([part.unsure for part in parts]),
    )


def _ended(section: Measured, start: FloatArray | None, end: FloatArray | None) -> Measured:
    """Return a section from its start corner (included) to its end corner (left out), where there are such.

    In a sharp tip the two sides run into one another before they meet: stations between are put in straight.
    """
    keep = np.ones(len(section.xy), dtype=bool)
    if start is not None:
        keep &= ~_past(section.xy[::-1], start)[::-1]
    if end is not None:
        keep &= ~_past(section.xy, end)
    if not keep.any():  # both corners lie past all of a short section: it is drawn straight between them
        keep[len(keep) // 2] = True
    xy, sigma, seen = section.xy[keep], section.sigma_px[keep], section.seen[keep]
    head = np.zeros((0, 2)) if start is None else np.vstack([start, _between_places(start, xy[0], section.xy)])
    tail = np.zeros((0, 2)) if end is None else _between_places(xy[-1], end, section.xy)
    usual = float(np.median(section.sigma_px))
    return Measured(
        np.vstack([head, xy, tail]),
        np.concatenate([np.full(len(head), usual), sigma, np.full(len(tail), usual)]),
        np.concatenate([np.full(len(head), Seen.THREADED), seen, np.full(len(tail), Seen.THREADED)]),
        section.corners,
        section.width_px,
        np.concatenate([np.zeros(len(head), dtype=bool), section.unsure[keep], np.zeros(len(tail), dtype=bool)]),
    )


def _between_places(start: FloatArray, end: FloatArray, stations: FloatArray) -> FloatArray:
    """Return places between two others, as far apart as the stations are."""
    step = float(np.median(np.hypot(*np.diff(stations, axis=0).T)))
    count = max(1, round(float(np.hypot(*(end - start))) / step))
    return np.asarray(start + np.linspace(0.0, 1.0, count + 1)[1:-1, None] * (end - start))


def _past(xy: FloatArray, corner: FloatArray) -> BoolArray:
    """Mark the points at the end of a section that lie at or past its corner."""
    heading = xy[-1] - xy[max(0, len(xy) - 9)]
    near = np.arange(len(xy)) >= max(len(xy) // 2, len(xy) - CORNER_STATIONS)
    return np.asarray(near & ((xy - corner) @ heading >= 0))


def _meeting(before: FloatArray, after: FloatArray) -> FloatArray:
    """Return where the end of one section and the start of the next cross, as straight lines near the corner."""
    first, second = before[-9:], after[:9][::-1]
    middle = (before[-1] + after[0]) / 2
    a, b = first[-1] - first[0], second[-1] - second[0]
    cross = a[0] * b[1] - a[1] * b[0]
    if abs(cross) < 0.2 * np.hypot(*a) * np.hypot(*b):
        return np.asarray(middle)
    step = second[0] - first[0]
    place = first[0] + a * (step[0] * b[1] - step[1] * b[0]) / cross
    return np.asarray(place if np.hypot(*(place - middle)) < 12 * np.hypot(*(first[1] - first[0])) else middle)
