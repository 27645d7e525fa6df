"""One sheet scanned twice, the second time turned half round: what of the scanner's own error that tells.

A scanner shows a place g of its glass at g + d(g). A sheet's place lies at g in the first scan and at c - g in the
second, with c twice the pivot of the turn, whatever the sheet is. The two pictures of it, added, are
c + d(g) + d(c - g): twice the part of d that is alike at both places. So much follows, and no more:

- known: displacements that are even about the pivot, such as a scale that is larger on one side than on the other (a
  displacement that goes with the square of the distance), and a straight line that comes out as a bow;
- not known: everything odd. That is a constant error of scale, one that differs lengthwise and crosswise, a scanner
  that is not square (all are linear, and commute with half a turn), and a scale that is alike at opposite edges but
  not in the middle.

The displacement between the two pictures is fitted as an affine motion and even powers about the pivot, by least
squares over blocks of the picture (B. D. Lucas, T. Kanade, IJCAI 1981, 674), so that a line says how it moved across
itself and nothing else. Its covariance is that of clusters, a block being one (K.-Y. Liang, S. L. Zeger, Biometrika 73
(1986) 13).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.budget import COVERAGE_95
from calibration.frames import FloatArray, frozen_floats

EVEN = ((2, 0), (1, 1), (0, 2), (4, 0), (3, 1), (2, 2), (1, 3), (0, 4))  # powers of x and y
AFFINE = ((0, 0), (1, 0), (0, 1))
FLOOR_MM = 0.05  # less does no harm to a body, and is not called
CERTAIN_SIGMAS = 4.0  # of the largest place: many places are looked at
EDGE = 0.8  # of the way to the rim of what was seen: there the scale is told
GRID = 15
STRAY_SIGMAS, ROUNDS = 4.0, 4


@dataclass(frozen=True, eq=False)
class Blocks:
    """What blocks of a picture say of how the other one lies on it: hessian (step) = pull."""

    at: FloatArray  # (N, 2) places in halves of the picture's sides about a middle
    hessian: FloatArray  # (N, 2, 2)
    pull: FloatArray  # (N, 2)


@dataclass(frozen=True, eq=False)
class Step:
    """A fitted displacement and its covariance, x and then y."""

    values: FloatArray  # (2 K,)
    covariance: FloatArray  # (2 K, 2 K)


@dataclass(frozen=True, eq=False)
class ScannerError:
    """The even part of a scanner's own displacement about the pivot, in mm of the first scan (x right, y down)."""

    middle_mm: FloatArray  # (2,) the pivot
    half_mm: FloatArray  # (2,) the powers are of places in these halves
    low_mm: FloatArray  # (2,) what of the glass the sheet showed
    high_mm: FloatArray
    values: FloatArray  # (2, E)
    covariance: FloatArray  # (2 E, 2 E)

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("middle_mm", "half_mm", "low_mm", "high_mm", "values", "covariance"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name)))

    def at(self, places_mm: FloatArray) -> FloatArray:
        """Return (N, 2) by how much places (N, 2) are shown off, but for a constant, mm."""
        return np.asarray((self._rows(places_mm) - self._mean_row) @ self.values.T)

    def u_at(self, places_mm: FloatArray) -> FloatArray:
        """Return (N,) 1 sigma of the larger of both directions, mm."""
        rows, count = self._rows(places_mm) - self._mean_row, len(EVEN)
        parts = [self.covariance[k * count : (k + 1) * count, k * count : (k + 1) * count] for k in (0, 1)]
        squares = [np.einsum("nk,kl,nl->n", rows, part, rows) for part in parts]
        return np.asarray(np.sqrt(np.max(squares, axis=0)))

    @property
    def peak_mm(self) -> float:
        """The largest displacement over what was seen."""
        return float(np.hypot(*self.at(self._grid).T).max())

    @property
    def peak_at_mm(self) -> tuple[float, float]:
        """Where."""
        x, y = self._grid[int(np.argmax(np.hypot(*self.at(self._grid).T)))]
        return float(x), float(y)

    @property
    def u95_mm(self) -> float:
        """95 % half-width of a displacement, at the worst place."""
        return COVERAGE_95 * float(self.u_at(self._grid).max())

    @property
    def proven(self) -> bool:
        """Whether the scans prove an error that matters."""
        off, u = np.hypot(*self.at(self._grid).T), self.u_at(self._grid)
        return bool(np.any((off > CERTAIN_SIGMAS * u) & (off > FLOOR_MM)))

    def scale_difference(self, axis: int) -> tuple[float, float]:
        """Return by how much larger the scale along x (0) or y (1) is at the far edge than at the near, and its u95.

        Far is right, or below; both are shares, taken at 0.8 of the way to the edges and over the whole width.
        """
        near, far = (self._slopes(axis, way) for way in (-EDGE, EDGE))
        row, count = far - near, len(EVEN)
        part = self.covariance[axis * count : (axis + 1) * count, axis * count : (axis + 1) * count]
        return float(row @ self.values[axis]), COVERAGE_95 * float(np.sqrt(row @ part @ row))

    def _slopes(self, axis: int, share: float) -> FloatArray:
        """Return (E,) the mean slope of each power along an axis on a line across it, per mm."""
        reach = (self.high_mm - self.low_mm) / 2.0
        places = np.repeat(((self.low_mm + self.high_mm) / 2.0)[None], GRID, axis=0)
        places[:, axis] += share * reach[axis]
        places[:, 1 - axis] += np.linspace(-1.0, 1.0, GRID) * reach[1 - axis]
        step = np.zeros(2)
        step[axis] = 0.5
        return np.asarray((self._rows(places + step) - self._rows(places - step)).mean(axis=0))

    def _rows(self, places_mm: FloatArray) -> FloatArray:
        return powers((places_mm - self.middle_mm) / self.half_mm, EVEN)

    @property
    def _mean_row(self) -> FloatArray:
        return np.asarray(self._rows(self._grid).mean(axis=0))

    @property
    def _grid(self) -> FloatArray:
        x, y = (np.linspace(self.low_mm[k], self.high_mm[k], GRID) for k in (0, 1))
        return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def powers(at: FloatArray, which: tuple[tuple[int, int], ...]) -> FloatArray:
    """Return (N, K) products of powers of x and y at places (N, 2)."""
    return np.stack([at[:, 0] ** i * at[:, 1] ** j for i, j in which], axis=1)


