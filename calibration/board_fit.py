"""All shots of one board adjusted together, the board's own shape included.

Starts from a flat board (calibration.chessboard). A sheet glued to a panel is seldom flat to a tenth of a millimetre,
and printers feed paper unevenly: a bow of 0.3 mm on a board of 200 mm moves the focal length by 0.1 %, the same way in
all shots, far beyond what their scatter tells. So the board may bow (x^2, xy, y^2), stretch and shear a little, and
what the shots do not tell of that stays in the sigmas of the lens.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.frames import BoolArray, FloatArray

LENS_TERMS = 8  # focal, centre x, centre y, k1, k2, p1, p2, k3
POSE_TERMS = 6
SHAPE_TERMS = 5  # rise of the board by x^2, x y, y^2 in mm at its rim; stretch and shear, relative
ROUNDS = 12
SETTLED = 1e-6  # sigmas by which the last step may move anything


@dataclass(frozen=True, eq=False)
class BoardFit:
    """Lens, poses and board that fit best."""

    lens: FloatArray  # (8,)
    sigma: FloatArray  # (8,)
    turns: FloatArray  # (S, 3) Rodrigues
    shifts_mm: FloatArray  # (S, 3)
    shape: FloatArray  # (5,)
    rms_px: float  # of distances
    shot_rms_px: FloatArray  # (S,)
    bow_mm: float  # the board's highest corner over its lowest


def fit_board(
    seen: Sequence[FloatArray],
    at_mm: Sequence[FloatArray],
    lens: FloatArray,
    turns: FloatArray,
    shifts_mm: FloatArray,
    shape: FloatArray,
    *,
    k3: bool,
) -> BoardFit | None:
    """Return the adjustment, None when the shots leave something wholly open.

    Args:
        seen: (N, 2) px of each shot.
        at_mm: (N, 2) the same corners on the board.
        lens: (8,) to start from.
        turns: (S, 3) likewise.
        shifts_mm: (S, 3) likewise.
        shape: (5,) of the board, likewise.
        k3: adjust it too; else it is held.
    """
    values = np.concatenate([lens, np.column_stack([turns, shifts_mm]).ravel(), shape])
    free = np.ones(len(values), dtype=np.bool_)
    free[LENS_TERMS - 1] = k3
    for _ in range(ROUNDS):
        off, slopes = _equations(seen, at_mm, values)
        if not np.isfinite(slopes).all():
            return None
        scale = np.linalg.norm(slopes[:, free], axis=0)
        if not np.all(scale > 0.0):
            return None
        scaled = slopes[:, free] / scale
        try:
            step = np.linalg.solve(scaled.T @ scaled, scaled.T @ off) / scale
        except np.linalg.LinAlgError:
            return None
        values[free] += step
        if not np.isfinite(values).all() or values[0] <= 0.0:
            return None
        if np.max(np.abs(step) * scale) < SETTLED:
            break
    return _ended(seen, at_mm, values, free)


def _ended(
    seen: Sequence[FloatArray], at_mm: Sequence[FloatArray], values: FloatArray, free: BoolArray
) -> BoardFit | None:
    off, slopes = _equations(seen, at_mm, values)
    scale = np.linalg.norm(slopes[:, free], axis=0)
    cost, freedom = float(off @ off), len(off) - int(np.count_nonzero(free))
    try:
        spread = np.diag(np.linalg.inv((slopes[:, free] / scale).T @ (slopes[:, free] / scale)))
    except np.linalg.LinAlgError:
        return None
    if freedom <= 0 or not np.all(spread > 0.0):
        return None
    sigma = np.zeros(len(values))
    sigma[free] = np.sqrt(spread * cost / freedom) / scale
    poses = values[LENS_TERMS:-SHAPE_TERMS].reshape(-1, POSE_TERMS)
    ends = np.cumsum([2 * len(part) for part in at_mm])[:-1]
    each = np.array([np.sqrt(2.0 * np.mean(part**2)) for part in np.split(off, ends)])
    rise = _shapes(at_mm[0])[:, 2] @ values[-SHAPE_TERMS:]
    return BoardFit(
        values[:LENS_TERMS], sigma[:LENS_TERMS], poses[:, :3], poses[:, 3:], values[-SHAPE_TERMS:],
        float(np.sqrt(2.0 * cost / len(off))), each, float(np.ptp(rise)),
    )  # fmt: skip


def _equations(
    seen: Sequence[FloatArray], at_mm: Sequence[FloatArray], values: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return (2 N,) what was seen less what is foreseen, px, and (2 N, U) the slopes of what is foreseen."""
    focal, x, y = values[:3]
    matrix, bending = np.array([[focal, 0.0, x], [0.0, focal, y], [0.0, 0.0, 1.0]]), values[3:LENS_TERMS]
    offs, rows = [], []
    for shot, (corners, flat) in enumerate(zip(seen, at_mm, strict=True)):
        pose = slice(LENS_TERMS + POSE_TERMS * shot, LENS_TERMS + POSE_TERMS * (shot + 1))
        turn, shift = values[pose][:3], values[pose][3:]
        forms = _shapes(flat)
        board = np.column_stack([flat, np.zeros(len(flat))]) + forms @ values[-SHAPE_TERMS:]
        foreseen, by = cv2.projectPoints(board, turn, shift, matrix, bending)
        part = np.zeros((2 * len(flat), len(values)))
        part[:, 0], part[:, 1:3] = by[:, 6] + by[:, 7], by[:, 8:10]
        part[:, 3:LENS_TERMS] = by[:, 10:15]
        part[:, pose] = by[:, :POSE_TERMS]
        by_place = by[:, 3:6] @ cv2.Rodrigues(turn)[0]  # a place on the board moves as the board would
        part[:, -SHAPE_TERMS:] = np.einsum("nij,njk->nik", by_place.reshape(-1, 2, 3), forms).reshape(-1, SHAPE_TERMS)
        offs.append((corners - foreseen[:, 0]).ravel())
        rows.append(part)
    return np.concatenate(offs), np.vstack(rows)


def _shapes(at_mm: FloatArray) -> FloatArray:
    """Return (N, 3, 5) how each corner moves, mm, with each term of the board's shape."""
    off = at_mm - (at_mm.min(axis=0) + at_mm.max(axis=0)) / 2.0
    u, v = (off / np.abs(off).max(axis=0)).T
    forms = np.zeros((len(at_mm), 3, SHAPE_TERMS))
    forms[:, 2, :3] = np.stack([u * u - np.mean(u * u), u * v, v * v - np.mean(v * v)], axis=1)
    forms[:, :2, 3] = off * np.array([0.5, -0.5])
    forms[:, :2, 4] = off[:, ::-1] * 0.5
    return forms
