"""What a photo's geometry may have wrong over a sheet, as a few kinds of places moving together.

The adjustment's unknowns with their covariance and the forms of lift with their weights move places in more than fifty
ways, most of them alike. Sampled over the sheet, what a rigid motion takes up left out, their principal components
(singular values; Golub and Kahan, SIAM J. Numer. Anal. B 2, 1965) say the same in a dozen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.flatness import Flatness
from calibration.frames import FloatArray, SheetPoints
from calibration.photo import PhotoCalibration

GRID = 12
LEAST_MM = 0.003  # a kind that moves places by less, root mean square, says nothing


@dataclass(frozen=True, eq=False)
class PhotoSways:
    """Gives (N, 2, K) mm by which places (N, 2) on the sheet may be off together, 1 sigma of each kind."""

    photo: PhotoCalibration
    flat: Flatness
    mix: FloatArray  # (11 + F, K)
    middle_mm: FloatArray  # (2,)
    motion: FloatArray  # (3, K) the shift and the turn about the middle that are in each kind, and are left out

    @classmethod
    def over(cls, photo: PhotoCalibration, flat: Flatness, region: SheetPoints) -> PhotoSways:
        """Return those that matter over a region, whose corners (V, 2) are given."""
        low, high = region.xy.min(axis=0), region.xy.max(axis=0)
        grid = np.stack(np.meshgrid(*np.linspace(low, high, GRID).T), axis=2).reshape(-1, 2)
        every, middle = _all(photo, flat, SheetPoints(grid)), grid.mean(axis=0)
        rows, rigid = every.reshape(-1, every.shape[2]), _rigid(grid - middle).reshape(-1, 3)
        motion = np.linalg.lstsq(rigid, rows, rcond=None)[0]
        _, sizes, kinds = np.linalg.svd(rows - rigid @ motion, full_matrices=False)
        mix = kinds[sizes / np.sqrt(len(grid)) > LEAST_MM].T
        return cls(photo, flat, np.asarray(mix), middle, np.asarray(motion @ mix))

    def __call__(self, points: SheetPoints) -> FloatArray:
        """Return (N, 2, K)."""
        moved = _all(self.photo, self.flat, points) @ self.mix
        return np.asarray(moved - _rigid(points.xy - self.middle_mm) @ self.motion)


def _rigid(away: FloatArray) -> FloatArray:
    """Return (N, 2, 3) how places follow a shift and a small turn."""
    one, zero = np.ones(len(away)), np.zeros(len(away))
    pairs = ((one, zero), (zero, one), (-away[:, 1], away[:, 0]))
    return np.stack([np.column_stack(pair) for pair in pairs], axis=2)


def _all(photo: PhotoCalibration, flat: Flatness, points: SheetPoints) -> FloatArray:
    """Return (N, 2, 11 + F) of the adjustment's unknowns, uncorrelated, and of every form of lift."""
    values, axes = np.linalg.eigh(photo.covariance)
    by_camera = photo.moves(points) @ (axes * np.sqrt(np.maximum(values, 0.0)))
    return np.concatenate([by_camera, flat.moves_u(photo, points)], axis=2)
