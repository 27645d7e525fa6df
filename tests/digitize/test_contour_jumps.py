"""Leaps of measured places from one line to another, and how they are told from bends, rounds and noise."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from digitize.contour.jumps import leaps
from tests.digitize.test_contour import make_plan, off_truth, trace
from tests.maker import PlanSpec

PX_PER_MM, STEP_MM = 8.0, 0.25


def slow(*values: object) -> object:
    return pytest.param(*values, marks=pytest.mark.slow)


def rounded_box(radius_mm: float) -> np.ndarray:
    """A closed square of 60 mm with rounded corners, px, stations STEP_MM apart."""
    corner = np.linspace(0.0, np.pi / 2, max(3, round(radius_mm * np.pi / 2 / STEP_MM)), endpoint=False)
    side = np.arange(0.0, 60.0 - 2 * radius_mm, STEP_MM)
    parts, turn = [], np.eye(2)
    start = np.array([radius_mm - 30.0, -30.0])
    for _ in range(4):
        straight = start + np.column_stack([side, np.zeros(len(side))])
        middle = start + np.array([60.0 - 2 * radius_mm, radius_mm])
        arc = middle + radius_mm * np.column_stack([np.sin(corner), -np.cos(corner)])
        parts.append(np.vstack([straight, arc]) @ turn.T)
        turn = np.array([[0.0, -1.0], [1.0, 0.0]]) @ turn
    return np.asarray(np.vstack(parts) * PX_PER_MM)


@pytest.mark.parametrize("radius_mm", [2.0, 4.0, 12.0])
@pytest.mark.parametrize("noise_px", [0.02, 0.15])
def test_rounds_and_noise_are_no_leaps(radius_mm: float, noise_px: float) -> None:
    line = rounded_box(radius_mm)
    line = line + np.random.default_rng(3).normal(0.0, noise_px, line.shape)
    assert not leaps(line, PX_PER_MM, STEP_MM, noise_px, closed=True).any()


@pytest.mark.parametrize("closed", [True, False])
@pytest.mark.parametrize("at", [40, 0])
def test_a_stretch_that_lies_on_another_line_is_marked_at_both_its_ends(closed: bool, at: int) -> None:
    """3 mm of the straight side lie 0.4 mm farther out; over the seam of a closed line too."""
    line = rounded_box(12.0)
    line[[(at + k) % len(line) for k in range(12)], 1] -= 0.4 * PX_PER_MM
    marks = leaps(line, PX_PER_MM, STEP_MM, 0.05, closed=closed)
    assert marks[at + 12]
    assert marks[at] or not closed
    assert marks.sum() < 45


@pytest.mark.parametrize(("family", "seed", "half"), [("small", 3, 40), slow("small", 3, 60), slow("guitar", 9, 90)])
def test_a_heavy_line_across_the_outline_at_a_small_angle_is_never_followed_without_doubt(
    tmp_path: Path, family: str, seed: int, half: int
) -> None:
    """It leaves the outline a few millimetres beside it and comes back to it; its places were taken for some of it."""
    made = make_plan(PlanSpec(name="chord", seed=seed, family=family, blur_px=0.5), tmp_path)
    side = int(np.argmax(made.outline_mm[:, 0]))
    ends = made.to_px(made.outline_mm[[side - half, side + half]])
    beyond = (ends[1] - ends[0]) * 0.25
    page = cv2.imread(str(made.path), cv2.IMREAD_GRAYSCALE)
    first, last = (np.round(place).astype(int).tolist() for place in (ends[0] - beyond, ends[1] + beyond))
    cv2.line(page, first, last, 30, 4, cv2.LINE_AA)
    cv2.imwrite(str(made.path), page)
    traced = trace(made)
    assert off_truth(made, traced).max() < 0.15 or traced.doubts
