"""How the top of an object looks: an opaque-or-clear picture of each strip, drawn as its marks and its stuff.

Values are stored as the square root of light over ``HEADROOM``: polished metal mirrors more light than white paper
gives. Clear plastic lets the drawing through where it lies; that it shifts what is under it is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray
from tests.maker.marks import Mark
from tests.maker.photo_objects import CARD_CORNER_MM, Model, Strip, hole_mm, strip_marks
from tests.maker.photo_spec import LaidSpec
from tests.maker.press import ink_page

Rgba = npt.NDArray[np.uint8]
HEADROOM = 3.0
MARGIN_MM = 1.0  # of the picture round the strip
RIM_MM = (0.05, 0.20)  # radius of the edges of metal, plastic and wood: none is sharp
RIM_DARK = 0.45  # of the face's light where the rounding has become the wall
# Light given back by the bare stuff and by its marks: red, green, blue; how opaque the bare stuff is.
STUFFS: dict[str, tuple[tuple[float, float, float], tuple[float, float, float], float]] = {
    "steel": ((0.36, 0.36, 0.37), (0.03, 0.03, 0.03), 1.0),
    "dark steel": ((0.10, 0.105, 0.115), (0.62, 0.62, 0.58), 1.0),
    "black": ((0.025, 0.025, 0.027), (0.72, 0.72, 0.70), 1.0),
    "wood": ((0.55, 0.37, 0.17), (0.04, 0.03, 0.02), 1.0),
    "white": ((0.80, 0.80, 0.78), (0.03, 0.03, 0.04), 1.0),
    "clear": ((0.82, 0.84, 0.85), (0.03, 0.03, 0.03), 0.16),
    "card": ((0.10, 0.22, 0.42), (0.70, 0.70, 0.66), 1.0),
}


@dataclass(frozen=True, eq=False)
class Picture:
    """A picture of a strip: strip-frame place of its samples."""

    rgba: Rgba
    px_per_mm: float

    def places(self, points: FloatArray, strip: Strip) -> FloatArray:
        """Return (column, row) of strip points."""
        return (np.asarray(points) * [1.0, -1.0] + [MARGIN_MM, strip.wide_mm + MARGIN_MM]) * self.px_per_mm - 0.5


def stored(light: FloatArray) -> FloatArray:
    """Return 8-bit values of light, still floats."""
    return np.sqrt(np.clip(light / HEADROOM, 0.0, 1.0)) * 255.0


def _affine(strip: Strip, px_per_mm: float) -> FloatArray:
    lift = strip.wide_mm + MARGIN_MM
    return np.array([[px_per_mm, 0.0, MARGIN_MM * px_per_mm - 0.5], [0.0, -px_per_mm, lift * px_per_mm - 0.5]])


def _outline(model: Model, strip: Strip) -> FloatArray:
    """Return the strip's outline with its rounded corners."""
    radius = CARD_CORNER_MM if model.kind == "card" else 0.0
    low, high = np.zeros(2), np.array([strip.long_mm, strip.wide_mm])
    if not radius:
        return np.array([low, (high[0], 0.0), high, (0.0, high[1])])
    at = np.linspace(0.0, np.pi / 2, 40)
    quarter = radius * np.stack([np.sin(at), -np.cos(at)], axis=1)
    turns = [np.array([[c, s], [-s, c]]) for c, s in ((1, 0), (0, 1), (-1, 0), (0, -1))]
    middles = np.array([(high[0] - radius, radius), high - radius, (radius, high[1] - radius), (radius, radius)])
    return np.vstack([quarter @ turn + middle for turn, middle in zip(turns, middles, strict=True)])


def _cover(model: Model, strip: Strip, size: tuple[int, int], affine: FloatArray) -> npt.NDArray[np.uint8]:
    """Return the share of every pixel inside the strip, its hole left out."""
    cover = ink_page((Mark(_outline(model, strip), closed=True, filled=True),), affine, size, over=2)
    hole = hole_mm(model, strip)
    if len(hole):
        cover = cv2.subtract(cover, ink_page((Mark(hole, closed=True, filled=True),), affine, size, over=2))
    return cover


