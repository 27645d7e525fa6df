"""Mixes of photos, and the bad ones by name; the same seed gives the same photos."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import shapely

from calibration.standards import MidGrade, mid_limit_mm
from tests.maker.found_bodies import missing
from tests.maker.level_spec import ALL_FAMILIES, HALVES, LevelSpec
from tests.maker.photo_laid import put
from tests.maker.photo_objects import METAL, MODELS
from tests.maker.photo_paper import lay
from tests.maker.photo_place import Room, card_somewhere, rule_beside, square_in_corner
from tests.maker.photo_spec import MAX_SHEET_MM, LaidSpec, Lift, PhotoSpec, Table
from tests.maker.spec import RuleSpec

PhotoKind = Literal["two rules or square", "one rule", "lifted", "copied", "drawn only"]
KINDS: tuple[PhotoKind, ...] = ("two rules or square", "one rule", "lifted", "copied", "drawn only")
KIND_LAYOUTS: dict[PhotoKind, tuple[str, str]] = {
    "two rules or square": ("two rules", "square"), "one rule": ("one rule", "one rule"),
    "lifted": ("two rules", "square"),
    "copied": ("two rules", "two rules"),
    "drawn only": ("no rule", "no rule"),
}
COPIES = ("copied", "drawn only")  # of these the plan is a copy as shops make them, its own rules drawn both ways
LONG_RULES = ("steel 300", "steel 300 mm in", "steel 600", "steel 12 in", "steel 12 in mm", "steel 24 in", "black 300",
              "wood 300", "wood 12 in", "white 300", "clear 300")
SHORT_RULES = ("steel 150", "steel 6 in")
SQUARES = ("square 600", "square 24 in", "square 400", "square 300")
LIFTS: tuple[Lift, ...] = ("cylinder", "edge", "corner", "ridge")
PLAN_SEED = 40_000_000  # beyond the seeds of the levels' plans
LIFTED_MM = 1.0  # 250 mm from the middle
TRIES_A_FAMILY = 6
CUT_MM = (1.0, 5.0)  # out of the frame
SPARE_MM = 70.0  # the most blank paper added beyond the drawing, each way
LIGHTS = ((1.0, 0.98, 0.95), (1.0, 0.90, 0.74), (0.93, 0.97, 1.0), (1.0, 0.95, 0.85), (0.96, 1.0, 0.95))
TABLES: tuple[Table, ...] = ("wood", "wood", "dark wood", "cloth", "mat", "white", "stone")
Dice = np.random.Generator


def _chance(rng: Dice, share: float) -> bool:
    return bool(rng.random() < share)


def _plan(rng: Dice, family: str, number: int, with_rules: bool) -> LevelSpec:
    """Return an ordinary plan of a family, a true copy."""
    rules = (RuleSpec(length_mm=float(rng.uniform(120, 250))),
             RuleSpec(along="y", length_mm=float(rng.uniform(120, 250)))) if with_rules else ()
    return LevelSpec(
        name=f"plan-{number}", seed=number, family=family, half=family in HALVES and _chance(rng, 0.4), rules=rules,
        turn=int(rng.integers(0, 4)), left_half=_chance(rng, 0.5), line_mm=float(rng.uniform(0.3, 0.6)),
        solid_centerline=_chance(rng, 0.3), gain_mm=float(rng.uniform(0.0, 0.06)), specks=int(rng.integers(0, 150)),
        smudges=int(rng.integers(0, 5)), fold=_chance(rng, 0.4), mirrored=_chance(rng, 0.06), dpi=200.0,
        paper=str(rng.choice(["white"] * 8 + ["buff", "yellow"])),
    )


def _copied(rng: Dice, plan: LevelSpec) -> LevelSpec:
    """Return a plan as a copy that is up to 2 % off, differently both ways, and hardly slanted."""
    x, y = (float(v) for v in rng.uniform(0.98, 1.02, 2))
    return replace(plan, copier_x=x, copier_y=y, shear_deg=float(rng.uniform(-0.05, 0.05)))


def _padded(rng: Dice, plan: LevelSpec) -> tuple[float, float, float, float] | None:
    """Return blank paper round a drawing so that the sheet stays within what is allowed; None: it is too large."""
    wide, high = lay(PhotoSpec(plan=plan)).size_mm
    limit = MAX_SHEET_MM if wide >= high else MAX_SHEET_MM[::-1]
    spare = np.minimum(np.array(limit) - (wide, high), SPARE_MM)
    if spare.min() < 0:
        return None
    part = rng.uniform(0.0, 1.0, 2) * spare * rng.uniform(0.5, 1.0, 2)
    rest = rng.uniform(0.5, 1.0, 2) * (spare - part)
    left, low, right, up = (float(round(v, 2)) for v in (*part, *rest))
    return left, low, right, up


def _error(rng: Dice, model: str) -> float:
    """Return a relative error of an object's graduations: mostly a fifth of its class's limit, never beyond it."""
    made = MODELS[model]
    long = max(strip.long_mm for strip in made.strips)
    grade: MidGrade = "I" if made.stuff in METAL else "II"
    limit = mid_limit_mm(long, grade) / long
    return float(np.clip(rng.normal(0.0, limit / 5), -limit, limit))


def _finished(rng: Dice, laid: LaidSpec, seed: int) -> LaidSpec:
    """Return an object with its own errors and its shine."""
    model = MODELS[laid.model]
    glare = float(rng.uniform(0.1, 0.9)) if model.stuff in METAL and _chance(rng, 0.4) else 0.0
    off = float(np.clip(rng.normal(0.0, 0.004), -0.01, 0.01)) if model.kind == "square" else 0.0
    return replace(laid, error=_error(rng, laid.model), square_error_deg=off, glare=glare, seed=seed)


def _two_rules(rng: Dice, room: Room) -> list[LaidSpec] | None:
    """Return two rules along two sides that meet."""
    models = [str(rng.choice(LONG_RULES)), str(rng.choice([*LONG_RULES, *SHORT_RULES]))]
    sides = [int(rng.choice([0, 2])), int(rng.choice([1, 3]))]
    if _chance(rng, 0.5):
        models.reverse()
    laid = [rule_beside(rng, room, model, side) for model, side in zip(models, sides, strict=True)]
    return [thing for thing in laid if thing] if all(laid) else None


def _square(rng: Dice, room: Room) -> list[LaidSpec] | None:
    model = str(rng.choice(SQUARES)) + (" flipped" if _chance(rng, 0.5) else "")
    laid = square_in_corner(rng, room, model)
    return [laid] if laid else None


def _one_rule(rng: Dice, room: Room) -> list[LaidSpec] | None:
    laid = rule_beside(rng, room, str(rng.choice(LONG_RULES)), int(rng.integers(0, 4)))
    return [laid] if laid else None


def _nothing(rng: Dice, room: Room) -> list[LaidSpec] | None:
    return []


def _short_rule(rng: Dice, room: Room) -> list[LaidSpec] | None:
    laid = rule_beside(rng, room, "steel 60", int(rng.integers(0, 4)))
    return [laid] if laid else None


LAYOUTS = {"two rules": _two_rules, "square": _square, "one rule": _one_rule, "no rule": _nothing,
           "short rule": _short_rule}


def _laid_out(rng: Dice, spec: PhotoSpec, layout: str, family: str, number: int) -> PhotoSpec | None:
    """Return ``spec`` with a sheet of a family and the objects on it; None when this try does not fit."""
    copied = spec.drawn_rules  # asked for beforehand: a copy with its own rules in view
    with_rules = _chance(rng, 0.15) or copied
    plan = _plan(rng, family, number, with_rules)
    plan = _copied(rng, plan) if copied else plan
    pad = _padded(rng, plan)
    if pad is None:
        return None
    spec = replace(spec, plan=plan, drawn_rules=with_rules, pad_mm=pad)
    room = Room(lay(spec), rules_seen=copied)
    laid = LAYOUTS[layout](rng, room)
    if laid is None:
        return None
    card = card_somewhere(rng, room) if _chance(rng, 0.12) else None
    laid = [*laid, *([card] if card else [])]
    things = tuple(_finished(rng, thing, number * 10 + place) for place, thing in enumerate(laid))
    return replace(spec, laid=things)


def with_sheet(spec: PhotoSpec, layout: str, seed: tuple[int, ...], index: int) -> PhotoSpec:
    """Return ``spec`` with a sheet; families go round in turn, one that never fits gives way to the next."""
    for step in range(len(ALL_FAMILIES)):
        family = ALL_FAMILIES[(index + step) % len(ALL_FAMILIES)]
        number = PLAN_SEED + seed[0] * 1_000_000 + seed[1] * 100_000 + index * 100 + step
        if missing(family):  # not to be drawn on this machine: said by its spec, for the caller to pass over
            return replace(spec, plan=LevelSpec(name=f"plan-{number}", seed=number, family=family, rules=()))
        for attempt in range(TRIES_A_FAMILY):
            rng = np.random.default_rng([*seed, index, step, attempt])
            made = _laid_out(rng, spec, layout, family, number * 10 + attempt)
            if made is not None:
                return made
    raise ValueError("no plan of any family fits")


def _held(rng: Dice, spec: PhotoSpec) -> PhotoSpec:
    """Return ``spec`` with a camera and the way it is held."""
    usual = _chance(rng, 0.75)
    small = _chance(rng, 0.5)  # a phone corrects most of its lens itself
    k1 = float(rng.uniform(-0.03, 0.03)) if small else float(rng.uniform(-0.15, 0.10))
    k2 = -float(np.sign(k1) * rng.uniform(0.0, 0.03)) * (0.3 if small else 1.0)  # no lens folds inside its own frame
    turn = 90.0 * int(rng.integers(0, 4)) + float(np.clip(rng.normal(0.0, 3.0), -12.0, 12.0))
    middle = np.clip(rng.normal(0.0, 0.004, 2), -0.01, 0.01)
    return replace(
        spec, f_share=float(rng.uniform(0.75, 0.87) if usual else rng.uniform(0.70, 0.95)), turn_deg=turn,
        tilt_deg=30.0 * float(rng.random()) ** 1.5, tilt_to_deg=float(rng.uniform(0.0, 360.0)),
        lens=(k1, k2, *(float(p) for p in rng.normal(0.0, 3e-4, 2))), centre_share=(float(middle[0]), float(middle[1])),
        fill=float(rng.uniform(0.86, 0.97)),
    )


def _shown_upright(spec: PhotoSpec) -> bool:
    """Return whether the sheet shows itself higher than wide."""
    wide, high = lay(spec).size_mm
    return (high > wide) != (round(spec.turn_deg / 90.0) % 2 == 1)


def _framed(rng: Dice, spec: PhotoSpec, whole: bool) -> PhotoSpec:
    """Return ``spec`` with the sheet in the frame: filling it, at times small in it, across it, or cut at a side."""
    upright = _shown_upright(spec)
    spec = replace(spec, portrait=upright)
    draw = rng.random()
    if draw < 0.15:
        return replace(spec, fill=float(rng.uniform(0.60, 0.80)))
    if draw < 0.23:
        return replace(spec, portrait=not upright)
    if draw > 0.8 and not whole:
        return _cut(rng, spec)
    return spec


def _cut(rng: Dice, spec: PhotoSpec) -> PhotoSpec:
    """Return ``spec`` with one side of the sheet out of the frame by a few mm: one that nothing laid reaches over."""
    paper = lay(spec)
    every = np.vstack([shapely.get_coordinates(put(thing, paper).footprint()) for thing in spec.laid])
    low, high = every.min(axis=0), np.array(paper.size_mm) - every.max(axis=0)
    free = np.flatnonzero(np.concatenate([low, high]) > CUT_MM[1])  # left, low, right, up
    if len(free) == 0:
        return spec
    side = int(rng.choice(free))
    crop = tuple(float(rng.uniform(*CUT_MM)) if place == side else 0.0 for place in range(4))
    out = np.array([(-1.0, 0.0), (0.0, -1.0), (1.0, 0.0), (0.0, 1.0)])[side]
    turn = np.radians(90.0 * round(spec.turn_deg / 90.0))
    seen = np.rint([np.cos(turn) * out[0] - np.sin(turn) * out[1], -np.sin(turn) * out[0] - np.cos(turn) * out[1]])
    return replace(spec, crop_mm=crop, fill=0.985, align=(float(seen[0]), float(seen[1])))


def _lit(rng: Dice, spec: PhotoSpec) -> PhotoSpec:
    """Return ``spec`` with light and table."""
    red, green, blue = LIGHTS[int(rng.integers(0, len(LIGHTS)))]
    return replace(
        spec, exposure=float(rng.uniform(0.42, 0.72)), fall=float(rng.uniform(0.05, 0.35)),
        fall_to_deg=float(rng.uniform(0, 360)), shadow=float(rng.uniform(0.12, 0.45)) if _chance(rng, 0.45) else 0.0,
        light_rgb=(red, green, blue), lamp_deg=float(rng.uniform(0, 360)),
        table=TABLES[int(rng.integers(0, len(TABLES)))],
        sheet_skew_deg=float(np.clip(rng.normal(0.0, 0.03), -0.1, 0.1)),
    )


def _stored(rng: Dice, spec: PhotoSpec) -> PhotoSpec:
    """Return ``spec`` with what sensor, phone and file do to the picture."""
    return replace(
        spec, blur_px=float(rng.uniform(0.5, 1.2)), noise=float(rng.uniform(0.6, 1.8)),
        motion_px=float(rng.uniform(0.8, 2.2)) if _chance(rng, 0.2) else 0.0, motion_deg=float(rng.uniform(0, 180)),
        sharpen=float(rng.uniform(0.0, 0.6)), quality=int(rng.integers(85, 96)), exif_focal=_chance(rng, 0.7),
        orientation=int(rng.choice([3, 6, 8])) if _chance(rng, 0.3) else 1,
    )


def _photo(kind: PhotoKind, seed: int, index: int, layout: str, long_px: int) -> PhotoSpec:
    number = KINDS.index(kind)
    rng = np.random.default_rng([seed, 100 + number, index])
    name = f"{kind.split()[0]}-{seed:02d}-{index:03d}"
    spec = PhotoSpec(name=name, seed=seed * 10_000 + number * 1_000 + index, kind=layout, long_px=long_px)
    spec = _stored(rng, _lit(rng, spec))
    if kind == "lifted":
        spec = replace(spec, kind=f"lifted {layout}", lift=LIFTS[index // 2 % len(LIFTS)], lift_mm=LIFTED_MM,
                       lift_to_deg=float(rng.uniform(0, 360)))
    if kind in COPIES:
        spec = replace(spec, drawn_rules=True)
    spec = with_sheet(spec, layout, (seed, number), index)
    if missing(spec.plan.family):
        return spec
    return _framed(rng, _held(rng, spec), kind in ("one rule", "drawn only"))


def photo_specs(seed: int, count: int, kind: PhotoKind = "two rules or square", long_px: int = 4000) -> list[PhotoSpec]:
    """Return ``count`` photos of a kind; the first ones do not depend on how many are asked for.

    "two rules or square" and "lifted" are two laid rules at even places and a framing square at odd ones. A body
    that this machine has no file for (``found_bodies.missing``) keeps its place and is to be passed over.
    """
    layouts = KIND_LAYOUTS[kind]
    return [_photo(kind, seed, index, layouts[index % 2], long_px) for index in range(count)]
