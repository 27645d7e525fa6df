"""A photo of a copy: what was drawn with the plan turns millimetres of its paper into the plan's.

The photo is adjusted with drawn lengths loosened by what copiers do (`adjust.loosened`). Laid flat, the sheet is then
like a scan of one pixel a millimetre, and its drawn lengths give three numbers: two scales and shear. What the camera
has wrong in these three all over the sheet is made good by that, for outline and drawn lengths share it; what it has
wrong differently from place to place stays, together with what is wrong just where the drawn lengths are.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from calibration.adjust_model import COMMONS, viewed
from calibration.bends import Extent, forms
from calibration.budget import COVERAGE_95
from calibration.controls import Control
from calibration.flags import Doubt, doubt
from calibration.flatness import GRID, Flatness
from calibration.frames import FloatArray, PxPoints, SheetPoints, frozen_floats
from calibration.measures import measure_control
from calibration.photo import PhotoCalibration, outward, without_rigid
from calibration.print_factors import Metric, PrintFactors, factors_between, flat_metric, plan_metric
from calibration.solve import Calibration, FailedFit, solve

FLIP = np.array([1.0, -1.0])  # sheet mm, y up <-> pixels of one mm, y down
BY_PHOTO = "rules laid on the sheet"
GEOMETRY = "the camera, the rules laid on the sheet and its flatness"

LIKE_REAL_REL = 0.001  # a rule this near to what real ones say may be one
Moves = Callable[[SheetPoints], FloatArray]  # places (N, 2) on the sheet -> (N, 2, K) K kinds of moves there, mm
# Lengths of which a photo leaves as much open (1 sigma, relative) tell nothing, and nothing can be solved by them.
OPEN_REL = 1.0


@dataclass(frozen=True, eq=False)
class PlanScale:
    """How a photo's paper turns into the plan, and how that follows what is wrong with the photo."""

    photo: PhotoCalibration
    drawn: tuple[Control, ...]  # as seen on the flat sheet: pixels of one mm of paper, y down
    calibration: Calibration  # from these pixels to plan mm
    metric: Metric  # of these pixels in plan mm
    doubts: tuple[Doubt, ...] = ()
    left_out: tuple[str, ...] = ()  # names of rules that look drawn and are not
    proven: bool = False  # real rules in the photo show that some drawn length went through a copier

    @property
    def by_noise(self) -> Calibration:
        """The same with what the drawn lengths themselves leave open alone, the camera apart."""
        sigma = np.array([row.sigma for row in self.metric.rows])
        strains = _as_strains(self.metric, self.metric.weights * sigma)
        rows = np.stack([strains[0, 0], strains[1, 1], strains[0, 1] + strains[1, 0]])
        return replace(self.calibration, covariance=rows @ rows.T)

    def strains(self, moves: Moves) -> FloatArray:
        """Return (2, 2, K): by which places on the sheet must be multiplied to follow the drawn lengths once moved."""
        turns = [_stretch_and_turn(control, moves) for control in self.drawn]
        return _strains(self.metric, self.drawn, turns)

    def moves(self, points: SheetPoints, moves: Moves) -> FloatArray:
        """Return (N, 2, K) how places come out in plan mm, for moves of the paper's."""
        off = points.xy - points.xy.mean(axis=0)
        return np.asarray(moves(points) + np.einsum("ijk,nj->nik", self.strains(moves), off))

    def u_outline_mm(self, points: SheetPoints) -> FloatArray:
        """Return (N,) 1 sigma across a closed curve by camera and lens; its best rigid motion taken out."""
        across, share = outward(points.xy)
        rows = np.einsum("ni,nik->nk", across, self.moves(points, self.photo.moves))
        free = without_rigid(rows, points.xy, across, share)
        return np.asarray(np.sqrt(np.einsum("nk,kl,nl->n", free, self.photo.covariance, free)))

    def factors(self, lifts: LiftsOnPlan) -> PrintFactors:
        """Return what the copier did: the paper, as the laid rules and the camera tell of it, against the plan."""
        by_camera, by_lift = _shares(self.strains(self.photo.moves)), _shares(self.strains(lifts.moves))
        covariance = by_camera @ self.photo.covariance @ by_camera.T + by_lift @ np.diag(lifts.square_mm2) @ by_lift.T
        paper = flat_metric(covariance, self.metric.axis_rad, GEOMETRY)
        return factors_between(self.metric, paper, BY_PHOTO)