def _grain(model: Model, size: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Return a factor on the bare stuff's light: brushed metal, wood."""
    if model.stuff not in ("steel", "dark steel", "wood"):
        return np.ones((size[1], size[0]), dtype=np.float32)
    rough = rng.standard_normal((size[1], size[0] // 8 + 1), dtype=np.float32)
    long, cross = (40, 0.9) if model.stuff == "wood" else (25, 0.6)
    rough = cv2.GaussianBlur(rough, (0, 0), sigmaX=long, sigmaY=cross * (6 if model.stuff == "wood" else 1))
    rough = cv2.resize(rough / rough.std(), size, interpolation=cv2.INTER_LINEAR)
    return 1.0 + np.float32(0.14 if model.stuff == "wood" else 0.06) * rough


def _glare(spec: LaidSpec, strip: Strip, size: tuple[int, int], px_per_mm: float) -> FloatArray:
    """Return mirrored light along a strip: a streak where the lamp is seen in the metal."""
    rng = np.random.default_rng([spec.seed, 31])
    a = (np.arange(size[0], dtype=np.float32) + 0.5) / px_per_mm - MARGIN_MM
    b = (np.arange(size[1], dtype=np.float32) + 0.5) / px_per_mm - MARGIN_MM
    middle, wide = spec.glare * strip.long_mm, rng.uniform(12.0, 45.0)
    lean = rng.uniform(-0.8, 0.8)
    away = (a[None, :] - middle + lean * b[:, None]) / wide
    return np.asarray(2.6 * np.exp(-(away**2)) + 0.25 * np.exp(-((away / 3.0) ** 2)), dtype=np.float32)


def _rim(spec: LaidSpec, strip: Strip, size: tuple[int, int], px_per_mm: float) -> FloatArray:
    """Return the factor on the light of rounded edges, which turn away from the lamp as they go down to the wall."""
    radius = np.random.default_rng([spec.seed, 32]).uniform(*RIM_MM)

    def upright(count: int, extent: float) -> FloatArray:
        at = (np.arange(count) + 0.5) / px_per_mm - MARGIN_MM
        inside = np.clip(np.minimum(at, extent - at) / radius, 0.0, 1.0)
        return np.asarray(np.sqrt(1.0 - (1.0 - inside) ** 2), dtype=np.float32)  # cosine of the turn

    both = np.minimum(upright(size[0], strip.long_mm)[None, :], upright(size[1], strip.wide_mm)[:, None])
    return np.asarray(RIM_DARK + (1.0 - RIM_DARK) * both)


def paint(spec: LaidSpec, model: Model, strip: Strip, px_per_mm: float) -> Picture:
    """Return the picture of a strip's top."""
    size = tuple(int(np.ceil((extent + 2 * MARGIN_MM) * px_per_mm)) for extent in (strip.long_mm, strip.wide_mm))
    affine = _affine(strip, px_per_mm)
    ink = ink_page(tuple(strip_marks(model, strip, spec.error)), affine, size, over=2).astype(np.float32) / 255.0
    cover = _cover(model, strip, size, affine)
    bare, marked, dense = STUFFS[model.stuff]
    light = np.float32(1.0) * _grain(model, size, np.random.default_rng([spec.seed, 30]))
    shine = _glare(spec, strip, size, px_per_mm) * (1.0 - 0.9 * ink) if spec.glare else None
    rim = _rim(spec, strip, size, px_per_mm) if model.stuff not in ("clear", "card") else np.float32(1.0)
    rgba = np.empty((size[1], size[0], 4), dtype=np.uint8)
    for band in range(3):
        value = bare[band] * light + (marked[band] - bare[band] * light) * ink
        value = value if shine is None else value + shine * bare[band]
        rgba[..., band] = np.rint(stored(value * rim))
    rgba[..., 3] = np.rint(cover * (dense + (1.0 - dense) * ink))
    return Picture(rgba, px_per_mm)
