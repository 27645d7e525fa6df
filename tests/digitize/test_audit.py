"""The symmetry audit on points: what is really unlike, the ends, the fairer half, what each choice would change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.budget import Budget, Term
from calibration.frames import BodyPoints, FloatArray
from digitize.fair import fair_outline
from digitize.shapes import HalvesAudit, Seen
from digitize.symmetry import audit_halves, place_body, squared
from digitize.symmetry.audit import meeting, straightness
from digitize.symmetry.axis import Axis
from digitize.symmetry.axis import refined as refined_axis
from digitize.symmetry.halves import Half
from digitize.symmetry.square import shear_u
from digitize.traced import moved_doubts
from tests.digitize.bodies import HALF_CONTROLS, apart, line, spaced, traced, turned
from tests.digitize.halves_cases import Noise, outline, outward, with_bulge

STROKE = Noise(0.02, 2.0)
LOOSE = np.diag([1e-8, 1e-8, 0.005**2])  # squareness as copiers usually hold it, 0.3 degree
SURE = Budget((Term("all", 0.05, "told"),))


def audited(xy: FloatArray) -> HalvesAudit:
    return audit_halves(traced(xy))


def bent(xy: FloatArray, kink_deg: float) -> FloatArray:
    """The tail pressed up or down so that it no longer meets the centerline squarely."""
    slope = np.tan(np.radians(kink_deg / 2))
    reach = np.clip(1 - np.abs(xy[:, 0]) / 40.0, 0.0, None) * (xy[:, 1] < 100)
    return xy - np.column_stack([np.zeros(len(xy)), slope * 40.0 / 2 * reach**2])


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_bulge_is_found_where_it_is_and_as_large_as_it_is(side: float) -> None:
    rng = np.random.default_rng(4)
    xy = outline()
    index = int(np.argmin(np.hypot(*(xy - (side * 125.0, 250.0)).T)))
    angle, shift = 12.0, (30.0, -80.0)
    found = audited(turned(STROKE.on(with_bulge(xy, index), rng), angle, shift)).map.found  # type: ignore[union-attr]
    assert len(found) == 1
    assert found[0].side == ("right" if side > 0 else "left")
    assert np.hypot(found[0].x_mm - xy[index, 0], found[0].y_mm - xy[index, 1]) < 10.0
    assert found[0].size_mm == pytest.approx(0.3, abs=0.045)
    assert found[0].u95_mm < 0.1
    assert not found[0].on_purpose


def out_of_square(xy: FloatArray, by_rad: float) -> FloatArray:
    """The sheet sheared: the angle between across and along closed by so much."""
    return xy @ np.array([[1.0, by_rad / 2.0], [by_rad / 2.0, 1.0]])


def slow(*values: object) -> object:
    return pytest.param(*values, marks=pytest.mark.slow)


@pytest.mark.parametrize("by_deg", [0.3, slow(-0.5)])
def test_a_sheet_out_of_square_makes_no_real_difference(by_deg: float) -> None:
    """The halves of an even body part by over a millimetre, and a sheet's 0.3 degree (1 sigma) explains all of it."""
    xy = out_of_square(STROKE.on(outline(), np.random.default_rng(5)), np.radians(by_deg))
    audit = audit_halves(traced(xy), None, LOOSE)
    assert audit.map is not None
    assert audit.square is not None
    assert audit.map.found == ()
    assert np.degrees(audit.square.taken_rad) == pytest.approx(by_deg, abs=0.005)
    assert audit.square.taken_mm > 1.0
    known = np.isfinite(audit.map.gap_mm)
    assert np.mean(np.abs(audit.map.gap_mm[known]) > audit.map.u95_mm[known]) < 0.15
    told = audit_halves(traced(xy), None).map  # on a sheet that is square for sure they do differ
    assert told is not None
    assert max(one.size_mm for one in told.found) > 0.7


@pytest.mark.parametrize("by_deg", [0.0, 0.3])
def test_a_bulge_is_found_on_a_sheet_of_loose_squareness(by_deg: float) -> None:
    xy = outline()
    index = int(np.argmin(np.hypot(*(xy - (125.0, 250.0)).T)))
    made = STROKE.on(with_bulge(xy, index), np.random.default_rng(4))
    (found,) = audit_halves(traced(out_of_square(made, np.radians(by_deg))), None, LOOSE).map.found  # type: ignore[union-attr]
    assert found.side == "right"
    assert np.hypot(found.x_mm - xy[index, 0], found.y_mm - xy[index, 1]) < 10.0
    assert found.size_mm == pytest.approx(0.3, abs=0.045)
    assert found.u95_mm < 0.1