@dataclass(frozen=True, eq=False)
class LiftsOnPlan(Flatness):
    """The flatness of a sheet whose drawn lengths are its scale: a lift under them counts all over it."""

    scale: PlanScale

    @classmethod
    def of(cls, flat: Flatness, scale: PlanScale) -> LiftsOnPlan:
        """Return what is known of a sheet's flatness, for its plan."""
        return cls(**{field.name: getattr(flat, field.name) for field in fields(flat)}, scale=scale)

    @property
    def square_mm2(self) -> FloatArray:
        """(F,) the expected square of the lift of each form, by how likely the form is."""
        weight, square = self._likely()
        return weight * square

    def moves(self, points: SheetPoints) -> FloatArray:
        """Return (N, 2, F) how places on the paper come out wrong for each mm of each form."""
        photo = self.scale.photo
        view = viewed(photo.solution.state, np.vstack([points.xy.T, np.zeros(len(points))]))
        plane, up = np.moveaxis(view.by_sheet[:, :2], 2, 0), view.by_sheet[:, 2].T
        lifted = np.linalg.solve(plane, up[:, :, None])
        heights = np.stack([form.heights(points.xy, self.extent) for form in forms()], axis=1)
        return np.asarray(lifted * heights[:, None] + photo.moves(points)[:, :, :COMMONS] @ self.yields.T)

    def ridden_u_rel(self, calibration: PhotoCalibration) -> float:
        """Return 0: drawn lengths are the paper's own height."""
        return 0.0

    def across(self, calibration: PhotoCalibration, points: SheetPoints) -> FloatArray:
        """Return (N, F) by how much a curve comes out wrong, across it and in plan mm, for each mm of each form."""
        across, share = outward(points.xy)
        rows = np.einsum("ni,nif->nf", across, self.scale.moves(points, self.moves))
        return without_rigid(rows, points.xy, across, share)


def plan_scale(
    photo: PhotoCalibration, drawn: Sequence[Control], told: Collection[str] = ()
) -> PlanScale | FailedFit:
    """Return how the paper in a photo turns into the plan.

    A clear rule lying on the sheet looks drawn. Where a rule is as long as the real ones say, and other drawn lengths
    are not, it may be one: it is left out where the others disagree with it, and doubted where they need it.

    Args:
        photo: adjusted with what is drawn loosened.
        drawn: known lengths that went through the copier, in the photo's pixels; at least one.
        told: names of rules that are drawn for certain.

    Returns:
        The scale, or a false value as ``solve`` gives it.
    """
    flat = [on_paper(photo, control) for control in drawn]
    found = plan_scale_on_paper(photo, flat)
    like_real = [one.name for one in flat if one.name not in told and _may_be_real(photo, one)]
    rest = [one for one in flat if one.name not in like_real]
    if rest and _something_laid(photo) and isinstance(found, PlanScale):
        found = replace(found, proven=True)
    if not like_real or not rest:
        return found
    without = plan_scale_on_paper(photo, rest)
    names = " and ".join(like_real)
    if isinstance(found, FailedFit):
        if isinstance(without, FailedFit):
            return found
        doubts = (doubt("drawn-left-out", rules=names),)
        return replace(without, doubts=doubts, left_out=tuple(like_real), proven=True)
    if isinstance(without, PlanScale) and all(without.calibration.certified):
        return found
    return replace(found, doubts=(doubt("drawn-or-laid", rules=names),))


def _may_be_real(photo: PhotoCalibration, control: Control) -> bool:
    """Tell whether a rule that looks drawn is as long as the rules laid on the sheet say."""
    if control.source != "drawn rule" or not _something_laid(photo):
        return False
    measure = measure_control(control)
    rows = _stretch_and_turn(control, photo.moves)[:1]
    u_rel = float(np.sqrt((rows @ photo.covariance @ rows.T).item() + measure.log_u**2))
    return abs(measure.log_mm_per_px) <= max(LIKE_REAL_REL, COVERAGE_95 * u_rel)


def _something_laid(photo: PhotoCalibration) -> bool:
    scene = photo.solution.scene
    return bool(np.any(scene.rigid & ~scene.line))


def plan_scale_on_paper(photo: PhotoCalibration, flat: Sequence[Control]) -> PlanScale | FailedFit:
    """Return the same for lengths whose places are pixels of one mm of paper, y down, from the sheet's origin."""
    wider = [_wider(photo, control) for control in flat]
    if min(control.standard_u_rel for control in wider) > OPEN_REL:
        return FailedFit("photo-scale-open", {"part": "scale", "percent": f"over {100 * OPEN_REL:.0f}"})
    calibration = solve(wider)
    if isinstance(calibration, FailedFit):
        return calibration
    return PlanScale(photo, tuple(flat), calibration, plan_metric(flat, by_hand=True))


