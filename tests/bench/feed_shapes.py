"""What a machine that feeds unevenly does to a drawing: waves, steps and slips along one direction, exactly."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from calibration.frames import FloatArray
from tests.maker.marks import Mark

FINE_MM = 1.0  # lines are bent in pieces of this length
STEEPEST = 0.6  # no paper is pulled back, nor stretched to twice its length


@dataclass(frozen=True)
class Feed:
    """By how much places along one direction come to lie farther on than they were drawn."""

    kind: Literal["wave", "step", "slip", "even"] = "even"
    size_mm: float = 0.0
    at_mm: float = 0.0  # middle of a step or slip; where a wave begins
    width_mm: float = 1.0  # period of a wave

    def off_mm(self, along: FloatArray) -> FloatArray:
        """Return (N,) mm for places along the feed."""
        s = np.asarray(along, dtype=np.float64) - self.at_mm
        if self.kind == "wave":
            return np.asarray(self.size_mm * np.sin(2 * np.pi * s / self.width_mm))
        if self.kind == "step":
            return np.asarray(self.size_mm / 2 * np.tanh(s / self.width_mm))
        if self.kind == "slip":
            return np.asarray(self.size_mm * np.clip(s / self.width_mm + 0.5, 0.0, 1.0))
        return np.zeros_like(s)


def made_feed(kind: str, size_mm: float, length_mm: float, rng: np.random.Generator) -> Feed:
    """Return a feed of a kind somewhere along a length, never steeper than paper goes."""
    if kind == "wave":
        period = float(rng.uniform(max(60.0, 2 * np.pi * abs(size_mm) / STEEPEST), length_mm))
        return Feed("wave", size_mm, float(rng.uniform(0, period)), period)
    at = float(rng.uniform(0.15, 0.85) * length_mm)
    if kind == "step":
        return Feed("step", size_mm, at, float(max(rng.uniform(1.5, 4.0), abs(size_mm) / 2 / STEEPEST)))
    if kind == "slip":
        return Feed("slip", size_mm, at, float(rng.uniform(20.0, 150.0)))
    return Feed()


def _dense(mark: Mark) -> FloatArray:
    points = np.vstack([mark.points, mark.points[:1]]) if mark.closed else mark.points
    pieces = [points[:1]]
    for start, end in itertools.pairwise(points):
        count = max(1, int(np.ceil(np.hypot(*(end - start)) / FINE_MM)))
        pieces.append(start + np.linspace(0, 1, count + 1)[1:, None] * (end - start))
    dense = np.vstack(pieces)
    return dense[:-1] if mark.closed else dense


def fed(mark: Mark, feed: Callable[[FloatArray], FloatArray], axis: int) -> Mark:
    """Return a mark as it comes out of an uneven feed along x (0) or y (1)."""
    points = _dense(mark)
    points[:, axis] += feed(points[:, axis])
    return replace(mark, points=points)
