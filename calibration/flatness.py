"""Does the sheet lie flat? Heights over the plane, tested with all that the photo shows.

Paper bends only one way at a time, so the heights tried are those of a bent sheet: rolled (a cylinder), one side or
corner curled up, a ridge; in many directions. Each gets its score (Rao, Proc. Camb. Phil. Soc. 44 (1948) 50): what the
misfits of the flat adjustment say for it, all unknowns of lens, camera and things let free. The largest of the
scores decides; how large chance makes it is found by drawing from their common normal distribution.
A place lifted by h is seen moved away from the point below the camera by r h / (D - h).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from calibration.adjust_model import COMMONS, LEFT_OUT_U, Rows, Scene, linearised, normal_equations, viewed
from calibration.controls import Control, StraightLine
from calibration.flags import Doubt, doubt
from calibration.frames import BoolArray, FloatArray, SheetPoints, frozen_floats
from calibration.photo import PhotoCalibration, outward, without_rigid

CHANCE = 0.015  # a lift that noise alone shows more seldom than this is reported
HARMLESS_MM = 0.05  # a lift that moves no place further than this is not
FLAT_U_MM = 0.5  # 1 sigma of the lift of a sheet laid down with care; common practice, no source
UNSEEN_MM = 1.0  # by which a lift that goes unseen may move an outline before a person must look at the sheet
NOTICED_MM = 5.0  # a lift that a person sees without a camera; common practice, no source
BODY_SHARE = 0.85  # of what was seen, each way, where the outline is
STATIONS = 72
POWER_SIGMAS = 1.645  # seen in 95 % of cases
DRAWS = 20_000
DRAW_SEED = 1948
DIRECTIONS = 16  # round the sheet
CURL_FROM = (0.0, 0.5)  # where a curl begins, in shares of the way from the middle to the end
RIDGE_AT = (-0.6, 0.0, 0.6)
RIDGE_HALF = 0.4  # its half width, in the same shares
STAND_OFF = 1.5  # further away than before
GRID = 15
SEEN_INFORMATION = 1e-6  # per mm^2; less is none


@dataclass(frozen=True)
class Form:
    """One way in which a sheet may be bent; its largest height is 1."""

    kind: str  # "roll", "curl" or "ridge"
    turn_rad: float  # direction in which the height changes
    at: float  # where it begins or lies, in shares of the way from the middle to the end
    rides: bool  # stiff things lie on its heights; otherwise they press it flat where they are

    def heights(self, xy: FloatArray, middle: FloatArray, corners: FloatArray) -> FloatArray:
        """Return (N,) heights at places of a sheet with these corners."""
        toward = np.array([np.cos(self.turn_rad), np.sin(self.turn_rad)])
        way = (xy - middle) @ toward / np.max((corners - middle) @ toward)
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
class Flatness:
    """Whether the sheet is flat, as far as the photo shows."""

    chance: float  # that noise alone looks as bent as this
    lift_mm: float  # the largest lift of the likeliest form
    lift_u_mm: float  # 1 sigma
    at_mm: FloatArray  # (2,) where, sheet frame
    form: Form
    unseen_mm: float  # by how much a lift that would go unreported in 5 % of cases may move an outline
    doubts: tuple[Doubt, ...]
    lifts_mm: FloatArray  # (F,) of every form, 1 sigma of each, and how the common unknowns yield to each mm
    lifts_u_mm: FloatArray  # (F,)
    yields: FloatArray  # (F, 8)
    middle_mm: FloatArray  # (2,)
    corners_mm: FloatArray  # (4, 2) of all that was seen

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("at_mm", "lifts_mm", "lifts_u_mm", "yields", "middle_mm", "corners_mm"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name)))

    @property
    def flat(self) -> bool:
        """Whether nothing speaks against a flat sheet."""
        return not any(one.code == "sheet-not-flat" for one in self.doubts)

    def u_outline_mm(self, calibration: PhotoCalibration, points: SheetPoints) -> FloatArray:
        """Return (N,) 1 sigma across a closed curve from lifts, seen or unseen; best rigid motion taken out.

        Every form counts by how likely the photo makes it, with the lift that it may have.
        """
        weight, square_mm2 = self._likely()
        return np.asarray(np.sqrt(self.across(calibration, points) ** 2 @ (weight * square_mm2)))

    def across(self, calibration: PhotoCalibration, points: SheetPoints) -> FloatArray:
        """Return (N, F) by how much a curve comes out wrong, across it, for each mm of each form."""
        across, share = outward(points.xy)
        shifts = [
            _shifts(calibration, points, form.heights(points.xy, self.middle_mm, self.corners_mm), given)
            for form, given in zip(forms(), self.yields, strict=True)
        ]
        return without_rigid(np.einsum("ni,fni->nf", across, np.array(shifts)), points.xy, across, share)

    def _likely(self) -> tuple[FloatArray, FloatArray]:
        """Return (F,) how likely each form is and its expected square, from the photo and what sheets usually do."""
        before = FLAT_U_MM**2 if self.flat else max(FLAT_U_MM, self.lift_mm) ** 2
        trusted = before / (before + self.lifts_u_mm**2)  # of the lift found; 0 where nothing shows it
        mean = trusted * self.lifts_mm
        fit = np.divide(mean * self.lifts_mm, self.lifts_u_mm**2) / 2.0 + np.log1p(-trusted) / 2.0
        weight = np.exp(fit - fit.max())
        return weight / weight.sum(), mean**2 + before * (1.0 - trusted)


def flatness(
    calibration: PhotoCalibration, controls: Sequence[Control], lines: Sequence[StraightLine]
) -> Flatness:
    """Test an adjusted photo for lifts of the sheet.

    Args:
        calibration: of these controls and lines.
        controls: as adjusted.
        lines: as adjusted.

    Raises:
        ValueError: the controls or lines are not those of the calibration.
    """
    known = tuple(control.name for control in controls if control.source != "dpi")
    if known != calibration.names or tuple(line.name for line in lines) != calibration.line_names:
        raise ValueError("the controls and lines must be those of the calibration")
    rows = _noise_rows(calibration)
    sheet = rows.sheet_mm.T
    seen = sheet[calibration.solution.used]
    low, high = seen.min(axis=0), seen.max(axis=0)
    corners = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    middle = (low + high) / 2.0
    scene = calibration.solution.scene
    heights = np.stack([_raised(scene, form.heights(sheet, middle, corners), form.rides) for form in forms()])
    score, spread = _scores(calibration, rows, heights)
    return _judged(calibration, score, spread, _yields(calibration, heights), middle, corners)


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


def _noise_rows(calibration: PhotoCalibration) -> Rows:
    """Return the rows with sigmas widened only by what neighbours do not share, for a bend is what they share."""
    solution = calibration.solution
    scene = solution.scene
    plain = linearised(scene, solution.state, np.asarray(solution.used / scene.sigma_px.T))
    widen = np.ones((scene.things, 2))
    for thing, places in enumerate(scene.slices):
        inside = plain.misfit[:, places][:, solution.used[places]]
        if inside.shape[1] > 2:  # after von Neumann, Ann. Math. Statist. 12 (1941) 367
            widen[thing] = np.maximum(1.0, np.sqrt(np.mean(np.diff(inside, axis=1) ** 2, axis=1) / 2.0))
    weight = np.asarray(solution.used / (scene.sigma_px * widen[scene.of]).T)
    return linearised(scene, solution.state, weight)


def _scores(calibration: PhotoCalibration, rows: Rows, heights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (F,) scores and (F, F) their covariance."""
    scene, state = calibration.solution.scene, calibration.solution.state
    design = _dense(scene, rows)
    form = (rows.height[None] * heights[:, None]).reshape(len(heights), -1)  # (F, 2 P)
    normal = normal_equations(scene, state, rows)
    count, more = scene.unknowns, len(LEFT_OUT_U)
    bending = design[:, count:]
    matrix = np.zeros((count + more, count + more))
    matrix[:count, :count] = normal.matrix
    matrix[:count, count:] = design[:, :count].T @ bending
    matrix[count:, :count] = matrix[:count, count:].T
    matrix[count:, count:] = bending.T @ bending + np.diag(LEFT_OUT_U**-2.0)
    pull = np.concatenate([normal.pull, bending.T @ rows.misfit.ravel()])
    shared = form @ design
    inverse = np.linalg.inv(matrix)
    score = form @ rows.misfit.ravel() - shared @ inverse @ pull
    spread = form @ form.T - shared @ inverse @ shared.T
    return np.asarray(score), np.asarray((spread + spread.T) / 2.0)


