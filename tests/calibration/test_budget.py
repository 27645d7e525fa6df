"""Whether a stated uncertainty holds what it says."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calibration.budget import Budget, Term, coverage_factor, length_u95, outline_budget
from calibration.solve import Calibration

MM_PER_PX = 0.0847


def scale(u_x: float, u_y: float, u_shear: float, uneven: float = 0.0) -> Calibration:
    return Calibration(
        matrix=np.diag([MM_PER_PX, -MM_PER_PX]),
        covariance=np.diag([u_x, u_y, u_shear]) ** 2,
        model="affine",
        certified=(True, True),
        names=("rule 1", "rule 2"),
        residuals_mm=(),
        uneven_mm=uneven,
    )


EXACT = scale(0.0, 0.0, 0.0)


def test_terms_add_as_squares():
    assert Budget((Term("a", 3.0, ""), Term("b", 4.0, ""))).u_mm == pytest.approx(5.0)


def test_few_readings_widen_the_claim():
    few = Budget((Term("a", 1.0, "four readings", 3.0),))
    assert few.u95_mm == pytest.approx(3.182, abs=5e-4)
    assert Budget((Term("a", 1.0, "known"),)).u95_mm == pytest.approx(1.96, abs=1e-3)


def test_length_claim_follows_its_direction():
    known = scale(0.0001, 0.01, 0.0)
    assert length_u95(known, 500.0, 0.0) == pytest.approx(1.96 * 0.05, rel=1e-4)
    assert length_u95(known, 500.0, math.pi / 2) == pytest.approx(1.96 * 5.0, rel=1e-4)


def test_every_part_of_the_outline_claim_widens_it():
    base = {"length_mm": 500.0, "width_mm": 390.0, "line_sigma_mm": 0.02, "pixel_mm": MM_PER_PX}
    plain = outline_budget(calibration=EXACT, **base).u95_mm
    wider = [
        outline_budget(calibration=scale(1e-3, 1e-3, 0), **base),
        outline_budget(calibration=scale(0, 0, 0, uneven=0.2), **base),
        outline_budget(calibration=EXACT, **base, mirrored=True, axis_u_mm=0.05),
        outline_budget(calibration=EXACT, **base, arcs_mm=0.05),
        outline_budget(calibration=EXACT, **base, fairing_u_mm=0.03),
        outline_budget(calibration=EXACT, **base, bridged_fraction=0.02, bridged_u_mm=0.5),
        outline_budget(calibration=EXACT, **base, more=[Term("the drawing itself", 0.1, "stated")]),
    ]
    assert all(budget.u95_mm > plain * 1.1 for budget in wider)
    assert all(term.how and term.u_mm >= 0 for budget in wider for term in budget.terms)


def test_a_centerline_matters_only_where_a_half_was_mirrored():
    base = {"length_mm": 500.0, "width_mm": 390.0, "calibration": EXACT, "line_sigma_mm": 0.02, "pixel_mm": MM_PER_PX}
    assert outline_budget(**base, axis_u_mm=1.0).u95_mm == outline_budget(**base).u95_mm


def stretches(rng: np.random.Generator, sigma: float, count: int) -> np.ndarray:
    """Scatter of a line as fairing leaves it: 150 stretches round the body that err on their own."""
    knots = rng.normal(0, sigma, 150)
    return knots[np.arange(count) * 150 // count]


def ellipse(length_mm: float, width_mm: float, count: int = 400) -> tuple[np.ndarray, np.ndarray]:
    """Points of a body lying along y, and unit normals."""
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    xy = np.stack([width_mm / 2 * np.cos(turn), length_mm / 2 * np.sin(turn)], 1)
    normal = np.stack([length_mm * np.cos(turn), width_mm * np.sin(turn)], 1)
    return xy, normal / np.linalg.norm(normal, axis=1, keepdims=True)


def misfit_after_rigid_fit(xy: np.ndarray, normal: np.ndarray, off: np.ndarray) -> np.ndarray:
    """Distances across the curve left by the best small move and turn."""
    rows = np.column_stack([normal, normal[:, 1] * xy[:, 0] - normal[:, 0] * xy[:, 1]])
    return off - rows @ np.linalg.lstsq(rows, off, rcond=None)[0]


@pytest.mark.parametrize(
    ("u_x", "u_y", "u_shear", "line"),
    [
        (2e-5, 2e-5, 3e-4, 0.02),
        (1e-3, 1e-3, 1e-3, 0.02),
        (1e-5, 0.016, 5e-3, 0.03),
        (3e-4, 1e-4, 0.0, 0.05),
        (4e-4, 4e-4, 4e-4, 0.05),
        (0.0, 0.0, 0.0, 0.05),
    ],
)
def test_outline_claim_holds(u_x, u_y, u_shear, line):
    """In 95 of 100 made cases, at least 95 % of the points lie within u95."""
    rng = np.random.default_rng(7)
    length, width = 505.0, 395.0
    xy, normal = ellipse(length, width)
    claim = outline_budget(length, width, scale(u_x, u_y, u_shear), line, MM_PER_PX).u95_mm
    held = []
    for _ in range(400):
        stretch_x, stretch_y, shear = rng.normal(0, [u_x, u_y, u_shear])
        moved = xy @ np.array([[stretch_x, shear / 2], [shear / 2, stretch_y]])
        off = np.sum(moved * normal, 1) + stretches(rng, line, len(xy)) + rng.normal(0, 0.05 * MM_PER_PX)
        left = misfit_after_rigid_fit(xy, normal, off)
        held.append(np.mean(np.abs(left) <= claim) >= 0.95)
    assert np.mean(held) >= 0.935  # 95 %, less the 400 cases' own 1.4 standard errors


def test_coverage_factor_needs_no_freedom_when_all_is_known():
    assert coverage_factor(0.95, math.inf) == pytest.approx(1.959963985, abs=1e-9)
