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
    root: FloatArray  # (11, 11) of the photo's covariance
    mix: FloatArray  # (11 + F, K)

    @classmethod
    def over(cls, photo: PhotoCalibration, flat: Flatness, region: SheetPoints) -> PhotoSways:
        """Return those that matter over a region, whose corners (V, 2) are given."""
        values, axes = np.linalg.eigh(photo.covariance)
        root = axes * np.sqrt(np.maximum(values, 0.0))
        low, high = region.xy.min(axis=0), region.xy.max(axis=0)
        grid = np.stack(np.meshgrid(*np.linspace(low, high, GRID).T), axis=2).reshape(-1, 2)
        every = cls(photo, flat, root, np.eye(len(root)))._all(SheetPoints(grid))
        off = grid - grid.mean(axis=0)
        one, zero = np.ones(len(grid)), np.zeros(len(grid))
        rigid = np.stack([np.column_stack(pair) for pair in ((one, zero), (zero, one), (-off[:, 1], off[:, 0]))], 2)
        rows, motion = every.reshape(-1, every.shape[2]), rigid.reshape(-1, 3)
        rows = rows - motion @ np.linalg.lstsq(motion, rows, rcond=None)[0]
        _, sizes, kinds = np.linalg.svd(rows, full_matrices=False)
        kept = sizes / np.sqrt(len(grid)) > LEAST_MM
        return cls(photo, flat, root, np.asarray(kinds[kept].T))

    def __call__(self, points: SheetPoints) -> FloatArray:
        """Return (N, 2, K)."""
        return np.asarray(self._all(points) @ self.mix)

    def _all(self, points: SheetPoints) -> FloatArray:
        by_camera = self.photo.moves(points) @ self.root
        return np.concatenate([by_camera, self.flat.moves_u(self.photo, points)], axis=2)
