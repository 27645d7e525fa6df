"""Does the sheet lie flat? Heights over the plane, tested with all that the photo shows.

The largest of the scores of calibration.bends decides; how large chance makes it is found by drawing from their common
normal distribution.
A place lifted by h is seen moved away from the point below the camera by r h / (D - h).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from calibration.adjust_model import COMMONS, viewed
from calibration.bends import Extent, Form, Scores, forms, scores_of
from calibration.controls import Control, StraightLine
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray, SheetPoints, frozen_floats
from calibration.photo import PhotoCalibration, outward, without_rigid

CHANCE = 0.05  # a lift that noise alone shows more seldom than this is reported: the usual level of a test
LEAST_CHANCE = 1e-4  # that is told; a smaller one means no more to a person
HARMLESS_MM = 0.05  # a lift that moves no place further than this is not
# Nor is one lower than this that harms no outline: paper pressed down by hand lies no flatter (common practice, no
# source).
LEAST_LIFT_MM = 0.25
FLAT_U_MM = 0.5  # 1 sigma of the lift of a sheet laid down with care; common practice, no source
UNSEEN_MM = 1.0  # by which a lift that goes unseen may move an outline before a person must look at the sheet
NOTICED_MM = 5.0  # a lift that a person sees without a camera; common practice, no source
BODY_SHARE = 0.85  # of what was seen, each way, where the outline is
STATIONS = 72
POWER_SIGMAS = 1.645  # seen in 95 % of cases
DRAWS = 20_000
DRAW_SEED = 1948
STAND_OFF = 1.5  # further away than before
GRID = 15
# What lies on a bent sheet may be pressed into it or ride on all of its lift, unseen where it is the only scale:
# anything between is as likely (a rectangular distribution, JCGM 100:2008, 4.3.7, from one of its ends).
RIDES = 1.0 / np.sqrt(3.0)


@dataclass(frozen=True, eq=False)
class Flatness:
    """Whether the sheet is flat, as far as the photo shows."""

    chance: float  # that noise alone looks as bent as this
    lift_mm: float  # the largest lift by the likeliest form, or few of them together
    lift_u_mm: float  # 1 sigma, of the likeliest form
    at_mm: FloatArray  # (2,) where, sheet frame
    form: Form
    unseen_mm: float  # by how much a lift that would go unreported in 5 % of cases may move an outline
    doubts: tuple[Doubt, ...]
    lifts_mm: FloatArray  # (F,) of every form, 1 sigma of each, and how the common unknowns yield to each mm
    lifts_u_mm: FloatArray  # (F,)
    yields: FloatArray  # (F, 10)
    extent: Extent

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("at_mm", "lifts_mm", "lifts_u_mm", "yields"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name)))

    @property
    def flat(self) -> bool:
        """Whether nothing speaks against a flat sheet."""
        return not any(one.code == "sheet-not-flat" for one in self.doubts)

    def facts(self, calibration: PhotoCalibration) -> dict[str, str]:
        """Return what is to be told of the lift: its size and place, by what chance, and how far away to stand."""
        return {
            "lift_mm": f"{self.lift_mm:.1f}",
            "where": _where(self),
            "chance": f"{100 * self.chance:.2g} %" if self.chance > LEAST_CHANCE else f"under {100 * LEAST_CHANCE:g} %",
            "stand_m": f"{STAND_OFF * calibration.pose.distance_mm / 1000.0:.1f}",
        }

    def u_outline_mm(self, calibration: PhotoCalibration, points: SheetPoints) -> FloatArray:
        """Return (N,) 1 sigma across a closed curve from lifts, seen or unseen; best rigid motion taken out.

        Every form counts by how likely the photo makes it, with the lift that it may have; where one is told, so does
        what the rules may rise with it.
        """
        weight, square_mm2 = self._likely()
        by_form = np.sqrt(self.across(calibration, points) ** 2 @ (weight * square_mm2))
        return np.asarray(np.hypot(by_form, self.ridden_u_rel(calibration) * grown(points.xy)))

    def ridden_u_rel(self, calibration: PhotoCalibration) -> float:
        """Return 1 sigma, relative, of the scale by what rules may ride on a lift that is told."""
        return 0.0 if self.flat else RIDES * self.lift_mm / calibration.pose.distance_mm

    def across(self, calibration: PhotoCalibration, points: SheetPoints) -> FloatArray:
        """Return (N, F) by how much a curve comes out wrong, across it, for each mm of each form."""
        across, share = outward(points.xy)
        heights = np.stack([form.heights(points.xy, self.extent) for form in forms()])
        shifts = _shifts(calibration, points, heights, self.yields)
        return without_rigid(np.einsum("ni,fni->nf", across, shifts), points.xy, across, share)

    def moves_u(self, calibration: PhotoCalibration, points: SheetPoints) -> FloatArray:
        """Return (N, 2, F) by how much places come out wrong, 1 sigma of every form by how likely it is."""
        weight, square_mm2 = self._likely()
        heights = np.stack([form.heights(points.xy, self.extent) for form in forms()])
        shifts = _shifts(calibration, points, heights, self.yields)
        return np.asarray(np.moveaxis(shifts, 0, 2) * np.sqrt(weight * square_mm2))

    def _likely(self) -> tuple[FloatArray, FloatArray]:
        """Return (F,) how likely each form is and its expected square, from the photo and what sheets usually do."""
        before = FLAT_U_MM**2 if self.flat else max(FLAT_U_MM, self.lift_mm) ** 2
        trusted = before / (before + self.lifts_u_mm**2)  # of the lift found; 0 where nothing shows it
        mean = trusted * self.lifts_mm
        fit = np.divide(mean * self.lifts_mm, self.lifts_u_mm**2) / 2.0 + np.log1p(-trusted) / 2.0
        weight = np.exp(fit - fit.max())
        return weight / weight.sum(), mean**2 + before * (1.0 - trusted)


def grown(xy: FloatArray) -> FloatArray:
    """Return (N,) mm by which a closed curve (N, 2) mm moves across itself when it grows by its own size."""
    across, share = outward(xy)
    rows = np.sum(across * (xy - share @ xy), axis=1)[:, None]
    return np.asarray(np.abs(without_rigid(rows, xy, across, share)[:, 0]))


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
    return flatness_of(calibration)


def flatness_of(calibration: PhotoCalibration) -> Flatness:
    """Test an adjusted photo for lifts of the sheet, by what it was adjusted to."""
    return _judged(calibration, scores_of(calibration.solution), Extent.of(calibration.solution))


def _judged(calibration: PhotoCalibration, scores: Scores, extent: Extent) -> Flatness:
    lifts, sigma, size = scores.lifts_mm, scores.lifts_u_mm, np.abs(scores.sigmas)
    best, limit, chance = int(np.argmax(size)), *_by_chance(scores, float(size.max()))
    told: FloatArray = np.where(np.arange(len(lifts)) == best, lifts, 0.0)
    grid = _grid(extent.corners_mm)
    by_form = np.stack([form.heights(grid, extent) for form in forms()])
    if np.ptp(told @ by_form) <= LEAST_LIFT_MM:  # that form alone may be low where the sheet is not
        told = scores.together(limit, FLAT_U_MM)
    height = told @ by_form
    (shifts,) = _shifts(calibration, SheetPoints(grid), height[None], (told @ scores.yields)[None])
    moved, rise = float(np.max(np.hypot(*shifts.T))), float(np.ptp(height))
    found = Flatness(
        chance, rise, float(sigma[best]), grid[int(np.argmax(height))], forms()[best], 0.0, (), lifts, sigma,
        scores.yields, extent,
    )  # fmt: skip
    across = found.across(calibration, _body(extent))
    counts = rise > LEAST_LIFT_MM or float(np.max(np.abs(across @ told))) > HARMLESS_MM
    bent = chance < CHANCE and moved > HARMLESS_MM and counts
    harm = np.max(np.abs(across), axis=0)
    unseen = float(np.max(harm * np.minimum(NOTICED_MM, (limit + POWER_SIGMAS) * sigma)))
    return _with_doubts(replace(found, unseen_mm=unseen), calibration, bent)


def _body(extent: Extent) -> SheetPoints:
    """Return a curve that a body might have: an ellipse within the rectangle of all that was seen."""
    turn = np.linspace(0.0, 2.0 * np.pi, STATIONS, endpoint=False)
    half = BODY_SHARE * (extent.corners_mm[2] - extent.middle_mm)
    return SheetPoints(extent.middle_mm + half * np.stack([np.cos(turn), np.sin(turn)], axis=1))


def _grid(corners: FloatArray) -> FloatArray:
    """Return (N, 2) places spread over the rectangle of all that was seen."""
    return np.stack(np.meshgrid(*np.linspace(corners[0], corners[2], GRID).T), axis=2).reshape(-1, 2)


def _with_doubts(found: Flatness, calibration: PhotoCalibration, bent: bool) -> Flatness:
    doubts = []
    if bent:
        doubts.append(doubt("sheet-not-flat", **found.facts(calibration)))
    elif found.unseen_mm > UNSEEN_MM:
        doubts.append(doubt("flatness-unseen", harm_mm=f"{found.unseen_mm:.1f}"))
    return replace(found, doubts=tuple(doubts))


def _where(found: Flatness) -> str:
    """Return the place of the largest lift in words, as the picture shows it."""
    x, y = (found.at_mm - found.extent.middle_mm) / (found.extent.corners_mm[2] - found.extent.middle_mm)
    side = "left" if x < -1 / 3 else "right" if x > 1 / 3 else ""
    level = "lower" if y < -1 / 3 else "upper" if y > 1 / 3 else ""
    if side and level:
        return f"at the {level} {side} corner"
    return f"at the {level or side} edge" if side or level else "in the middle"


def _by_chance(scores: Scores, largest: float) -> tuple[float, float]:
    """Return the largest score that chance exceeds in CHANCE of cases, and how often it exceeds ``largest``."""
    shows, spread = scores.shows, scores.spread
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
    calibration: PhotoCalibration, points: SheetPoints, heights_mm: FloatArray, yielded: FloatArray
) -> FloatArray:
    """Return (F, N, 2) mm by which places lifted so come out wrong, what the adjustment yielded included.

    Args:
        calibration: of the photo.
        points: (N, 2) the places.
        heights_mm: (F, N) of each form.
        yielded: (F, 10) of each form.
    """
    state = calibration.solution.state
    by_sheet = viewed(state, np.vstack([points.xy.T, np.zeros(len(points))])).by_sheet
    plane, up = np.moveaxis(by_sheet[:, :2], 2, 0), by_sheet[:, 2].T
    lifted = np.linalg.solve(plane, up[:, :, None])[:, :, 0] * heights_mm[:, :, None]
    moved = np.einsum("nik,fk->fni", calibration.moves(points)[:, :, :COMMONS], yielded, optimize=True)
    return np.asarray(lifted + moved)
