"""Plans as they really are, in three levels: ordinary, crowded, poor."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np

from tests.maker.found_bodies import FOUND
from tests.maker.more_bodies import MAKERS, SYMMETRIC
from tests.maker.spec import FAMILIES, PlanSpec, _one

Level = Literal["ordinary", "crowded", "poor"]
LEVELS: tuple[Level, ...] = ("ordinary", "crowded", "poor")
ALL_FAMILIES = (*FAMILIES, *MAKERS, *FOUND)
HALVES = ("guitar", "small", "violin", *SYMMETRIC)
LITTLE = ("small", "pineapple", "violin")
SEED_STEP = 10_000  # plans of one seed before the next seed's begin
LEVEL_STEP = 1_000_000

# What a crowded sheet may carry besides the ordinary things; crowd.py draws each.
CROWD = ("x brace", "fan braces", "fingerboard", "leaders", "notes", "handwriting", "lining", "end blocks", "section",
         "chain dimensions", "centre dimensions", "hatching", "second border", "side view", "back view", "detail")


@dataclass(frozen=True)
class Parallel:
    """A line that runs beside the outline all the way: an overhang, a binding, a rib."""

    distance_mm: float  # outside +, inside -
    width_share: float  # of the outline's own pen
    dash_mm: tuple[float, ...] = ()

    @property
    def equal(self) -> bool:
        """No eye could tell which of the two is the outline; the note on the sheet says it."""
        return not self.dash_mm and self.width_share > 0.85


@dataclass(frozen=True)
class LevelSpec(PlanSpec):
    """One plan of a level; the defaults leave a plan as it was."""

    family: str = "guitar"  # type: ignore[assignment]
    level: Level = "ordinary"
    left_half: bool = False  # of a half drawing
    mirrored: bool = False  # the copy was laid face down: everything, words too, is mirrored
    span: bool = False  # two marked points with their distance stand for the upright rule
    crowd: tuple[str, ...] = ()
    parallel: Parallel | None = None
    same_size_back: bool = False  # a back view as large as the top, for "back view"
    close_edges: bool = False  # the scan ends within a few millimetres of the outline
    body_ink: float = 1.0  # share of full ink of the body's own lines
    other_ink: float = 1.0  # of everything else
    gaps_mm: tuple[float, ...] = ()  # missing from the outline
    grid_ink: float = 0.0  # squared paper
    paper: str = "white"  # white, yellow, pink, buff, blueprint
    quality: int = 0  # JPEG; 0 is not a JPEG
    uneven: float = 0.0  # of the light, share
    bleed: float = 0.0  # of what is on the back, share of full ink
    voids: int = 0  # small spots where the toner is gone
    folds: int = 0  # strong shadows
    stains: int = 0  # rings of cups, and smears
    suffix: str = ".png"  # type: ignore[assignment]

    @property
    def group(self) -> str:
        """Row of the bench table."""
        return f"{self.family}{' half' if self.half else ''}"

    @property
    def ambiguous(self) -> bool:
        """A person who had not read the note could not tell which line is meant."""
        return self.same_size_back or (self.parallel is not None and self.parallel.equal)


def _chance(rng: np.random.Generator, share: float) -> bool:
    return bool(rng.random() < share)


def _base(rng: np.random.Generator, level: Level, seed: int, index: int) -> LevelSpec:
    """Return the ordinary plan that every level starts from."""
    plan = _one(rng, index, seed)
    family = ALL_FAMILIES[index % len(ALL_FAMILIES)]
    half = family in HALVES and _chance(rng, 0.4)
    dpi = float(rng.choice([200.0, 300.0, 300.0, 400.0]))
    dpi = 300.0 if dpi == 400.0 and family not in LITTLE and not half else dpi
    one_bit = _chance(rng, 0.3)
    given = {field.name: getattr(plan, field.name) for field in fields(plan)}
    number = seed * SEED_STEP + LEVELS.index(level) * LEVEL_STEP + index
    given |= {"family": family, "half": half, "dpi": dpi, "one_bit": one_bit, "seed": number,
              "name": f"{level}-{seed:02d}-{index:03d}", "turn": int(rng.integers(0, 4)),
              "suffix": ".tif" if _chance(rng, 0.4) else ".png"}
    span = _chance(rng, 0.1)
    rules = plan.rules[:1] if span else plan.rules
    long = tuple(replace(rule, length_mm=max(rule.length_mm, 120.0)) for rule in rules)
    given["rules"] = long
    return LevelSpec(**given, level=level, span=span, left_half=_chance(rng, 0.5), mirrored=_chance(rng, 0.12))


def _ordinary(rng: np.random.Generator, spec: LevelSpec) -> LevelSpec:
    return replace(spec, dpi=300.0) if spec.one_bit and spec.dpi < 300.0 else spec


def _parallel(rng: np.random.Generator, equal_share: float) -> Parallel:
    """Return a parallel line, 2 to 5 mm away: thinner, dashed, or now and then as heavy as the outline."""
    distance = float(rng.choice([-1.0, 1.0]) * rng.uniform(2.0, 5.0))
    if _chance(rng, equal_share):
        return Parallel(distance, 1.0)
    dashes = ((), (), (3.0, 1.5), (5.0, 2.0))[int(rng.integers(0, 4))]
    return Parallel(distance, float(rng.uniform(0.4, 0.65)), dashes)


def _crowded(rng: np.random.Generator, spec: LevelSpec, least: int = 6, most: int = 11) -> LevelSpec:
    """Return the plan with many more things on its sheet."""
    items = tuple(str(item) for item in rng.choice(CROWD, int(rng.integers(least, most + 1)), replace=False))
    same = "back view" in items and _chance(rng, 0.15)
    wide = "back view" in items and not spec.half and spec.family not in LITTLE  # keeps pages under 60 megapixels
    dpi = 300.0 if spec.one_bit and not wide else 200.0 if wide else min(spec.dpi, 300.0)
    return replace(
        spec, crowd=items, same_size_back=same, dpi=dpi, line_mm=float(rng.uniform(0.4, 0.65)),
        one_bit=spec.one_bit and dpi >= 300.0, folds=int(rng.choice([0, 1, 2])), stains=int(rng.choice([0, 0, 1, 2])),
        parallel=_parallel(rng, 0.12) if _chance(rng, 0.55) else None, grid_ink=0.12 if _chance(rng, 0.15) else 0.0,
        close_edges=_chance(rng, 0.25),
    )


def _gaps(rng: np.random.Generator) -> tuple[float, ...]:
    """Return a few short gaps and now and then a long one, mm."""
    short = rng.uniform(1.0, 3.0, int(rng.integers(1, 5)))
    long = rng.uniform(3.0, 8.0, int(rng.integers(0, 3)))
    return tuple(float(round(gap, 2)) for gap in np.concatenate([short, long]))


FAINT_1_BIT = 0.35  # share of full ink: what is fainter is lost between the specks of a 1-bit scan
POOR_KINDS = ("faint", "faint", "gaps", "one bit 200", "blueprint", "coloured", "jpeg", "dirty")


def _poor(rng: np.random.Generator, spec: LevelSpec, index: int) -> LevelSpec:
    """Return a poor copy: one main fault, a second one often, some of a crowded sheet."""
    spec = _crowded(rng, spec, 0, 5)
    spec = replace(spec, parallel=_parallel(rng, 0.0) if _chance(rng, 0.25) else None, same_size_back=False)
    main = POOR_KINDS[index % len(POOR_KINDS)]
    kinds = {main, str(rng.choice(POOR_KINDS))} if _chance(rng, 0.5) else {main}
    if "one bit 200" in kinds:
        spec = replace(spec, one_bit=True, dpi=200.0, noise=float(rng.uniform(4, 10)), suffix=".tif", specks=600)
    else:
        spec = replace(spec, one_bit=False, suffix=".png")
    if "faint" in kinds:
        ink = float(rng.uniform(25, 60)) / 198.0
        spec = replace(spec, body_ink=ink, other_ink=min(1.0, ink * float(rng.uniform(1.0, 1.8))), folds=1)
        spec = replace(spec, noise=min(spec.noise, 4.0))
    if "gaps" in kinds:
        spec = replace(spec, gaps_mm=_gaps(rng), voids=int(rng.integers(200, 1500)))
    if "dirty" in kinds:
        spec = replace(spec, noise=float(rng.uniform(6, 12)), specks=2500, stains=3, folds=3, smudges=10,
                       bleed=float(rng.uniform(0.08, 0.2)), uneven=float(rng.uniform(0.1, 0.25)))
    spec = replace(spec, noise=min(spec.noise, 7.0)) if "faint" in kinds else spec
    if "jpeg" in kinds or (kinds & {"blueprint", "coloured"} and _chance(rng, 0.4)):
        spec = spec if spec.one_bit else replace(spec, quality=40, suffix=".jpg")
    if not spec.one_bit and kinds & {"blueprint", "coloured"}:
        coloured = str(rng.choice(["yellow", "pink", "buff"]))
        spec = replace(spec, paper="blueprint" if "blueprint" in kinds else coloured)
    if spec.one_bit and spec.body_ink < FAINT_1_BIT:
        spec = replace(spec, body_ink=FAINT_1_BIT, other_ink=max(spec.other_ink, FAINT_1_BIT), noise=5.0)
    return replace(spec, uneven=max(spec.uneven, float(rng.uniform(0.0, 0.12))))


def level_specs(level: Level, seed: int, count: int) -> list[LevelSpec]:
    """Return ``count`` plans of a level; the same seed gives the same plans, and the first ones do not
    depend on how many are asked for."""
    plans = []
    for index in range(count):
        rng = np.random.default_rng([seed, LEVELS.index(level), index])
        spec = _base(rng, level, seed, index)
        spec = {"ordinary": _ordinary, "crowded": _crowded}[level](rng, spec) if level != "poor" else (
            _poor(rng, spec, index))
        plans.append(spec)
    return plans


def plain_level(spec: LevelSpec) -> LevelSpec:
    """Return ``spec`` without copier, skew, dirt and crowd; its body and sheet stay."""
    kept = {"copier_x": 1.0, "copier_y": 1.0, "shear_deg": 0.0, "gain_mm": 0.0, "skew_deg": 0.0, "noise": 0.0}
    return replace(spec, **kept, specks=0, smudges=0, fold=False, folds=0, stains=0, crowd=(), parallel=None)  # type: ignore[arg-type]