def on_paper(photo: PhotoCalibration, control: Control) -> Control:
    """Return a control that lies on the paper with its places in pixels of one mm of it, y down.

    Across it, a place there stands for an end of the whole as its fit has it (see measures.Measure.angle_u_rad).
    """
    seen = control.places.xy
    paper = photo.to_sheet(control.places).xy * FLIP
    mm_per_px = float(np.hypot(*(paper[-1] - paper[0])) / np.hypot(*(seen[-1] - seen[0])))
    return replace(
        control, places=PxPoints(paper), sigma_px=control.sigma_px * mm_per_px,
        sigma_across_px=control.sigma_across_px * mm_per_px * min(1.0, float(np.sqrt(6.0 / len(seen)))),
    )  # fmt: skip


def _wider(photo: PhotoCalibration, control: Control) -> Control:
    """Return a control on the paper whose sigmas hold what the camera has wrong there, but not all over the sheet."""
    corners = Extent.of(photo.solution).corners_mm
    grid = SheetPoints(np.stack(np.meshgrid(*np.linspace(corners[0], corners[2], GRID).T), axis=2).reshape(-1, 2))
    plane = np.column_stack([np.ones(len(grid)), grid.xy])
    everywhere = np.linalg.lstsq(plane, photo.moves(grid).reshape(len(grid), -1), rcond=None)[0]

    def moves(points: SheetPoints) -> FloatArray:
        here = np.column_stack([np.ones(len(points)), points.xy]) @ everywhere
        own = photo.moves(points)
        return np.asarray(own - here.reshape(own.shape))

    rows = _stretch_and_turn(control, moves)
    stretch_u, turn_u = np.sqrt(np.einsum("ik,kl,il->i", rows, photo.covariance, rows))
    across = float(turn_u) * float(np.ptp(control.at_mm)) / np.sqrt(2.0)
    return replace(
        control, standard_u_rel=float(np.hypot(control.standard_u_rel, stretch_u)),
        sigma_across_px=float(np.hypot(control.sigma_across_px, across)),
    )  # fmt: skip


def _stretch_and_turn(control: Control, moves: Moves) -> FloatArray:
    """Return (2, K): by what share a measure grows, and by how much it turns (y down, rad), for each kind of move."""
    places = control.places.xy
    off = places - places.mean(axis=0)
    way = np.linalg.svd(off, full_matrices=False)[2][0]
    along = off @ way
    moved = moves(SheetPoints(places * FLIP)) * FLIP[:, None]
    aside = np.array([-way[1], way[0]])
    return np.asarray(np.stack([along @ np.einsum("nik,i->nk", moved, one) for one in (way, aside)]) / (along @ along))


def _strains(metric: Metric, drawn: Sequence[Control], turns: Sequence[FloatArray]) -> FloatArray:
    """Return (2, 2, K): how the metric follows what its measures do, as what it does to places on the sheet."""
    angles = [measure_control(control).angle_rad for control in drawn]
    by_name = {control.name: number for number, control in enumerate(drawn)}
    changed = np.zeros((len(metric.rows), turns[0].shape[1]))  # of each equation, left side
    for number, row in enumerate(metric.rows):
        if row.name in by_name and row.target == 1.0:
            changed[number] = 2.0 * turns[by_name[row.name]][0]
        elif row.between is not None:
            one, two = (by_name[name] for name in row.between)
            changed[number] = -np.sin(angles[two] - angles[one]) * (turns[two][1] - turns[one][1])
    return _as_strains(metric, -metric.weights @ changed)


def _as_strains(metric: Metric, by_metric: FloatArray) -> FloatArray:
    """Return (2, 2, K) what changes of a metric (3, K) do to places on the sheet."""
    c, s = np.cos(metric.axis_rad), np.sin(metric.axis_rad)
    turn = np.array([[c, -s], [s, c]])
    change = np.array([[by_metric[0], by_metric[2]], [by_metric[2], by_metric[1]]])
    held = np.array([[metric.g[0], metric.g[2]], [metric.g[2], metric.g[1]]])
    grown = np.einsum("ab,bck->ack", np.linalg.inv(held) / 2.0, change)
    flip = np.diag(FLIP)
    return np.asarray(np.einsum("ia,abk,bj->ijk", flip @ turn, grown, turn.T @ flip))


def _shares(strains: FloatArray) -> FloatArray:
    """Return (3, K) log scale x, log scale y and shear of (2, 2, K) strains; picture axes, y down."""
    down = strains * np.outer(FLIP, FLIP)[:, :, None]
    return frozen_floats(np.stack([down[0, 0], down[1, 1], down[0, 1] + down[1, 0]]))