@pytest.mark.parametrize("by_deg", [slow(0.3), -0.5])
def test_halves_that_only_a_sheet_out_of_square_parts_are_meant_alike(by_deg: float) -> None:
    true = outline()
    xy = out_of_square(STROKE.on(true, np.random.default_rng(5)), np.radians(by_deg))
    trace = place_body(traced(xy), covariance=LOOSE)
    assert [d.code for d in trace.doubts] == ["axis-from-outline"]  # as on a sheet that is square
    assert trace.audit.agree
    assert trace.audit.by_shear
    assert trace.audit.u95_mm > trace.audit.max_mm > 1.0
    assert trace.symmetric
    assert "out of square" in trace.kept
    assert apart(trace.points.xy, true)[1] < 0.1  # the mean of both has none of the shear
    sure = place_body(traced(xy), covariance=LOOSE / 1000.0)  # known to 0.01 degree
    assert "halves-differ" in [d.code for d in sure.doubts]
    assert sure.audit.u95_mm < 0.5
    assert not sure.symmetric


@pytest.mark.parametrize("covariance", [None, LOOSE])
def test_halves_further_apart_than_the_sheets_squareness_explains_differ(covariance: FloatArray | None) -> None:
    xy = out_of_square(STROKE.on(outline(), np.random.default_rng(5)), np.radians(1.2))
    trace = place_body(traced(xy), covariance=covariance)
    assert "halves-differ" in [d.code for d in trace.doubts]
    assert not trace.audit.by_shear
    assert trace.audit.u95_mm < trace.audit.max_mm


@pytest.mark.parametrize(
    ("high_mm", "length_mm", "by_deg"),
    [(0.8, 80.0, 0.3), (2.0, 250.0, 0.0), slow(0.8, 80.0, 0.0), slow(2.0, 250.0, 0.3)],
)
def test_a_half_that_bulges_differs_however_loosely_squareness_is_known(
    by_deg: float, high_mm: float, length_mm: float
) -> None:
    xy = outline()
    index = int(np.argmin(np.hypot(*(xy - (125.0, 250.0)).T)))
    made = STROKE.on(with_bulge(xy, index, high_mm, length_mm), np.random.default_rng(4))
    trace = place_body(traced(out_of_square(made, np.radians(by_deg))), covariance=LOOSE)
    assert "halves-differ" in [d.code for d in trace.doubts]
    assert not trace.symmetric


def test_more_shear_than_a_sheet_can_have_is_a_difference_larger_than_its_uncertainty() -> None:
    xy = out_of_square(STROKE.on(outline(), np.random.default_rng(5)), np.radians(1.2))
    audit = audit_halves(traced(xy), None, LOOSE)
    assert audit.square is not None
    assert audit.square.taken_rad == 0.0
    found = audit.map.found  # type: ignore[union-attr]
    assert found
    assert all(round(one.size_mm, 2) > round(one.u95_mm, 2) for one in found)
    assert max(one.u95_mm for one in found) > 0.5


def test_a_scale_known_one_way_only_is_shear_to_a_body_that_lies_aslant() -> None:
    covariance = np.diag([0.016**2, 1e-10, 0.0])
    assert shear_u(covariance, Axis((0.0, 0.0), np.pi / 2)) == pytest.approx(0.0, abs=1e-9)
    assert shear_u(covariance, Axis((0.0, 0.0), np.pi / 2 + 0.1)) == pytest.approx(0.016 * np.sin(0.2), rel=1e-3)
    assert shear_u(LOOSE, Axis((0.0, 0.0), 0.0)) == pytest.approx(0.005, rel=1e-6)


def test_ink_that_hides_an_edge_all_along_makes_no_real_difference() -> None:
    """A line drawn into one side of the tail pushes the outline's middle by 0.07 mm over 30 mm."""
    xy = outline()
    index = int(np.argmin(np.hypot(*(xy - (22.0, 1.0)).T)))
    one = traced(Noise(0.005, 2.0).on(with_bulge(xy, index, 0.07, 40.0), np.random.default_rng(4)))
    near = np.hypot(*(xy - xy[index]).T) < 20.0
    assert audit_halves(one).map.found  # type: ignore[union-attr]
    hidden = replace(one, seen=np.where(near, Seen.ONE_EDGE, one.seen))
    assert audit_halves(hidden).map.found == ()  # type: ignore[union-attr]


