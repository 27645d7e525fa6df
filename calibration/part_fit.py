"""A measured contour laid on a known curve: turned and moved, never stretched beyond what the scale may be off.

Orthogonal distances to the curve are made least, so both coordinates of every place may err (errors in variables;
Ahn, Rauh and Warnecke, Pattern Recognition 34, 2001, call it the orthogonal distance fit). Places where something
stands proud must not pull: Huber's weights first, then Tukey's biweight, which sets them to nothing (Beaton and Tukey,
Technometrics 16, 1974; iterated as in Holland and Welsch, Comm. Statist. A6, 1977). The scale's own uncertainty enters
as three small strains with their covariance as prior, so it is spread over the contour as it must be; what else may
move places together (a camera's geometry, a lift of the paper) as further such unknowns, each told in its own sigma.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.frames import BoolArray, FloatArray, frozen_floats

# Tuning constants for 95 % efficiency on normal errors (Holland and Welsch 1977).
HUBER, TUKEY = 1.345, 4.685
MAD_TO_SIGMA = 1.4826
HUBER_ROUNDS, TUKEY_ROUNDS = 8, 25
LEAST_SCATTER_MM = 0.005
STILL = 1e-7
# Held places count so much more than all others together that nothing else moves them.
HOLD = 1e3
RIGID, PARAMETERS = 3, 6  # angle, two shifts; log scale x, log scale y, shear; further ones follow

# (N, 2) sheet mm -> (N, 2, K) mm by which places may be off together, 1 sigma of each kind
Sways = Callable[[FloatArray], FloatArray]
Nearest = Callable[[FloatArray], tuple[FloatArray, FloatArray]]  # (N, 2) -> feet (N, 2), unit normals there (N, 2)


@dataclass(frozen=True, eq=False)
class Held:
    """Places that must come to lie on given lines: the straight edge on x = 0, a hole's middle on two lines."""

    points: FloatArray  # (H, 2) measured, sheet mm
    feet: FloatArray  # (H, 2) a point of each line, body mm
    normals: FloatArray  # (H, 2) its unit normal


@dataclass(frozen=True, eq=False)
class PartFit:
    """How measured places come to lie on the curve."""

    matrix: FloatArray  # (2, 3) affine, sheet mm to body mm
    mirrored: bool
    strain: FloatArray  # (3,) log scale x, log scale y, shear that the fit took out, within their prior
    covariance: FloatArray  # (6 + K, 6 + K) of angle, shifts, strains and sways
    rows: FloatArray  # (N, 6 + K) how each distance follows them
    off_mm: FloatArray  # (N,) signed distance from the curve, + along its normal
    weight: FloatArray  # (N,) 0 where a place was left out
    scatter_mm: float  # robust, of one place
    middle_mm: FloatArray  # (2,) of the places, sheet mm: what is turned and strained about
    stretch: float  # mean log scale of strains and sways together
    sway: FloatArray  # (K,) sigmas of each sway that the fit took out
    sways: Sways | None

    @property
    def given(self) -> FloatArray:
        """(3 + K,) strains and sways."""
        return np.concatenate([self.strain, self.sway])

    def swayed(self, points: FloatArray) -> FloatArray:
        """Return (N, 2) sheet mm with the sways taken out."""
        return points if self.sways is None else np.asarray(points + self.sways(points) @ self.sway)

    def to_body(self, points: FloatArray) -> FloatArray:
        """Return (N, 2) sheet mm in the body frame."""
        return np.asarray(self.swayed(points) @ self.matrix[:, :2].T + self.matrix[:, 2])

    def u_x_mm(self, body: FloatArray) -> FloatArray:
        """Return (N,) 1 sigma of x at places (N, 2) of the body frame, by the fit's own freedom and the scale."""
        linear = self.matrix[:, :2]
        moved = body - (linear @ self.middle_mm + self.matrix[:, 2])
        away = np.linalg.solve(linear, moved.T).T
        first = linear[0]  # a strain moves a place as the turned strain of where it lies
        rows = np.column_stack([
            -moved[:, 1], np.ones(len(body)), np.zeros(len(body)), first[0] * away[:, 0], first[1] * away[:, 1],
            (first[0] * away[:, 1] + first[1] * away[:, 0]) / 2.0,
        ])  # fmt: skip
        if self.sways is not None:
            rows = np.hstack([rows, np.einsum("i,nik->nk", first, self.sways(self.middle_mm + away))])
        return np.asarray(np.sqrt(np.einsum("nk,kl,nl->n", rows, self.covariance, rows)))

    @property
    def u_mm(self) -> FloatArray:
        """(N,) 1 sigma of each distance by the fit's own freedom."""
        return np.asarray(np.sqrt(np.einsum("nk,kl,nl->n", self.rows, self.covariance, self.rows)))


