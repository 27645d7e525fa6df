"""How heavy each stroke is drawn: ink across it, whatever the blur and the skeleton's steps."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray, IntArray
from digitize.contour.band import ACROSS_STEP_PX, straighten
from digitize.contour.peaks import peaks

# Stations along a stroke, and the stretch at each end that meets other ink.
STATION_MM, FEWEST, MOST = 1.0, 3, 14
BLIND_MM = 1.0
# The stroke's direction at a station is taken over this much of it each side.
HEADING_MM = 0.8
# How far across ink is looked for, and how far off the stroke its darkest place may be.
ACROSS_MM, OFF_MM = 1.1, 0.4
# Ink ends where it is lighter than this part of its darkest place.
FOOT = 0.25
# A stroke changes its pen where its weight, taken so far before and after with so much left out between, changes by
# this much (natural logarithm) and it turns by more than this.
STEP_REACH_MM, STEP_BLIND_MM, STEP_MM = 3.0, 0.8, 0.25
STEP_WEIGHT, STEP_TURN_DEG = 0.45, 8.0
# Full ink is what the darkest strokes reach.
FULL_PERCENTILE = 95.0
LEAST_CONTRAST = 8.0  # grey levels; full ink is never less


def stroke_weights(grey: npt.NDArray[np.uint8], lines_px: list[FloatArray], px_per_mm: float) -> FloatArray:
    """Return the weight of each stroke: ink summed across it over full ink, mm.

    Args:
        grey: (H, W) dark ink on light paper.
        lines_px: (N, 2) points of each stroke.
        px_per_mm: of the picture.
    """
    if not lines_px:
        return np.zeros(0)
    placed = [_stations(line / px_per_mm) for line in lines_px]
    at = np.concatenate([xy for xy, _ in placed]) * px_per_mm
    across = np.concatenate([normal for _, normal in placed])
    owner = np.repeat(np.arange(len(placed)), [len(xy) for xy, _ in placed])
    ink, darkest = _ink_across(straighten(grey, at, across, _offsets(px_per_mm)), OFF_MM * px_per_mm)
    full = max(float(np.percentile(darkest, FULL_PERCENTILE)), LEAST_CONTRAST)
    return _medians(ink * ACROSS_STEP_PX / px_per_mm / full, owner, len(placed))


def pen_changes(grey: npt.NDArray[np.uint8], lines_px: list[FloatArray], px_per_mm: float) -> list[list[int]]:
    """Return the points of each stroke where one line ends on another, drawn with another pen, and both are one stroke.

    Args:
        grey: (H, W) dark ink on light paper.
        lines_px: (N, 2) points of each stroke.
        px_per_mm: of the picture.
    """
    least = 2.0 * (STEP_REACH_MM + STEP_BLIND_MM)
    changes: list[list[int]] = [[] for _ in lines_px]
    for number, line in enumerate(lines_px):
        far = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))]) / px_per_mm
        if far[-1] > least:
            at = np.arange(0.0, far[-1], STEP_MM)
            steps = _steps(np.log(_along(grey, line, at, px_per_mm)), _headings(line, far, at))
            changes[number] = [int(np.searchsorted(far, at[step])) for step in steps]
    return changes


def _along(grey: npt.NDArray[np.uint8], line: FloatArray, at: FloatArray, px_per_mm: float) -> FloatArray:
    """Return the ink across a stroke at places ``at`` mm along it, in grey levels, at least 1."""
    xy, normal = _placed(line / px_per_mm, at)
    ink, _ = _ink_across(straighten(grey, xy * px_per_mm, normal, _offsets(px_per_mm)), OFF_MM * px_per_mm)
    return np.maximum(ink, 1.0)


def _headings(line: FloatArray, far: FloatArray, at: FloatArray) -> FloatArray:
    """Return (S,) by how much a stroke turns from the stretch before each place to the one after, degrees."""

    def place(where: FloatArray) -> FloatArray:
        return np.stack([np.interp(where, far, line[:, 0]), np.interp(where, far, line[:, 1])], axis=1)

    before = place(at - STEP_BLIND_MM) - place(at - STEP_REACH_MM)
    after = place(at + STEP_REACH_MM) - place(at + STEP_BLIND_MM)
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return np.asarray(np.abs(np.degrees(np.arctan2(cross, (before * after).sum(axis=1)))))


def _steps(weight: FloatArray, turn_deg: FloatArray) -> list[int]:
    """Return the stations where the weight (natural logarithm) steps, the largest step of each neighbourhood."""
    reach, blind = round(STEP_REACH_MM / STEP_MM), round(STEP_BLIND_MM / STEP_MM)
    windows = np.median(np.lib.stride_tricks.sliding_window_view(weight, reach - blind), axis=1)
    middle = np.arange(reach, len(weight) - reach)
    step = np.zeros(len(weight))
    step[middle] = np.abs(windows[middle + blind] - windows[middle - reach])
    step[turn_deg < STEP_TURN_DEG] = 0.0
    return [int(peak) for peak in peaks(step, STEP_WEIGHT, reach)]


def _stations(line: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return places (S, 2) mm along a stroke, clear of its ends where it is long enough, and the normals there."""
    length = float(np.hypot(*np.diff(line, axis=0).T).sum())
    blind = min(BLIND_MM, length / 3.0)
    return _placed(line, np.linspace(blind, length - blind, int(np.clip(length / STATION_MM, FEWEST, MOST))))


