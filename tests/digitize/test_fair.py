"""Fairing and arcs on made outlines with known truth."""

from __future__ import annotations

import time
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.frames import FloatArray
from digitize import arcs
from digitize.curve import arc_length
from digitize.fair import fair_outline, measure
from digitize.fair.biarcs import Run, arcs_of
from digitize.shapes import ArcPath, BodyMeasures, BodyTrace, FairOutline, Seen
from digitize.symmetry import place_body
from tests.digitize.bodies import apart, body, lens, noisy, resample, spaced, traced, turned

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data"
ALLOWED_ARCS_MM = 0.01


def faired(
    points: FloatArray, sigma: float = 0.03, corners: list[int] | None = None, keep: str = "auto"
) -> tuple[BodyTrace, FairOutline]:
    trace = place_body(traced(points, sigma, corners), keep)  # type: ignore[arg-type]
    return trace, fair_outline(trace)


def in_body(trace: BodyTrace, xy: FloatArray) -> FloatArray:
    return np.asarray(xy @ trace.sheet_to_body[:, :2].T + trace.sheet_to_body[:, 2])


def joint_turns_deg(path: ArcPath) -> FloatArray:
    """The kink at each vertex of a closed path, from its chords and bulges alone."""
    chord = np.roll(path.xy_mm, -1, axis=0) - path.xy_mm
    heading = np.arctan2(chord[:, 1], chord[:, 0])
    half = 2.0 * np.arctan(path.bulge)
    arriving, leaving = np.roll(heading + half, 1), heading - half
    return np.degrees((leaving - arriving + np.pi) % (2 * np.pi) - np.pi)


@pytest.mark.parametrize("cutaway", [False, True])
@pytest.mark.parametrize("bumps", [0, 10])
def test_noise_goes_and_shape_stays(cutaway: bool, bumps: int) -> None:
    points, _ = spaced(body(cutaway))
    trace, fair = faired(noisy(points, 0.03, 3, bumps))
    rms, worst = apart(fair.points.xy, in_body(trace, body(cutaway)))
    assert rms < 0.008
    assert worst < 0.04
    assert fair.symmetric == (not cutaway)
    assert 0.015 < fair.moved_rms_mm < 0.05


def test_a_clean_line_is_hardly_moved() -> None:
    points, _ = spaced(body())
    trace, fair = faired(points, 0.0)
    assert apart(fair.points.xy, in_body(trace, body()))[1] < 0.01


@pytest.mark.parametrize(
    ("radius", "allowed"), [(10.0, 0.02), pytest.param(25.0, 0.01, marks=pytest.mark.slow), (100.0, 0.01)]
)
def test_circles_do_not_shrink(radius: float, allowed: float) -> None:
    """A stadium of two half circles, straight between: the bends and the change into them."""
    angle = np.linspace(0, np.pi, 2000)
    cap = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    ring = np.vstack([np.add(cap, (0.0, 150.0)), -cap])
    points, _ = spaced(ring)
    errors = []
    for seed in range(4):
        trace, fair = faired(noisy(points, 0.02, seed), 0.02)
        round_part = fair.points.xy[fair.points.xy[:, 1] > radius + 150.0 + radius * 0.4]
        centre = in_body(trace, np.array([[0.0, 150.0], [0.0, 0.0]]))
        centre = centre[np.argmax(centre[:, 1])]
        errors.append(float(np.mean(np.hypot(*(round_part - centre).T) - radius)))
    assert abs(np.mean(errors)) < allowed


def test_arcs_meet_tangentially_and_stay_on_the_curve() -> None:
    points, _ = spaced(body(cutaway=True))
    _, fair = faired(noisy(points, 0.03, 1))
    assert np.abs(joint_turns_deg(fair.path)).max() < 0.01
    assert fair.path_deviation_mm < ALLOWED_ARCS_MM
    assert len(fair.path.bulge) < len(fair.points) / 10


def test_symmetric_arcs_are_exactly_mirrored_and_square_at_the_centerline() -> None:
    points, _ = spaced(body())
    _, fair = faired(noisy(points, 0.03, 1))
    xy, bulge = fair.path.xy_mm, fair.path.bulge
    assert np.array_equal(xy[1:] * (-1.0, 1.0), xy[:0:-1])
    assert np.array_equal(bulge, bulge[::-1])
    assert np.abs(joint_turns_deg(fair.path)).max() < 0.01
    assert np.array_equal(fair.points.xy[1:] * (-1.0, 1.0), fair.points.xy[:0:-1])


