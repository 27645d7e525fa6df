"""Sheets that are not flat: the forms that paper takes, and what the misfits of a flat adjustment say for each.

Paper bends only one way at a time, so the heights tried are those of a bent sheet: rolled (a cylinder), one side or
corner curled up, a ridge; in many directions. Each gets its score (Rao, Proc. Camb. Phil. Soc. 44 (1948) 50), all
unknowns of lens, camera and things let free.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.adjust_fit import Solution
from calibration.adjust_model import COMMONS, LEFT_OUT, SHAPES, Rows, Scene, linearised, normal_equations
from calibration.frames import BoolArray, FloatArray

DIRECTIONS = 16  # round the sheet
CURL_FROM = (0.0, 0.5)  # where a curl begins, in shares of the way from the middle to the end
RIDGE_AT = (-0.6, 0.0, 0.6)
SEEN_INFORMATION = 1e-6  # per mm^2; less is none
RIDGE_HALF = 0.4  # its half width, in the same shares
STRAIGHT_SCATTER = 0.2  # the least of its sigma that is left to a place of a straight thing whose neighbours agree
BLOCKS = (1, 2, 4)  # neighbours whose mean is compared with that of the next ones
LEAST_BLOCKS = 6
MOST_FORMS = 3  # that are told together
OWN_SHARE = 0.01  # of a form's information, that others do not share: with less it cannot be told beside them


@dataclass(frozen=True, eq=False)
class Extent:
    """The rectangle of all that was seen of a sheet."""

    middle_mm: FloatArray  # (2,)
    corners_mm: FloatArray  # (4, 2)

    @classmethod
    def of(cls, solution: Solution) -> Extent:
        """Return the extent of all places that count."""
        seen = solution.rows.sheet_mm[:, solution.used]
        low, high = seen.min(axis=1), seen.max(axis=1)
        return cls((low + high) / 2.0, np.array([low, [high[0], low[1]], high, [low[0], high[1]]]))


@dataclass(frozen=True)
class Form:
    """One way in which a sheet may be bent; its largest height is 1."""

    kind: str  # "roll", "curl" or "ridge"
    turn_rad: float  # direction in which the height changes
    at: float  # where it begins or lies, in shares of the way from the middle to the end
    rides: bool  # stiff things lie on its heights; otherwise they press it flat where they are

    def heights(self, xy: FloatArray, extent: Extent) -> FloatArray:
        """Return (N,) heights at places of a sheet of this extent."""
        toward = np.array([np.cos(self.turn_rad), np.sin(self.turn_rad)])
        way = (xy - extent.middle_mm) @ toward / np.max((extent.corners_mm - extent.middle_mm) @ toward)
        if self.kind == "roll":
            return np.asarray(way**2)
        if self.kind == "curl":
            return np.asarray(np.maximum(0.0, (way - self.at) / (1.0 - self.at)) ** 2)
        return np.asarray(np.maximum(0.0, 1.0 - np.abs(way - self.at) / RIDGE_HALF))


def forms() -> tuple[Form, ...]:
    """Return all ways that are tried."""
    turns = 2.0 * np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    half = turns[: DIRECTIONS // 2]
    kinds = [
        *(("roll", turn, 0.0) for turn in half),
        *(("curl", turn, at) for at in CURL_FROM for turn in turns),
        *(("ridge", turn, at) for at in RIDGE_AT for turn in half),
    ]
    return tuple(Form(kind, float(turn), at, rides) for rides in (False, True) for kind, turn, at in kinds)


@dataclass(frozen=True, eq=False)
class Scores:
    """What a photo says for each form."""

    score: FloatArray  # (F,)
    spread: FloatArray  # (F, F) their covariance; its diagonal is the information, per mm^2
    yields: FloatArray  # (F, 10) how far the adjustment's common unknowns have yielded to a mm of each form

    @property
    def shows(self) -> BoolArray:
        """(F,) whether the photo says anything of a form."""
        return np.asarray(np.diag(self.spread) > SEEN_INFORMATION)

    @property
    def lifts_u_mm(self) -> FloatArray:
        """(F,) 1 sigma of the lift of each form; inf where nothing shows it."""
        information = np.maximum(np.diag(self.spread), SEEN_INFORMATION)
        return np.where(self.shows, 1.0 / np.sqrt(information), np.inf)

    @property
    def lifts_mm(self) -> FloatArray:
        """(F,) the lift of each form, the others being none; 0 where nothing shows it."""
        return np.where(self.shows, self.score / np.maximum(np.diag(self.spread), SEEN_INFORMATION), 0.0)

    @property
    def sigmas(self) -> FloatArray:
        """(F,) the lifts over their sigmas."""
        return np.asarray(self.lifts_mm / np.where(self.shows, self.lifts_u_mm, 1.0))

    def together(self, limit: float, usual_mm: float) -> FloatArray:
        """Return (F,) the lifts of few forms that explain a photo together, 0 of all others.

        The likeliest form comes first; as long as what is left shows another one, it joins (orthogonal matching
        pursuit; Pati, Rezaiifar and Krishnaprasad, 27th Asilomar Conf. on Signals, Systems and Computers, 1993). A
        sheet is seldom bent as one form says: the likeliest alone may be low where the sheet is not.

        Args:
            limit: a score that chance does not exceed, sigmas.
            usual_mm: 1 sigma of a lift, where more than one form is told; it holds back forms that undo each other.
        """
        told: FloatArray = np.zeros(len(self.score))
        some = [int(np.argmax(np.abs(self.sigmas)))]
        told[some] = self.lifts_mm[some]
        while len(some) < MOST_FORMS:
            own = self._beside(some)
            left = np.where(own > 0.0, self.score - self.spread @ told, 0.0) / np.sqrt(np.where(own > 0.0, own, 1.0))
            best = int(np.argmax(np.abs(left)))
            if abs(left[best]) <= limit:
                break
            some.append(best)
            shared = self.spread[np.ix_(some, some)] + np.eye(len(some)) / usual_mm**2
            told[some] = np.linalg.solve(shared, self.score[some])
        return told

    def _beside(self, some: Sequence[int]) -> FloatArray:
        """Return (F,) the information on each form that some others do not share; 0 where that is next to none."""
        rows, information = self.spread[some], np.diag(self.spread)
        own = information - np.sum(rows * (np.linalg.pinv(rows[:, some], hermitian=True) @ rows), axis=0)
        return np.where(self.shows & (own > OWN_SHARE * information), own, 0.0)


def scores_of(solution: Solution) -> Scores:
    """Return the scores of all forms."""
    rows, extent = noise_rows(solution), Extent.of(solution)
    heights = np.stack(
        [_raised(solution.scene, form.heights(rows.sheet_mm.T, extent), form.rides) for form in forms()]
    )
    return Scores(*_scores(solution, rows, heights), _yields(solution, heights))


def _raised(scene: Scene, height: FloatArray, rides: bool) -> FloatArray:
    """Return (P,) how high each place is when the sheet has this height there."""
    out = height.copy()
    for thing in np.nonzero(scene.rigid)[0]:
        places = scene.slices[thing]
        along = scene.at_mm[places] if not scene.line[thing] else np.arange(places.stop - places.start, dtype=float)
        share = (along - along[0]) / (along[-1] - along[0])
        first, last = height[places][[0, -1]]
        out[places] = first + share * (last - first) if rides else 0.0
    return out


def noise_rows(solution: Solution) -> Rows:
    """Return the rows with sigmas by what neighbours do not share, for a bend is what they share.

    Only the sigmas of what is straight for certain, a drawn line, become less than they were taken to be. What noise
    neighbours share shows between the means of several: the largest counts, as of a mean of independent ones.
    """
    scene = solution.scene
    plain = linearised(scene, solution.state, np.asarray(solution.used / scene.sigma_px.T))
    widen = np.ones((scene.things, 2))
    for thing, places in enumerate(scene.slices):
        inside = plain.misfit[:, places][:, solution.used[places]]
        if inside.shape[1] > 2:
            least = STRAIGHT_SCATTER if scene.line[thing] and not scene.own_u[thing, SHAPES].any() else 1.0
            widen[thing] = np.maximum(least, scatter_of(inside))
    weight = np.asarray(solution.used / (scene.sigma_px * widen[scene.of]).T)
    return linearised(scene, solution.state, weight)


def scatter_of(misfit: FloatArray) -> FloatArray:
    """Return (2,) the scatter of misfits (2, N) by the steps between neighbours, or between means of several.

    After von Neumann, Ann. Math. Statist. 12 (1941) 367, and the method of batch means (Conway, Management Science 10
    (1963) 47).
    """
    found: list[FloatArray] = []
    for size in BLOCKS:
        count = misfit.shape[1] // size
        if found and count < LEAST_BLOCKS:
            break
        means = misfit[:, : count * size].reshape(2, count, size).mean(axis=2)
        found.append(np.sqrt(size * np.mean(np.diff(means, axis=1) ** 2, axis=1) / 2.0))
    return np.asarray(np.max(found, axis=0))


def _scores(solution: Solution, rows: Rows, heights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (F,) scores and (F, F) their covariance."""
    scene, state = solution.scene, solution.state
    design = _dense(scene, rows)
    form = (rows.height[None] * heights[:, None]).reshape(len(heights), -1)  # (F, 2 P)
    normal = normal_equations(scene, state, rows)
    count, more = scene.unknowns, len(LEFT_OUT)
    bending = design[:, count:]
    matrix = np.zeros((count + more, count + more))
    matrix[:count, :count] = normal.matrix
    matrix[:count, count:] = design[:, :count].T @ bending
    matrix[count:, :count] = matrix[:count, count:].T
    matrix[count:, count:] = bending.T @ bending + np.diag(scene.left_out_u**-2.0)
    pull = np.concatenate([normal.pull, bending.T @ rows.misfit.ravel()])
    taken = np.linalg.solve(matrix, design.T @ form.T)  # by the unknowns
    left = form - (design @ taken).T
    # The difference of form @ form.T and what is taken of it, without its rounding: little is left of some forms.
    spread = left @ left.T + taken.T @ _prior(solution) @ taken
    return np.asarray(form @ rows.misfit.ravel() - pull @ taken), np.asarray((spread + spread.T) / 2.0)


