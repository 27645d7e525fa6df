"""All known lengths of one picture -> the simplest linear scale that they support.

A measure in direction d fixes one number, |A d|, of the map A from pixels to millimetres. Only
the metric AᵀA can be known from lengths; its symmetric root is taken for A, so that sheet x runs
along picture x as nearly as possible. A is written exp(E) with E = [[lx, s/2], [s/2, ly]]: log
scale x, log scale y and shear, the three unknowns. What no measure fixes is held by what copiers
do (a prior), and its width stays in the covariance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

import numpy as np
from scipy.special import chdtri

from calibration.controls import Control
from calibration.drawn_square import (
    DISAGREE_SIGMAS,
    DRAWN_SQUARE_RAD,
    SAME_DIRECTION_RAD,
    line_turn,
    square_pairs,
)
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray, PxPoints, SheetPoints, frozen_floats
from calibration.linefit import scatter_factor
from calibration.measures import Measure, measure_control

Model = Literal["similarity", "two scales", "affine"]

# Copiers at "100 %" were found between 99 and 102 %, and 0.2 to 2.8 % different lengthwise and
# crosswise; each direction even within 0.98 to 1.02 has a ratio with this sigma: 0.04 / sqrt(6).
ASPECT_U = 0.016  # 1 sigma of log(scale x / scale y) where only one direction is known
SHEAR_U = 0.005  # 1 sigma of shear along the copier's own axes (0.29 degree)
SLANT_RAD = np.deg2rad(5.0)  # further than this from the picture's axes, those are not the copier's
DISAGREE_REL = 0.001  # two lengths that differ by this share cannot both be right
REJECT_CHANCE = 0.01  # a model is rejected when chance alone does as badly this seldom
CERTIFIED_PRIOR_U = 0.001  # the prior's share of a certified scale, 1 sigma, is less than this
ROUNDS = 20
STEP = 1e-7  # for slopes of the equations
NO_SCALE = ("dpi", "sheet edge")  # cross-checks: alone they never make a scale


@dataclass(frozen=True, eq=False)
class FailedFit:
    """No calibration, and why; false, so that it cannot be used by mistake."""

    code: str  # of the table of doubts
    facts: dict[str, str]  # fill the table's sentence

    def __bool__(self) -> bool:
        """Return False."""
        return False

    @property
    def doubt(self) -> Doubt:
        """The table's entry, filled."""
        return doubt(self.code, **self.facts)


@dataclass(frozen=True, eq=False)
class Calibration:
    """The map between px and sheet mm, and how well it is known."""

    matrix: FloatArray  # (2, 2) px -> sheet mm; the y flip is in it
    covariance: FloatArray  # (3, 3) of log scale x, log scale y, shear; sheet axes (y up), relative
    model: Model
    certified: tuple[bool, bool]  # x, y: fixed by measures, not by what copiers usually do
    names: tuple[str, ...]  # of the controls
    residuals_mm: tuple[FloatArray, ...]  # per control, along it, after the common fit
    uneven_mm: float  # largest deviation that neighbouring graduations share; 0 within the noise
    doubts: tuple[Doubt, ...] = ()

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        object.__setattr__(self, "matrix", frozen_floats(self.matrix))
        object.__setattr__(self, "covariance", frozen_floats(self.covariance))
        object.__setattr__(self, "residuals_mm", tuple(frozen_floats(r) for r in self.residuals_mm))

    @property
    def mm_per_px_x(self) -> float:
        """Millimetres per pixel along the picture's own x."""
        return float(np.hypot(*self.matrix[:, 0]))

    @property
    def mm_per_px_y(self) -> float:
        """Millimetres per pixel along the picture's own y."""
        return float(np.hypot(*self.matrix[:, 1]))

    def to_sheet(self, points: PxPoints) -> SheetPoints:
        """Return the points in sheet mm; the origin stays at the top-left pixel."""
        return SheetPoints(points.xy @ self.matrix.T)

    def to_px(self, points: SheetPoints) -> PxPoints:
        """Return the points in px."""
        return PxPoints(points.xy @ np.linalg.inv(self.matrix).T)

    def length_u_rel(self, angle_rad: float) -> float:
        """Return the relative 1 sigma of a length.

        Args:
            angle_rad: its direction in the sheet frame, from x towards y.
        """
        row = length_row(angle_rad)
        return float(np.sqrt(row @ self.covariance @ row))


