"""An outline against the truth: distance between curves, both ways, never point by index."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.optimize import linear_sum_assignment

from calibration.frames import FloatArray

STEP_MM = 0.5  # between the places where the curves are compared
CORNER_REACH_MM = 1.5  # nearer to a true corner than this counts as corner, not as curve
ROUNDS = 12  # of nearest-point fitting; it settles in 4 or 5
SETTLED = 1e-9  # mm and rad
TINY_MM2 = 1e-18  # a side of no length


@dataclass(frozen=True, eq=False)
class Comparison:
    """How far an answer is from the truth; mm."""

    deviations_mm: FloatArray  # both ways, after the best rigid fit, corners left out
    worst_at_mm: FloatArray  # (2,) true body frame
    corner_mm: float  # largest at a true corner, nan when the body has none
    frame_x_mm: float  # x = 0 of the answer from the true centerline, at half the body's length
    frame_y_mm: float  # y = 0 of the answer from the true tail
    frame_deg: float
    unfitted_rms_mm: float
    to_truth: FloatArray  # (2, 3) rigid, answer -> true body frame
    scale: float  # of the answer, from the best similarity: a line's wriggles and a corner's tip do not count in it

    @property
    def rms_mm(self) -> float:
        """Root mean square of the deviations."""
        return float(np.sqrt(np.mean(self.deviations_mm**2)))

    @property
    def max_mm(self) -> float:
        """Largest deviation."""
        return float(self.deviations_mm.max())

    @property
    def p95_mm(self) -> float:
        """95th percentile of the deviations."""
        return float(np.percentile(self.deviations_mm, 95))


def _ring(points: FloatArray) -> shapely.LinearRing:
    return shapely.LinearRing(points)


def _spread(points: FloatArray) -> FloatArray:
    """Return points at equal steps along a closed curve."""
    ring = _ring(points)
    count = max(100, int(ring.length / STEP_MM))
    places = shapely.line_interpolate_point(ring, np.arange(count) * (ring.length / count))
    return np.asarray(shapely.get_coordinates(places))


def nearest(points: FloatArray, curve: FloatArray) -> FloatArray:
    """Return the nearest place on a closed curve to every point."""
    start, run = curve, np.roll(curve, -1, axis=0) - curve
    sides = shapely.linestrings(np.stack([start, start + run], axis=1))
    side = shapely.STRtree(sides).query_nearest(shapely.points(points), all_matches=False)[1]
    along = ((points - start[side]) * run[side]).sum(axis=1) / np.maximum((run[side] ** 2).sum(axis=1), TINY_MM2)
    return np.asarray(start[side] + np.clip(along, 0.0, 1.0)[:, None] * run[side])


def apart(points: FloatArray, curve: FloatArray) -> FloatArray:
    """Return the distance of every point from a closed curve, mm."""
    return np.asarray(np.hypot(*(nearest(points, curve) - points).T))


def rigid(shift: FloatArray, angle: float) -> FloatArray:
    """Return the (2, 3) affine of a turn about the origin, then a shift."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, shift[0]], [s, c, shift[1]]])


def carry(points: FloatArray, affine: FloatArray) -> FloatArray:
    """Return ``points`` under a (2, 3) affine."""
    return np.asarray(points @ affine[:, :2].T + affine[:, 2])


def best_rigid(answer: FloatArray, truth: FloatArray) -> FloatArray:
    """Return the rigid motion that brings ``answer`` nearest to ``truth`` in the least-squares sense.

    Distances are taken along the truth's normals at the nearest places (Chen and Medioni 1992), so a
    curve may slide along itself freely.
    """
    return _best_motion(answer, truth, scaled=False)[0]


def best_scale(answer: FloatArray, truth: FloatArray) -> float:
    """Return the scale of ``answer`` against ``truth``: 1 over that of the similarity that brings it nearest."""
    return 1.0 / _best_motion(answer, truth, scaled=True)[1]


def _best_motion(answer: FloatArray, truth: FloatArray, *, scaled: bool) -> tuple[FloatArray, float]:
    """Return the (2, 3) motion without its scale, and the scale (1 where it is not asked for)."""
    spots = _spread(answer)
    shift, angle, scale = np.zeros(2), 0.0, 1.0
    for _ in range(ROUNDS):
        here = carry(scale * spots, rigid(shift, angle))
        gap = nearest(here, truth) - here
        along = np.roll(here, -1, axis=0) - np.roll(here, 1, axis=0)
        normal = np.stack([along[:, 1], -along[:, 0]], axis=1) / np.hypot(*along.T)[:, None]
        lever = normal[:, 1] * here[:, 0] - normal[:, 0] * here[:, 1]
        columns = [normal, lever, *([(normal * here).sum(axis=1)] if scaled else [])]
        step, *_ = np.linalg.lstsq(np.column_stack(columns), (gap * normal).sum(axis=1), rcond=None)
        turn, grown = rigid(step[:2], step[2]), 1.0 + (float(step[3]) if scaled else 0.0)
        shift, angle, scale = grown * turn[:, :2] @ shift + turn[:, 2], angle + float(step[2]), scale * grown
        if np.abs(step).max() < SETTLED:
            break
    return rigid(shift, angle), scale


def _near_corner(points: FloatArray, corners: FloatArray) -> np.ndarray:
    if len(corners) == 0:
        return np.zeros(len(points), dtype=bool)
    return np.asarray(np.hypot(*(points[:, None] - corners[None]).transpose(2, 0, 1)).min(axis=1) < CORNER_REACH_MM)


def _corner_error(truth: FloatArray, found: FloatArray) -> float:
    """Return the largest distance of a true corner from the one reported for it; inf when one is missing."""
    if len(truth) == 0:
        return float("nan")
    if len(found) < len(truth):
        return float("inf")
    cost = np.hypot(*(truth[:, None] - found[None]).transpose(2, 0, 1))
    return float(cost[linear_sum_assignment(cost)].max())


def compare(answer: FloatArray, truth: FloatArray, corners: FloatArray, found: FloatArray) -> Comparison:
    """Compare a closed outline with the true one.

    Args:
        answer: (N, 2) closed curve, claimed body frame, mm.
        truth: (M, 2) closed curve, true body frame, mm.
        corners: (C, 2) true corners.
        found: (F, 2) corners reported, claimed body frame.
    """
    motion = best_rigid(answer, truth)
    fitted = carry(answer, motion)
    places = np.vstack([_spread(fitted), _spread(truth), corners])
    count = len(places) - len(_spread(truth)) - len(corners)
    far = np.concatenate([apart(places[:count], truth), apart(places[count:], fitted)])
    at_corner = _near_corner(places, corners)
    curve, curve_at = far[~at_corner], places[~at_corner]
    corner = max(_corner_error(corners, carry(found, motion)), float(far[at_corner].max(initial=0.0)))
    half = carry(np.array([[0.0, np.ptp(truth[:, 1]) / 2]]), motion)[0]
    plain = np.concatenate([apart(_spread(answer), truth), apart(_spread(truth), answer)])
    return Comparison(
        curve, curve_at[int(np.argmax(curve))], corner if len(corners) else float("nan"), float(half[0]),
        float(carry(np.zeros((1, 2)), motion)[0, 1]), float(np.degrees(np.arctan2(motion[1, 0], motion[0, 0]))),
        float(np.sqrt(np.mean(plain**2))), motion, best_scale(answer, truth),
    )
