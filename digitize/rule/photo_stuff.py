"""What a body laid on a photographed sheet is made of, by its tones.

All is told beside the body, slice by slice along it: the light changes over a sheet, and a rule may reach over its
edge, where a dark table lies round it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from calibration.frames import BoolArray, FloatArray
from digitize.rule.strip import Grey

if TYPE_CHECKING:
    from digitize.shapes import Colours, Picture

# Metal, bare or black, is darker than the paper beside it by this part; plastic is not. Wood is, but browner than any
# paper: it has so much more red for its blue.
DARKER, BROWNER = 0.12, 1.08
SLICES = 24
PAPER_SHARE = 0.6  # of the lightest slice beside a body: what is darker there is no paper
CLEAR_PX, BESIDE_PX = 5.0, 40.0  # from where to where beside the body the paper is looked up
ACROSS = 9  # places looked at across a slice, or across what lies beside it
USUAL_PERCENTILE = 65.0  # marks and drawn lines are darker than a body and fewer
PAPER_STEP, PAPER_PERCENTILE = 4, 70.0  # of the reduced colours: lighter than this is paper


def is_metal(picture: Picture, polygon_px: FloatArray) -> bool:
    """Whether a body is clearly darker than the paper beside it and not browner.

    Glare and marks are too small a part of it to matter.

    Args:
        picture: the photo.
        polygon_px: (V, 2) round the body.
    """
    return _is_dark(picture.grey, polygon_px) and not (
        picture.colours is not None and _is_brown(picture.colours, picture.grey.shape, polygon_px)
    )


def tone(grey: Grey, polygon_px: FloatArray) -> float:
    """Return how light a body is beside the paper, about 1 where it is as light."""
    return float(np.median(_tones(grey, polygon_px)))


def _is_dark(grey: Grey, polygon_px: FloatArray) -> bool:
    """Whether a body is darker than the paper beside it in more than half of the slices that have paper beside them."""
    return bool(np.mean(_tones(grey, polygon_px) < 1.0 - DARKER) > 0.5)


def _tones(grey: Grey, polygon_px: FloatArray) -> FloatArray:
    """Return (S,) how light a body is beside the paper in each slice that has paper beside it."""
    frame = _Frame(polygon_px)
    u = np.linspace(-0.47, 0.47, SLICES * ACROSS) * frame.long_px
    own = frame.tones(grey, u, np.linspace(-0.4, 0.4, ACROSS) * frame.wide_px)
    away = frame.wide_px / 2.0 + np.linspace(CLEAR_PX, BESIDE_PX, ACROSS)
    inside = _usual(own.reshape(SLICES, -1), axis=1)
    beside = np.max([_usual(frame.tones(grey, u, side * away).reshape(SLICES, -1), axis=1) for side in (-1, 1)], axis=0)
    paper: BoolArray = beside > PAPER_SHARE * beside.max()
    return np.asarray(inside[paper] / np.maximum(beside[paper], 1.0))


def _is_brown(colours: Colours, shape: tuple[int, ...], polygon_px: FloatArray) -> bool:
    """Whether a body is browner than the paper, the lightest large thing in the picture."""
    ring = polygon_px * (colours.shape[0] / shape[0])
    low = np.maximum(np.floor(ring.min(axis=0)).astype(int), 0)
    window = colours[low[1] : int(ring[:, 1].max()) + 2, low[0] : int(ring[:, 0].max()) + 2]
    body = np.zeros(window.shape[:2], dtype=np.uint8)
    cv2.fillPoly(body, [np.rint(ring - low).astype(np.int32)], 1)
    inside = window[body > 0]
    light = colours[::PAPER_STEP, ::PAPER_STEP].reshape(-1, 3)
    lightness = light.sum(axis=1, dtype=np.int32)
    paper = np.median(light[lightness >= np.percentile(lightness, PAPER_PERCENTILE)], axis=0)
    if not len(inside):
        return False
    tone = np.median(inside, axis=0) / np.maximum(paper, 1.0)
    return bool(tone[0] > BROWNER * tone[2])


class _Frame:
    """Axes along and across a body: the rectangle round it."""

    def __init__(self, polygon_px: FloatArray) -> None:
        middle, sides, turn_deg = cv2.minAreaRect(polygon_px.astype(np.float32))
        along = np.deg2rad(turn_deg + (0.0 if sides[0] >= sides[1] else 90.0))
        self.middle = np.array(middle)
        self.long_px, self.wide_px = max(sides), min(sides)
        self.along = np.array([np.cos(along), np.sin(along)])
        self.across = np.array([-self.along[1], self.along[0]])

    def tones(self, grey: Grey, u_px: FloatArray, v_px: FloatArray) -> FloatArray:
        """Return (U, V) the grey at places along and across; beyond the picture black, and so never paper."""
        places = self.middle + u_px[:, None, None] * self.along + v_px[None, :, None] * self.across
        x, y = np.rint(places).astype(int).transpose(2, 0, 1)
        inside = (x >= 0) & (y >= 0) & (x < grey.shape[1]) & (y < grey.shape[0])
        found = grey[np.clip(y, 0, grey.shape[0] - 1), np.clip(x, 0, grey.shape[1] - 1)].astype(np.float64)
        return np.where(inside, found, 0.0)


def _usual(tones: FloatArray, axis: int = 0) -> FloatArray:
    return np.asarray(np.percentile(tones, USUAL_PERCENTILE, axis=axis))