def _yields(calibration: PhotoCalibration, heights: FloatArray) -> FloatArray:
    """Return (F, 8) how far the adjustment's common unknowns have yielded to a mm of each form."""
    solution = calibration.solution
    design = _dense(solution.scene, solution.rows)[:, : solution.scene.unknowns]
    form = (solution.rows.height[None] * heights[:, None]).reshape(len(heights), -1)
    return np.asarray((form @ design) @ np.linalg.inv(solution.normal.matrix)[:, :COMMONS])


def _dense(scene: Scene, rows: Rows) -> FloatArray:
    """Return (2 P, U + 3): all slopes of all places, k3, p1 and p2 last."""
    design = np.zeros((2, len(scene.of), scene.unknowns + len(LEFT_OUT_U)))
    design[:, :, :COMMONS] = np.swapaxes(rows.slopes[:, :COMMONS], 1, 2)
    for thing, places in enumerate(scene.slices):
        design[:, places, scene.own(thing)] = np.swapaxes(rows.slopes[:, COMMONS:, places], 1, 2)
    design[:, :, scene.unknowns :] = np.swapaxes(rows.bending, 1, 2)
    return np.asarray(design.reshape(-1, design.shape[2]))


def _judged(
    calibration: PhotoCalibration,
    score: FloatArray,
    spread: FloatArray,
    yields: FloatArray,
    middle: FloatArray,
    corners: FloatArray,
) -> Flatness:
    information = np.maximum(np.diag(spread), SEEN_INFORMATION)
    shows = np.diag(spread) > SEEN_INFORMATION
    sigma = np.where(shows, 1.0 / np.sqrt(information), np.inf)
    lifts = np.where(shows, score / information, 0.0)
    size = np.abs(lifts / np.where(shows, sigma, 1.0))
    best, limit, chance = int(np.argmax(size)), *_by_chance(spread, shows, float(size.max()))
    form, grid = forms()[best], _grid(corners)
    height = lifts[best] * form.heights(grid, middle, corners)
    shifts = _shifts(calibration, SheetPoints(grid), height, lifts[best] * yields[best])
    bent = chance < CHANCE and float(np.max(np.hypot(*shifts.T))) > HARMLESS_MM
    at = grid[int(np.argmax(height))]
    found = Flatness(
        chance, float(np.ptp(height)), float(sigma[best]), at, form, 0.0, (), lifts, sigma, yields, middle, corners
    )
    harm = np.max(np.abs(found.across(calibration, _body(middle, corners))), axis=0)
    unseen = float(np.max(harm * np.minimum(NOTICED_MM, (limit + POWER_SIGMAS) * sigma)))
    return _with_doubts(replace(found, unseen_mm=unseen), calibration, bent)


