"""Threading a line through other ink: a drawn arc under crossing lines, its middle known."""

from __future__ import annotations

import cv2
import numpy as np

from calibration.frames import FloatArray
from digitize.contour.thread import threaded

PX_PER_MM, RADIUS_MM, WIDTH_MM = 10.0, 6.0, 0.5
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
    led = threaded(page, rough, path, lost, WIDTH_MM * PX_PER_MM, 200.0, PX_PER_MM, closed=False)
    off = np.array([np.hypot(*(line - place).T).min() for place in led.path[led.led]])
    assert led.led.any() and led.seen.any()
    assert np.quantile(off, 0.95) < NEAR_MM * PX_PER_MM


def test_nothing_lost_is_nothing_led() -> None:
    page, line = page_and_arc()
    led = threaded(page, line, line, np.zeros(len(line), dtype=bool), 5.0, 200.0, PX_PER_MM, closed=False)
    assert not led.led.any() and len(led.path) == len(line)
