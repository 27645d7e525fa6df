"""Tables: what lies under and round the sheet, and the light on all of it."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray
from tests.maker.photo_spec import PhotoSpec, Table

Rgb = npt.NDArray[np.uint8]
Shade = npt.NDArray[np.float32]
TABLE_PX_PER_MM = 3.0
TABLE_MM = (1000.0, 800.0)  # mirrored beyond
# Light given back: red, green, blue.
COLOURS = {"wood": (0.42, 0.25, 0.12), "dark wood": (0.12, 0.06, 0.03), "cloth": (0.62, 0.60, 0.56),
           "mat": (0.03, 0.13, 0.09), "white": (0.74, 0.73, 0.70), "stone": (0.10, 0.10, 0.11)}


def _noise(rng: np.random.Generator, size: tuple[int, int], wide: float, high: float) -> Shade:
    """Return smooth noise of unit spread, ``wide`` and ``high`` px the size of its features."""
    grid = (int(size[0] / wide) + 4, int(size[1] / high) + 4)
    rough = rng.standard_normal((grid[1], grid[0]), dtype=np.float32)
    return np.asarray(cv2.resize(rough, size, interpolation=cv2.INTER_CUBIC))


def _wood(rng: np.random.Generator, size: tuple[int, int]) -> Shade:
    """Return planks with wavy grain along the picture's width."""
    rows = np.arange(size[1], dtype=np.float32)[:, None]
    wave = 14.0 * _noise(rng, size, 900, 200) + 4.0 * _noise(rng, size, 300, 90)
    rings = np.sin((rows + wave) / 6.0 + 2.0 * _noise(rng, size, 1500, 30))
    fine = _noise(rng, size, 60, 2)
    grain = 0.10 * rings + 0.07 * fine + 0.10 * _noise(rng, size, 1200, 300)
    return np.asarray(1.0 + grain, dtype=np.float32)


def _cloth(rng: np.random.Generator, size: tuple[int, int]) -> Shade:
    x, y = np.arange(size[0], dtype=np.float32)[None, :], np.arange(size[1], dtype=np.float32)[:, None]
    weave = np.sin(x * 2.2) * np.sin(y * 2.2)
    return np.asarray(1.0 + 0.10 * weave + 0.04 * _noise(rng, size, 3, 3) + 0.05 * _noise(rng, size, 400, 400),
                      dtype=np.float32)


def _mat(rng: np.random.Generator, size: tuple[int, int]) -> Shade:
    """Return a cutting mat with light lines every 10 mm and heavier ones every 50."""
    lines = np.zeros((size[1], size[0]), dtype=np.uint8)
    for step, pen in ((10.0, 1), (50.0, 3)):
        for at in np.arange(0.0, max(TABLE_MM), step):
            place = round((at * TABLE_PX_PER_MM - 0.5) * 16)  # cv2 takes sixteenths of a px
            cv2.line(lines, (place, 0), (place, size[1] * 16), 255, pen, cv2.LINE_AA, 4)
            cv2.line(lines, (0, place), (size[0] * 16, place), 255, pen, cv2.LINE_AA, 4)
    return np.asarray(1.0 + 0.04 * _noise(rng, size, 3, 3) + 2.2 * lines / 255.0, dtype=np.float32)


@lru_cache(maxsize=2)
def table(kind: Table, seed: int) -> Rgb:
    """Return a table's light, red, green, blue, stored as its square root, ``TABLE_PX_PER_MM`` px a mm."""
    rng = np.random.default_rng([seed, 20])
    size = (round(TABLE_MM[0] * TABLE_PX_PER_MM), round(TABLE_MM[1] * TABLE_PX_PER_MM))
    plain = {"wood": _wood, "dark wood": _wood, "cloth": _cloth, "mat": _mat}
    if kind in plain:
        factor = plain[kind](rng, size)
    else:
        factor = 1.0 + 0.05 * _noise(rng, size, 300, 300) + 0.06 * _noise(rng, size, 3, 3)
    values = np.empty((size[1], size[0], 3), dtype=np.uint8)
    for band, light in enumerate(COLOURS[kind]):
        values[..., band] = np.rint(np.sqrt(np.clip(light * factor, 0.0, 1.0)) * 255.0)
    return values


def light(spec: PhotoSpec, size: tuple[int, int]) -> Shade:
    """Return the factor of the light on a coarse picture of ``size`` (width, height): fall-off, shadow, vignette."""
    rng = np.random.default_rng([spec.seed, 21])
    x, y = np.meshgrid(np.linspace(-1, 1, size[0]), np.linspace(-size[1] / size[0], size[1] / size[0], size[1]))
    to = np.radians(spec.fall_to_deg)
    along = x * np.cos(to) + y * np.sin(to)
    along = (along - along.min()) / np.ptp(along)
    shade = (1.0 - spec.fall * along**1.3) * (1.0 - 0.10 * (x * x + y * y))
    return np.asarray(shade * _shadow(spec, size, rng), dtype=np.float32)


def _shadow(spec: PhotoSpec, size: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Return the shadow of a phone and a hand that reach in from an edge, with its penumbra."""
    mask = np.zeros((size[1], size[0]), dtype=np.float32)
    if spec.shadow:
        side = rng.uniform(0, 2 * np.pi)
        middle = np.array(size) / 2 * (1 + 0.75 * np.array([np.cos(side), np.sin(side)]))
        wide, high = 0.26 * size[0], 0.15 * size[0]
        turn = float(np.degrees(side) + rng.uniform(-40, 40))
        ring = cv2.boxPoints(((float(middle[0]), float(middle[1])), (wide, high), turn))
        cv2.fillPoly(mask, [np.rint(ring).astype(np.int32)], 1.0)
        arm = middle + 0.5 * np.array(size) * np.array([np.cos(side), np.sin(side)])
        cv2.line(mask, tuple(int(v) for v in middle), tuple(int(v) for v in arm), 1.0, max(1, int(0.5 * high)))
        mask = cv2.GaussianBlur(mask, (0, 0), rng.uniform(0.012, 0.035) * size[0])
    return np.asarray(1.0 - spec.shadow * mask)
