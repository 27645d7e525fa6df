"""A stretch that draws the whole fit towards itself is told by the fit of the rest."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from calibration.frames import FloatArray
from calibration.part_apart import stretches_apart
from calibration.part_fit import PartFit, fit_part

STEP_MM = 0.5
# Two unmarked rules of 200 mm: +-0.5 mm, 1 sigma of a uniform error, as shares; and the scanner's squareness.
SCALE = np.diag([0.0014, 0.0014, 0.0017]) ** 2
ALIKE, MEAN_ALIKE, EDGE_U_MM = 10.0, 4.0, 0.01


def nearest(places: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The right half of an ellipse of 90 x 130 mm; feet by Newton's steps from the place's own angle."""
    at = np.arctan2(places[:, 1] / 130.0, places[:, 0] / 90.0)
    for _ in range(12):
        c, s = np.cos(at), np.sin(at)
        foot, slope = np.column_stack([90 * c, 130 * s]), np.column_stack([-90 * s, 130 * c])
        gap = places - foot
        bend = np.einsum("ni,ni->n", slope, slope) + np.einsum("ni,ni->n", gap, foot)
        at = at + np.einsum("ni,ni->n", gap, slope) / bend
    normal = np.column_stack([np.cos(at) / 90, np.sin(at) / 130])
    return np.column_stack([90 * np.cos(at), 130 * np.sin(at)]), normal / np.hypot(*normal.T)[:, None]


def laid(seed: int, proud_mm: float, middle_mm: float, wobble_mm: float = 0.03) -> tuple[PartFit, FloatArray]:
    """Return the fit of a sawn edge with one stretch of 40 mm left standing, and its stations."""
    fine = np.linspace(-np.pi / 2, np.pi / 2, 20001)
    line = np.column_stack([90 * np.cos(fine), 130 * np.sin(fine)])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    along = np.arange(0.0, length[-1], STEP_MM)
    xy = np.column_stack([np.interp(along, length, column) for column in line.T])
    rng = np.random.default_rng(seed)
    wave = gaussian_filter1d(rng.standard_normal(len(along)), 4.0 / STEP_MM)
    away = np.abs(along - middle_mm) / 40.0
    off = wobble_mm * wave / wave.std() + proud_mm * np.clip(4.0 * (0.5 - away), 0.0, 1.0)
    off += rng.normal(0.0, 0.015, len(along))
    start = np.array([[1.0, 0.0, 0.2], [0.0, 1.0, -0.1]])
    return fit_part(xy + off[:, None] * nearest(xy)[1], nearest, start, SCALE, alike=ALIKE), along


def apart(fit: PartFit, along: FloatArray) -> FloatArray:
    return along[stretches_apart(fit, along, SCALE, ALIKE, MEAN_ALIKE, EDGE_U_MM)]


@pytest.mark.parametrize("seed", range(4))
def test_a_stretch_left_standing_is_set_apart(seed: int) -> None:
    middle = 90.0 + 60.0 * seed
    fit, along = laid(seed, 0.25, middle)
    found = apart(fit, along)
    assert len(found)
    assert abs(float(np.median(found)) - middle) < 15.0
    assert np.ptp(found) < 65.0


@pytest.mark.parametrize("seed", range(4))
def test_an_unsteady_edge_has_none(seed: int) -> None:
    assert not len(apart(*laid(seed, 0.0, 100.0)))
