"""Flat pictures in the world: the faces of objects, their walls and shadows, and a second sheet."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray
from tests.maker.level_press import PAPERS
from tests.maker.photo_laid import Placed
from tests.maker.photo_objects import Strip
from tests.maker.photo_paper import drawn
from tests.maker.photo_spec import SecondSheet
from tests.maker.photo_texture import MARGIN_MM, paint, stored
from tests.maker.press import ink_page

THIN_MM, WALL_DARK = 0.7, 0.45  # a wall is its outline at the foot, and half way up when it is higher than thin
SHADOW_PX_PER_MM = 4.0
SHADOW_DEEP, SHADOW_LONG = 0.45, 1.2  # share of the light; of the thing's thickness
SHADOW_ROOM_MM = 6.0
SECOND_HIGH_MM = 0.12  # of a sheet on a sheet


@dataclass(frozen=True, eq=False)
class Layer:
    """A picture on a flat face: what a ray meets and where in the picture that is."""

    rgba: npt.NDArray[np.uint8]
    origin_mm: FloatArray  # (3,)
    to_frame: FloatArray  # (3, 3) world -> a, b, up of its strip
    scale: FloatArray  # (2,) picture samples per mm of a and b
    offset: FloatArray  # (2,) sample at a = b = 0
    limits: tuple[float, float]  # of b
    rise_mm: float = 0.0  # its height at b = 0
    slope: float = 0.0  # of its face along b
    dark: float = 1.0  # factor on its light

    def meet(self, start_mm: FloatArray, rays: FloatArray) -> FloatArray:
        """Return the strip places (N, 2) where rays (N, 3) meet the face."""
        c, d = self.to_frame @ (start_mm - self.origin_mm), rays @ self.to_frame.T
        far = (self.rise_mm + self.slope * c[1] - c[2]) / (d[:, 2] - self.slope * d[:, 1])
        return np.asarray(c[:2] + far[:, None] * d[:, :2])


def object_layers(placed: Placed, px_per_mm: float, lamp_deg: float) -> list[Layer]:
    """Return an object's shadows, walls and top faces, in the order in which they hide each other."""
    shadows, walls, tops = [], [], []
    for strip in placed.model.strips:
        base = _base(placed, strip, px_per_mm)
        if placed.model.stuff != "clear":
            shadows.append(_shadow(base, placed, strip, lamp_deg))
            walls += _walls(base, strip.edge_mm if strip.bevel_mm else placed.model.thick_mm)
        tops += _tops(base, strip, placed.model.thick_mm)
    return shadows + walls + tops


def _base(placed: Placed, strip: Strip, px_per_mm: float) -> Layer:
    """Return a strip's picture lying on the paper."""
    origin, axes = placed.frame(strip)
    picture = paint(placed.spec, placed.model, strip, px_per_mm)
    scale = np.array([1.0, -1.0]) * picture.px_per_mm
    limits = (-MARGIN_MM, strip.wide_mm + MARGIN_MM)
    offset = picture.places(np.zeros((1, 2)), strip)[0]
    return Layer(picture.rgba, origin, np.linalg.inv(axes.T), scale, offset, limits)


def _walls(base: Layer, edge_mm: float) -> list[Layer]:
    shares = (0.0, 0.5) if edge_mm > THIN_MM else (0.0,)
    return [replace(base, rise_mm=share * edge_mm, dark=WALL_DARK) for share in shares]


def _tops(base: Layer, strip: Strip, thick_mm: float) -> list[Layer]:
    """Return the faces of a strip's top; the outer ones reach beyond its edges as its picture does."""
    facets, tops = strip.facets(thick_mm), []
    for number, (b0, b1, h0, h1) in enumerate(facets):
        slope = (h1 - h0) / (b1 - b0)
        low = base.limits[0] if number == 0 else b0
        high = base.limits[1] if number == len(facets) - 1 else b1
        tops.append(replace(base, rise_mm=h0 - slope * b0, slope=slope, limits=(low, high)))
    return tops


def _shadow(base: Layer, placed: Placed, strip: Strip, lamp_deg: float) -> Layer:
    """Return the soft shadow that a strip throws on the paper beside it."""
    thick, lamp = placed.model.thick_mm, np.radians(lamp_deg)
    shift = (base.to_frame @ np.array([np.cos(lamp), np.sin(lamp), 0.0]))[:2] * -SHADOW_LONG * thick
    extent = np.array([strip.long_mm, strip.wide_mm])
    wide, high = (int(v) for v in (extent + 2 * SHADOW_ROOM_MM) * SHADOW_PX_PER_MM)
    mask = np.zeros((high, wide), dtype=np.float32)
    low = (SHADOW_ROOM_MM + shift) * SHADOW_PX_PER_MM
    ends = [tuple(round(float(v)) for v in corner) for corner in (low, low + extent * SHADOW_PX_PER_MM)]
    cv2.rectangle(mask, ends[0], ends[1], 1.0, -1)
    mask = cv2.GaussianBlur(mask, (0, 0), (0.35 + 0.5 * thick) * SHADOW_PX_PER_MM)
    rgba = np.zeros((high, wide, 4), dtype=np.uint8)
    rgba[..., 3] = np.rint(mask * SHADOW_DEEP * 255.0)
    offset = np.full(2, SHADOW_ROOM_MM * SHADOW_PX_PER_MM - 0.5)
    limits = (-SHADOW_ROOM_MM, strip.wide_mm + SHADOW_ROOM_MM)
    return replace(base, rgba=rgba, scale=np.full(2, SHADOW_PX_PER_MM), offset=offset, limits=limits)


def second_corners(second: SecondSheet) -> FloatArray:
    """Return the (4, 3) world corners of a second sheet."""
    wide, high = drawn(second.plan).sheet.size_mm
    origin, axes = _second_frame(second)
    return origin + np.array([(0, 0, 0), (wide, 0, 0), (wide, high, 0), (0, high, 0)], dtype=float) @ axes


def _second_frame(second: SecondSheet) -> tuple[FloatArray, FloatArray]:
    angle = np.radians(second.angle_deg)
    c, s = np.cos(angle), np.sin(angle)
    return np.array([*second.at_mm, SECOND_HIGH_MM]), np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


def second_layer(second: SecondSheet, px_per_mm: float) -> Layer:
    """Return the second sheet with its drawing."""
    sheet = drawn(second.plan).sheet
    wide, high = sheet.size_mm
    affine = np.array([[px_per_mm, 0.0, -0.5], [0.0, -px_per_mm, high * px_per_mm - 0.5]])
    ink = ink_page(sheet.marks, affine, (int(wide * px_per_mm), int(high * px_per_mm)), over=1)
    paper_rgb, ink_rgb = ((np.array(part) / 255.0) ** 2.2 for part in PAPERS[second.plan.paper])
    share = np.arange(256)[:, None] / 255.0
    rgba = np.full((*ink.shape, 4), 255, dtype=np.uint8)
    rgba[..., :3] = np.rint(stored(paper_rgb + share * (ink_rgb - paper_rgb))).astype(np.uint8)[ink]
    origin, axes = _second_frame(second)
    return Layer(rgba, origin, axes, affine[[0, 1], [0, 1]], affine[:, 2], (-1.0, high + 1.0))
