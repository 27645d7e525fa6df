"""Made outlines for the symmetry audit: known axis, known bulges, strokes' noise; sheet mm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from calibration.frames import FloatArray
from digitize.curve import arc_length
from tests.digitize.bodies import SPACING_MM, body, spaced, turned

BULGE_MM, BULGE_LENGTH_MM = 0.3, 50.0
MISSING_PART = 0.3


@dataclass(frozen=True, eq=False)
class Noise:
    """Noise across the line: its rms, and over how many mm it is alike (Gaussian, 1 sigma); 0 where white."""

    rms_mm: float
    alike_mm: float

    def on(self, xy: FloatArray, rng: np.random.Generator) -> FloatArray:
        if not self.alike_mm:
            return xy + rng.normal(0.0, self.rms_mm, xy.shape)
        across = gaussian_filter1d(rng.normal(size=len(xy)), self.alike_mm / SPACING_MM, mode="wrap")
        return xy + (self.rms_mm * across / across.std())[:, None] * outward(xy)

    def __str__(self) -> str:
        return f"{self.rms_mm} mm " + (f"alike over {self.alike_mm:.0f} mm" if self.alike_mm else "white")


def outward(xy: FloatArray) -> FloatArray:
    """Unit normals of a closed counter-clockwise curve."""
    along = np.roll(xy, -1, axis=0) - np.roll(xy, 1, axis=0)
    return np.column_stack([along[:, 1], -along[:, 0]]) / np.hypot(*along.T)[:, None]


def outline(cutaway: bool = False) -> FloatArray:
    return spaced(body(cutaway))[0]


def with_bulge(xy: FloatArray, index: int, height: float = BULGE_MM, length: float = BULGE_LENGTH_MM) -> FloatArray:
    """One place pushed out: a raised cosine of so long from foot to foot."""
    at = arc_length(xy, closed=True)
    away = (at[:-1] - at[index] + at[-1] / 2) % at[-1] - at[-1] / 2
    shape = np.where(np.abs(away) < length / 2, np.cos(np.pi * away / length) ** 2, 0.0)
    return xy + (height * shape)[:, None] * outward(xy)


def with_gap(xy: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A third of one side missing, a straight line in its stead."""
    side = len(xy) // 2
    count = int(MISSING_PART * side)
    first = int(rng.integers(40, side - count - 40))
    part = (np.arange(count) / count)[:, None]
    out = xy.copy()
    out[first : first + count] = xy[first] + part * (xy[first + count] - xy[first])
    return out


def placed(xy: FloatArray, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """The outline put down anyhow, and two places on its true axis: mid body and tail."""
    angle, shift = float(rng.uniform(-30.0, 30.0)), tuple(rng.uniform(-100.0, 100.0, 2))
    middle = np.array([[0.0, np.ptp(xy[:, 1]) / 2], [0.0, 0.0]])
    return turned(xy, angle, shift), turned(middle, angle, shift)  # type: ignore[arg-type]
