"""What is said of a part, from points alone: half an egg, its edge where the test puts it."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.frames import FloatArray, frozen_floats
from calibration.part_fit import fit_part
from calibration.part_runs import off_map, straight_fit
from calibration.solve import Calibration
from digitize.fit_judged import judged
from digitize.fit_shapes import EdgePlaces, HalfCurve
from digitize.part_edge import nearest_on
from digitize.part_fitted import FittedPart
from digitize.part_view import PartView
from digitize.shapes import Picture

TOLERANCE_MM = 0.25
HERE = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
GREY = np.zeros((4, 4), dtype=np.uint8)
RULES = np.diag([0.0008, 0.0004, 0.0005]) ** 2  # 1 sigma of two good rules


def egg() -> HalfCurve:
    at = np.linspace(-np.pi / 2, np.pi / 2, 4000)
    fine = np.column_stack([90.0 * np.cos(at) * (1.0 - 0.2 * np.sin(at)), 125.0 + 125.0 * np.sin(at)])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(fine, axis=0).T))])
    want = np.arange(0.0, along[-1], 0.5)
    xy = np.column_stack([np.interp(want, along, fine[:, i]) for i in (0, 1)])
    tangent = np.gradient(xy, axis=0)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / np.hypot(*tangent.T)[:, None]
    return HalfCurve(frozen_floats(xy), normal, frozen_floats(want), np.zeros(len(xy), dtype=bool))


def part(
    off_mm: FloatArray | float = 0.0, edge_x_mm: float = 0.0, scale: float = 1.0, unseen: slice = slice(0, 0)
) -> FittedPart:
    """A solid half whose edge stands ``off_mm`` out of the outline, with a straight edge at ``edge_x_mm``."""
    curve = egg()
    rng = np.random.default_rng(4)
    off = off_mm + 0.01 * rng.standard_normal(len(curve.xy_mm))
    seen = np.ones(len(off), dtype=bool)
    seen[unseen] = False
    places = (curve.xy_mm + off[:, None] * curve.normal) * scale
    edge = EdgePlaces(np.where(seen[:, None], places, np.nan), seen, np.ones(len(off)), np.zeros(len(off)), off)
    fit = fit_part(places[seen], nearest_on(curve), HERE, RULES, alike=10.0)
    values, u = np.full(len(off), np.nan), np.full(len(off), 0.02)
    values[seen] = fit.off_mm
    y = np.arange(5.0, 245.0, 0.5)
    line = fit.to_body(np.column_stack([edge_x_mm + 0.01 * rng.standard_normal(len(y)), y]) * scale)
    calibration = Calibration(np.diag([0.1, -0.1]), RULES, "affine", (True, True), (), (), 0.0)
    view = PartView(Picture(GREY, "part.png", "0" * 64, None, "scan"), calibration, (), 2, None)
    return FittedPart(
        view, curve, "right", False, True, "inside", fit, edge, seen, off_map(curve.along_mm, values, 4.0), u,
        np.hypot(u, 0.05), straight_fit(line, 4.0), line, (),
    )  # fmt: skip


def bump(size_mm: float) -> FloatArray:
    along = egg().along_mm
    return size_mm * np.clip(4.0 * (0.5 - np.abs(along - 150.0) / 40.0), 0.0, 1.0)


def codes(made: FittedPart) -> tuple[str, list[str]]:
    told = judged(made, TOLERANCE_MM)
    return told.answer, [one.code for one in told.doubts if one.weight != "note"]


def test_a_true_part_fits_with_nothing_to_look_at() -> None:
    assert codes(part()) == ("fits", [])


@pytest.mark.parametrize(
    ("size_mm", "answer", "code"),
    [(0.6, "sand", "part-proud"), (-0.6, "hollow", "part-hollow"), (0.26, "look", "part-near-limit")],
)
def test_a_place_beyond_the_tolerance_decides(size_mm: float, answer: str, code: str) -> None:
    assert codes(part(bump(size_mm))) == (answer, [code])


def test_a_place_within_the_tolerance_is_listed_and_the_part_fits() -> None:
    made = judged(part(bump(0.18)), TOLERANCE_MM)
    assert made.answer == "fits"
    assert [one.size_mm for one in made.runs] == [pytest.approx(0.18, abs=0.02)]


def test_a_stretch_that_was_not_seen_is_never_said_to_fit() -> None:
    assert codes(part(unseen=slice(200, 240))) == ("look", ["part-not-followed"])


@pytest.mark.parametrize("edge_x_mm", [0.45, -0.45])
def test_a_straight_edge_that_is_off_counts_twice(edge_x_mm: float) -> None:
    made = judged(part(edge_x_mm=edge_x_mm), TOLERANCE_MM)
    assert [one.width_mm for one in made.ends] == [pytest.approx(-2.0 * edge_x_mm, abs=0.05)] * 2
    assert [one.code for one in made.doubts].count("part-edge-off") == 2
    assert made.answer == "look"


def test_a_part_larger_than_the_rules_can_explain_is_told() -> None:
    made = judged(part(scale=1.004), TOLERANCE_MM)
    assert "part-size" in [one.code for one in made.doubts]
    assert "larger" in next(one.text for one in made.doubts if one.code == "part-size")
    assert made.answer == "look"
