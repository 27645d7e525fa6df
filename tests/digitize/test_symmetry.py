"""Axis, ends, audit and keep, on made outlines with known truth."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2

from calibration.errors import Refusal
from calibration.frames import FloatArray, SheetPoints
from digitize.curve import signed_area
from digitize.shapes import BodyTrace, Seen, SheetLine
from digitize.symmetry import place_body
from digitize.symmetry.halves import Loop, split
from tests.digitize.bodies import apart, body, lens, line, noisy, resample, spaced, traced, turned

SHIFT = (310.0, 190.0)
DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data"


def placed_axis(trace: BodyTrace, angle_deg: float) -> tuple[float, float, float]:
    """How far the true tail and axis lie from the body frame's: x mm at mid body, y mm at the tail, degrees."""
    true = turned(np.array([[0.0, 0.0], [0.0, 240.0]]), angle_deg, SHIFT)
    tail, middle = true @ trace.sheet_to_body[:, :2].T + trace.sheet_to_body[:, 2]
    return float(middle[0]), float(tail[1]), float(np.degrees(np.arctan2(middle[0] - tail[0], middle[1] - tail[1])))


def sheet_body(angle_deg: float, sigma: float, *, cutaway: bool = False, bumps: int = 0, seed: int = 1) -> FloatArray:
    points, _ = spaced(body(cutaway))
    return turned(noisy(points, sigma, seed, bumps), angle_deg, SHIFT)


def drawn(angle_deg: float, x: float = 0.0, slant_deg: float = 0.0) -> object:
    ends = np.array([[x, -20.0], [x, 520.0]])
    about = turned(ends - (x, 240.0), slant_deg, (x, 240.0))
    return line(*turned(about, angle_deg, SHIFT))


def slow(value: object) -> object:
    return pytest.param(value, marks=pytest.mark.slow)


@pytest.mark.parametrize("angle_deg", [slow(0.0), 33.0, slow(91.0), -140.0])
def test_own_axis_of_a_noisy_body(angle_deg: float) -> None:
    trace = place_body(traced(sheet_body(angle_deg, 0.1), 0.1))
    x, y, turn = placed_axis(trace, angle_deg)
    assert abs(x) < 0.02
    assert abs(turn) < 0.01
    assert abs(y) < 0.05
    assert [d.code for d in trace.doubts] == ["axis-from-outline"]
    assert trace.audit.axis_source == "outline"


@pytest.mark.parametrize("count", [5, pytest.param(12, marks=pytest.mark.slow)])
def test_stated_axis_uncertainty_covers_the_errors(count: int) -> None:
    ratios = []
    for seed in range(count):
        trace = place_body(traced(sheet_body(20.0, 0.1, seed=seed), 0.1))
        ratios.append(placed_axis(trace, 20.0)[0] / trace.axis_u_mm)
    # the sum of squares of as many normal errors stays below this in 93.5 % of cases: rms 1.3 of 12, 1.4 of 5
    assert 0.05**2 < np.mean(np.square(ratios)) < chi2.ppf(0.935, count) / count


def test_axis_survives_a_cutaway() -> None:
    trace = place_body(traced(sheet_body(-100.0, 0.1, cutaway=True), 0.1))
    x, _, turn = placed_axis(trace, -100.0)
    assert abs(x) < 0.06
    assert abs(turn) < 0.03
    assert "no-centerline" in [d.code for d in trace.doubts]


def test_cutaway_is_kept_as_drawn_without_a_doubt_when_its_centerline_is_drawn() -> None:
    trace = place_body(traced(sheet_body(12.0, 0.03, cutaway=True), lines=(drawn(12.0),)))
    assert trace.audit.axis_source == "drawn centerline"
    assert not trace.symmetric
    assert not trace.doubts
    assert trace.kept.startswith("as drawn")
    assert trace.audit.max_mm > 30.0
    assert trace.audit.max_at[0] == "left"
    assert abs(placed_axis(trace, 12.0)[0]) < 0.03


def test_drawn_line_and_outline_that_agree_are_combined() -> None:
    others = (drawn(50.0, 25.0), line(*turned(np.array([[-100.0, 200.0], [100.0, 200.0]]), 50.0, SHIFT)))
    trace = place_body(traced(sheet_body(50.0, 0.03), lines=(*others, drawn(50.0, 0.02))))
    assert trace.audit.axis_source == "both"
    assert trace.audit.axis_offset_mm == pytest.approx(-0.02, abs=0.01)
    assert not trace.doubts


