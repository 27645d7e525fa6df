"""One record for every known length, whatever its source."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from calibration.frames import FloatArray, PxPoints, frozen_floats

Source = Literal["drawn rule", "laid rule", "span", "stated size", "card", "sheet edge", "dpi"]


@dataclass(frozen=True, eq=False)
class Control:
    """Places on one straight measure in the picture and their known distances along it.

    A rule gives many places (its graduations), a span or a stated size two.
    """

    name: str  # as shown to the person: "rule 1", "span 2", "stated length"
    source: Source
    places: PxPoints  # (N, 2), N >= 2, in order along the measure
    at_mm: FloatArray  # (N,) known distance along the measure from its own zero
    sigma_px: FloatArray  # (N,) 1 sigma of a place along the measure
    sigma_across_px: float  # 1 sigma of a place across the measure (fixes its direction)
    standard_u_mm: float = 0.0  # 1 sigma of the measure itself, fixed part over its length
    standard_u_rel: float = 0.0  # 1 sigma of the measure itself, proportional part

    def __post_init__(self) -> None:
        """Freeze the arrays and check their lengths.

        Raises:
            ValueError: fewer than two places, or arrays of different lengths.
        """
        object.__setattr__(self, "at_mm", frozen_floats(self.at_mm))
        object.__setattr__(self, "sigma_px", frozen_floats(self.sigma_px))
        count = len(self.places)
        if count < 2 or self.at_mm.shape != (count,) or self.sigma_px.shape != (count,):
            raise ValueError("a control needs two places or more, each with its mm and sigma")
