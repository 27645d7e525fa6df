"""A chessboard in a picture: its inner corners, to a fraction of a pixel.

Found in a picture of moderate size by its squares, then each corner in the full picture where all edges round it
meet (Foerstner and Guelch, ISPRS Intercommission Workshop, Interlaken, 1987; OpenCV's cornerSubPix). OpenCV's other
finder, by sectors, found 11 to 13 of its 13 sample boards and left residuals of 0.25 px where this leaves 0.19, so it
only helps where this one finds none.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray, PxPoints
from digitize.shapes import Picture

FIND_PX = 1600  # longer side in which the board is looked for; 12 megapixels take ten times as long
WINDOW_SHARE = 0.2  # half a corner's window, of the shortest side of a square: clear of the next corner when tilted
LEAST_WINDOW_PX, MOST_WINDOW_PX = 3, 40
EXACT = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-3)
FLAGS = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE


def find_board(picture: Picture, across: int, down: int) -> PxPoints | None:
    """Return the inner corners, row after row of ``across``, or None when no whole board is seen."""
    grey = picture.grey
    scale = min(1.0, FIND_PX / max(grey.shape))
    small = grey if scale == 1.0 else cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    rough = _found(small, (across, down))
    if rough is None:
        return None
    # the middle of the first pixel is (0, 0) in both
    rough = (rough + 0.5) * np.array([grey.shape[1] / small.shape[1], grey.shape[0] / small.shape[0]]) - 0.5
    window = int(np.clip(WINDOW_SHARE * _shortest(rough, across, down), LEAST_WINDOW_PX, MOST_WINDOW_PX))
    start = np.ascontiguousarray(rough, dtype=np.float32).reshape(-1, 1, 2)
    fine = cv2.cornerSubPix(np.ascontiguousarray(grey), start, (window, window), (-1, -1), EXACT)[:, 0]
    return PxPoints(_from_front(fine, across, down)) if np.all(np.hypot(*(fine - rough).T) < window) else None


def _found(grey: npt.NDArray[np.uint8], size: tuple[int, int]) -> FloatArray | None:
    found, corners = cv2.findChessboardCorners(grey, size, flags=FLAGS)
    if not found:
        found, corners = cv2.findChessboardCornersSB(grey, size, flags=cv2.CALIB_CB_NORMALIZE_IMAGE)
    return np.asarray(corners, dtype=np.float64).reshape(-1, 2) if found else None


def _from_front(corners: FloatArray, across: int, down: int) -> FloatArray:
    """Return the corners in the order in which they are seen from the board's front: its rows go on clockwise.

    Either end of such a board may come first; its slight bow and stretch (calibration.board_fit) are the same then.
    """
    grid = corners.reshape(down, across, 2)
    along, on = grid[0, -1] - grid[0, 0], grid[-1, 0] - grid[0, 0]
    return corners if along[0] * on[1] > along[1] * on[0] else np.asarray(grid[::-1].reshape(-1, 2))


def _shortest(corners: FloatArray, across: int, down: int) -> float:
    grid = corners.reshape(down, across, 2)
    sides = [np.linalg.norm(np.diff(grid, axis=axis), axis=2).min() for axis in (0, 1)]
    return float(min(sides))


def board_mm(across: int, down: int, square_mm: float) -> FloatArray:
    """Return (N, 2) the places of the inner corners on the board, in the order of :func:`find_board`."""
    column, row = np.meshgrid(np.arange(across, dtype=np.float64), np.arange(down, dtype=np.float64))
    return square_mm * np.stack([column.ravel(), row.ravel()], axis=1)
