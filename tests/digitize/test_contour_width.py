"""A line's own width, where other ink lies along it and where a photo's far end is blurred."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.frames import FloatArray
from digitize.contour.width import LIKELY_WIDTH, own_width

STEP_MM, PX_PER_MM = 0.25, 8.0


def ring() -> FloatArray:
    """Stations round an ellipse of 400 by 300 mm, px."""
    angle = np.linspace(0.0, 2.0 * np.pi, 4400, endpoint=False)
    return np.stack([1600.0 * np.cos(angle), 1200.0 * np.sin(angle)], axis=1)


def seen(own: FloatArray, doubled: float, seed: int = 1) -> FloatArray:
    """Widths with noise, a share of them doubled by other lines in runs of 30 mm."""
    rng = np.random.default_rng(seed)
    width = own * (1.0 + 0.02 * rng.standard_normal(len(own)))
    run = round(30.0 / STEP_MM)
    for _ in range(round(doubled * len(own) / run)):
        start = rng.integers(0, len(own) - run)
        width[start : start + run] = 2.0 * own[start : start + run]
    return width


@pytest.mark.parametrize("rise", [0.35, 0.6])
def test_a_width_that_rises_to_the_far_end_is_followed(rise: float) -> None:
    """By as much as a photo at 25 degrees of tilt showed it: 3.2 px at the near end and 5 at the far one."""
    path = ring()
    own = 3.5 * np.exp(rise * path[:, 1] / 2400.0)
    found = own_width(seen(own, 0.15), path, 3.5, STEP_MM, rises=True)
    assert np.abs(found / own - 1.0).max() < 0.06


@given(st.integers(0, 10_000))
def test_an_even_width_stays_even_whatever_lies_along_the_line(seed: int) -> None:
    path = ring()
    found = own_width(seen(np.full(len(path), 3.5), 0.25, seed), path, 3.5, STEP_MM, rises=True)
    assert np.abs(found / 3.5 - 1.0).max() < 0.05


def test_in_a_scan_what_rises_is_other_ink() -> None:
    path = ring()
    own = np.full(len(path), 3.5)
    beside = np.where(path[:, 1] > 200.0, 1.0 + path[:, 1] / 4000.0, 1.0)
    found = own_width(own * beside, path, 3.5, STEP_MM, rises=False)
    assert np.abs(found / 3.5 - 1.0).max() < LIKELY_WIDTH


def test_a_short_part_has_one_width() -> None:
    path = ring()[:200]
    found = own_width(seen(np.full(200, 3.5), 0.0), path, 3.5, STEP_MM, rises=True)
    assert np.abs(found / 3.5 - 1.0).max() < 0.05
