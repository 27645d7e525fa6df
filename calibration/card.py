"""A bank card beside the drawing: two known lengths, held against the scale that the rules gave.

It is a check and never the scale: a card may be wrong by 0.15 % of itself, and its edges are seen less surely than
graduations, which would be a millimetre on a large body (derived from `standards.CARD_ID1_LIMITS_MM`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from calibration.coverage import half_width
from calibration.standards import CARD_ID1_LIMITS_MM, CARD_ID1_MM

# Beyond what holds this share of all right cards, card and scale contradict each other (three normal sigmas).
CERTAIN = 0.9973

Against = Literal["paper", "plan"]


@dataclass(frozen=True)
class CardSide:
    """One side of a card as it measures by the scale; mm and shares."""

    name: Literal["long side", "short side"]
    measured_mm: float
    ends_u_mm: float  # 1 sigma of where its two ends are seen
    ends_limits_mm: tuple[float, ...]  # limits, +-, of the same: shadow, the card's own wall
    scale_u_rel: float  # 1 sigma of the scale in its direction
    lift_u_rel: float = 0.0  # the same, by how high above the paper the card's face is
    copier_limit_rel: float = 0.0  # limit, +-: what a copier may have done, where the scale is the plan's

    @property
    def nominal_mm(self) -> float:
        """Its length by ISO/IEC 7810 ID-1."""
        return CARD_ID1_MM[self._index]

    @property
    def off(self) -> float:
        """How much larger than nominal it measures, a share."""
        return self.measured_mm / self.nominal_mm - 1.0

    @property
    def u95(self) -> float:
        """Half-width, a share, of the 95 % interval of ``off`` for a right scale and a right card, copier left out."""
        return half_width(self._u, self._limits)

    @property
    def agrees(self) -> bool:
        """Whether a right scale and a right card explain what is measured."""
        return abs(self.off) <= half_width(self._u, (*self._limits, self.copier_limit_rel), CERTAIN)

    @property
    def _index(self) -> int:
        return 0 if self.name == "long side" else 1

    @property
    def _u(self) -> float:
        return float(np.hypot.reduce([self.ends_u_mm / self.nominal_mm, self.scale_u_rel, self.lift_u_rel]))

    @property
    def _limits(self) -> tuple[float, ...]:
        low, high = CARD_ID1_LIMITS_MM[self._index]
        own = max(self.nominal_mm - low, high - self.nominal_mm)
        return (own / self.nominal_mm, *(limit / self.nominal_mm for limit in self.ends_limits_mm))


@dataclass(frozen=True)
class CardCheck:
    """A card held against the scale."""

    sides: tuple[CardSide, CardSide]
    against: Against  # whose millimetres: of this sheet of paper, or of the plan, which a copier stands between

    @property
    def agrees(self) -> bool:
        """Whether both sides do."""
        return all(side.agrees for side in self.sides)

    @property
    def worst(self) -> CardSide:
        """The side that is off by more of what it may be."""
        return max(self.sides, key=lambda side: abs(side.off) / side.u95)
