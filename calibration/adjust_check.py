"""Whether what one photo shows can be true together: lengths, camera and the flatness of the sheet.

Outlier test after Baarda, "A testing procedure for use in geodetic networks", Publ. on Geodesy 2/5, 1968.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.adjust_fit import Solution, solve_from
from calibration.adjust_model import COMMONS, SCALE, Normal, angle_rows, beforehand, normal_equations
from calibration.adjust_start import starts_of
from calibration.bends import noise_rows, scores_of
from calibration.frames import FloatArray
from calibration.solve import DISAGREE_REL, FailedFit

CONTRADICTED_SIGMAS = 4.0  # a length further from what all else says cannot be right
STRAINED = 20.0  # squared sigmas by which a camera may leave what is usual: 4.5 of them in one respect
LEAST_SHARE = 1e-4  # of an error that shows; with less nothing else checks a rule
LEAST_FREE = 1e-6
FREED_U = 0.2  # 1 sigma of the scale of a rule that is not believed
ANGLE_SIGMAS = 4.0  # an angle further from what is stated is not so
RIVAL_COST = 9.0  # an explanation that fits nearly as well: within three sigmas


def impossible(solution: Solution, names: Sequence[str]) -> FailedFit | None:
    """Return why a photo cannot be believed, if so.

    Lengths that contradict each other on a sheet that is bent may all be right: such a photo passes, with a doubt, as
    long as its camera is a usual one.
    """
    strained = strain(solution) > STRAINED
    if not strained and not contradicted(solution, len(names)):
        return None
    likelier = bent_rather(solution, len(names))
    if likelier > 0.0:
        return FailedFit("photo-bent", {}) if strained else None
    failed = wrong_rule(solution, names)
    if likelier > -RIVAL_COST and failed.code == "rules-disagree":
        return FailedFit("rules-or-bent", {name: failed.facts[name] for name in ("first", "percent")})
    return failed


def contradicted(solution: Solution, controls: int) -> bool:
    """Tell whether one length leaves what all else says together."""
    known_u = solution.scene.own_u[:controls, SCALE]
    off, share = _scale_errors(solution, solution.normal, controls)
    sigmas = off / (known_u * np.sqrt(share))
    checked = share > LEAST_SHARE  # something else checks it
    return bool(np.any(checked & (off / share >= DISAGREE_REL) & (sigmas > CONTRADICTED_SIGMAS)))


def _scale_errors(solution: Solution, normal: Normal, controls: int) -> tuple[FloatArray, FloatArray]:
    """Return (C,) the log scale that each control took on, and what share of an error of it shows, by the equations."""
    scene = solution.scene
    inverse = np.linalg.inv(normal.matrix)
    both = np.stack([inverse @ normal.pull, inverse.diagonal()])[:, COMMONS:]
    step, spread = both.reshape(2, scene.things, -1)[:, :controls, SCALE]
    share = np.maximum(1.0 - spread / scene.own_u[:controls, SCALE] ** 2, LEAST_SHARE)
    return np.abs(solution.state.own[:controls, SCALE] + step), share


def bent_rather(solution: Solution, controls: int) -> float:
    """Return by how much a bent sheet explains a photo better than any one wrong rule, each with one unknown more.

    Squared sigmas, as the costs of fits are compared; negative when the wrong rule explains it better.
    """
    return float(np.max(scores_of(solution).sigmas ** 2) - _wrong_rule_explains(solution, controls))


def _wrong_rule_explains(solution: Solution, controls: int) -> float:
    """Return by how much the cost would fall if the length most at odds were free, squared sigmas."""
    normal = normal_equations(solution.scene, solution.state, noise_rows(solution))
    off, share = _scale_errors(solution, normal, controls)
    return float(np.max((off / solution.scene.own_u[:controls, SCALE]) ** 2 / share))


def odd_angle(solution: Solution, controls: int) -> int | None:
    """Return the number of the angle that is not as stated, if there is one and no wrong rule explains it better."""
    apart = [angle_off(solution, number)[1] for number in range(len(solution.scene.angles))]
    if not apart or max(apart) <= ANGLE_SIGMAS or max(apart) ** 2 <= _wrong_rule_explains(solution, controls):
        return None
    return int(np.argmax(apart))


def angle_off(solution: Solution, number: int) -> tuple[float, float]:
    """Return by how much an angle differs from what is stated by all else, rad, and the same in sigmas."""
    scene = solution.scene
    row, misfit = angle_rows(scene, solution.state)[number]
    free = 1.0 - float(row @ np.linalg.inv(solution.normal.matrix) @ row)
    if free < LEAST_FREE:  # nothing else checks it
        return 0.0, 0.0
    return abs(misfit) * scene.angles[number].u_rad / free, abs(misfit) / float(np.sqrt(free))


def strain(solution: Solution) -> float:
    """Return the sum of squares by which lens and camera leave what is usual, in sigmas."""
    return float(np.sum(beforehand(solution.scene, solution.state)[1][:COMMONS] ** 2))


def wrong_rule(solution: Solution, names: Sequence[str]) -> FailedFit:
    """Return the failure of a photo in which lengths contradict each other, or only a strange camera unites them.

    A wrong rule bends the camera before it leaves the others, so each is taken out of the scale in turn; the one
    without which all else agrees best is named, and another with it when that would do as well.
    """
    found: list[tuple[float, int, float]] = []
    for thing in range(len(names)):
        freed_u = solution.scene.own_u.copy()
        freed_u[thing, SCALE] = FREED_U
        scene = replace(solution.scene, own_u=freed_u)
        ends = solve_from(scene, starts_of(scene, solution.used)[:1], solution.used)
        if ends and strain(ends[0]) <= STRAINED and not contradicted(ends[0], len(names)):
            found.append((ends[0].normal.cost, thing, float(np.expm1(ends[0].state.own[thing, SCALE]))))
    if not found:
        return FailedFit("photo-not-solved", {})
    found.sort()
    rivals = [names[thing] for cost, thing, _ in found[1:] if cost <= found[0][0] + RIVAL_COST]
    second = rivals[0] if len(rivals) == 1 else "all else in the picture"
    return FailedFit(
        "rules-disagree", {"first": names[found[0][1]], "second": second, "percent": f"{100 * abs(found[0][2]):.2f}"}
    )