def fit_part(
    points: FloatArray,
    nearest: Nearest,
    start: FloatArray,
    strain_covariance: FloatArray,
    *,
    held: Held | None = None,
    alike: float = 1.0,
    usable: BoolArray | None = None,
    sways: Sways | None = None,
) -> PartFit:
    """Return the motion that lays measured places on a curve.

    Args:
        points: (N, 2) measured, sheet mm.
        nearest: gives the curve's nearest places and its normals there, body mm.
        start: (2, 3) affine, sheet mm to body mm, within a few mm and degrees; mirrored or not.
        strain_covariance: (3, 3) of log scale x, log scale y and shear of the sheet's frame.
        held: places that must lie on given lines.
        alike: how many neighbouring places share one error; widens the covariance.
        usable: (N,) False for places that get no weight.
        sways: by what else places may be off together.

    Raises:
        ValueError: fewer than ten usable places.
    """
    used = np.ones(len(points), dtype=bool) if usable is None else usable
    if used.sum() < 10:
        raise ValueError("a contour needs ten places or more")
    return _Fitter(points, nearest, strain_covariance, held, alike, used, sways).run(start)


def prior_covariance(strain_covariance: FloatArray, kinds: int) -> FloatArray:
    """Return (3 + K, 3 + K) of strains and of K sways, each in its own sigma."""
    whole = np.eye(3 + kinds)
    whole[:3, :3] = strain_covariance
    return whole


def prior_weight(strain_covariance: FloatArray, kinds: int) -> FloatArray:
    """Return the inverse of ``prior_covariance``."""
    return np.asarray(np.linalg.inv(prior_covariance(strain_covariance + 1e-18 * np.eye(3), kinds)))


