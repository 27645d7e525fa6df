"""What the check of a cut part passes on: the curve to fit, where the part's edge was seen, and the runs found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from calibration.frames import BoolArray, FloatArray

Side = Literal["inside", "outside"]  # of the outline: where the material is
InkSide = Literal["middle", "outer", "inner"]  # of a drawn line: which edge of its ink is the outline


@dataclass(frozen=True, eq=False)
class HalfCurve:
    """Half an outline, tail to neck, as the right half; body frame, mm."""

    xy_mm: FloatArray  # (N, 2) stations at equal steps
    normal: FloatArray  # (N, 2) unit, out of the body
    along_mm: FloatArray  # (N,) from the tail
    sharp: BoolArray  # (N,) at a corner, where no tool and no normal is sure

    @property
    def step_mm(self) -> float:
        """Distance of two stations."""
        return float(self.along_mm[1] - self.along_mm[0])


@dataclass(frozen=True, eq=False)
class EdgePlaces:
    """Where an edge was seen at stations along a curve."""

    points_mm: FloatArray  # (N, 2) sheet mm; NaN where it was not seen
    seen: BoolArray  # (N,)
    rise: FloatArray  # (N,) grey values a pixel across it, + lighter outwards
    inner: FloatArray  # (N,) grey value on the body's side of it
    outer: FloatArray  # (N,)

    @property
    def share(self) -> float:
        """Share of the stations at which it was seen."""
        return float(self.seen.mean()) if len(self.seen) else 0.0


@dataclass(frozen=True, eq=False)
class RoughPlace:
    """One way in which the half may lie in the picture."""

    matrix: FloatArray  # (2, 3) affine, sheet mm to body mm
    mirrored: bool
    score: float  # 0..1: share of the outline that has a clear edge there


@dataclass(frozen=True)
class Run:
    """A stretch where the part leaves the outline for certain."""

    from_mm: float  # along the half outline from the tail
    to_mm: float
    x_mm: float  # where it is largest, body frame
    y_mm: float
    size_mm: float  # + proud: material beyond the line; - hollow
    u95_mm: float
    beyond: bool  # more than the tolerance for certain
