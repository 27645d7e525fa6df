"""What a lens does to a picture: radial bending, taken away and put back.

Model after Brown, "Decentering distortion of lenses", Photogrammetric Engineering 32 (1966) 444, and
"Close-range camera calibration", the same 37 (1971) 855. Signs and order as in OpenCV: with x, y the
ideal place from the lens's centre in units of the focal length and r its length,
seen = ideal * (1 + k1 r^2 + k2 r^4) + what the decentering terms p1, p2 add.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibration.frames import FloatArray, PxPoints

RETURN_PX = 1e-10  # an undistorted point put back comes this near to where it was
FURTHEST = 4.0  # focal lengths from the centre (76 degrees): no flat picture reaches further
NEWTON_ROUNDS = 60


@dataclass(frozen=True)
class Lens:
    """Centre, focal length and bending of a lens, square pixels."""

    centre_px: tuple[float, float]  # where the optical axis meets the picture
    focal_px: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0

    def __post_init__(self) -> None:
        """Check the numbers.

        Raises:
            ValueError: one is not finite, or the focal length is not above zero.
        """
        if not np.isfinite([*self.centre_px, self.focal_px, *self.terms]).all() or self.focal_px <= 0.0:
            raise ValueError("a lens needs finite numbers and a focal length above zero")

    @property
    def terms(self) -> tuple[float, float, float, float]:
        """The bending (k1, k2, p1, p2)."""
        return (self.k1, self.k2, self.p1, self.p2)

    @property
    def reach(self) -> float:
        """Largest ideal distance from the centre, in focal lengths, up to which every place has its own image."""
        return _reach(self.k1, self.k2)

    def distort(self, ideal: PxPoints) -> PxPoints:
        """Return where the lens puts the points of an ideal picture.

        Raises:
            ValueError: a point lies beyond the reach of the model.
        """
        xy = self._from_centre(ideal)
        if np.any(np.hypot(xy[:, 0], xy[:, 1]) > self.reach):
            raise ValueError("points lie beyond the reach of the lens model")
        return self._to_px(bent(xy, self.terms))

    def undistort(self, seen: PxPoints) -> PxPoints:
        """Return the points as an ideal lens would have shown them.

        Raises:
            ValueError: a point lies beyond the reach of the model.
        """
        target = self._from_centre(seen)
        xy = _unbent_radially(target, self.k1, self.k2, self.reach)
        for _ in range(NEWTON_ROUNDS if self.p1 or self.p2 else 1):
            step = np.linalg.solve(bent_slopes(xy, self.terms), (target - bent(xy, self.terms))[:, :, None])[:, :, 0]
            xy = xy + np.nan_to_num(step)
            if np.max(np.abs(step), initial=0.0) * self.focal_px < RETURN_PX / 10.0:
                break
        off_px = np.abs(bent(xy, self.terms) - target) * self.focal_px
        beyond = np.hypot(xy[:, 0], xy[:, 1]) > self.reach * (1.0 + 1e-9)
        if np.any(beyond) or not np.max(off_px, initial=0.0) <= RETURN_PX:
            raise ValueError("points lie beyond the reach of the lens model")
        return self._to_px(xy)

    def _from_centre(self, points: PxPoints) -> FloatArray:
        return np.asarray((points.xy - self.centre_px) / self.focal_px)

    def _to_px(self, xy: FloatArray) -> PxPoints:
        return PxPoints(xy * self.focal_px + self.centre_px)


def bent(xy: FloatArray, terms: tuple[float, float, float, float]) -> FloatArray:
    """Return (N, 2) where the lens puts ideal places; both in focal lengths from the centre."""
    k1, k2, p1, p2 = terms
    x, y = xy[:, 0], xy[:, 1]
    r2 = x * x + y * y
    stretch = 1.0 + r2 * (k1 + k2 * r2)
    return np.stack(
        [
            x * stretch + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
            y * stretch + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
        ],
        axis=1,
    )


def bent_slopes(xy: FloatArray, terms: tuple[float, float, float, float]) -> FloatArray:
    """Return (N, 2, 2): how :func:`bent` follows its places."""
    k1, k2, p1, p2 = terms
    x, y = xy[:, 0], xy[:, 1]
    r2 = x * x + y * y
    stretch, more = 1.0 + r2 * (k1 + k2 * r2), 2.0 * (k1 + 2.0 * k2 * r2)
    cross = more * x * y + 2.0 * (p1 * x + p2 * y)
    slopes = np.empty((len(xy), 2, 2))
    slopes[:, 0, 0] = stretch + more * x * x + 2.0 * p1 * y + 6.0 * p2 * x
    slopes[:, 1, 1] = stretch + more * y * y + 6.0 * p1 * y + 2.0 * p2 * x
    slopes[:, 0, 1] = slopes[:, 1, 0] = cross
    return slopes


def _reach(k1: float, k2: float) -> float:
    """Return the r up to which r (1 + k1 r^2 + k2 r^4) grows: where 1 + 3 k1 r^2 + 5 k2 r^4 first is zero."""
    roots = np.roots([5.0 * k2, 3.0 * k1, 1.0])
    ends = [float(root.real) for root in roots if abs(root.imag) < 1e-12 and root.real > 0.0]
    return min([FURTHEST, *(math.sqrt(end) for end in ends)])


def _unbent_radially(target: FloatArray, k1: float, k2: float, reach: float) -> FloatArray:
    """Return the places whose radial bending alone gives ``target``; at the reach for those beyond it."""
    seen = np.hypot(target[:, 0], target[:, 1])
    low, high = np.zeros_like(seen), np.full_like(seen, reach)
    r = np.minimum(seen, reach)
    for _ in range(NEWTON_ROUNDS):  # Newton's step, halving the bracket instead where it leaves it
        r2 = r * r
        off = r * (1.0 + r2 * (k1 + k2 * r2)) - seen
        low, high = np.where(off <= 0.0, r, low), np.where(off >= 0.0, r, high)
        slope = 1.0 + r2 * (3.0 * k1 + 5.0 * k2 * r2)
        new = r - off / np.where(slope > 0.0, slope, np.inf)
        new = np.where((new > low) & (new < high), new, (low + high) / 2.0)
        settled = np.max(np.abs(new - r), initial=0.0) < 1e-15
        r = new
        if settled:
            break
    return np.asarray(target * (r / np.where(seen > 0.0, seen, 1.0))[:, None])
