"""Corners of a measured line that another line touches: a small round stays one, a sharp corner too."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
import pytest

from calibration.frames import FloatArray
from digitize.contour.measure import measure_line
from digitize.contour.others import OtherLine
from digitize.shapes import Picture

PX = 12.0  # pixels a millimetre
PEN_PX, FINE_PX = 4, 2
TIP = np.array([30.0, 20.0])  # mm, where the sides would meet
DOWN_DEG, AWAY_DEG = 135.0, 25.0  # the sides' directions from there, y down
BELOW_MM = 0.2  # the line that touches passes so far below a sharp tip


def _side(deg: float, length_mm: float = 22.0) -> FloatArray:
    return TIP + length_mm * np.array([np.cos(np.radians(deg)), np.sin(np.radians(deg))])


def _corner(radius_mm: float, down_deg: float = DOWN_DEG, away_deg: float = AWAY_DEG) -> FloatArray:
    """Return the corner with its sides, rounded with a radius."""
    first, last = _side(down_deg), _side(away_deg)
    if radius_mm == 0.0:
        return np.array([first, TIP, last])
    u, v = ((side - TIP) / np.hypot(*(side - TIP)) for side in (first, last))
    half = np.arccos(u @ v) / 2.0
    middle = TIP + radius_mm / np.sin(half) * (u + v) / np.hypot(*(u + v))
    starts = [np.arctan2(*(TIP + radius_mm / np.tan(half) * w - middle)[::-1]) for w in (u, v)]
    turn = (starts[1] - starts[0] + np.pi) % (2 * np.pi) - np.pi
    angle = starts[0] + np.linspace(0.0, turn, 60)
    arc = middle + radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])
    return np.vstack([first, arc, last])


def _page(curve: FloatArray, touching: FloatArray, pen_px: int = PEN_PX) -> Picture:
    page = np.full((round(60 * PX), round(60 * PX)), 240, np.uint8)
    for xy, pen in ((curve, pen_px), (touching, FINE_PX)):
        cv2.polylines(page, [np.rint(xy * PX * 16).astype(np.int32)], False, 40, pen, cv2.LINE_AA, 4)
    noisy = cv2.GaussianBlur(page, (0, 0), 0.6) + np.random.default_rng(4).normal(0, 2, page.shape)
    return Picture(np.clip(noisy, 0, 255).astype(np.uint8), "corner.png", "", None, "scan")


def _off_mm(xy: FloatArray, curve: FloatArray) -> FloatArray:
    steps = [np.linspace(a, b, 400) for a, b in itertools.pairwise(curve)]
    fine = np.concatenate(steps)
    return np.array([np.hypot(*(fine - place).T).min() for place in xy])


@pytest.mark.parametrize("touch_mm", [-0.1, 0.0, 0.1])
@pytest.mark.parametrize("radius_mm", [0.0, 2.5, 4.0, 6.0])
def test_a_line_that_touches_a_corner_does_not_make_it_sharp_or_round(radius_mm: float, touch_mm: float) -> None:
    curve, sharp = _corner(radius_mm), radius_mm == 0.0
    top = float(curve[:, 1].min()) + touch_mm + (BELOW_MM if sharp else 0.0)
    touching = np.array([(2.0, top), (float(curve[np.argmin(curve[:, 1]), 0]), top)])
    # as strokes give it: from the side to the line that touches, and along that into the corner's own ink
    down = _side(DOWN_DEG) - TIP
    rough = np.vstack([_side(DOWN_DEG), TIP + (top - TIP[1]) / down[1] * down, curve[curve[:, 0] > touching[1, 0]]])
    other = OtherLine(np.linspace(touching[0], touching[1] + (3.0, 0.0), 200) * PX, float(FINE_PX))
    page = _page(curve, touching)
    found = measure_line(page, rough * PX, PX, float(PEN_PX), closed=False, others=(other,))
    assert len(found.corners) == (1 if sharp else 0)
    assert _off_mm(found.xy[5:-5] / PX, curve).max() < 0.08


@pytest.mark.parametrize(("down_deg", "pen_px", "radius_mm"), [(95.0, 6, 0.9), (95.0, 8, 1.2), (115.0, 6, 1.4)])
@pytest.mark.parametrize("sharp", [True, False])
def test_a_corner_eased_by_little_more_than_the_pen_is_no_sharp_one(
    down_deg: float, pen_px: int, radius_mm: float, sharp: bool
) -> None:
    """The sides' own ink reaches to where they would meet, or nearly; that of a sharp corner goes on beyond."""
    curve = _corner(0.0 if sharp else radius_mm, down_deg, 5.0)
    page = _page(curve, np.array([(1.0, 55.0), (50.0, 55.0)]), pen_px)
    rough = _corner(0.01 if sharp else radius_mm, down_deg, 5.0)
    found = measure_line(page, rough * PX, PX, float(pen_px), closed=False)
    assert len(found.corners) == (1 if sharp else 0)
    assert _off_mm(found.xy[5:-5] / PX, curve).max() < 0.08


def test_a_line_that_touches_an_acute_tip_does_not_round_it() -> None:
    """The ink of the tip's sides runs together: measured without a corner it would be round, 1 mm short."""
    tip = np.array([30.0, 20.0])
    ends = [tip + 25.0 * np.array([np.sin(a), np.cos(a)]) for a in np.radians([-20.0, 24.0])]
    curve = np.array([ends[0], tip, ends[1]])
    touching = np.array([(2.0, 20.0), (30.0, 20.0)])
    other = OtherLine(np.linspace(touching[0], touching[1] + (3.0, 0.0), 200) * PX, float(FINE_PX))
    pen_px = 2 * PEN_PX
    found = measure_line(_page(curve, touching, pen_px), curve * PX, PX, float(pen_px), closed=False, others=(other,))
    assert len(found.corners) == 1
    assert np.hypot(*(found.xy[found.corners[0]] / PX - tip)) < 0.15
