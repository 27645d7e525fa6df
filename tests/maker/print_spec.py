"""Copies whose size is in question: drawn rules that went through the copier, and real rules laid beside them."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np

from tests.maker.spec import MM_PER_INCH, PlanSpec, RuleSpec, _one

Own = Literal["certified", "I", "II"]
SEED_STEP = 10_000
EXACT = 3  # every so many copies one is off by a tenth of a percent each way, the least that must be called
LEAST_CALLED = 0.001
SQUARE_U = 5e-4  # rad, 1 sigma of a scanner's own right angle; common practice, no source


@dataclass(frozen=True)
class LaidSpec:
    """A real rule lying beside the sheet on the scanner's glass."""

    rule: RuleSpec
    skew_deg: float = 0.0  # against the scanner
    off_mm: float = 0.0  # its whole length is longer than it says by this
    side: Literal["sheet", "beside"] = "beside"


@dataclass(frozen=True)
class PrintSpec(PlanSpec):
    """One copy with rules laid beside it."""

    laid: tuple[LaidSpec, ...] = ()
    own: Own = "certified"  # what the laid rules are, and so how far they may be off
    scanner_x: float = 1.0  # the scanner's own size against its declared resolution
    scanner_y: float = 1.0
    scanner_shear: float = 0.0  # rad, by how much its own right angle is off

    @property
    def group(self) -> str:
        """Row of the bench table."""
        return self.own


def limit_mm(own: Own, length_mm: float) -> float:
    """Return how far a laid rule may be off: by a certificate, or by its class (Directive 2014/32/EU, Annex X).

    The certified one is a steel rule of DIN 866 form A, 20 um + L / 50 (formula from memory).
    """
    if own == "certified":
        return 0.02 + length_mm / 50_000
    fixed, per_metre = {"I": (0.1, 0.1), "II": (0.3, 0.2)}[own]
    return fixed + per_metre * float(np.ceil(length_mm / 1000))


def _laid(rng: np.random.Generator, own: Own) -> tuple[LaidSpec, ...]:
    """Return a rule each way, 300 mm or a foot, now and then longer, put down by hand."""
    laid = []
    inch = rng.random() < 0.3
    for along in ("x", "y"):
        length = float(rng.choice([300.0, 300.0, 500.0])) if not inch else 12 * MM_PER_INCH
        rule = RuleSpec("in" if inch else "mm", int(rng.choice([16, 32])), along, length)  # type: ignore[arg-type]
        within = limit_mm(own, length)
        laid.append(LaidSpec(rule, float(rng.uniform(-1.2, 1.2)), float(rng.uniform(-within, within))))
    return tuple(laid)


def print_specs(seed: int, count: int, own: Own = "certified") -> list[PrintSpec]:
    """Return ``count`` copies; the first ones do not depend on how many are asked for."""
    copies = []
    for index in range(count):
        rng = np.random.default_rng([seed, 77, index])
        plan = _one(rng, index, seed)
        given = {field.name: getattr(plan, field.name) for field in fields(plan)}
        given |= {"name": f"print-{own}-{seed:02d}-{index:03d}", "seed": seed * SEED_STEP + index,
                  "dpi": 300.0 if plan.dpi == 400.0 else plan.dpi}
        spec = PrintSpec(**given, own=own, scanner_x=float(rng.uniform(0.997, 1.003)),
                         scanner_y=float(rng.uniform(0.997, 1.003)), laid=_laid(rng, own))
        rules = tuple(replace(rule, length_mm=max(rule.length_mm, 120.0)) for rule in spec.rules)
        spec = replace(spec, rules=rules)
        spec = replace(spec, scanner_shear=float(np.random.default_rng([seed, 78, index]).normal(0.0, SQUARE_U)))
        if index % EXACT == 0:
            x, y = 1.0 + LEAST_CALLED * rng.choice([-1.0, 1.0], 2)
            spec = replace(spec, copier_x=float(x), copier_y=float(y))
        copies.append(spec)
    return copies