def _prior(solution: Solution) -> FloatArray:
    """Return (U + 3, U + 3): what is known of the unknowns beforehand, their covariance inverted."""
    scene, state = solution.scene, solution.state
    nothing = linearised(scene, state, np.zeros_like(solution.weight))
    matrix = np.diag(np.concatenate([np.zeros(scene.unknowns), scene.left_out_u**-2.0]))
    matrix[: scene.unknowns, : scene.unknowns] = normal_equations(scene, state, nothing).matrix
    return np.asarray(matrix)


def _yields(solution: Solution, heights: FloatArray) -> FloatArray:
    """Return (F, 10) how far the adjustment's common unknowns have yielded to a mm of each form."""
    design = _dense(solution.scene, solution.rows)[:, : solution.scene.unknowns]
    form = (solution.rows.height[None] * heights[:, None]).reshape(len(heights), -1)
    return np.asarray((form @ design) @ np.linalg.inv(solution.normal.matrix)[:, :COMMONS])


def _dense(scene: Scene, rows: Rows) -> FloatArray:
    """Return (2 P, U + 3): all slopes of all places, k3, p1 and p2 last."""
    design = np.zeros((2, len(scene.of), scene.unknowns + len(LEFT_OUT)))
    design[:, :, :COMMONS] = np.swapaxes(rows.slopes[:, :COMMONS], 1, 2)
    for thing, places in enumerate(scene.slices):
        design[:, places, scene.own(thing)] = np.swapaxes(rows.slopes[:, COMMONS:, places], 1, 2)
    design[:, :, scene.unknowns :] = np.swapaxes(rows.bending, 1, 2)
    return np.asarray(design.reshape(-1, design.shape[2]))
