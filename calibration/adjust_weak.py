"""What the picture does not show, and what it rests on instead.

Each thing assumed is trusted ten times less in turn; where that leaves a part of the map far less certain, the
part rests on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.adjust_fit import Solution
from calibration.adjust_model import COMMONS, angle_rows, beforehand, common_slopes, viewed
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray
from calibration.photo import scale_rows
from calibration.solve import CERTIFIED_PRIOR_U

LOOSEN = 10.0
RESTS = 2.0  # a part whose sigma grows by this factor or more rests on what is assumed
ALONE = 0.5  # share of that growth (of its logarithm) which makes one assumption worth naming
HARM_REL = 5e-4  # a scale that could be so far off without what is assumed: 0.25 mm on 500 mm
HARM_MM = 0.1  # the same for other parts, at the edge of what is known
LOOK_REL = 4e-4  # 1 sigma that what is assumed adds to a scale, above which a person must look
REFUSE_REL = 0.01  # a scale less certain than this is none
SHEAR_SHARE = 0.5  # shear changes a length by half of itself at most
HELD = {"the camera held above the sheet": [5, 6]}
GRID = 9  # places each way that stand for the sheet
SCALES = ("scale left to right", "scale bottom to top", "squareness")
PARTS = (*SCALES, "change of scale from left to right", "change of scale from bottom to top", "bending by the lens")


@dataclass(frozen=True)
class KnownBy:
    """What tells of a camera beforehand, in words, and which of the common unknowns each tells of."""

    told: str  # of the lens
    parts: dict[str, list[int]]

    @classmethod
    def lens(cls, name: str) -> KnownBy:
        """Return it for a lens that was calibrated before."""
        return cls(name, {name: [0, 1, 2, 3, 4, 8, 9], **HELD})

    @classmethod
    def usual(cls, stated: bool) -> KnownBy:
        """Return it for any lens, its focal length stated by the picture's file or not."""
        focal = "the focal length that the file states" if stated else "the focal length that phones usually have"
        parts = {focal: [0], "the lens being centred on the picture": [1, 2], "what lenses usually bend": [3, 4, 8, 9]}
        return cls(f"{focal}, and what lenses usually do", {**parts, **HELD})


@dataclass(frozen=True, eq=False)
class Assumed:
    """One thing assumed: its rows of the equations."""

    text: str
    rows: FloatArray  # (R, U)
    camera: bool  # of the camera; otherwise of the sheet's or a tool's angles
    judged: bool  # not measured by a tool: nothing in the picture proves it


@dataclass(frozen=True, eq=False)
class Trust:
    """How certain each part is, and with what is assumed trusted less."""

    sigma: FloatArray  # (6,) of PARTS: scales relative, as they change a length; the others mm at the edge
    loose: FloatArray  # (A, 6) with one assumption trusted less
    all_loose: FloatArray  # (6,) with all of them
    camera_loose: FloatArray  # (6,) with all of the camera
    judged_loose: FloatArray  # (6,) with all but what a tool measured
    assumed: tuple[Assumed, ...]

    @property
    def weak(self) -> tuple[str, ...]:
        """A sentence for each part that rests on what is assumed."""
        limits = np.where(np.arange(len(PARTS)) < len(SCALES), HARM_REL, HARM_MM)
        resting = (self.all_loose > RESTS * self.sigma) & (self.all_loose > limits)
        return tuple(f"The {name} rests on: {self.evidence(k)}." for k, name in enumerate(PARTS) if resting[k])

    def evidence(self, part: int) -> str:
        """Return what a part rests on, the most important first."""
        growth = np.log(self.loose[:, part] / self.sigma[part])
        order = np.argsort(-growth)
        named = [self.assumed[k].text for k in order if growth[k] >= ALONE * growth[order[0]]]
        return "; ".join(named)

    def added(self, loose: FloatArray) -> FloatArray:
        """Return (6,) 1 sigma that what was trusted less adds."""
        return np.asarray(np.sqrt(np.maximum(loose**2 - self.sigma**2, 0.0) / (LOOSEN**2 - 1.0)))

    @property
    def certified(self) -> tuple[bool, bool]:
        """Whether the scales x, y are fixed by measures."""
        added = self.added(self.judged_loose)
        return bool(added[0] <= CERTIFIED_PRIOR_U), bool(added[1] <= CERTIFIED_PRIOR_U)

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """What a person must know of scales that rest on what is assumed."""
        found = []
        by_camera, by_any = self.added(self.camera_loose), self.added(self.judged_loose)
        for part, name in enumerate(SCALES):
            serious = by_camera if name == "squareness" else by_any  # a sheet's right angles are there to square it
            if serious[part] > LOOK_REL:
                facts = {"part": name, "evidence": self.evidence(part), "percent": f"{100 * self.sigma[part]:.2f}"}
                found.append(doubt("photo-rests", **facts))
            elif name == "squareness" and by_any[part] > LOOK_REL:
                found.append(doubt("shear-assumed", evidence=self.evidence(part)))
        return tuple(found)


