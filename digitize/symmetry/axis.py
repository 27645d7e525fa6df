"""The outline's own mirror axis: the line that carries the curve best onto itself.

Each point is mirrored and compared with the nearest place of the curve along its normal;
the axis follows by iteratively reweighted least squares with Tukey's biweight (Holland and
Welsch, Comm. Statist. A6 (1977) 813), the nearest places being looked up anew each time as
in Besl and McKay, IEEE PAMI 14 (1992) 239. The weight's reach shrinks step by step, so a
cutaway on one side loses its say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d, median_filter

from calibration.frames import FloatArray
from digitize.curve import blurred, feet, resample, right_normals, unit_tangents

COARSE_STEP_MM, FINE_STEP_MM = 4.0, 1.0
START_EVERY_DEG = 7.5
# Reach of the weight function, mm, from the first look to the last.
COARSE_REACH_MM = (40.0, 20.0, 20.0, 10.0, 10.0, 5.0, 5.0)
FINE_REACH_MM = (5.0, 3.0, 2.0, 1.0)
LAST_ROUNDS = 12
# The last reach is this many robust standard deviations, but never less than the floor.
REACH_SIGMAS, REACH_FLOOR_MM = 4.685, 0.1
# Starts whose trimmed distance is within this of the best count as equally good.
EQUAL_RMS_MM = 0.15
# A residual under this belongs to the part of the outline that is symmetric.
SYMMETRIC_WITHIN_MM = 0.5
# Where the halves part for longer than this, they began to part unseen up to so much before; that much is left out too,
# but for bodies that would lose more than the last part of what tells the axis.
PARTED_MM, BEFORE_MM, MOST_LEFT_OUT = 8.0, 30.0, 0.5
# What no residual shows: the drawing's own evenness over the whole body, 1 sigma.
OWN_AXIS_FLOOR_MM = 0.004


@dataclass(frozen=True)
class Axis:
    """A line in the sheet frame: through ``at``, along ``angle_rad``."""

    at: tuple[float, float]  # mm
    angle_rad: float

    @property
    def along(self) -> FloatArray:
        """Unit vector along the axis."""
        return np.array([np.cos(self.angle_rad), np.sin(self.angle_rad)])

    @property
    def across(self) -> FloatArray:
        """Unit vector to the left of :attr:`along`."""
        return np.array([-np.sin(self.angle_rad), np.cos(self.angle_rad)])

    def offset(self, xy: FloatArray) -> FloatArray:
        """Return the signed distances of (N, 2) points, left of the axis positive."""
        return np.asarray((xy - np.array(self.at)) @ self.across)

    def mirrored(self, xy: FloatArray) -> FloatArray:
        """Return (N, 2) points mirrored in the axis."""
        return np.asarray(xy - 2.0 * self.offset(xy)[:, None] * self.across)


@dataclass(frozen=True, eq=False)
class OwnAxis:
    """The outline's own axis with what is known of its error."""

    axis: Axis  # through the point of the axis nearest the curve's middle
    offset_u_mm: float  # 1 sigma at that point
    angle_u_rad: float  # 1 sigma
    symmetric_part: float  # share of the outline that finds its mirror image


