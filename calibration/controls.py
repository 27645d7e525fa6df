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
    lift_mm: float = 0.0  # of its graduations above the paper; matters to a camera only
    lift_u_mm: float = 0.0  # 1 sigma of that
    level: str = ""  # controls that share one are of one flat thing, and as high as each other; "": on its own
    limit_mm: float = 0.0  # what of ``standard_u_mm`` is a limit, +-: a class, a rounding (1 sigma = limit / sqrt 3)

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


@dataclass(frozen=True, eq=False)
class StraightLine:
    """Places along something that is straight on the flat sheet, as a camera sees it."""

    name: str  # as shown to the person: "upper edge of the sheet"
    kind: Literal["drawn line", "sheet edge", "rule edge"]
    places: PxPoints  # (N, 2), N >= 3, in order along it
    sigma_px: FloatArray  # (N,) 1 sigma of a place across it
    straight_u_mm: float = 0.0  # 1 sigma by which the thing itself may leave a straight line

    def __post_init__(self) -> None:
        """Freeze the arrays and check their lengths.

        Raises:
            ValueError: fewer than three places, or arrays of different lengths.
        """
        object.__setattr__(self, "sigma_px", frozen_floats(self.sigma_px))
        if len(self.places) < 3 or self.sigma_px.shape != (len(self.places),):
            raise ValueError("a straight line needs three places or more, each with its sigma")


@dataclass(frozen=True)
class KnownAngle:
    """The angle on the sheet between two measures or lines, by their names; lines have no direction, 0 to pi/2."""

    first: str
    second: str
    angle_rad: float
    u_rad: float  # 1 sigma
    why: str  # "the arms of a square", "the sheet's edges are square"
    tentative: bool = False  # only because it comes out nearly so: where all else contradicts it, it was not meant