class _Fitter:
    """The adjustment; the frame's origin is the middle of the places, so that its unknowns hardly depend on it."""

    def __init__(
        self, points: FloatArray, nearest: Nearest, strain: FloatArray, held: Held | None, alike: float,
        used: BoolArray, sways: Sways | None,
    ) -> None:  # fmt: skip
        self.middle = points[used].mean(axis=0)
        self.away, self.nearest, self.held, self.alike, self.used = points - self.middle, nearest, held, alike, used
        self.sways, none = sways, np.zeros((len(points), 2, 0))
        self.swaying = none if sways is None else sways(points)
        held_none = np.zeros((0 if held is None else len(held.points), 2, 0))
        self.held_swaying = held_none if sways is None or held is None else sways(held.points)
        self.kinds = self.swaying.shape[2]
        self.prior = prior_weight(strain, self.kinds)
        self.held_away = None if held is None else held.points - self.middle

    def run(self, start: FloatArray) -> PartFit:
        mirrored = bool(np.linalg.det(start[:, :2]) < 0.0)
        flip = np.diag([-1.0 if mirrored else 1.0, 1.0])
        turn = start[:, :2] @ flip
        answer = np.zeros(PARAMETERS + self.kinds)
        answer[0] = np.arctan2(turn[1, 0] - turn[0, 1], turn[0, 0] + turn[1, 1])
        answer[1:3] = start[:, :2] @ self.middle + start[:, 2]
        weight, scatter = self.used.astype(np.float64), 1.0
        for number in range(HUBER_ROUNDS + TUKEY_ROUNDS):
            rows, off = self._system(answer, flip)
            weight, scatter = self._weights(off, tukey=number >= HUBER_ROUNDS)
            step = self._step(answer, flip, rows, off, weight, scatter)
            answer = answer + step
            if number > HUBER_ROUNDS and np.abs(step).max() < STILL:
                break
        rows, off = self._system(answer, flip)
        normal = self._normal(answer, flip, rows, weight, scatter)[0]
        matrix = self._linear(answer, flip)
        shift = answer[1:3] - matrix @ self.middle
        return PartFit(
            frozen_floats(np.column_stack([matrix, shift])), mirrored, frozen_floats(answer[RIGID:PARAMETERS]),
            frozen_floats(np.linalg.inv(normal)), frozen_floats(rows), frozen_floats(off), frozen_floats(weight),
            scatter, frozen_floats(self.middle), self._stretch(answer), frozen_floats(answer[PARAMETERS:]), self.sways,
        )  # fmt: skip

    def _stretch(self, answer: FloatArray) -> float:
        """Return the mean log scale of the strains and of the plane that fits the sways best."""
        plane = np.column_stack([np.ones(len(self.away)), self.away])
        slopes = np.linalg.lstsq(plane, self.swaying @ answer[PARAMETERS:], rcond=None)[0]
        return float(answer[3] + answer[4] + slopes[1, 0] + slopes[2, 1]) / 2.0

    @staticmethod
    def _linear(answer: FloatArray, flip: FloatArray) -> FloatArray:
        c, s = np.cos(answer[0]), np.sin(answer[0])
        x, y, shear = answer[RIGID:PARAMETERS]
        strain = np.array([[1.0 + x, shear / 2.0], [shear / 2.0, 1.0 + y]])
        return np.asarray(np.array([[c, -s], [s, c]]) @ flip @ strain)

    def _moves(
        self, answer: FloatArray, flip: FloatArray, away: FloatArray, swaying: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the places (N, 2) in the body frame and how they follow the unknowns (N, 2, 6 + K)."""
        c, s = np.cos(answer[0]), np.sin(answer[0])
        turned = np.array([[c, -s], [s, c]]) @ flip
        moved = (away + swaying @ answer[PARAMETERS:]) @ self._linear(answer, flip).T
        zero = np.zeros(len(away))
        strains = [np.column_stack([away[:, 0], zero]), np.column_stack([zero, away[:, 1]]), away[:, ::-1] / 2.0]
        one = np.ones(len(away))
        columns = [
            np.column_stack([-moved[:, 1], moved[:, 0]]), np.column_stack([one, zero]), np.column_stack([zero, one]),
            *(strain @ turned.T for strain in strains),
        ]  # fmt: skip
        whole = np.concatenate([np.stack(columns, axis=2), np.einsum("ij,njk->nik", turned, swaying)], axis=2)
        return moved + answer[1:3], whole

    def _system(self, answer: FloatArray, flip: FloatArray) -> tuple[FloatArray, FloatArray]:
        places, moves = self._moves(answer, flip, self.away, self.swaying)
        feet, normals = self.nearest(places)
        off = np.einsum("ni,ni->n", normals, places - feet)
        return np.einsum("ni,nik->nk", normals, moves), off

    def _weights(self, off: FloatArray, *, tukey: bool) -> tuple[FloatArray, float]:
        some = off[self.used]
        centre = float(np.median(some)) if not tukey else 0.0
        scatter = max(MAD_TO_SIGMA * float(np.median(np.abs(some - centre))), LEAST_SCATTER_MM)
        size = np.abs(off) / scatter
        if tukey:
            weight = np.where(size < TUKEY, (1.0 - (size / TUKEY) ** 2) ** 2, 0.0)
        else:
            weight = np.minimum(1.0, HUBER / np.maximum(size, 1e-12))
        return np.where(self.used, weight, 0.0), scatter

    def _normal(
        self, answer: FloatArray, flip: FloatArray, rows: FloatArray, weight: FloatArray, scatter: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the normal matrix, and the rows and distances of what is held."""
        share = weight / (scatter**2 * self.alike)
        matrix = (rows * share[:, None]).T @ rows
        matrix[RIGID:, RIGID:] += self.prior
        held_rows, held_off = np.zeros((0, len(answer))), np.zeros(0)
        if self.held is not None and self.held_away is not None:
            places, moves = self._moves(answer, flip, self.held_away, self.held_swaying)
            held_off = np.einsum("ni,ni->n", self.held.normals, places - self.held.feet)
            held_rows = np.einsum("ni,nik->nk", self.held.normals, moves)
            matrix += self._hold(matrix) * held_rows.T @ held_rows
        return matrix, held_rows, held_off

    def _hold(self, matrix: FloatArray) -> float:
        count = max(1, len(self.held.points) if self.held else 1)
        return HOLD * float(np.trace(matrix[1:3, 1:3])) / count

    def _step(
        self,
        answer: FloatArray,
        flip: FloatArray,
        rows: FloatArray,
        off: FloatArray,
        weight: FloatArray,
        scatter: float,
    ) -> FloatArray:
        share = weight / (scatter**2 * self.alike)
        side = -(rows * share[:, None]).T @ off
        side[RIGID:] -= self.prior @ answer[RIGID:]
        plain = (rows * share[:, None]).T @ rows
        plain[RIGID:, RIGID:] += self.prior
        matrix, held_rows, held_off = self._normal(answer, flip, rows, weight, scatter)
        if len(held_off):
            side -= self._hold(plain) * held_rows.T @ held_off
        return np.asarray(np.linalg.solve(matrix, side))


def size_u_mm(fit: PartFit, strain_covariance: FloatArray) -> FloatArray:
    """Return (N,) 1 sigma of each distance by scale and sways alone, what turning and moving takes up left out.

    Args:
        fit: the contour's fit.
        strain_covariance: (3, 3) as for the fit: the prior, not what the contour itself would say of the scale.
    """
    root = np.sqrt(np.maximum(fit.weight, 1e-6))[:, None]
    rigid, strain = fit.rows[:, :RIGID], fit.rows[:, RIGID:]
    taken = np.linalg.lstsq(rigid * root, strain * root, rcond=None)[0]
    left = strain - rigid @ taken
    prior = prior_covariance(strain_covariance, len(fit.sway))
    return np.asarray(np.sqrt(np.einsum("nk,kl,nl->n", left, prior, left)))