def _residuals(axis: Axis, xy: FloatArray, normals: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the signed residuals, the plain distances and the normals of the curve met."""
    image = axis.mirrored(xy)
    foot = feet(image, xy, closed=True)
    normal = normals[foot.segment]
    return np.einsum("ij,ij->i", image - foot.xy, normal), foot.distance, normal


def _design(axis: Axis, xy: FloatArray, normal: FloatArray) -> FloatArray:
    """Return (N, 2) derivatives of the residuals by offset (mm) and angle (rad)."""
    away = axis.offset(xy)
    forward = (xy - np.array(axis.at)) @ axis.along
    by_offset = 2.0 * normal @ axis.across
    by_angle = 2.0 * (forward * (normal @ axis.across) + away * (normal @ axis.along))
    return np.column_stack([by_offset, by_angle])


def _tukey(residual: FloatArray, reach: float) -> FloatArray:
    inside = np.abs(residual) < reach
    return np.where(inside, (1.0 - (residual / reach) ** 2) ** 2, 0.0)


def _clear(distance: FloatArray, reach: float, step_mm: float) -> FloatArray:
    """Return the weights of a closed curve's places, nothing where the halves part and shortly before."""
    weight = _tukey(distance, reach)
    parted = median_filter(np.asarray(weight == 0.0), 2 * round(PARTED_MM / step_mm) + 1, mode="wrap")
    before = maximum_filter1d(parted, 2 * round(BEFORE_MM / step_mm) + 1, mode="wrap")
    clear = np.where(before, 0.0, weight)
    return clear if clear.sum() >= MOST_LEFT_OUT * weight.sum() else weight


def _step(axis: Axis, xy: FloatArray, normals: FloatArray, reach: float, clear: bool = False) -> Axis:
    """Return the axis after one reweighted Gauss-Newton step; ``clear`` of where the halves part, on the fine curve."""
    residual, distance, normal = _residuals(axis, xy, normals)
    design = _design(axis, xy, normal)
    weight = (_clear(distance, reach, FINE_STEP_MM) if clear else _tukey(distance, reach))[:, None]
    matrix = design.T @ (weight * design) + 1e-9 * np.eye(2)
    change = -np.linalg.solve(matrix, design.T @ (weight[:, 0] * residual))
    limit = 0.2 / max(abs(float(change[1])), 0.2)
    moved = np.array(axis.at) + limit * change[0] * axis.across
    return Axis((float(moved[0]), float(moved[1])), axis.angle_rad + limit * float(change[1]))


def _trimmed_rms(axis: Axis, xy: FloatArray, normals: FloatArray, reach: float) -> float:
    _, distance, _ = _residuals(axis, xy, normals)
    return float(np.sqrt(np.mean(np.minimum(distance, reach) ** 2)))


def _extent(axis: Axis, xy: FloatArray) -> float:
    return float(np.ptp(xy @ axis.along))


def _curve(xy: FloatArray, step_mm: float) -> tuple[FloatArray, FloatArray]:
    """Return the outline evenly spaced and quietened, with its outward normals."""
    fine = resample(xy, min(step_mm, FINE_STEP_MM) / 4, closed=True)
    quiet = resample(blurred(fine, 4.0, closed=True), step_mm, closed=True)
    return quiet, right_normals(unit_tangents(quiet, closed=True))


def _same_axis(one: Axis, other: Axis) -> bool:
    turn = abs((one.angle_rad - other.angle_rad + np.pi / 2) % np.pi - np.pi / 2)
    return bool(turn < np.radians(2.0))


def _starts(xy: FloatArray, extra: tuple[float, ...]) -> list[Axis]:
    """Return distinct coarse axes, the best first; near ties go to the longer one."""
    curve, normals = _curve(xy, COARSE_STEP_MM)
    middle = curve.mean(axis=0)
    spread = np.linalg.eigh(np.cov((curve - middle).T))[1]
    angles = [float(np.arctan2(v[1], v[0])) for v in spread.T] + list(extra)
    angles += list(np.radians(np.arange(0.0, 180.0, START_EVERY_DEG)))
    scored: list[tuple[float, Axis]] = []
    for angle in angles:
        axis = Axis((float(middle[0]), float(middle[1])), float(angle))
        for reach in COARSE_REACH_MM:
            axis = _step(axis, curve, normals, reach)
        scored.append((_trimmed_rms(axis, curve, normals, COARSE_REACH_MM[-1]), axis))
    scored.sort(key=lambda pair: pair[0])
    distinct: list[Axis] = []
    for _, axis in scored:
        if not any(_same_axis(axis, known) for known in distinct):
            distinct.append(axis)
    return distinct[:3]


def _correlation(residual: FloatArray, weight: FloatArray) -> float:
    """Return how many neighbouring residuals say the same thing (1 = each its own)."""
    series = np.where(weight > 0.1, residual, 0.0)
    power = np.abs(np.fft.rfft(series, 2 * len(series))) ** 2
    covariance = np.fft.irfft(power)[: len(series) // 4]
    if covariance[0] <= 0:
        return 1.0
    rho = covariance / covariance[0]
    ends = np.flatnonzero(rho < 0.05)
    return float(1.0 + 2.0 * rho[1 : int(ends[0]) if len(ends) else len(rho)].sum())


def refined(start: Axis, xy: FloatArray) -> tuple[OwnAxis, float]:
    """Return the axis polished on the fine curve, with its trimmed rms."""
    curve, normals = _curve(xy, FINE_STEP_MM)
    axis = start
    for reach in FINE_REACH_MM:
        axis = _step(axis, curve, normals, reach)
    for _ in range(LAST_ROUNDS):
        residual, distance, _ = _residuals(axis, curve, normals)
        near = np.abs(residual[distance < FINE_REACH_MM[0]])
        sigma = 1.4826 * float(np.median(near)) if len(near) else FINE_REACH_MM[0]
        reach = float(np.clip(REACH_SIGMAS * sigma, REACH_FLOOR_MM, FINE_REACH_MM[-1]))
        axis = _step(axis, curve, normals, reach, clear=True)
    return _with_errors(axis, curve, normals, reach), _trimmed_rms(axis, curve, normals, COARSE_REACH_MM[-1])


def _with_errors(axis: Axis, curve: FloatArray, normals: FloatArray, reach: float) -> OwnAxis:
    """Return the axis with its covariance; pairs and neighbours are not counted twice."""
    middle = curve.mean(axis=0)
    shifted = middle - axis.offset(middle[None, :])[0] * axis.across
    axis = Axis((float(shifted[0]), float(shifted[1])), axis.angle_rad)
    residual, distance, normal = _residuals(axis, curve, normals)
    weight = _clear(distance, reach, FINE_STEP_MM)
    design = _design(axis, curve, normal)
    variance = float(np.sum(weight * residual**2) / max(float(weight.sum()) - 2.0, 1.0))
    repeated = 2.0 * _correlation(residual, weight)
    covariance = variance * repeated * np.linalg.inv(design.T @ (weight[:, None] * design) + 1e-12 * np.eye(2))
    floor_angle = OWN_AXIS_FLOOR_MM / max(_extent(axis, curve), 1.0) * np.sqrt(12.0)
    return OwnAxis(
        axis,
        float(np.hypot(np.sqrt(covariance[0, 0]), OWN_AXIS_FLOOR_MM)),
        float(np.hypot(np.sqrt(covariance[1, 1]), floor_angle)),
        float(np.mean(distance < SYMMETRIC_WITHIN_MM)),
    )


def own_axis(xy: FloatArray, likely_rad: tuple[float, ...] = ()) -> OwnAxis:
    """Return the best mirror axis of a closed outline.

    Args:
        xy: (N, 2) closed outline in sheet mm, counter-clockwise.
        likely_rad: directions of drawn lines, tried as further starts; where two axes
            fit equally well, one of these wins, then the longer one.

    Returns:
        The axis with its uncertainty and the share of the outline that is symmetric.
    """
    found = [refined(start, xy) for start in _starts(xy, likely_rad)]
    best = min(rms for _, rms in found)
    equal = [own for own, rms in found if rms <= best + EQUAL_RMS_MM]

    def rank(own: OwnAxis) -> tuple[bool, float]:
        drawn = any(_same_axis(own.axis, Axis(own.axis.at, angle)) for angle in likely_rad)
        return drawn, _extent(own.axis, xy)

    return max(equal, key=rank)
