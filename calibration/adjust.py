"""One photo of a flat sheet: known lengths, straight lines and angles -> lens, camera and their uncertainty.

Everything is adjusted at once (calibration.adjust_model). A rule that all else contradicts is refused, never
left out; a single stray graduation is left out. Where data scatter more than stated, sigmas are widened; they are never
narrowed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.adjust_check import RIVAL_COST, angle_off, contradicted, impossible, odd_angle, strain
from calibration.adjust_fit import Solution, solve_from
from calibration.adjust_model import COMMONS, DIRECTION, State, by_bending
from calibration.adjust_scene import scene_of, smooth_places
from calibration.adjust_start import starts_of
from calibration.adjust_weak import REFUSE_REL, SCALES, KnownBy, Trust, trust_in
from calibration.camera import CameraPose
from calibration.controls import Control, KnownAngle, StraightLine
from calibration.flags import Doubt, doubt
from calibration.flatness import LEAST_LIFT_MM, flatness_of
from calibration.frames import FloatArray
from calibration.known_lens import KnownLens
from calibration.lens import Lens
from calibration.linefit import scatter_factor
from calibration.measures import UNEVEN_MM, UNEVEN_SIGMAS, UNEVEN_WINDOW
from calibration.odd_angles import without_odd
from calibration.photo import PhotoCalibration
from calibration.solve import NO_SCALE, FailedFit

# 1 sigma of a drawn length on a copy: copiers at "100 %" were found between 99 and 102 %, and some sheets are reduced
# a little on purpose to fit the paper (common practice, no source)
COPIED_U_REL = 0.03
DRAWN = ("drawn rule", "span", "stated size")  # what went through the copier

STRANGE = 9.0  # squared sigmas by which a camera may leave what is usual before a person must look


def adjust(
    controls: Sequence[Control],
    lines: Sequence[StraightLine],
    angles: Sequence[KnownAngle],
    size_px: tuple[int, int],
    focal_px: float | None = None,
    lens: KnownLens | None = None,
    *,
    copied: bool = False,
) -> PhotoCalibration | FailedFit:
    """Adjust lens, camera and sheet to all that is known of a photo.

    Args:
        controls: every known length; at least one other than dpi or a sheet edge.
        lines: what is straight on the sheet.
        angles: between controls and lines, by their names.
        size_px: the picture's width and height.
        focal_px: from the file, when it says.
        lens: as calibrated before, in a picture of this size; its focal length counts then, not ``focal_px``.
        copied: what is drawn on the sheet may be off by what copiers do, and sets the scale later on
            (calibration.photo_copy); so the photo need not fix it.

    Returns:
        The calibration, or a false value with the code "no-rule", "photo-not-solved", "photo-bent",
        "rules-disagree", "rules-or-bent", "photo-scale-open" or "photo-open-bent".
        An angle that is not as stated is left out, with a doubt.

    Raises:
        ValueError: a control's or line's places are all the same, or an angle names no thing or has no sigma.
    """
    known = [control for control in controls if control.source != "dpi"]  # a camera has no dots per inch
    if copied:
        known = [loosened(control) for control in known]
    if all(control.source in NO_SCALE for control in known):
        return FailedFit("no-rule", {})
    ends = _solved(known, lines, angles, size_px, focal_px, lens)
    names = [control.name for control in known]
    if not ends or not _possible(ends[0].state):
        return FailedFit("photo-not-solved", {})
    odd = odd_angle(ends[0], len(names))
    if odd is not None:
        rest = without_odd(
            angles[odd], angles, lines,
            lambda some: next(iter(_solved(known, lines, some, size_px, focal_px, lens)), None),
        )  # fmt: skip
        found = adjust(controls, lines, rest, size_px, focal_px, lens, copied=copied)
        return _doubted(found, angles[odd], angle_off(ends[0], odd)[0])
    failed = impossible(ends[0], names)
    if failed is not None:  # it is false by its nature
        return failed
    known_by = KnownBy.lens(lens.name) if lens else KnownBy.usual(focal_px is not None)
    return _finished(ends, names, [line.name for line in lines], known_by, copied)


def _solved(
    known: Sequence[Control],
    lines: Sequence[StraightLine],
    angles: Sequence[KnownAngle],
    size_px: tuple[int, int],
    focal_px: float | None,
    lens: KnownLens | None,
) -> Sequence[Solution]:
    """Return the ways in which a photo can be fitted, the best first."""
    scene = scene_of(known, lines, angles, size_px, focal_px, lens)
    used = smooth_places(scene)
    return solve_from(scene, starts_of(scene, used), used)


def _doubted(found: PhotoCalibration | FailedFit, odd: KnownAngle, off_rad: float) -> PhotoCalibration | FailedFit:
    """Return a photo adjusted without an angle that would bend the camera; a person must look, if it was stated."""
    if isinstance(found, FailedFit) or odd.tentative:
        return found
    told = doubt("photo-angle", off_deg=f"{np.degrees(off_rad):.2f}", first=odd.first, second=odd.second)
    return replace(found, doubts=(told, *found.doubts))


def _possible(state: State) -> bool:
    """Tell whether the camera is in front of the sheet."""
    return bool(state.rotation[2, 2] < 0.0 and np.isfinite(state.common).all() and state.distance_mm > 0.0)


def loosened(control: Control) -> Control:
    """Return a control that may be off by what copiers do, if it went through one."""
    if control.source not in DRAWN:
        return control
    return replace(control, standard_u_rel=float(np.hypot(control.standard_u_rel, COPIED_U_REL)))


def _finished(
    ends: Sequence[Solution], names: Sequence[str], line_names: Sequence[str], known_by: KnownBy, copied: bool
) -> PhotoCalibration | FailedFit:
    best = _upright(ends[0])
    scatter = scatter_factor(best.normal.cost, _freedom(best))
    rivals = [end for end in ends[1:] if end.normal.cost <= best.normal.cost + RIVAL_COST]
    covariance = _covariance(best, scatter, rivals)
    trust = trust_in(best, scatter, known_by)
    state, count = best.state, len(names)
    centre = (float(state.centre_px[0]), float(state.centre_px[1]))
    off_px = _off_px(best)
    residuals = [_residuals_mm(best, places) for places in best.scene.slices[:count]]
    uneven = [_uneven_mm(best, thing, residuals[thing]) for thing in range(count)]
    found = PhotoCalibration(
        lens=Lens(centre, state.focal_px, state.k1, state.k2, state.p1, state.p2),
        pose=CameraPose(state.rotation, np.array([0.0, 0.0, state.distance_mm]), state.focal_px, centre),
        covariance=covariance,
        certified=trust.certified,
        names=tuple(names),
        rms_px=tuple((_rms(off_px[0, s]), _rms(off_px[1, s])) for s in best.scene.slices[:count]),
        residuals_mm=tuple(residuals),
        line_names=tuple(line_names),
        line_rms_px=tuple(_rms(off_px[1, s]) for s in best.scene.slices[count:]),
        scatter=scatter,
        uneven_mm=max(uneven),
        lens_known_by=known_by.told,
        weak=trust.weak,
        doubts=(*trust.doubts, *_uneven_doubts(names, uneven), *_doubts(best, len(names), bool(rivals))),
        solution=best,
    )
    return found if copied else _where_known(found, trust)


def _where_known(found: PhotoCalibration, trust: Trust) -> PhotoCalibration | FailedFit:
    """Return the calibration, or that a scale is not known, with the sheet's bend where the photo shows one."""
    worst = int(np.argmax(trust.sigma[: len(SCALES)]))
    if trust.sigma[worst] <= REFUSE_REL:
        return found
    facts = {"part": SCALES[worst], "percent": f"{100 * trust.sigma[worst]:.1f}"}
    bent = flatness_of(found)
    # So low a lift is told only for the harm that it does, and where a scale is open anything does much.
    if bent.flat or bent.lift_mm <= LEAST_LIFT_MM:
        return FailedFit("photo-scale-open", facts)
    return FailedFit("photo-open-bent", {**bent.facts(found), **facts})


