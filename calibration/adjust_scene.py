"""Controls, lines and angles of one photo -> the equations' inputs, and what is known beforehand."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from calibration.adjust_model import LIFT, OWNS, SCALE, SHAPES, Angle, SameHeight, Scene
from calibration.controls import Control, KnownAngle, StraightLine
from calibration.frames import BoolArray, FloatArray
from calibration.known_lens import KnownLens
from calibration.linefit import MAD_TO_SIGMA

FOCAL_PER_SIDE = 0.85  # of a phone's main camera, in longer sides of the picture; common practice, no source
FOCAL_U_LOG = 0.25  # 1 sigma of that
FOCAL_STATED_U_LOG = 0.10  # 1 sigma of a focal length from the file: rounded, and cropped pictures keep it
CENTRE_U = 0.01  # of the picture's width, 1 sigma: the lens's centre from the picture's middle
K1_U = 0.2
K2_U = 0.05
DECENTERING_U = 5e-4  # of p1 and p2; common practice, no source
LEFT_OUT_U = np.array([0.04])  # 1 sigma of k3 of any lens; common practice, no source
TILT_U = 0.35  # 1 sigma of the sine of the tilt: a photo meant to show a sheet flat is taken from above
# what a calibrated lens is further off by in another picture, 1 sigma, beside what its own shots leave open: focusing
# changes the focal length, steadying moves the centre; common practice, no source
KNOWN_LENS_U = {"focal": 0.02, "centre": 0.003, "k1": 0.01, "k2": 0.01, "p": 2e-4}
LEAST_K3_U = 1e-3  # no four terms describe a lens better than this
RULE_STRAIGHT_U_MM = 0.03  # 1 sigma by which a rule's graduations leave a straight line; JIS B 7516 allows far more
# what a bent thing is bent like: one bow, an S and a third wave, shares of the variance
SHAPE_SHARES = np.array([0.6, 0.25, 0.15])
SCALE_FLOOR_U = 5e-5  # no rule is known better
LIFT_FLOOR_U_MM = 0.01
ALIKE_U_MM = 0.05  # 1 sigma by which edges of one flat thing differ in height (common practice, no source)
STRAY_SIGMAS = 6.0
STRAY_WAVES = 6  # highest power of a smooth curve along a rule
PLACES_PER_WAVE = 8
STRAY_ROUNDS = 15
LAID = ("laid rule", "card")


def scene_of(
    controls: Sequence[Control],
    lines: Sequence[StraightLine],
    angles: Sequence[KnownAngle],
    size_px: tuple[int, int],
    focal_px: float | None,
    lens: KnownLens | None,
) -> Scene:
    """Return the equations' inputs.

    Raises:
        ValueError: an angle names no thing or two of the same name, has no sigma; or a control's places or
            millimetres are all the same.
    """
    things: list[Control | StraightLine] = [*controls, *lines]
    ends = np.cumsum([0, *(len(thing.places) for thing in things)])
    known = [_known_of(thing, _sharing(thing, controls)) for thing in things]
    mean, common_u = _common_beforehand(size_px, focal_px, lens)
    return Scene(
        seen_px=np.concatenate([thing.places.xy for thing in things]),
        at_mm=np.concatenate([_at_mm(thing) for thing in things]),
        sigma_px=np.concatenate([_sigma_px(thing) for thing in things]),
        of=np.repeat(np.arange(len(things)), np.diff(ends)),
        shapes=np.concatenate([_shapes(_along(thing)) for thing in things]),
        slices=tuple(slice(int(one), int(two)) for one, two in pairwise(ends)),
        line=np.array([isinstance(thing, StraightLine) for thing in things]),
        rigid=np.array([_rigid(thing) for thing in things]),
        own_mean=np.stack([one for one, _ in known]),
        own_u=np.stack([two for _, two in known]),
        angles=tuple(_angle(angle, things) for angle in angles),
        heights=_heights(controls),
        common_mean=mean,
        common_u=common_u,
        left_out_u=_left_out_u(lens),
    )


def _at_mm(thing: Control | StraightLine) -> FloatArray:
    if isinstance(thing, StraightLine):
        return np.zeros(len(thing.places))
    return np.asarray(thing.at_mm - (thing.at_mm.min() + thing.at_mm.max()) / 2.0)


def _sigma_px(thing: Control | StraightLine) -> FloatArray:
    if isinstance(thing, StraightLine):
        return np.column_stack([np.full(len(thing.places), np.inf), thing.sigma_px])
    return np.column_stack([thing.sigma_px, np.full(len(thing.places), thing.sigma_across_px)])


def _rigid(thing: Control | StraightLine) -> bool:
    return thing.kind == "rule edge" if isinstance(thing, StraightLine) else thing.source in LAID


def _along(thing: Control | StraightLine) -> FloatArray:
    """Return (P,) how far along its thing each place is, -1 to 1.

    Raises:
        ValueError: all places or all millimetres are the same.
    """
    along = thing.at_mm if isinstance(thing, Control) else _line_axes(thing.places.xy)[:, 0]
    half = float(np.ptp(along)) / 2.0
    if half == 0.0 or np.ptp(thing.places.xy, axis=0).max() == 0.0:
        raise ValueError(f"{thing.name}: all places are the same")
    return np.asarray((along - along.min()) / half - 1.0)


def _line_axes(xy: FloatArray) -> FloatArray:
    """Return (P, 2) the places along and across their own direction."""
    off = xy - np.median(xy, axis=0)
    return np.asarray(off @ np.linalg.svd(off - off.mean(axis=0), full_matrices=False)[2].T)


def _shapes(at: FloatArray) -> FloatArray:
    """Return (P, 3) the second to fourth Legendre polynomial, each with a root mean square of 1."""
    waves = np.polynomial.legendre.legvander(at, 4)[:, 2:]
    return np.asarray(waves * np.sqrt([5.0, 7.0, 9.0]))


def _sharing(thing: Control | StraightLine, controls: Sequence[Control]) -> int:
    """Return how many controls are of one height with a thing, itself included."""
    if isinstance(thing, StraightLine) or not thing.level:
        return 1
    return sum(other.level == thing.level for other in controls)


def _heights(controls: Sequence[Control]) -> tuple[SameHeight, ...]:
    """Return a chain of pairs through the controls of each level."""
    levels: dict[str, list[int]] = {}
    for number, control in enumerate(controls):
        if control.level:
            levels.setdefault(control.level, []).append(number)
    return tuple(SameHeight(one, two, ALIKE_U_MM) for group in levels.values() for one, two in pairwise(group))


def _known_of(thing: Control | StraightLine, sharing: int) -> tuple[FloatArray, FloatArray]:
    """Return (8,) what is expected of a thing's own unknowns, and (8,) its sigma.

    What is known of a height counts once for all that share it: each has the sigma times the root of their number.
    """
    mean, u = np.zeros(OWNS), np.full(OWNS, np.inf)
    if isinstance(thing, StraightLine):
        u[[0, SCALE, LIFT]] = 0.0
        u[SHAPES] = thing.straight_u_mm * np.sqrt(SHAPE_SHARES)
        return mean, u
    own_u = float(np.hypot(thing.standard_u_mm / np.ptp(thing.at_mm), thing.standard_u_rel))
    u[SCALE] = max(own_u, SCALE_FLOOR_U)
    mean[LIFT], u[LIFT] = thing.lift_mm, max(thing.lift_u_mm * np.sqrt(sharing), LIFT_FLOOR_U_MM)
    u[SHAPES] = RULE_STRAIGHT_U_MM * np.sqrt(SHAPE_SHARES)
    return mean, u


def _angle(angle: KnownAngle, things: Sequence[Control | StraightLine]) -> Angle:
    names = [thing.name for thing in things]
    if any(names.count(name) != 1 for name in (angle.first, angle.second)) or not angle.u_rad > 0.0:
        raise ValueError(f"an angle needs two things of one name each and a sigma: {angle.first}, {angle.second}")
    first, second = names.index(angle.first), names.index(angle.second)
    measured = all(_rigid(things[number]) for number in (first, second))
    return Angle(first, second, angle.angle_rad, angle.u_rad, angle.why, not measured)


def _common_beforehand(
    size_px: tuple[int, int], focal_px: float | None, lens: KnownLens | None
) -> tuple[FloatArray, FloatArray]:
    """Return (10,) what is expected of lens and camera, and (10,) its sigma."""
    width, height = size_px
    if lens:
        its, sigma, later = lens.lens, lens.sigma, KNOWN_LENS_U
        mean = [np.log(its.focal_px), *its.centre_px, its.k1, its.k2]
        own = [sigma.focal_px / its.focal_px, *sigma.centre_px, sigma.k1, sigma.k2]
        moved = later["centre"] * max(size_px)
        u = [*np.hypot(own, [later["focal"], moved, moved, later["k1"], later["k2"]])]
        decentering, p_u = (its.p1, its.p2), [*np.hypot([sigma.p1, sigma.p2], later["p"])]
    else:
        mean = [np.log(focal_px or FOCAL_PER_SIDE * max(size_px)), (width - 1) / 2.0, (height - 1) / 2.0, 0.0, 0.0]
        u = [FOCAL_STATED_U_LOG if focal_px else FOCAL_U_LOG, CENTRE_U * width, CENTRE_U * width, K1_U, K2_U]
        decentering, p_u = (0.0, 0.0), [DECENTERING_U, DECENTERING_U]
    return np.array([*mean, 0.0, 0.0, 0.0, *decentering]), np.array([*u, TILT_U, TILT_U, np.inf, *p_u])


def _left_out_u(lens: KnownLens | None) -> FloatArray:
    """Return (1,) 1 sigma of k3."""
    return LEFT_OUT_U if lens is None else np.array([max(lens.sigma.k3, LEAST_K3_U)])


def smooth_places(scene: Scene) -> BoolArray:
    """Return (P,) the places that go on smoothly from their neighbours, whatever the camera."""
    used = np.ones(len(scene.of), dtype=np.bool_)
    for places, line in zip(scene.slices, scene.line, strict=True):
        xy, sigma = scene.seen_px[places], scene.sigma_px[places]
        if line:
            along, across = _line_axes(xy).T
            used[places] = _smooth(along, across, sigma[:, 1])
        else:
            at = scene.at_mm[places]
            used[places] = _smooth(at, xy[:, 0], sigma.max(axis=1)) & _smooth(at, xy[:, 1], sigma.max(axis=1))
    return used


def _smooth(at: FloatArray, value: FloatArray, sigma: FloatArray) -> BoolArray:
    """Return (P,) the values near a smooth curve, found by least absolute deviations (reweighted)."""
    waves = min(STRAY_WAVES, len(at) // PLACES_PER_WAVE)
    if waves < 1:
        return np.ones(len(at), dtype=np.bool_)
    design = np.polynomial.legendre.legvander(2.0 * (at - at.min()) / np.ptp(at) - 1.0, waves)
    weight = np.ones(len(at))
    for _ in range(STRAY_ROUNDS):
        root = np.sqrt(weight)[:, None]
        off = (value - design @ np.linalg.lstsq(design * root, value * root[:, 0], rcond=None)[0]) / sigma
        weight = 1.0 / np.maximum(np.abs(off), 0.5)
    return np.asarray(np.abs(off) <= STRAY_SIGMAS * max(1.0, MAD_TO_SIGMA * float(np.median(np.abs(off)))))