def _body(middle: FloatArray, corners: FloatArray) -> SheetPoints:
    """Return a curve that a body might have: an ellipse within the rectangle of all that was seen."""
    turn = np.linspace(0.0, 2.0 * np.pi, STATIONS, endpoint=False)
    return SheetPoints(middle + BODY_SHARE * (corners[2] - middle) * np.stack([np.cos(turn), np.sin(turn)], axis=1))


def _grid(corners: FloatArray) -> FloatArray:
    """Return (N, 2) places spread over the rectangle of all that was seen."""
    return np.stack(np.meshgrid(*np.linspace(corners[0], corners[2], GRID).T), axis=2).reshape(-1, 2)


def _with_doubts(found: Flatness, calibration: PhotoCalibration, bent: bool) -> Flatness:
    doubts = []
    if bent:
        facts = {
            "lift_mm": f"{found.lift_mm:.1f}",
            "where": _where(found),
            "chance": f"{100 * found.chance:.2g} %",
            "stand_m": f"{STAND_OFF * calibration.pose.distance_mm / 1000.0:.1f}",
        }
        doubts.append(doubt("sheet-not-flat", **facts))
    elif found.unseen_mm > UNSEEN_MM:
        doubts.append(doubt("flatness-unseen", harm_mm=f"{found.unseen_mm:.1f}"))
    return replace(found, doubts=tuple(doubts))


def _where(found: Flatness) -> str:
    """Return the place of the largest lift in words, as the picture shows it."""
    half = (found.corners_mm[2] - found.corners_mm[0]) / 2.0
    x, y = (found.at_mm - found.middle_mm) / half
    side = "left" if x < -1 / 3 else "right" if x > 1 / 3 else ""
    level = "lower" if y < -1 / 3 else "upper" if y > 1 / 3 else ""
    if side and level:
        return f"at the {level} {side} corner"
    return f"at the {level or side} edge" if side or level else "in the middle"


def _by_chance(spread: FloatArray, shows: BoolArray, largest: float) -> tuple[float, float]:
    """Return the largest score that chance exceeds in CHANCE of cases, and how often it exceeds ``largest``."""
    if not shows.any():
        return np.inf, 1.0
    root = np.sqrt(np.diag(spread)[shows])
    values, axes = np.linalg.eigh(spread[np.ix_(shows, shows)] / np.outer(root, root))
    kept = values > 1e-9 * values[-1]
    draws = np.random.default_rng(DRAW_SEED).standard_normal((DRAWS, int(kept.sum())))
    most = np.abs(draws @ (axes[:, kept] * np.sqrt(values[kept])).T).max(axis=1)
    chance = (1.0 + float(np.sum(most > largest))) / (DRAWS + 1.0)
    bound = 2.0 * len(root) * float(ndtr(-largest))  # Bonferroni: never more than the sum over all
    return float(np.quantile(most, 1.0 - CHANCE)), min(chance, bound)


def _shifts(
    calibration: PhotoCalibration, points: SheetPoints, height_mm: FloatArray, yielded: FloatArray
) -> FloatArray:
    """Return (N, 2) mm by which places lifted so come out wrong, what the adjustment yielded included."""
    state, scene = calibration.solution.state, calibration.solution.scene
    by_sheet = viewed(state, scene.decentering, np.vstack([points.xy.T, np.zeros(len(points))])).by_sheet
    plane, up = np.moveaxis(by_sheet[:, :2], 2, 0), by_sheet[:, 2].T
    lifted = np.linalg.solve(plane, up[:, :, None])[:, :, 0] * height_mm[:, None]
    return np.asarray(lifted + calibration.moves(points)[:, :, :COMMONS] @ yielded)
