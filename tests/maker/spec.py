"""What a made plan is asked to be, and mixes of many of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

Family = Literal["guitar", "small", "violin", "cutaway", "cassini"]
FAMILIES: tuple[Family, ...] = ("guitar", "small", "violin", "cutaway")
MM_PER_INCH = 25.4


@dataclass(frozen=True)
class RuleSpec:
    """One graduated rule drawn on the sheet."""

    unit: Literal["mm", "in"] = "mm"
    per_inch: int = 16  # graduations in an inch: 8, 16, 32 or 64
    along: Literal["x", "y"] = "x"  # of the sheet
    length_mm: float = 200.0
    both_edges: bool = False  # the other unit on the far edge
    missing: int = 0  # graduations left out
    crossed: bool = False  # a leader runs across it

    @property
    def pitch_mm(self) -> float:
        """Distance of two graduations on the sheet as drawn."""
        return 1.0 if self.unit == "mm" else MM_PER_INCH / self.per_inch


@dataclass(frozen=True)
class PlanSpec:
    """One plan: what is drawn, how it was copied, how it was scanned."""

    name: str = "plan"
    seed: int = 0  # of everything random in it
    family: Family = "guitar"
    half: bool = False
    turn: int = 0  # quarter turns: neck up 0, left 1, down 2, right 3
    rules: tuple[RuleSpec, ...] = (RuleSpec(), RuleSpec(along="y"))
    line_mm: float = 0.4  # pen of the outline
    solid_centerline: bool = False
    cassini_c_mm: float = 170.0
    cassini_b_mm: float = 184.0
    title: str = "PLOVER"
    copier_x: float = 1.0
    copier_y: float = 1.0
    shear_deg: float = 0.0
    gain_mm: float = 0.0  # the copier makes every line wider by this
    dpi: float = 200.0
    skew_deg: float = 0.0
    blur_px: float = 0.6
    noise: float = 3.0  # standard deviation, grey values of 255
    specks: int = 150
    smudges: int = 4
    fold: bool = True
    one_bit: bool = False
    suffix: Literal[".png", ".tif"] = ".png"

    @property
    def group(self) -> str:
        """Row of the bench table."""
        return f"{self.family} {'half' if self.half else 'whole'}"


def _rules(rng: np.random.Generator, index: int) -> tuple[RuleSpec, ...]:
    """Return one rule along each direction of the sheet, of one unit mostly."""
    rules = []
    inch = index % 3 == 1
    for along in ("x", "y"):
        unit = "in" if inch != (rng.random() < 0.15) else "mm"
        rules.append(
            RuleSpec(
                unit=unit,  # type: ignore[arg-type]
                per_inch=int(rng.choice([8, 16, 32])),
                along=along,  # type: ignore[arg-type]
                length_mm=float(rng.uniform(90, 300)),
                both_edges=bool(rng.random() < 0.2),
                missing=int(rng.choice([0, 0, 0, 2, 5])),
                crossed=bool(rng.random() < 0.3),
            )
        )
    return tuple(rules)


def _one(rng: np.random.Generator, index: int, seed: int) -> PlanSpec:
    """Return plan ``index`` of a mix; families, halves, turns and dpi go round in turn."""
    family = FAMILIES[index % 4]
    half = family != "cutaway" and (index // 4) % 3 == 1
    dpi = (200.0, 300.0, 400.0)[(index // 4 + index) % 3]
    if dpi == 400.0 and family in ("guitar", "cutaway") and not half:
        dpi = 300.0 if index % 2 else 200.0  # keeps every page under about 50 megapixels
    one_bit = bool(rng.random() < 0.35)
    return PlanSpec(
        name=f"{seed:02d}-{index:03d}",
        seed=seed * 10_000 + index,
        family=family,
        half=half,
        turn=(index + index // 4) % 4,
        rules=_rules(rng, index),
        line_mm=float(rng.uniform(0.3, 0.6)),
        solid_centerline=bool(rng.random() < 0.3),
        copier_x=float(rng.uniform(0.98, 1.02)),
        copier_y=float(rng.uniform(0.98, 1.02)),
        shear_deg=float(rng.uniform(-0.05, 0.05)),
        gain_mm=float(rng.uniform(-0.03, 0.1)),
        dpi=dpi,
        skew_deg=float(rng.uniform(-1.5, 1.5)),
        blur_px=float(rng.uniform(0.4, 0.9)),
        noise=float(rng.uniform(1.5, 6.0)),
        specks=int(rng.integers(0, 400)),
        smudges=int(rng.integers(0, 8)),
        fold=bool(rng.random() < 0.5),
        one_bit=one_bit,
        suffix=".tif" if one_bit and rng.random() < 0.5 else ".png",
    )


def specs(seed: int, count: int) -> list[PlanSpec]:
    """Return ``count`` plans of every kind; the same seed gives the same plans."""
    rng = np.random.default_rng(seed)
    return [_one(rng, index, seed) for index in range(count)]


def plain(spec: PlanSpec) -> PlanSpec:
    """Return ``spec`` without skew, copier, noise and dirt."""
    return replace(
        spec, copier_x=1.0, copier_y=1.0, shear_deg=0.0, gain_mm=0.0, skew_deg=0.0, blur_px=0.0, noise=0.0,
        specks=0, smudges=0, fold=False,
    )