@pytest.mark.parametrize("noise", [Noise(0.1, 0.0), Noise(0.05, 3.0)], ids=str)
def test_nothing_is_called_real_where_the_halves_are_alike(noise: Noise) -> None:
    for seed in range(2):
        audit = audited(noise.on(outline(), np.random.default_rng(seed)))
        assert audit.map is not None
        assert audit.map.found == ()
        known = np.isfinite(audit.map.gap_mm)
        assert np.mean(np.abs(audit.map.gap_mm[known]) > audit.map.u95_mm[known]) < 0.15


def test_a_cutaway_is_on_purpose_and_the_rest_is_still_compared() -> None:
    xy = outline(cutaway=True)
    index = int(np.argmin(np.hypot(*(xy - (-190.0, 110.0)).T)))
    found = audited(STROKE.on(with_bulge(xy, index), np.random.default_rng(1))).map.found  # type: ignore[union-attr]
    assert found[0].on_purpose
    assert found[0].side == "left"
    real = [one for one in found if not one.on_purpose and one.size_mm > 0.2]
    assert any(np.hypot(one.x_mm - xy[index, 0], one.y_mm - xy[index, 1]) < 10.0 for one in real)


def test_a_cutaway_does_not_draw_the_axis_to_itself() -> None:
    """The mean of six cases is known to 0.0016 mm and 0.0009 degree; leaving nothing out it was 0.007 and 0.0035."""
    xy, off = outline(cutaway=True), []
    for seed in range(6):
        points = Noise(0.1, 0.0).on(xy, np.random.default_rng(seed))
        found, _ = refined_axis(Axis((0.0, 240.0), np.pi / 2 + 0.002), points)
        off.append((found.axis.at[0], np.degrees(found.axis.angle_rad - np.pi / 2)))
        assert abs(off[-1][0]) < 3.0 * found.offset_u_mm
        assert abs(off[-1][1]) < np.degrees(3.0 * found.angle_u_rad)
    assert np.abs(np.mean(off, axis=0)[0]) < 0.005
    assert np.abs(np.mean(off, axis=0)[1]) < 0.0027


def test_the_keeps_say_what_they_would_change() -> None:
    xy = outline()
    index = int(np.argmin(np.abs(xy[:, 0] - xy[:, 0].max())))
    keeps = {one.keep: one for one in audited(with_bulge(xy, index, 0.6)).keeps}
    assert keeps["as drawn"].max_mm == pytest.approx(0.0, abs=1e-9)
    assert keeps["mean"].max_mm == pytest.approx(0.3, abs=0.03)
    for keep in ("left", "right"):
        assert keeps[keep].max_mm == pytest.approx(0.6, abs=0.03)
    assert keeps["left"].width_mm == pytest.approx(-0.6, abs=0.05)
    assert keeps["right"].width_mm == pytest.approx(0.6, abs=0.05)
    assert keeps["left"].x_mm > 0 > keeps["right"].x_mm  # each changes the other half


def test_at_a_corner_a_keep_changes_what_lies_between_the_curves() -> None:
    """The halves are the same curve, but for how near to each other its points lie beside one corner."""
    ring = np.array([(0, 0), (80, 0), (95, 150), (40, 300), (-40, 300), (-95, 150), (-80, 0)], dtype=float)
    xy, marks = spaced(ring, tuple(range(7)))
    at = np.arange(len(xy))
    thinned = np.delete(xy, at[(at > marks[5]) & (at < marks[5] + 12) & (at % 3 > 0)], axis=0)
    keeps = audit_halves(traced(thinned, corners=[*marks[1:6], marks[6] - len(xy) + len(thinned)])).keeps
    assert max(one.max_mm for one in keeps) < 0.01


@pytest.mark.parametrize("kink", [6.0, -4.0, 0.0])
def test_a_peak_or_dent_at_the_tail_is_measured(kink: float) -> None:
    rng = np.random.default_rng(2)
    ends = audited(Noise(0.03, 0.0).on(bent(outline(), kink), rng)).ends
    for _, tail, neck in ends:
        assert tail.kink_deg == pytest.approx(kink, abs=0.5 + tail.u95_deg)
        assert tail.u95_deg < 0.8  # of the slope of a parabola over 15 mm with this noise: 0.4, more where it is alike
        assert np.sign(tail.tip_mm) == np.sign(kink) or abs(tail.tip_mm) < 0.05
        assert abs(neck.kink_deg) < 2 * neck.u95_deg + 0.3


