"""A look that strays to another line beside the outline's is brought back to the way of the strokes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest

from calibration.frames import FloatArray
from digitize.contour import section
from digitize.contour.section import measure_section
from digitize.shapes import Picture

PX_PER_MM, PEN_PX, THIN_PX = 8.0, 5.4, 1.7
MOST_OFF_PX = 13.0  # of the thin line from the thick one


def thick(y: FloatArray) -> FloatArray:
    return np.column_stack([150.0 + 0.17 * y, y])


def thin(y: FloatArray) -> FloatArray:
    """A line that leaves the thick one for a while, and is crossed by others as it is."""
    away = np.clip((y - 250.0) / 100.0, 0.0, 1.0) * np.clip((550.0 - y) / 100.0, 0.0, 1.0)
    return thick(y) + np.column_stack([MOST_OFF_PX * away, np.zeros(len(y))])


def page() -> Picture:
    big = np.full((2800, 2000), 235, np.uint8)

    def draw(points: FloatArray, width_px: float, tone: int) -> None:
        fixed = np.rint(points * 4 * 16).astype(np.int32)
        cv2.polylines(big, [fixed], False, (tone,), round(4 * width_px), cv2.LINE_AA, 4)

    y = np.arange(10.0, 690.0)
    draw(thin(y[230:550]), THIN_PX, 70)
    for across in (300.0, 395.0, 480.0):
        draw(np.array([(20.0, across), (480.0, across + 4.0)]), 2.6, 50)
    draw(thick(y), PEN_PX, 30)
    grey = cv2.GaussianBlur(cv2.resize(big, (500, 700), interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    noise = np.random.default_rng(1).normal(0.0, 3.0, grey.shape)
    return Picture(np.clip(grey + noise, 0, 255).astype(np.uint8), "a.png", "0" * 64, (203.0, 203.0), "scan")


def test_what_strays_from_the_way_of_the_strokes_is_measured_again(monkeypatch: pytest.MonkeyPatch) -> None:
    looked = section._View.rounds

    def astray(view: Any, path: FloatArray, near_px: Any, usual: float, led: Any = None, edges: Any = None) -> Any:
        """Let the first look end on the thin line, as it does in a crowd of lines that touch."""
        one = looked(view, path, near_px, usual, led, edges)
        if led is not None or edges is not None:
            return one
        off = (thin(one.path[:, 1]) - thick(one.path[:, 1])) * np.array([1.0, 0.0])
        return replace(one, path=one.path + off, place=one.place + off, curve=one.curve + off)

    monkeypatch.setattr(section._View, "rounds", astray)
    y = np.arange(30.0, 670.0)
    found = measure_section(page(), thick(y), PX_PER_MM, PEN_PX, closed=False, edge="middle", side=1)
    off = found.xy[:, 0] - thick(found.xy[:, 1])[:, 0]
    assert np.abs(off).max() < 1.0
    assert not np.any(found.xy[:, 1] < 29.0)
