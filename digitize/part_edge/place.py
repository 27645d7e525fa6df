"""Where a known half outline lies in a picture: every turn, both ways up, by the directions of edges.

The picture's edges and the outline's are compared as doubled angles, so that it does not matter which side is the
lighter one; all shifts of one turn are worked out at once by the Fourier transform (a generalised Hough transform,
Ballard, Pattern Recognition 13, 1981, with each edge's direction as its vote's phase).
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
from scipy.fft import fft2, ifft2, next_fast_len

from calibration.frames import FloatArray
from calibration.part_fit import PartFit, fit_part
from calibration.solve import Calibration
from digitize.fit_shapes import HalfCurve, RoughPlace
from digitize.part_edge.nearest import nearest_on
from digitize.part_edge.profiles import edge_places, edge_way, profiles, px_to_sheet, sheet_normals

LONG_CELLS = 200  # of the picture's longer side on the coarse grid
LEAST_CELL_MM = 1.2
TURN_DEG = 2.0
SOFT_QUANTILE = 0.85  # an edge of this strength counts half
KEPT = 14  # places that are looked at closely, until one is clear; then so many of the other way up
CLEAR_SCORE, OTHER_WAYS = 0.92, 2
APART_DEG, APART_MM = 5.0, 8.0
# Rounds of the closer look: how far to both sides of the outline, how wide an edge's slope.
ROUNDS_MM = ((9.0, 0.5), (5.0, 0.35), (3.0, 0.25))
STATION_MM = 2.0
ROUGH_OVER_NOISE = 1.5  # an edge is looked for, not yet measured: the fit leaves out what is none
NEAR_MM = 0.8  # an edge this near to the outline speaks for a place
FREE_STRAIN = np.diag([1e-3, 1e-3, 1e-3]) ** 2


def rough_places(grey: npt.NDArray[np.uint8], calibration: Calibration, curve: HalfCurve) -> list[RoughPlace]:
    """Return the ways in which the half may lie in the picture, the best first; none better than one that is clear.

    Of the other way up the likeliest are looked at too: an outline whose ends are alike fits both.
    """
    seeds = _seeds(grey, calibration, curve)
    found: list[RoughPlace] = []
    clear, others = False, 0
    for seed in seeds:
        mirrored = bool(np.linalg.det(seed[:, :2]) < 0.0)
        if clear and (mirrored == found[-1].mirrored or others >= OTHER_WAYS):
            continue
        others += clear
        place = _closer(grey, calibration, curve, seed)
        if place is None:
            continue
        if clear:
            found.insert(0, place)
            continue
        found.append(place)
        clear = place.score >= CLEAR_SCORE
    return sorted(found, key=lambda place: -place.score)


def _seeds(grey: npt.NDArray[np.uint8], calibration: Calibration, curve: HalfCurve) -> list[FloatArray]:
    """Return affines (2, 3), body mm to sheet mm, of the most likely places on the coarse grid."""
    mm_per_px = float(np.sqrt(calibration.mm_per_px_x * calibration.mm_per_px_y))
    cell_mm = max(LEAST_CELL_MM, mm_per_px * max(grey.shape) / LONG_CELLS)
    shrink = mm_per_px / cell_mm
    small = cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA).astype(np.float32)
    field = _directions(small)
    every = max(1, round(cell_mm / curve.step_mm))
    xy, normal = curve.xy_mm[::every], curve.normal[::every]
    middle = xy.mean(axis=0)
    radius = int(np.ceil(np.hypot(*(xy - middle).T).max() / cell_mm)) + 2
    size = tuple(next_fast_len(side + 2 * radius) for side in small.shape)
    spectrum = fft2(field, size)
    rows = []
    for flip in (1.0, -1.0):
        for turn in np.radians(np.arange(0.0, 360.0, TURN_DEG)):
            pose = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ np.diag([flip, 1.0])
            score, row, column = _best_shift(
                spectrum, size, small.shape, (xy - middle) @ pose.T / cell_mm, normal @ pose.T
            )
            rows.append((score, np.degrees(turn), flip, row, column))
    kept: list[tuple[float, ...]] = []
    for one in sorted(rows, key=lambda row: -row[0]):
        if len(kept) < KEPT and not any(_same(one, other, cell_mm) for other in kept):
            kept.append(one)
    return [_affine(one, middle, 1.0 / shrink, calibration) for one in kept]


def _directions(small: FloatArray) -> npt.NDArray[np.complex128]:
    """Return each cell's edge as a doubled angle; weak ones count less, strong ones no more than once."""
    soft = cv2.GaussianBlur(small, (0, 0), 0.8)
    across, down = cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)
    size = np.hypot(across, down)
    weight = size / (size + max(float(np.quantile(size, SOFT_QUANTILE)), 1.0))
    double = np.exp(2j * np.arctan2(-down, across)) * weight
    return np.asarray(cv2.GaussianBlur(double.real, (0, 0), 1.0) + 1j * cv2.GaussianBlur(double.imag, (0, 0), 1.0))


