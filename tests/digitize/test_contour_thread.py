"""Threading a line through other ink: a drawn arc under crossing lines, its middle known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.frames import FloatArray
from digitize.contour.thread import threaded

PX_PER_MM, RADIUS_MM, WIDTH_MM, INK = 10.0, 6.0, 0.5, 255.0
NONE = np.zeros((0, 2))  # places told
FINE = 16  # drawn so many times larger, then averaged
NEAR_MM = 0.08  # the way is led on a grid of 0.03 mm, and what is near enough to measure along is 0.1 mm


def page_and_arc() -> tuple[np.ndarray, FloatArray]:
    """Return a page with a tight bend crossed by two lines right in it, and the bend's true middle, px."""
    angle = np.linspace(-np.pi * 0.8, -np.pi * 0.2, 400)
    middle = np.array([150.0, 150.0])
    bend = middle + RADIUS_MM * PX_PER_MM * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    legs = [bend[:1] + np.linspace(1, 0, 60)[:-1, None] * (bend[0] - bend[8]) * 8, bend]
    legs.append(bend[-1:] + np.linspace(0, 1, 60)[1:, None] * (bend[-1] - bend[-9]) * 8)
    line = np.concatenate(legs)
    page = np.full((320 * FINE, 320 * FINE), 255, np.uint8)
    drawn = [line, np.array([[20.0, 92.0], [300.0, 96.0]]), np.array([[152.0, 20.0], [149.0, 300.0]])]
    for points, width_mm in zip(drawn, (WIDTH_MM, 0.3, 0.3), strict=True):
        fixed = np.rint((points + 0.5) * FINE - 0.5).astype(np.int32)
        cv2.polylines(page, [fixed], False, 0, round(width_mm * PX_PER_MM * FINE))
    small = cv2.resize(page, None, fx=1 / FINE, fy=1 / FINE, interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(small, (0, 0), 0.7), line


def test_a_tight_bend_under_two_crossings_is_followed() -> None:
    page, line = page_and_arc()
    at = np.arange(0, len(line), 3)
    path = line[at].copy()
    lost = np.zeros(len(path), dtype=bool)
    lost[len(path) // 3 : 2 * len(path) // 3] = True
    path[lost] += [0.0, 12.0]  # a path that has cut the bend
    rough = line + np.array([1.5, -2.0])  # strokes stray by a few pixels where ink meets
    led = threaded(page, rough, path, lost, WIDTH_MM * PX_PER_MM, INK, PX_PER_MM, NONE, closed=False)
    off = np.array([np.hypot(*(line - place).T).min() for place in led.path[led.led]])
    assert led.led.any() and led.seen.any()
    assert np.quantile(off, 0.95) < NEAR_MM * PX_PER_MM


def test_nothing_lost_is_nothing_led() -> None:
    page, line = page_and_arc()
    led = threaded(page, line, line, np.zeros(len(line), dtype=bool), 5.0, INK, PX_PER_MM, NONE, closed=False)
    assert not led.led.any() and len(led.path) == len(line)


def test_of_two_lines_side_by_side_the_one_told_is_followed() -> None:
    """A darker line runs along the faint one, so near that their ink is one; a place on the faint one is told."""
    page = np.full((300, 120), 235.0)
    x = np.arange(120.0)
    for middle, depth in ((50.0, 90.0), (55.0, 160.0)):
        cover = np.clip(3.0 - np.abs(x - middle), 0.0, 1.0)
        page = np.minimum(page, 235.0 - depth * cover)
    line = np.stack([np.full(300, 55.0), np.arange(300.0)], axis=1)
    lost = np.zeros(300, dtype=bool)
    lost[100:200] = True
    told = np.array([[49.0, 150.0]])  # a click, a pixel off
    grey = page.astype(np.uint8)
    led = threaded(grey, line, line, lost, 5.0, 90.0, PX_PER_MM, told, closed=False)
    near = led.path[np.abs(led.path[:, 1] - 150.0) < 20.0]
    assert np.abs(near[:, 0] - 50.0).max() < NEAR_MM * PX_PER_MM


@pytest.mark.parametrize("off_px", [-6.0, -4.0, 3.0, 5.0])
def test_a_careless_click_beside_a_clear_line_does_not_bend_it(off_px: float) -> None:
    x = np.arange(120.0)
    grey = np.tile(235.0 - 120.0 * np.clip(3.0 - np.abs(x - 50.0), 0.0, 1.0), (300, 1)).astype(np.uint8)
    line = np.stack([np.full(300, 50.0), np.arange(300.0)], axis=1)
    lost = np.zeros(300, dtype=bool)
    lost[70:230] = True
    told = np.array([[50.0 + off_px, 150.0]])
    led = threaded(grey, line, line, lost, 5.0, 120.0, PX_PER_MM, told, closed=False)
    assert np.abs(led.path[:, 0] - 50.0).max() < NEAR_MM * PX_PER_MM