def fit_step(blocks: Blocks, *, even: bool) -> Step:
    """Return the displacement that blocks agree on; blocks that pull far off the others are left out.

    Args:
        blocks: enough of them to tell an affine motion, and even powers if these are wanted.
        even: with even powers.
    """
    rows = powers(blocks.at, (*AFFINE, *EVEN) if even else AFFINE)
    use = np.ones(len(rows), dtype=np.bool_)
    for _ in range(ROUNDS):
        step, off = _solved(rows[use], blocks.hessian[use], blocks.pull[use]), np.empty(len(rows))
        moved = np.stack([rows @ step.values[: rows.shape[1]], rows @ step.values[rows.shape[1] :]], axis=1)
        left = blocks.pull - np.einsum("nij,nj->ni", blocks.hessian, moved)
        size = np.trace(blocks.hessian, axis1=1, axis2=2)
        off = np.hypot(*left.T) / np.sqrt(size)  # in units of the pictures' own differences
        use = off < STRAY_SIGMAS * 1.4826 * np.median(off[use])
    return step


def _solved(rows: FloatArray, hessian: FloatArray, pull: FloatArray) -> Step:
    count = rows.shape[1]
    normal = np.einsum("na,nij,nb->iajb", rows, hessian, rows).reshape(2 * count, 2 * count)
    right = np.einsum("na,ni->ia", rows, pull).reshape(2 * count)
    inverse = np.linalg.pinv(normal, hermitian=True)
    values = inverse @ right
    moved = np.stack([rows @ values[:count], rows @ values[count:]], axis=1)
    left = pull - np.einsum("nij,nj->ni", hessian, moved)
    scores = np.einsum("na,ni->nia", rows, left).reshape(len(rows), 2 * count)
    return Step(values, inverse @ (scores.T @ scores) @ inverse)