def _best_shift(
    spectrum: npt.NDArray[np.complex128],
    size: tuple[int, ...],
    room: tuple[int, ...],
    xy: FloatArray,
    normal: FloatArray,
) -> tuple[float, int, int]:
    """Return the best score of one turn and the cell (row, column) of the outline's middle."""
    template = np.zeros(size, dtype=np.complex128)
    rows, columns = np.rint(-xy[:, 1]).astype(int), np.rint(xy[:, 0]).astype(int)
    np.add.at(template, (rows % size[0], columns % size[1]), np.exp(2j * np.arctan2(normal[:, 1], normal[:, 0])))
    score = ifft2(spectrum * np.conj(fft2(template))).real[: room[0], : room[1]]
    row, column = np.unravel_index(int(score.argmax()), score.shape)
    return float(score[row, column]) / len(xy), int(row), int(column)


def _same(one: tuple[float, ...], other: tuple[float, ...], cell_mm: float) -> bool:
    turn = abs((one[1] - other[1] + 180.0) % 360.0 - 180.0)
    shift = cell_mm * np.hypot(one[3] - other[3], one[4] - other[4])
    return bool(one[2] == other[2] and turn < APART_DEG and shift < APART_MM)


def _affine(one: tuple[float, ...], middle: FloatArray, px_per_cell: float, calibration: Calibration) -> FloatArray:
    _, turn_deg, flip, row, column = one
    turn = np.radians(turn_deg)
    pose = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ np.diag([flip, 1.0])
    px = (np.array([[column, row]], dtype=np.float64) + 0.5) * px_per_cell - 0.5
    return np.column_stack([pose, px_to_sheet(calibration, px)[0] - pose @ middle])


def _closer(
    grey: npt.NDArray[np.uint8], calibration: Calibration, curve: HalfCurve, body_to_sheet: FloatArray
) -> RoughPlace | None:
    """Return a place drawn to the edges near it, with what speaks for it; None where nothing does."""
    every = max(1, round(STATION_MM / curve.step_mm))
    xy, normal, usable = curve.xy_mm[::every], curve.normal[::every], ~curve.sharp[::every]
    nearest = nearest_on(curve)
    fit: PartFit | None = None
    score = 0.0
    for reach_mm, coarse_mm in ROUNDS_MM:
        stations = xy @ body_to_sheet[:, :2].T + body_to_sheet[:, 2]
        normals = sheet_normals(normal, body_to_sheet)
        seen = profiles(grey, calibration, stations, normals, reach_mm, coarse_mm=coarse_mm)
        way, sign = edge_way(seen, STATION_MM)
        edge = edge_places(seen, way, sign, stations, normals, over_noise=ROUGH_OVER_NOISE)
        good = edge.seen & usable
        if good.sum() < 0.3 * len(xy):
            return None
        start = _inverse(body_to_sheet)
        fit = fit_part(edge.points_mm[good], nearest, start, FREE_STRAIN)
        score = float((np.abs(fit.off_mm) < NEAR_MM).sum()) / max(1, int(usable.sum()))
        body_to_sheet = _inverse(fit.matrix)
    return None if fit is None else RoughPlace(fit.matrix, fit.mirrored, score)


def _inverse(affine: FloatArray) -> FloatArray:
    linear = np.linalg.inv(affine[:, :2])
    return np.column_stack([linear, -linear @ affine[:, 2]])