def test_making_an_even_body_square_tells_what_it_turned() -> None:
    xy = Noise(0.03, 0.0).on(bent(outline(), 6.0), np.random.default_rng(2))
    tail, neck = squared(place_body(traced(xy), "right"))
    assert tail.kink_deg == pytest.approx(6.0, abs=0.5 + tail.u95_deg)
    assert tail.tip_mm > 0.15
    assert abs(neck.kink_deg) < 2 * neck.u95_deg + 0.3


def test_fairing_tells_how_far_it_moved_the_line_and_where() -> None:
    """Noise comes out of means over 10 mm; where other ink draws the line 2 mm too far in over 3 mm, it does not."""
    xy = Noise(0.03, 0.0).on(outline(), np.random.default_rng(2))
    trace = place_body(traced(xy), "as drawn")
    fair = fair_outline(trace)
    assert fair.moved_mean_mm < 0.03
    assert moved_doubts(fair, SURE) == ()
    points, seen = trace.points.xy.copy(), trace.seen.copy()
    points[1000:1012] -= 2.0 * outward(trace.points.xy)[1000:1012]
    seen[1000:1012] = Seen.ONE_EDGE
    bumped = fair_outline(replace(trace, points=BodyPoints(points), seen=seen))
    assert bumped.moved_mean_mm > 0.3
    assert np.hypot(*(np.array(bumped.moved_at) - points[1006])) < 12.0
    assert [one.code for one in moved_doubts(bumped, SURE)] == ["fair-moved"]


def test_an_ends_angle_is_that_of_a_line_met_at_a_known_slope() -> None:
    x = np.linspace(0.0, 30.0, 120)
    half = Half(
        np.column_stack([x, np.tan(np.radians(5.0)) * x]), np.full(120, 0.03), np.full(120, 3), np.array([], int)
    )
    assert meeting(half, at_tail=True).angle_deg == pytest.approx(85.0, abs=1e-6)
    assert meeting(half, at_tail=True).kink_deg == pytest.approx(10.0, abs=1e-6)


def test_the_fairer_half_is_the_one_without_waves() -> None:
    xy = outline()
    wave = np.where(xy[:, 0] > 0, 0.15 * np.sin(np.arange(len(xy)) * 0.25 / 4.0), 0.0)
    audit = audited(Noise(0.03, 0.0).on(xy + wave[:, None] * outward(xy), np.random.default_rng(3)))
    assert audit.fairer == "left"
    alike = audited(Noise(0.03, 0.0).on(xy, np.random.default_rng(3)))
    assert alike.fairer is None


def test_a_crooked_edge_makes_the_mirrored_body_wrong_by_twice_as_much() -> None:
    y = np.linspace(0.0, 480.0, 961)
    bow = 0.4 * np.sin(np.pi * y / 480.0)
    rms, worst, width = straightness(turned(np.column_stack([bow, y]), 20.0, (5.0, 5.0)))
    assert worst == pytest.approx(0.4 * 2 / np.pi, rel=0.01)  # from its least-squares line
    assert np.ptp(width) == pytest.approx(2 * 0.4, rel=0.01)
    assert rms == pytest.approx(0.4 * np.sqrt(0.5 - 4 / np.pi**2), rel=0.01)


def test_a_half_alone_is_audited_without_a_map() -> None:
    whole = outline()
    tail = int(np.argmin(np.abs(whole[:, 0]) + 1e3 * (whole[:, 1] > 100)))
    ring = np.roll(whole, -tail, axis=0)
    half = ring[ring[:, 0] > -1e-6]
    axis = line(np.array([0.0, -20.0]), np.array([0.0, HALF_CONTROLS[-1, 1] + 20.0]))
    audit = audit_halves(traced(half, lines=(axis,), half=True))
    assert not audit.whole
    assert audit.map is None
    assert [side for side, _, _ in audit.ends] == ["right"]
    assert audit.axis_source == "drawn centerline"
    assert abs(audit.ends[0][1].kink_deg) < 0.5