def _placed(line: FloatArray, at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the places (S, 2) ``at`` mm along a stroke, and the normals there."""
    far = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    length = float(far[-1])
    reach = max(min(HEADING_MM, length / 2.0), 1e-6)

    def place(where: FloatArray) -> FloatArray:
        return np.stack([np.interp(where, far, line[:, 0]), np.interp(where, far, line[:, 1])], axis=1)

    step = place(np.minimum(at + reach, length)) - place(np.maximum(at - reach, 0.0))
    step /= np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-9)[:, None]
    return place(at), np.stack([-step[:, 1], step[:, 0]], axis=1)


def _offsets(px_per_mm: float) -> FloatArray:
    """Return the places across a stroke where its ink is looked for, px."""
    count = int(2 * ACROSS_MM * px_per_mm / ACROSS_STEP_PX) | 1
    return (np.arange(count, dtype=np.float64) - count // 2) * ACROSS_STEP_PX


def _ink_across(profile: npt.NDArray[np.float32], off_px: float) -> tuple[FloatArray, FloatArray]:
    """Return (sum of darkness over the ink at the middle of each row, its darkest value), grey levels."""
    dark = np.maximum(np.percentile(profile, 85, axis=1)[:, None] - profile, 0.0)
    centre, reach = dark.shape[1] // 2, max(1, round(off_px / ACROSS_STEP_PX))
    core = dark[:, centre - reach : centre + reach + 1]
    peak = core.argmax(axis=1) + centre - reach
    darkest = core.max(axis=1)
    light = dark < FOOT * darkest[:, None]
    columns = np.arange(dark.shape[1])[None, :]
    below = np.where(light & (columns < peak[:, None]), columns, -1).max(axis=1)
    above = np.where(light & (columns > peak[:, None]), columns, dark.shape[1]).min(axis=1)
    inside = (columns > below[:, None]) & (columns < above[:, None])
    return np.asarray((dark * inside).sum(axis=1), dtype=np.float64), np.asarray(darkest, dtype=np.float64)


def _medians(values: FloatArray, owner: IntArray, count: int) -> FloatArray:
    """Return the median of the values of each owner; owners come in order."""
    order = np.lexsort((values, owner))
    sizes = np.bincount(owner, minlength=count)
    starts = np.cumsum(sizes) - sizes
    middle = values[order]
    return np.asarray((middle[starts + (sizes - 1) // 2] + middle[starts + sizes // 2]) / 2.0)