def length_row(angle_rad: float) -> FloatArray:
    """Return (3,): how a log length in this direction follows log scale x, log scale y and shear."""
    along, up = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([along**2, up**2, along * up])


def solve(controls: Sequence[Control]) -> Calibration | FailedFit:
    """Adjust the scale of the picture to all known lengths.

    Args:
        controls: every known length; at least one other than dpi or a sheet edge.

    Returns:
        The calibration, or a false value with the code "no-rule" or "rules-disagree".

    Raises:
        ValueError: a control's places or millimetres are all the same.
    """
    if all(control.source in NO_SCALE for control in controls):
        return FailedFit("no-rule", {})
    measures = tuple(measure_control(control) for control in controls)
    failed = _parallel_disagreement(measures)
    if failed:
        return failed[0]
    system = _System.of(measures)
    full = system.fit("affine")
    failed = _odd_one_out(system, full)
    if failed:
        return failed[0]
    system = system.widened(full)
    model = _simplest(system)
    return _finish(system, model)


def _parallel_disagreement(measures: Sequence[Measure]) -> list[FailedFit]:
    worst: list[tuple[float, FailedFit]] = []
    for one, two in combinations(measures, 2):
        if abs(line_turn(one.angle_rad - two.angle_rad)) > SAME_DIRECTION_RAD:
            continue
        off = abs(one.log_mm_per_px - two.log_mm_per_px)
        if off >= DISAGREE_REL and off > DISAGREE_SIGMAS * np.hypot(one.log_u, two.log_u):
            worst.append((off, _disagree(one.name, two.name, off)))
    return [failed for _, failed in sorted(worst, key=lambda pair: -pair[0])]


def _disagree(first: str, second: str, off: float) -> FailedFit:
    return FailedFit("rules-disagree", {"first": first, "second": second, "percent": f"{100 * np.expm1(off):.2f}"})