def _covariance(best: Solution, scatter: float, rivals: Sequence[Solution]) -> FloatArray:
    """Return (11, 11): of the common unknowns, and of what the lens does that was left out.

    What was left out has pulled the unknowns with it (consider covariance; Bierman, "Factorization methods for
    discrete sequential estimation", 1977, chapter VIII).
    """
    inverse = np.linalg.inv(best.normal.matrix)
    for rival in rivals:
        gap = _gap(best.state, rival.state)
        inverse[:COMMONS, :COMMONS] += np.outer(gap, gap)
    left_out_u = best.scene.left_out_u
    both = np.vstack([-inverse[:COMMONS] @ by_bending(best.scene, best.rows) * left_out_u, np.diag(left_out_u)])
    covariance: FloatArray = np.asarray(both @ both.T, dtype=np.float64)
    covariance[:COMMONS, :COMMONS] += scatter**2 * inverse[:COMMONS, :COMMONS]
    return covariance


def _upright(solution: Solution) -> Solution:
    """Return the same with the sheet turned so that its x runs level in the picture at its origin."""
    state = solution.state
    across, up = state.rotation[1, :2]
    turn = np.arctan2(across, -up)  # sheet turned by it: the new x has no part down the picture
    spin = np.array([[np.cos(turn), -np.sin(turn), 0.0], [np.sin(turn), np.cos(turn), 0.0], [0.0, 0.0, 1.0]])
    own = state.own.copy()
    own[:, DIRECTION] -= turn
    level = replace(
        state, rotation=state.rotation @ spin, place_mm=state.place_mm @ spin[:2, :2], own=own
    )
    rows = replace(solution.rows, sheet_mm=spin[:2, :2].T @ solution.rows.sheet_mm)
    return replace(solution, state=level, rows=rows)