@pytest.mark.parametrize(("x", "slant"), [(0.6, 0.0), (0.0, 0.3)])
def test_a_drawn_line_off_a_symmetric_body_is_doubted(x: float, slant: float) -> None:
    trace = place_body(traced(sheet_body(50.0, 0.03), lines=(drawn(50.0, x, slant),)))
    assert [d.code for d in trace.doubts] == ["axes-disagree"]
    assert "own axis" in trace.doubts[0].text
    assert abs(trace.audit.axis_offset_mm) == pytest.approx(x, abs=0.02)
    assert abs(trace.audit.axis_angle_deg) == pytest.approx(slant, abs=0.01)
    assert abs(placed_axis(trace, 50.0)[0]) < 0.02


def test_mean_is_exactly_symmetric_and_closer_than_either_half() -> None:
    points = sheet_body(0.0, 0.05)
    trace = place_body(traced(points, 0.05))
    xy = trace.points.xy
    assert trace.symmetric
    assert np.array_equal(xy[1:] * (-1.0, 1.0), xy[:0:-1])
    assert signed_area(xy) > 0
    assert xy[0] == pytest.approx((0.0, 0.0), abs=1e-9)
    true = turned(body(), 0.0, SHIFT) @ trace.sheet_to_body[:, :2].T + trace.sheet_to_body[:, 2]
    assert apart(xy, true)[0] < 0.75 * 0.05


LOWER_BOUT_Y_MM = float(body()[np.argmax(body()[:, 0]), 1])


def uneven(bulge_mm: float) -> FloatArray:
    """A body whose left lower bout alone swells by ``bulge_mm``."""
    points, _ = spaced(body())
    swell = bulge_mm * np.exp(-0.5 * ((points[:, 1] - LOWER_BOUT_Y_MM) / 40.0) ** 2) * (points[:, 0] < 0)
    return noisy(points - np.column_stack([swell, np.zeros(len(points))]), 0.03, 4)


def test_audit_measures_the_gap_before_anything_is_averaged() -> None:
    trace = place_body(traced(turned(uneven(2.0), 15.0, SHIFT), lines=(drawn(15.0),)))
    audit = trace.audit
    side, x, y = audit.max_at
    assert audit.max_mm == pytest.approx(2.0, abs=0.1)
    assert side == "left"
    assert x < -150.0
    assert y == pytest.approx(LOWER_BOUT_Y_MM, abs=15.0)
    assert audit.gap_mm.max() == pytest.approx(2.0, abs=0.1)
    assert [d.code for d in trace.doubts] == ["halves-differ"]
    assert not audit.agree
    assert not trace.symmetric


@lru_cache(maxsize=1)
def placed_even() -> BodyTrace:
    return place_body(traced(turned(uneven(0.0), 15.0, SHIFT), lines=(drawn(15.0),)))


@pytest.mark.parametrize(("keep", "width"), [("left", 2.0), ("right", 0.0), ("mean", 1.0), ("as drawn", 1.0)])
def test_keep_is_honoured(keep: str, width: float) -> None:
    even = placed_even()
    trace = place_body(traced(turned(uneven(2.0), 15.0, SHIFT), lines=(drawn(15.0),)), keep)  # type: ignore[arg-type]

    def lower(one: BodyTrace) -> float:
        return float(np.ptp(one.points.xy[one.points.xy[:, 1] < 240.0, 0]))

    assert lower(trace) - lower(even) == pytest.approx(2 * width, abs=0.25)
    assert trace.symmetric == (keep != "as drawn")
    assert keep in trace.kept


def test_left_hand_mirrors_everything() -> None:
    tracing = traced(turned(uneven(2.0), 15.0, SHIFT), lines=(drawn(15.0),))
    right, left = place_body(tracing), place_body(tracing, hand="left")
    assert signed_area(left.points.xy) > 0
    assert apart(left.points.xy * (-1.0, 1.0), right.points.xy)[1] < 1e-9
    assert left.audit.max_at[0] == "right"
    assert np.linalg.det(left.sheet_to_body[:, :2]) == pytest.approx(-1.0)
    again = tracing.points.xy @ left.sheet_to_body[:, :2].T + left.sheet_to_body[:, 2]
    assert apart(again, left.points.xy)[1] < 1e-6


def half_points(side: float, angle_deg: float) -> FloatArray:
    whole = body()
    half = whole[whole[:, 0] >= 0]
    half = half[np.argsort(np.arctan2(half[:, 1] - 240.0, half[:, 0] + 40.0))]
    points = resample(half, 0.25, closed=False)
    noise = np.random.default_rng(3).normal(0, 0.03, points.shape)
    return turned((points + noise) * (side, 1.0), angle_deg, SHIFT)


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("backwards", [False, True])
def test_half_drawing_is_closed_on_its_centerline(side: float, backwards: bool) -> None:
    points = half_points(side, -100.0)[8:-6][:: -1 if backwards else 1]
    trace = place_body(traced(points, half=True, lines=(drawn(-100.0),)))
    x, y, turn = placed_axis(trace, -100.0)
    assert abs(x) < 0.005
    assert abs(y) < 0.05
    assert abs(turn) < 0.001
    xy = trace.points.xy
    assert np.array_equal(xy[1:] * (-1.0, 1.0), xy[:0:-1])
    assert not trace.audit.measured
    assert ("left" if side < 0 else "right") in trace.kept
    assert apart(xy, body()[::4])[1] < 0.2