@pytest.mark.parametrize("corner_deg", [60.0, 80.0, 100.0])
@pytest.mark.parametrize("told", [True, False])
@pytest.mark.parametrize("keep", ["auto", "as drawn"])
def test_sharp_corners_stay_where_they_are(corner_deg: float, told: bool, keep: str) -> None:
    true = lens(corner_deg=corner_deg)
    points, corners = spaced(true, (0, len(true) // 2))
    placed = turned(noisy(points, 0.03, 2), 10.0, (50.0, 80.0))
    trace, fair = faired(placed, corners=corners if told else None, keep=keep)
    tips = in_body(trace, turned(true[[0, len(true) // 2]], 10.0, (50.0, 80.0)))
    assert len(fair.corners) == 2
    for x, y, angle in fair.corners:
        assert np.hypot(*(tips - (x, y)).T).min() < 0.1
        assert angle == pytest.approx(corner_deg, abs=3.0)
    inner = np.abs(joint_turns_deg(fair.path))
    assert (inner > 1.0).sum() == 2
    assert np.sort(inner)[:-2].max() < 0.01


def test_a_corner_that_is_none_is_smoothed() -> None:
    points, _ = spaced(body())
    _, fair = faired(noisy(points, 0.03, 1), corners=[500, 2000])
    assert fair.corners == ()


def test_biarcs_find_the_arcs_of_a_curve_made_of_arcs() -> None:
    angle = np.radians(np.linspace(0, 90, 400))
    first = 100.0 * np.column_stack([np.sin(angle), 1 - np.cos(angle)])
    second = np.array([100.0, 100.0]) + 40.0 * np.column_stack([np.cos(angle) - 1, np.sin(angle)])
    heading = np.concatenate([angle, np.pi / 2 + angle[1:]])
    run = Run(np.vstack([first, second[1:]]), np.column_stack([np.cos(heading), np.sin(heading)]))
    xy, bulge = arcs_of(run)
    assert xy[0] == pytest.approx(first[0])
    assert xy[-1] == pytest.approx(second[-1])
    turned_deg = np.degrees(4 * np.arctan(bulge))
    assert turned_deg.sum() == pytest.approx(180.0, abs=1e-9)
    radius = np.hypot(*np.diff(xy, axis=0).T) / (2 * np.sin(np.radians(turned_deg) / 2))
    share = [np.abs(turned_deg)[np.abs(radius - r) < 0.5].sum() for r in (100.0, 40.0)]
    assert min(share) > 70.0


def test_measures_of_a_body() -> None:
    true = body()
    points, _ = spaced(true)
    _, fair = faired(noisy(points, 0.03, 5))
    found = measure(fair)
    lower = true[true[:, 1] < 200]
    upper = true[true[:, 1] > 340]
    between = true[(true[:, 1] > 200) & (true[:, 1] < 400) & (true[:, 0] > 0)]
    assert found.length_mm == pytest.approx(np.ptp(true[:, 1]), abs=0.03)
    assert found.lower_bout_mm == pytest.approx(np.ptp(lower[:, 0]), abs=0.03)
    assert found.upper_bout_mm == pytest.approx(np.ptp(upper[:, 0]), abs=0.03)
    assert found.waist_mm == pytest.approx(2 * between[:, 0].min(), abs=0.04)
    assert found.waist_y_mm == pytest.approx(between[np.argmin(between[:, 0]), 1], abs=0.6)
    assert found.lower_bout_y_mm == pytest.approx(lower[np.argmax(lower[:, 0]), 1], abs=0.6)
    assert found.perimeter_mm == pytest.approx(arc_length(true, closed=True)[-1], rel=5e-5)


def test_a_body_without_waist_has_none() -> None:
    angle = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    points, _ = spaced(np.column_stack([100 * np.cos(angle), 160 * np.sin(angle)]))
    found = measure(faired(noisy(points, 0.02, 1), 0.02)[1])
    assert (found.waist_mm, found.upper_bout_mm, found.waist_y_mm) == (None, None, None)
    assert found.lower_bout_mm == pytest.approx(200.0, abs=0.03)


def test_bridged_stretches_do_not_pull_the_curve() -> None:
    points, _ = spaced(body())
    rough = noisy(points, 0.03, 1)
    gap = slice(900, 940)
    rough[gap] += np.sin(np.linspace(0, np.pi, 40))[:, None] * (0.4, 0.4)
    tracing = traced(rough)
    seen = np.full(len(rough), Seen.BOTH_EDGES)
    seen[gap] = Seen.BRIDGED
    trace = place_body(replace(tracing, seen=seen), "as drawn")
    fair = fair_outline(trace)
    assert apart(fair.points.xy, in_body(trace, body()))[1] < 0.06


@pytest.mark.parametrize("stated", [0.01, 0.03], ids=["as it is", "three times what it is"])
def test_ink_beside_the_line_leaves_no_bump_however_unsure_the_line_is_said_to_be(stated: float) -> None:
    points, _ = spaced(body())
    at = arc_length(points, closed=True)[:-1]
    rough = noisy(points, 0.01, 4)
    away = at - at[900]
    out = (points[905] - points[895])[::-1] * (1.0, -1.0)
    rough += 0.06 * np.exp(-0.5 * (away / 0.7) ** 2)[:, None] * out / np.hypot(*out)
    seen = np.where(np.abs(away) < 1.5, Seen.ONE_EDGE, Seen.BOTH_EDGES)
    trace = place_body(replace(traced(rough, stated), seen=seen), "as drawn")
    near = np.hypot(*(fair_outline(trace).points.xy - in_body(trace, points[900:901])).T) < 6.0
    assert apart(fair_outline(trace).points.xy[near], in_body(trace, body()))[1] < 0.012


def test_a_body_is_done_in_time() -> None:
    points, _ = spaced(body())
    rough = noisy(points, 0.03, 1, 10)
    start = time.perf_counter()
    _, fair = faired(rough)
    measure(fair)
    assert time.perf_counter() - start < 3.0  # 0.4 s alone on one core; others may be busy


@lru_cache(maxsize=1)
def measured_as_it_lies() -> tuple[FloatArray, BodyMeasures]:
    """A noisy body and its measures: every turn of it is held against the same."""
    points = noisy(spaced(body(True))[0], 0.03, 2)
    return points, measure(faired(points)[1])


TURNS, SHIFTS = st.floats(-180.0, 180.0), st.floats(-400.0, 400.0)


@settings(max_examples=3, deadline=None, derandomize=True)
@given(angle=TURNS, dx=SHIFTS, dy=SHIFTS)
def test_turning_the_sheet_changes_no_measure(angle: float, dx: float, dy: float) -> None:
    measured_alike(angle, dx, dy)


@pytest.mark.slow
@settings(max_examples=6, deadline=None, derandomize=True)
@given(angle=TURNS, dx=SHIFTS, dy=SHIFTS)
def test_turning_the_sheet_often_changes_no_measure(angle: float, dx: float, dy: float) -> None:
    measured_alike(angle, dx, dy)


def measured_alike(angle: float, dx: float, dy: float) -> None:
    points, one = measured_as_it_lies()
    other = measure(faired(turned(points, angle, (dx, dy)))[1])
    for name in ("length_mm", "lower_bout_mm", "waist_mm", "upper_bout_mm", "perimeter_mm"):
        assert getattr(other, name) == pytest.approx(getattr(one, name), abs=0.01), name
    assert other.area_mm2 == pytest.approx(one.area_mm2, rel=1e-6)


@pytest.mark.skipif(not (DATA / "viola.xy").exists(), reason="the shared outlines are not here")
def test_shared_viola_keeps_its_corners() -> None:
    points = np.loadtxt(DATA / "viola.xy")
    trace, fair = faired(noisy(resample(points, 0.25, closed=True), 0.03, 1))
    assert len(fair.corners) == 6
    assert apart(in_body(trace, points), fair.points.xy)[1] < 0.1
    left, bottom, right, top = arcs.extents(fair.path)
    assert (right - left, top - bottom) == pytest.approx((297.98, 450.83), abs=0.06)


@pytest.mark.parametrize("name", ["cutaway", "double_cutaway"])
def test_shared_cutaways_are_followed(name: str) -> None:
    file = DATA / f"{name}.xy"
    if not file.exists():
        pytest.skip("the shared outlines are not here")
    points = np.loadtxt(file)
    trace, fair = faired(noisy(resample(points, 0.25, closed=True), 0.03, 1))
    assert not fair.symmetric
    # Its kink of 22 degrees is less than a corner, so it is rounded.
    assert apart(in_body(trace, points), fair.points.xy)[1] < 0.25
    assert fair.path_deviation_mm < ALLOWED_ARCS_MM
