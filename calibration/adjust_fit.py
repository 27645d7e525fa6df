"""Solving the equations of one photo: damped steps, strays left out, sigmas widened.

Damping after Levenberg (Q. Appl. Math. 2 (1944) 164) and Marquardt (J. SIAM 11 (1963) 431).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.adjust_model import COMMONS, Normal, Rows, Scene, State, linearised, normal_equations
from calibration.frames import BoolArray, FloatArray
from calibration.linefit import MAD_TO_SIGMA, REJECT_SIGMAS, scatter_factor

ROUNDS = 150
SETTLED = 1e-6  # fall of the cost: a thousandth of a sigma in all
DAMPING = (1e-4, 1e12)  # first and last
STRAY_ROUNDS = 4
FEWEST_TO_REJECT = 6
FEWEST_FOR_TOGETHER = 20
MOST_ALIKE = 0.95
SAME_END = 5e-3  # two ends whose log lengths, k1 and tilts differ by less are the same


@dataclass(frozen=True, eq=False)
class Solution:
    """An adjusted photo."""

    scene: Scene
    state: State
    rows: Rows
    normal: Normal
    used: BoolArray  # (P,)
    widen: FloatArray  # (T, 2) on the stated sigma along and across each thing

    @property
    def weight(self) -> FloatArray:
        """(2, P) what every place counts along and across."""
        return weights(self.scene, self.used, self.widen)


def weights(scene: Scene, used: BoolArray, widen: FloatArray) -> FloatArray:
    """Return (2, P) 1 / sigma, 0 where a place is left out."""
    return np.asarray(used / (scene.sigma_px * widen[scene.of]).T)


def solve_from(scene: Scene, starts: Sequence[State], used: BoolArray) -> list[Solution]:
    """Return the different ends that the starts lead to, the best first; empty when none settles."""
    found: list[Solution] = []
    for state in starts:
        solution = _refined(scene, state, used)
        if solution and not any(same_end(solution.state, other.state) for other in found):
            found.append(solution)
    return sorted(found, key=lambda solution: solution.normal.cost)


def same_end(one: State, two: State) -> bool:
    """Tell whether two states are the same but for where the steps were ended."""
    apart = np.abs(one.common - two.common)[[0, 3, 5, 6, 7]]
    return bool(np.all(apart < SAME_END))


@dataclass(frozen=True, eq=False)
class End:
    """A state with its rows and equations."""

    state: State
    rows: Rows
    normal: Normal

    @classmethod
    def at(cls, scene: Scene, state: State, weight: FloatArray) -> End:
        """Return the equations at ``state``."""
        rows = linearised(scene, state, weight)
        return cls(state, rows, normal_equations(scene, state, rows))

    def after(self, step: FloatArray) -> State:
        """Return the state after a step, places on lines brought along."""
        return replace(self.state, along_mm=self.rows.along_mm).moved(step)

    def replaced(self) -> State:
        """Return the state after the step of the things' own unknowns alone."""
        step: FloatArray = np.zeros(len(self.normal.pull))
        step[COMMONS:] = np.linalg.solve(self.normal.matrix[COMMONS:, COMMONS:], self.normal.pull[COMMONS:])
        return self.after(step)


def damped(scene: Scene, state: State, weight: FloatArray, rounds: int) -> End | None:
    """Return where the cost is least near ``state``; None when lost.

    After every step all things are placed anew under the new camera, because their places follow it in a way that
    is far from straight (one step of what Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413, call separable).
    """
    here, damping = End.at(scene, state, weight), DAMPING[0]
    for _ in range(rounds):
        if not np.isfinite(here.normal.cost) or damping > DAMPING[1]:
            break
        scaled = here.normal.matrix + damping * np.diag(np.diag(here.normal.matrix))
        step = np.asarray(np.linalg.solve(scaled, here.normal.pull), dtype=np.float64)
        there = End.at(scene, End.at(scene, here.after(step), weight).replaced(), weight)
        fall = here.normal.cost - there.normal.cost
        if not fall > -SETTLED:
            damping *= 10.0
            continue
        here, damping = there, max(damping / 10.0, DAMPING[0] ** 3)
        if abs(fall) < SETTLED and damping <= DAMPING[0]:  # a step held back proves nothing
            break
    return here if np.isfinite(here.normal.cost) else None


def _refined(scene: Scene, state: State, used: BoolArray) -> Solution | None:
    """Adjust with everything, leave strays out and widen sigmas until both settle."""
    widen: FloatArray = np.ones((scene.things, 2))
    for _ in range(STRAY_ROUNDS):
        end = damped(scene, state, weights(scene, used, widen), ROUNDS)
        if end is None:
            return None
        state, found = end.state, Solution(scene, end.state, end.rows, end.normal, used, widen)
        off = linearised(scene, state, 1.0 / scene.sigma_px.T).misfit.T
        used = _inliers(scene, off, used)
        widen = _widened(scene, off, used)
        if np.array_equal(used, found.used) and np.allclose(widen, found.widen, rtol=0.01):
            break
    return found


def _inliers(scene: Scene, off: FloatArray, used: BoolArray) -> BoolArray:
    """Return (P,) the places within four robust sigmas of the rest of their own thing."""
    now = used.copy()
    for places in scene.slices:
        if places.stop - places.start < FEWEST_TO_REJECT:
            continue
        inside = np.abs(off[places][used[places]])
        limit = REJECT_SIGMAS * np.maximum(1.0, MAD_TO_SIGMA * np.median(inside, axis=0))
        now[places] = np.all(np.abs(off[places]) <= limit, axis=1)
    return now


def _widened(scene: Scene, off: FloatArray, used: BoolArray) -> FloatArray:
    """Return (T, 2) by what each thing's sigmas must grow to explain its own scatter."""
    widen = np.ones((scene.things, 2))
    for thing, places in enumerate(scene.slices):
        for side in range(2):
            inside = off[places, side][used[places]]
            energy = float(np.sum(inside**2))
            widen[thing, side] = scatter_factor(energy, len(inside) - 3) * _together(inside)
    return widen


def _together(misfit: FloatArray) -> float:
    """Return the factor on sigma for misfits whose neighbours err together (first-order)."""
    energy = float(np.sum(misfit**2))
    if len(misfit) < FEWEST_FOR_TOGETHER or energy == 0.0:
        return 1.0
    alike = min(float(np.sum(misfit[1:] * misfit[:-1])) / energy, MOST_ALIKE)
    return float(np.sqrt((1.0 + alike) / (1.0 - alike))) if alike > 2.0 / np.sqrt(len(misfit)) else 1.0