def test_half_drawing_without_centerline_is_doubted() -> None:
    trace = place_body(traced(half_points(1.0, 10.0), half=True))
    assert [d.code for d in trace.doubts] == ["no-centerline"]
    assert abs(placed_axis(trace, 10.0)[0]) < 3 * trace.axis_u_mm


def told(angle_deg: float, x: float = 0.0, slant_deg: float = 0.0) -> SheetLine:
    ends = turned(np.array([[x, 10.0], [x, 470.0]]) - (x, 240.0), slant_deg, (x, 240.0))
    (x0, y0), (x1, y1) = turned(ends, angle_deg, SHIFT).tolist()
    return SheetLine((x0, y0), (x1, y1), 1.0, 0.06, 0.12 / 460.0)


@pytest.mark.parametrize("cutaway", [False, True])
def test_a_told_centerline_between_no_lines_is_the_axis(cutaway: bool) -> None:
    outline = replace(traced(sheet_body(33.0, 0.03, cutaway=cutaway)), told_axis=told(33.0, 0.25, 0.05))
    trace = place_body(outline, "as drawn")
    x, _, turn = placed_axis(trace, 33.0)
    assert x == pytest.approx(-0.25, abs=0.005)
    assert abs(turn) == pytest.approx(0.05, abs=0.002)
    assert trace.audit.axis_source == "as told"
    assert not trace.doubts
    assert 0.06 < trace.axis_u_mm < 0.12  # what the clicks are good for
    if not cutaway:
        assert abs(trace.audit.axis_offset_mm) == pytest.approx(0.25, abs=0.02)


def test_a_told_centerline_beside_a_drawn_one_means_the_drawn_one() -> None:
    lines = (drawn(33.0, 0.1), drawn(33.0, 4.0))
    outline = replace(traced(sheet_body(33.0, 0.03, cutaway=True), lines=lines), told_axis=told(33.0, 3.6, 0.02))
    trace = place_body(outline, "as drawn")
    assert placed_axis(trace, 33.0)[0] == pytest.approx(-4.0, abs=0.005)
    assert trace.axis_u_mm < 0.03
    assert trace.audit.axis_source == "as told"


def test_a_told_centerline_off_an_even_body_is_followed_and_doubted() -> None:
    trace = place_body(replace(traced(sheet_body(33.0, 0.03)), told_axis=told(33.0, 2.0)))
    assert placed_axis(trace, 33.0)[0] == pytest.approx(-2.0, abs=0.01)
    assert [one.code for one in trace.doubts if one.code == "axes-disagree"]
    assert "The centerline that was given" in trace.doubts[0].text


def test_a_half_without_a_drawn_line_is_closed_on_the_told_one() -> None:
    trace = place_body(replace(traced(half_points(1.0, 10.0), half=True), told_axis=told(10.0)))
    assert not trace.doubts
    assert abs(placed_axis(trace, 10.0)[0]) < 0.001
    aside = place_body(replace(traced(half_points(1.0, 10.0), half=True), told_axis=told(10.0, -5.0)))
    assert [one.code for one in aside.doubts] == ["axes-disagree"]


def test_half_that_stops_short_of_the_drawn_line_does_not_trust_it() -> None:
    trace = place_body(traced(half_points(1.0, 0.0)[60:], half=True, lines=(drawn(0.0),)))
    assert [d.code for d in trace.doubts] == ["no-centerline"]


def test_an_outline_beside_its_centerline_is_refused() -> None:
    xy = np.add(body(), (500.0, 0.0))
    aside = Loop(xy, np.ones(len(xy)), np.full(len(xy), Seen.BOTH_EDGES), np.zeros(0, dtype=np.int64))
    with pytest.raises(Refusal):
        split(aside)


def test_ends_that_cannot_be_told_apart_are_doubted() -> None:
    points, corners = spaced(lens(), (0, 2000 * 2))
    trace = place_body(traced(turned(noisy(points, 0.02, 1), 5.0, SHIFT), corners=corners))
    assert "ends-uncertain" in [d.code for d in trace.doubts]
    assert len(trace.corners) == 2
    assert trace.points.xy[trace.corners[0]] == pytest.approx((0.0, 0.0), abs=0.05)