def _freedom(solution: Solution) -> int:
    """Return how many more misfits there are than unknowns that they must fix."""
    scene = solution.scene
    seen = int(np.sum(solution.used) + np.sum(solution.used & ~scene.line[scene.of]))
    open_unknowns = int(np.sum(np.isinf(scene.common_u)) + np.sum(np.isinf(scene.own_u)))
    return seen + len(scene.angles) + len(scene.heights) - open_unknowns


def _gap(one: State, two: State) -> FloatArray:
    """Return (10,) the step from one state's common unknowns to another's."""
    gap = two.common - one.common
    gap[5:7] /= one.rotation[2, 2] * np.array([-1.0, 1.0])
    return gap


def _off_px(solution: Solution) -> FloatArray:
    """Return (2, P) misfits along and across, px; nan where left out."""
    weight = solution.weight
    return np.where(weight > 0.0, solution.rows.misfit / np.where(weight > 0.0, weight, 1.0), np.nan)


def _rms(off: FloatArray) -> float:
    good = off[np.isfinite(off)]
    return float(np.sqrt(np.mean(good**2))) if len(good) else float("nan")


def _residuals_mm(solution: Solution, places: slice) -> FloatArray:
    """Return (n,) misfits along a control, mm; nan where left out."""
    px_per_mm = solution.rows.slopes[0, COMMONS, places] / np.maximum(solution.weight[0, places], 1e-300)
    return np.asarray(_off_px(solution)[0, places] / np.where(solution.used[places], px_per_mm, np.nan))


def _uneven_mm(solution: Solution, thing: int, residuals: FloatArray) -> float:
    """Return the largest deviation that a window of neighbours shares, or 0 within the noise."""
    good = residuals[np.isfinite(residuals)]
    if len(good) < UNEVEN_WINDOW:
        return 0.0
    shared = np.median(np.lib.stride_tricks.sliding_window_view(good, UNEVEN_WINDOW), axis=1)
    places = solution.scene.slices[thing]
    used = solution.used[places]
    px_per_mm = solution.rows.slopes[0, COMMONS, places][used] / solution.weight[0, places][used]
    noise = float(np.median(solution.scene.sigma_px[places, 0][used] / px_per_mm))
    largest = float(np.max(np.abs(shared)))
    return largest if largest > max(UNEVEN_MM, UNEVEN_SIGMAS * noise) else 0.0


def _uneven_doubts(names: Sequence[str], uneven: Sequence[float]) -> list[Doubt]:
    pairs = zip(names, uneven, strict=True)
    return [doubt("rule-nonlinear", rule=name, max_mm=f"{most:.2f}") for name, most in pairs if most > 0.0]


def _doubts(solution: Solution, controls: int, rivals: bool) -> list[Doubt]:
    found = [doubt("photo-two-ways")] if rivals else []
    if contradicted(solution, controls):  # refused unless a bent sheet explains it better
        found.append(doubt("rules-bent"))
    if strain(solution) > STRANGE:
        found.append(doubt("photo-strange"))
    return found