@dataclass(frozen=True, eq=False)
class _System:
    """The equations in the measures' own frame, turned by ``frame_rad`` from the picture's."""

    measures: tuple[Measure, ...]
    frame_rad: float
    square: tuple[float, float, float] | None  # angle one, angle two, sigma of a drawn right angle
    shear_u: float
    widen: float = 1.0  # on every stated sigma, where the measures scatter more than they say
    square_seen_u: float = 0.0  # rad, 1 sigma of the right angle as seen, the drawing apart

    @classmethod
    def of(cls, measures: tuple[Measure, ...]) -> _System:
        main = _main(measures)
        drawn = [m for m in measures if m.drawn]
        square = {number for pair in square_pairs(drawn) for number in pair}
        near = [(drawn[number], line_turn(drawn[number].angle_rad - main.angle_rad)) for number in sorted(square)]
        one = _group_angle([m for m, off in near if abs(off) <= SAME_DIRECTION_RAD])
        two = _group_angle([m for m, off in near if abs(line_turn(off - np.pi / 2)) <= SAME_DIRECTION_RAD])
        off_axis = abs((main.angle_rad + np.pi / 4) % (np.pi / 2) - np.pi / 4)
        shear_u = SHEAR_U if off_axis <= SLANT_RAD else ASPECT_U
        if one is None or two is None:
            return cls(measures, main.angle_rad, None, shear_u)
        seen_u = float(np.hypot(one[1], two[1]))
        return cls(
            measures, main.angle_rad, (one[0], two[0], float(np.hypot(seen_u, DRAWN_SQUARE_RAD))), shear_u, 1.0, seen_u
        )

    def as_seen(self) -> _System:
        """Return the system with the right angle taken as drawn exactly: what is seen of it alone counts.

        A skewed copy is commoner than a plan drawn out of square, so a deviation that the
        graduations show is the copy's until something else says otherwise.
        """
        square = (*self.square[:2], self.square_seen_u) if self.square else None
        return replace(self, square=square)

    def widened(self, answer: FloatArray) -> _System:
        rows, _ = self.data(answer)
        freedom = len(rows) - self.rank(answer)
        return replace(self, widen=scatter_factor(float(rows @ rows), freedom))

    def data(self, answer: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return (R,) misfits in sigmas and (R, 3) their slopes."""
        slopes = np.stack(
            [(self._misfits(answer + STEP * e) - self._misfits(answer - STEP * e)) / (2 * STEP) for e in np.eye(3)], 1
        )
        return self._misfits(answer), slopes

    def _misfits(self, answer: FloatArray) -> FloatArray:
        matrix = _exp(answer)
        rows = []
        for m in self.measures:
            length = np.hypot(*(matrix @ _unit(m.angle_rad - self.frame_rad)))
            rows.append((np.log(length) - m.log_mm_per_px) / (m.log_u * self.widen))
        if self.square:
            one, two = (matrix @ _unit(angle - self.frame_rad) for angle in self.square[:2])
            apart = np.arctan2(two[1], two[0]) - np.arctan2(one[1], one[0])
            rows.append(line_turn(apart - np.pi / 2) / self.square[2])
        return np.array(rows)

    def prior(self, loosen: float = 1.0) -> FloatArray:
        """Return (2, 3) rows of what copiers usually do; their misfit is row @ answer."""
        return np.array([[1 / ASPECT_U, -1 / ASPECT_U, 0.0], [0.0, 0.0, 1 / self.shear_u]]) / loosen

    def fit(self, model: Model) -> FloatArray:
        """Return (3,) the answer under ``model``; what the data leave open is held by the prior."""
        basis = _BASIS[model]
        answer = basis @ np.linalg.lstsq(basis, self._start(), rcond=None)[0]
        for _ in range(ROUNDS):
            misfits, slopes = self.data(answer)
            prior = self.prior()
            design = np.vstack([slopes, prior]) @ basis
            step = basis @ np.linalg.lstsq(design, -np.concatenate([misfits, prior @ answer]), rcond=None)[0]
            answer = answer + step
            if np.max(np.abs(step)) < 1e-13:
                break
        return answer

    def _start(self) -> FloatArray:
        best = min(self.measures, key=lambda m: m.log_u).log_mm_per_px
        return np.array([best, best, 0.0])

    def covariance(self, answer: FloatArray, loosen: float = 1.0) -> FloatArray:
        """Return (3, 3): of the full model, the prior's sigma propagated."""
        rows = np.vstack([self.data(answer)[1], self.prior(loosen)])
        return np.asarray(np.linalg.inv(rows.T @ rows), dtype=np.float64)

    def rank(self, answer: FloatArray) -> int:
        """Return how many of the three unknowns the data fix better than the prior does."""
        scale = np.linalg.inv(np.array([[0.5, 0.5, 0.0], *self.prior()]))
        sizes = np.linalg.svd(self.data(answer)[1] @ scale, compute_uv=False)
        return int(np.sum(sizes > 1.0))


_BASIS: dict[Model, FloatArray] = {
    "similarity": np.array([[1.0], [1.0], [0.0]]),
    "two scales": np.array([[1.0, 0.0], [0.0, 1.0], [0.0, 0.0]]),
    "affine": np.eye(3),
}


def _main(measures: Sequence[Measure]) -> Measure:
    """Return the longest measure, one with a partner square to it if there is any."""

    def partnered(m: Measure) -> bool:
        return any(abs(line_turn(m.angle_rad - o.angle_rad - np.pi / 2)) <= SAME_DIRECTION_RAD for o in measures)

    return max(measures, key=lambda m: (partnered(m), m.length_px))


def _group_angle(drawn: Sequence[Measure]) -> tuple[float, float] | None:
    """Return the common angle and its sigma of drawn measures of one direction."""
    if not drawn:
        return None
    first = drawn[0].angle_rad
    weights = np.array([1.0 / (m.angle_u_rad**2 + 1e-18) for m in drawn])
    turns = np.array([line_turn(m.angle_rad - first) for m in drawn])
    return first + float(np.average(turns, weights=weights)), float(1.0 / np.sqrt(weights.sum()))


def _unit(angle_rad: float) -> FloatArray:
    return np.array([np.cos(angle_rad), np.sin(angle_rad)])


def _exp(answer: FloatArray) -> FloatArray:
    """Return (2, 2): the matrix whose symmetric logarithm holds log scales and shear."""
    values, axes = np.linalg.eigh(np.array([[answer[0], answer[2] / 2], [answer[2] / 2, answer[1]]]))
    matrix: FloatArray = (axes * np.exp(values)) @ axes.T
    return matrix


def _odd_one_out(system: _System, answer: FloatArray) -> list[FailedFit]:
    """Return the failure when one length leaves what all others say together."""
    misfits, slopes = system.data(answer)
    covariance = system.covariance(answer)
    free = 1.0 - np.einsum("ij,jk,ik->i", slopes, covariance, slopes)
    worst: list[tuple[float, FailedFit]] = []
    for m, misfit, share in zip(system.measures, misfits, free, strict=False):
        if share < 1e-6:  # nothing else checks it
            continue
        off = abs(misfit) * m.log_u / share
        if off >= DISAGREE_REL and abs(misfit) / np.sqrt(share) > DISAGREE_SIGMAS:
            worst.append((abs(misfit) / np.sqrt(share), _disagree(m.name, "the other known lengths", off)))
    return [failed for _, failed in sorted(worst, key=lambda pair: -pair[0])]


def _simplest(system: _System) -> Model:
    """Return the first model that the data do not reject against the full one."""
    system = system.as_seen()
    answer = system.fit("affine")
    rank = system.rank(answer)
    best = float(np.sum(system.data(answer)[0] ** 2))
    models: tuple[tuple[Model, int], ...] = (("similarity", 1), ("two scales", 2))
    for model, unknowns in models:
        if rank <= unknowns:
            return model
        worse = float(np.sum(system.data(system.fit(model))[0] ** 2)) - best
        if worse <= chdtri(rank - unknowns, REJECT_CHANCE):
            return model
    return "affine"


def _turned(angle_rad: float) -> FloatArray:
    """Return (3, 3): (lx, ly, s) of a frame -> those of the frame turned back by the angle."""
    along, up = np.cos(angle_rad), np.sin(angle_rad)
    both = along * up
    return np.array(
        [[along**2, up**2, -both], [up**2, along**2, both], [2 * both, -2 * both, along**2 - up**2]]
    )


def _finish(system: _System, model: Model) -> Calibration:
    answer, full = system.fit(model), system.fit("affine")
    gap = answer - full  # what the simpler model assumed stays inside the sigma
    to_sheet = np.diag([1.0, 1.0, -1.0]) @ _turned(system.frame_rad)

    def on_sheet(loosen: float) -> FloatArray:
        covariance = system.covariance(full, loosen) + np.outer(gap, gap)
        turned: FloatArray = to_sheet @ covariance @ to_sheet.T
        return turned

    covariance = on_sheet(1.0)
    prior_share = np.sqrt(np.maximum(np.diag(on_sheet(10.0) - covariance), 0.0) / 99.0)
    certified = (bool(prior_share[0] <= CERTIFIED_PRIOR_U), bool(prior_share[1] <= CERTIFIED_PRIOR_U))
    matrix = np.diag([1.0, -1.0]) @ _exp(_turned(system.frame_rad) @ answer)
    return Calibration(
        matrix=matrix,
        covariance=covariance,
        model=model,
        certified=certified,
        names=tuple(m.name for m in system.measures),
        residuals_mm=tuple(_residuals_mm(m, matrix) for m in system.measures),
        uneven_mm=max(m.uneven_mm for m in system.measures),
        doubts=(*(d for m in system.measures for d in m.doubts), *_direction_doubts(system, full, certified)),
    )


def _residuals_mm(measure: Measure, matrix: FloatArray) -> FloatArray:
    at = measure.along_px * np.hypot(*(matrix @ _unit(measure.angle_rad)))
    return np.asarray(at - measure.at_mm - np.median(at - measure.at_mm))


def _direction_doubts(system: _System, full: FloatArray, certified: tuple[bool, bool]) -> tuple[Doubt, ...]:
    found = []
    if not all(certified):
        direction, other = {
            (True, False): ("left to right", "top to bottom"),
            (False, True): ("top to bottom", "left to right"),
            (False, False): ("on a slant", "of the picture's own directions"),
        }[certified]
        found.append(doubt("one-direction", direction=direction, other=other))
    bare = _System(system.measures, system.frame_rad, None, system.shear_u, system.widen)
    if bare.rank(full) < 3:
        found.append(doubt("shear-assumed", evidence=_square_evidence(system)))
    return tuple(found)


def _square_evidence(system: _System) -> str:
    if system.square is None:
        return "what copiers usually do (0.3 degree)"
    drawn = [m for m in system.measures if m.drawn]
    one, two = (min(drawn, key=lambda m: abs(line_turn(m.angle_rad - angle))) for angle in system.square[:2])
    return f"{one.name} and {two.name} being drawn square to each other (0.02 degree)"