@pytest.mark.parametrize("towards", [1.0, -1.0])
@pytest.mark.parametrize("half", [False, True])
def test_a_place_at_the_neck_settles_the_ends(towards: float, half: bool) -> None:
    points, corners = spaced(lens(), (0, 2000 * 2))
    xy = points[: corners[1] + 1] if half else points
    sheet, (place,) = turned(xy, 5.0, SHIFT), turned(np.array([[0.0, towards * 400.0]]), 5.0, SHIFT)
    axis = turned(np.array([[0.0, points[:, 1].min()], [0.0, points[:, 1].max()]]), 5.0, SHIFT)
    shape = traced(sheet, corners=[] if half else corners, lines=(line(*axis),), half=half)
    middle = (np.ptp(points[:, 1]) / 2.0, 0.0)
    trace = place_body(shape, neck=SheetPoints(place[None] + middle[1]))
    assert "ends-uncertain" not in [d.code for d in trace.doubts]
    neck = trace.sheet_to_body[:, :2] @ place + trace.sheet_to_body[:, 2]
    assert neck[1] > middle[0]


def test_end_angles() -> None:
    square = place_body(traced(sheet_body(0.0, 0.03))).audit
    assert square.tail_angle_deg == pytest.approx(90.0, abs=0.3)
    assert square.neck_angle_deg == pytest.approx(90.0, abs=0.3)
    points, corners = spaced(lens(corner_deg=80.0), (0, 4000))
    pointed = place_body(traced(noisy(points, 0.02, 1), corners=corners)).audit
    assert pointed.tail_angle_deg == pytest.approx(40.0, abs=1.0)


@lru_cache(maxsize=1)
def placed_as_it_lies() -> tuple[FloatArray, BodyTrace]:
    """A noisy body, and its place: every turn of it is held against the same."""
    still = noisy(spaced(body())[0], 0.03, 2)
    return still, place_body(traced(still))


TURNS, SHIFTS = st.floats(-180.0, 180.0), st.floats(-500.0, 500.0)
FEW, MANY = (settings(max_examples=count, deadline=None, derandomize=True) for count in (3, 8))


@FEW
@given(angle=TURNS, dx=SHIFTS, dy=SHIFTS)
def test_turning_the_sheet_changes_nothing_in_the_body(angle: float, dx: float, dy: float) -> None:
    turned_alike(angle, dx, dy)


@pytest.mark.slow
@MANY
@given(angle=TURNS, dx=SHIFTS, dy=SHIFTS)
def test_turning_the_sheet_often_changes_nothing_in_the_body(angle: float, dx: float, dy: float) -> None:
    turned_alike(angle, dx, dy)


def turned_alike(angle: float, dx: float, dy: float) -> None:
    still, one = placed_as_it_lies()
    other = place_body(traced(turned(still, angle, (dx, dy))))
    assert apart(other.points.xy, one.points.xy)[1] < 0.002
    assert other.audit.rms_mm == pytest.approx(one.audit.rms_mm, abs=0.001)


@FEW
@given(angle=TURNS)
def test_mirroring_the_sheet_mirrors_the_axis(angle: float) -> None:
    mirrored_alike(angle)


@pytest.mark.slow
@MANY
@given(angle=TURNS)
def test_mirroring_the_sheet_at_many_angles_mirrors_the_axis(angle: float) -> None:
    mirrored_alike(angle)


def mirrored_alike(angle: float) -> None:
    points = turned(noisy(spaced(body(True))[0], 0.03, 2), angle, SHIFT)
    one = place_body(traced(points))
    other = place_body(traced(points * (-1.0, 1.0)))
    assert apart(other.points.xy * (-1.0, 1.0), one.points.xy)[1] < 0.01
    assert one.audit.max_at[0] != other.audit.max_at[0]


@pytest.mark.skipif(not (DATA / "viola.xy").exists(), reason="the shared outlines are not here")
def test_shared_viola_finds_its_exact_axis() -> None:
    points = np.loadtxt(DATA / "viola.xy")
    middle = points[:, 0].min() + np.ptp(points[:, 0]) / 2
    trace = place_body(traced(noisy(resample(points, 0.25, closed=True), 0.03, 1)))
    axis = np.array([[middle, 0.0], [middle, 450.0]]) @ trace.sheet_to_body[:, :2].T + trace.sheet_to_body[:, 2]
    assert np.abs(axis[:, 0]).max() < 0.03
    assert trace.symmetric


def test_a_half_that_comes_back_to_the_centerline_half_way_is_refused() -> None:
    """Such a line is no half of one body, whatever it is; it was an error of the program once."""
    turn = np.linspace(0.0, np.pi, 800)
    xy = np.column_stack([60.0 * np.abs(np.sin(2.0 * turn)), -200.0 * np.cos(turn)])
    xy[390:410, 0] = -1.0
    tracing = replace(traced(xy), half=True, lines=(SheetLine((0.0, -220.0), (0.0, 220.0), 1.0, 0.01, 1e-4),))
    with pytest.raises(Refusal) as refused:
        place_body(tracing)
    assert refused.value.doubt.code == "no-outline"