def trust_in(solution: Solution, scatter: float, known_by: KnownBy) -> Trust:
    """Return how certain each part of an adjusted photo is.

    Args:
        solution: the adjustment.
        scatter: factor by which sigmas were widened.
        known_by: what tells of the camera beforehand.
    """
    parts, effect = _part_rows(solution), np.where(np.array(PARTS) == "squareness", SHEAR_SHARE, 1.0)
    assumed = _assumed(solution, known_by)

    def sigma(less: Sequence[Assumed]) -> FloatArray:
        matrix = solution.normal.matrix - (1.0 - LOOSEN**-2) * sum(one.rows.T @ one.rows for one in less)
        common = scatter**2 * _inverse(matrix)[:COMMONS, :COMMONS]
        return np.asarray(np.sqrt(np.einsum("pk,kl,pl->p", parts, common, parts)) * effect)

    return Trust(
        sigma=sigma([]),
        loose=np.stack([sigma([one]) for one in assumed]),
        all_loose=sigma(assumed),
        camera_loose=sigma([one for one in assumed if one.camera]),
        judged_loose=sigma([one for one in assumed if one.judged]),
        assumed=assumed,
    )


def _inverse(matrix: FloatArray) -> FloatArray:
    """Return the inverse (U, U) of a sum of squares; what rounding has left of nothing counts as what rounding leaves.

    With all that is assumed trusted less, parts of the map can be all but free, and a plain inverse then has variances
    below zero.
    """
    unit = 1.0 / np.sqrt(np.diag(matrix))
    strength, ways = np.linalg.eigh(matrix * unit[:, None] * unit)
    least = len(matrix) * np.finfo(np.float64).eps * strength[-1]
    ways = ways * unit[:, None]
    return np.asarray((ways / np.maximum(strength, least)) @ ways.T)


def _assumed(solution: Solution, known_by: KnownBy) -> tuple[Assumed, ...]:
    scene, state = solution.scene, solution.state
    every = np.diag(beforehand(scene, state)[0])
    found = [Assumed(text, every[rows], True, True) for text, rows in known_by.parts.items()]
    seen: dict[str, list[int]] = {}
    for number, angle in enumerate(scene.angles):
        seen.setdefault(angle.why, []).append(number)
    rows = [row for row, _ in angle_rows(scene, state)]
    for why, numbers in seen.items():
        judged = any(scene.angles[number].assumed for number in numbers)
        found.append(Assumed(why, np.stack([rows[number] for number in numbers]), False, judged))
    return tuple(found)


def _part_rows(solution: Solution) -> FloatArray:
    """Return (6, 10): how each part follows the common unknowns, over the rectangle that holds all places."""
    sheet = solution.rows.sheet_mm[:, solution.used]
    low, high = sheet.min(axis=1), sheet.max(axis=1)
    x, y = (axis.ravel() for axis in np.meshgrid(*np.linspace(low, high, GRID).T))
    state = solution.state
    view = viewed(state, np.stack([x, y, np.zeros_like(x)]))
    by_sheet = np.moveaxis(view.by_sheet[:, :2], 2, 0)
    moves = np.asarray(-np.linalg.solve(by_sheet, np.moveaxis(common_slopes(state, view), 2, 0)), dtype=np.float64)
    xy = np.stack([x, y], axis=1)
    return np.vstack([scale_rows(xy, moves), _bent_rows(xy, moves)])


def _bent_rows(xy: FloatArray, moves: FloatArray) -> FloatArray:
    """Return (3, K): change of scale in x, in y, and radial bending, mm at the rectangle's far corner."""
    half = float(np.hypot(*np.ptp(xy, axis=0)) / 2.0)
    x, y = ((xy - xy.mean(axis=0)) / half).T
    one, none = np.ones_like(x), np.zeros_like(x)
    radial = x * x + y * y
    columns = [
        (one, none), (none, one), (-y, x), (x, none), (none, y), (y, x),
        (x * x, x * y), (x * y, y * y), (radial * x, radial * y),
    ]  # fmt: skip
    design = np.stack([np.concatenate(column) for column in columns], axis=1)
    answer = np.linalg.lstsq(design, np.concatenate([moves[:, 0], moves[:, 1]]), rcond=None)[0]
    return np.asarray(answer[6:9])
