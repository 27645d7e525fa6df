"""The fewest tangent arcs within a tolerance, on curves whose curvature is known in closed form."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import shapely
from scipy.special import fresnel

from calibration.frames import BodyPoints, FloatArray
from digitize import arcs
from digitize.curve import resample
from digitize.fair import few_arcs, measure
from digitize.fair.chain import Chain, across_derivatives, against, end_derivatives
from digitize.fair.few_arcs import fewest, stretch_of
from digitize.shapes import ArcPath, FairOutline
from tests.bench.fairing import bound as least_of
from tests.bench.fairing import exact, joints_deg, made
from tests.digitize.bodies import apart, body, noisy, spaced
from tests.digitize.test_fair import faired, joint_turns_deg

TIMES_THE_BOUND = 1.25
DENSE = 200_001


def cassini_half(c: float = 170.0, b: float = 184.0) -> FloatArray:
    """The right half of a Cassini oval standing upright, tail to neck; facts: half-length 250.511, waist 70.399."""
    angle = np.linspace(-np.pi / 2, np.pi / 2, DENSE)
    double = np.cos(2 * (np.pi / 2 - angle))
    r = np.sqrt(c * c * double + np.sqrt(b**4 - c**4 * (1 - double**2)))
    return np.column_stack([r * np.cos(angle), r * np.sin(angle)])


def ellipse_half(a: float = 130.0, b: float = 200.0) -> FloatArray:
    t = np.linspace(-np.pi / 2, np.pi / 2, DENSE)
    return np.column_stack([a * np.cos(t), b * np.sin(t)])


BOUT_MM, BLEND_MM, SIDE_MM = 80.0, 90.0, 60.0


def clothoid_half() -> FloatArray:
    """A bout, a straight side and a bout; along the clothoid between them the curvature goes evenly to nothing."""
    turn = np.pi / 2 - BLEND_MM / (2 * BOUT_MM)
    length = [turn * BOUT_MM, BLEND_MM, SIDE_MM / 2]
    easing = (1 - (np.arange(40_000) + 0.5) / 40_000) / BOUT_MM
    bend = [np.full(40_000, 1 / BOUT_MM), easing, np.zeros(20_000)]
    step = np.concatenate([np.full(len(k), mm / len(k)) for k, mm in zip(bend, length, strict=True)])
    k = np.concatenate(bend)
    k, step = np.concatenate([k, k[::-1]]), np.concatenate([step, step[::-1]])
    heading = np.concatenate([[0.0], np.cumsum(k * step)])
    middle = (heading[1:] + heading[:-1]) / 2
    return np.vstack([[0.0, 0.0], np.cumsum(step[:, None] * np.column_stack([np.cos(middle), np.sin(middle)]), axis=0)])


def bound(half: FloatArray, tolerance: float) -> float:
    """n = I / (192 tol)^(1/3) of the whole outline, I the integral of |dk/ds|^(1/3)."""
    heading = np.unwrap(np.arctan2(*np.diff(half, axis=0).T[::-1]))[::50]
    place = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(half, axis=0).T))])
    place = ((place[1:] + place[:-1]) / 2)[::50]
    bend, middle = np.diff(heading) / np.diff(place), (place[1:] + place[:-1]) / 2
    change = np.abs(np.diff(bend) / np.diff(middle))
    return float(2 * np.sum(np.cbrt(change) * np.diff(middle)) / np.cbrt(192 * tolerance))


def outline(*runs: FloatArray, corners: tuple[tuple[float, float, float], ...] = ()) -> FairOutline:
    """A fair outline as the fairing hands it over, exactly even; its right half's runs each start where one ended."""
    parts = [resample(run, 0.25, closed=False) for run in runs]
    xy = np.vstack([*(part[:-1] for part in parts), parts[-1][-1:]])
    xy[0, 0] = xy[-1, 0] = 0.0
    whole = np.vstack([xy, (xy * (-1.0, 1.0))[-2:0:-1]])
    return FairOutline(BodyPoints(whole), arcs.polygon(whole), corners, 0.0, 0.0, 0.0, True)


def lobes(path: ArcPath) -> int:
    """How many times the arcs change from left to right, going once round."""
    sense = np.sign(path.bulge[np.abs(path.bulge) > 1e-9])
    return int(np.sum(sense != np.roll(sense, 1)))


def slow(*values: object) -> object:
    return pytest.param(*values, marks=pytest.mark.slow)


@pytest.mark.parametrize(
    ("drawn", "inflections", "tolerance"),
    [(cassini_half, 4, 0.05), (ellipse_half, 0, 0.05), (clothoid_half, 0, 0.02),
     slow(cassini_half, 4, 0.02), slow(ellipse_half, 0, 0.02), slow(clothoid_half, 0, 0.05)],
)  # fmt: skip
def test_few_more_arcs_than_any_could_do_with(
    drawn: Callable[[], FloatArray], inflections: int, tolerance: float
) -> None:
    half = drawn()
    few = few_arcs(outline(half), tolerance)
    # a straight side and a round bout cost no arc of the bound, but one piece each in any chain
    own = 4 if drawn is clothoid_half else 0
    assert len(few.path.bulge) <= TIMES_THE_BOUND * bound(half, tolerance) + own
    assert few.deviation_mm <= tolerance
    assert np.abs(joint_turns_deg(few.path)).max() < 0.01
    assert lobes(few.path) <= inflections
    # against the closed form, not against what was handed over
    assert apart(arcs.flatten(few.path, 1e-5), np.vstack([half, half * (-1.0, 1.0)]))[1] < tolerance + 0.001


def test_where_the_joints_begin_does_not_cost_arcs() -> None:
    """Of this body's half 21 arcs were found from the first beginnings, and 20 from another."""
    few = few_arcs(exact(made("guitar", 3), even=True))
    assert len(few.path.bulge) <= TIMES_THE_BOUND * least_of(made("guitar", 3))
    assert few.deviation_mm <= 0.05


def test_clothoid_values_are_those_published() -> None:
    """C(1) and S(1) of DLMF 7.2(iii), by the same integration that the clothoid body is drawn with."""
    s = np.linspace(0.0, 1.0, 20_001)
    middle = np.pi / 2 * ((s[1:] + s[:-1]) / 2) ** 2
    place = np.array([np.cos(middle).sum(), np.sin(middle).sum()]) / 20_000
    assert place == pytest.approx([0.7798934004, 0.4382591474], abs=1e-8)
    assert place[::-1] == pytest.approx(fresnel(1.0), abs=1e-8)


def test_derivatives_are_those_of_the_chain() -> None:
    chain = Chain(np.array([3.0, 1.0]), 0.4, np.array([0.01, 0.0, -0.02]), np.array([40.0, 25.0, 30.0]))
    place = np.linspace(1.0, 94.0, 40)
    xy = np.array([np.interp(place, [0.0, 40.0, 65.0, 95.0], chain.joints[:, k]) for k in (0, 1)]).T
    at = against(chain, xy, place)
    rows, end = across_derivatives(chain, at), end_derivatives(chain)
    for k in range(9):
        change = np.zeros(9)
        change[k] = 1e-8 if 3 <= k < 6 else 1e-5
        moved = chain.moved(change)
        across = (at.off - against(moved, xy, place).off) / change[k]
        assert across == pytest.approx(rows[:, k], abs=2e-4 * max(np.abs(rows[:, k]).max(), 1.0)), k
        to = np.append(moved.joints[-1] - chain.joints[-1], moved.headings[-1] - chain.headings[-1]) / change[k]
        assert to == pytest.approx(end[:, k], rel=1e-3, abs=2e-3)


def test_a_radius_is_not_biased_by_noise() -> None:
    """60 mm ends on straight sides, 0.1 mm rms of noise on every point: 0.1 % of the radius is 0.06 mm."""
    angle = np.linspace(0, np.pi, 2000)
    cap = 60.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    points, _ = spaced(np.vstack([np.add(cap, (0.0, 150.0)), -cap]))
    radii = []
    for seed in range(3):
        few = few_arcs(faired(noisy(points, 0.1, seed), 0.1)[1])
        radius = arcs.centres(few.path)[1]
        turn = np.degrees(4 * np.abs(np.arctan(few.path.bulge)))
        radii += radius[turn > 60.0].tolist()
    assert len(radii) >= 4
    assert abs(np.mean(radii) - 60.0) < 0.06


def test_corners_straight_runs_and_the_flat_at_the_neck_stay() -> None:
    """A pear on a flat of 60 mm with corners at its ends."""
    half = cassini_half()
    half = half[half[:, 1] < 235.0] + (0.0, 250.51)
    width = half[-1, 0]
    flat = np.array([[0.0, half[-1, 1]]])
    edge = np.linspace(half[-1], flat[0], 400)
    corners = ((width, half[-1, 1], 100.0), (-width, half[-1, 1], 100.0))
    few = few_arcs(outline(half, edge, corners=corners))
    xy, bulge = few.path.xy_mm, few.path.bulge
    for sign in (1.0, -1.0):
        assert np.hypot(*(xy - (sign * width, half[-1, 1])).T).min() < 1e-9
    neck = int(np.argmax(xy[:, 1] + xy[:, 0] * 1e-6))
    assert bulge[neck] == 0.0
    assert abs(xy[neck, 0] - xy[(neck + 1) % len(xy), 0]) == pytest.approx(2 * width, abs=1e-6)
    assert (np.abs(joint_turns_deg(few.path)) > 0.01).sum() == 2
    assert few.deviation_mm <= 0.05


def test_an_even_body_keeps_even_arcs_and_an_uneven_one_closes() -> None:
    points, _ = spaced(0.4 * body())
    few = few_arcs(faired(noisy(points, 0.03, 1))[1])
    assert apart(few.path.xy_mm * (-1.0, 1.0), arcs.flatten(few.path, 1e-4))[1] < 0.001
    fair = faired(noisy(points, 0.03, 1), keep="as drawn")[1]
    loop = few_arcs(fair)
    assert np.abs(joint_turns_deg(loop.path)).max() < 0.01
    assert loop.deviation_mm <= 0.05
    assert len(loop.path.bulge) < len(fair.path.bulge) / 3
    assert arcs.signed_area(loop.path) == pytest.approx(arcs.signed_area(fair.path), rel=1e-5)


@pytest.mark.parametrize(("family", "pieces"), [("horns", 28), ("dulcimer", 20)])
def test_bodies_drawn_with_rule_and_compass_come_back(family: str, pieces: int) -> None:
    """As many lines and arcs as they were drawn of."""
    fair = exact(made(family, 1), even=True)
    few = few_arcs(fair)
    assert len(few.path.bulge) == pieces
    assert few.deviation_mm <= 0.05
    assert joints_deg(fair, few.path) < 0.01


def test_a_long_chain_is_cut_where_the_curve_is_gentle() -> None:
    """Within 0.002 mm a half needs some 35 arcs, more than are looked for at once."""
    half = cassini_half()
    fair = outline(half)
    few = few_arcs(fair, 0.002)
    assert 50 < len(few.path.bulge) <= TIMES_THE_BOUND * bound(half, 0.002)
    assert few.deviation_mm <= 0.002
    assert np.abs(joint_turns_deg(few.path)).max() < 0.01


def test_one_arc_stands_for_a_circle_and_one_line_for_a_line() -> None:
    angle = np.linspace(0.0, 2.0, 800)
    arc = fewest(stretch_of(90.0 * np.column_stack([np.sin(angle), 1 - np.cos(angle)]), "corner", "corner"), 0.05)
    assert arc is not None
    assert 1.0 / arc.curvature == pytest.approx([90.0], abs=1e-4)
    line = fewest(stretch_of(np.linspace((0.0, 0.0), (120.0, 50.0), 500), "corner", "corner"), 0.05)
    assert line is not None
    assert line.curvature.tolist() == [0.0]


def test_distances_are_from_arcs_and_not_from_chords() -> None:
    path = ArcPath(np.array([[1.0, 0.0], [-1.0, 0.0]]), np.array([1.0, 0.0]), True)  # the upper half disc
    points = np.array([[0.0, 1.3], [0.6, 0.8], [0.0, 0.2], [0.5, -0.4], [2.0, 0.0], [-1.5, -0.5]])
    assert arcs.distances(path, points) == pytest.approx([0.3, 0.0, 0.2, 0.4, 1.0, np.hypot(0.5, 0.5)], abs=1e-12)


def test_radii_side_and_area_are_those_of_the_closed_forms() -> None:
    """Cassini's oval (facts, section 6): radii, area, perimeter; an ellipse has no hollow. Steiner's offset by 3 mm."""
    found = measure(outline(cassini_half()))
    # a radius is that of the longest arc within 0.008 mm, so an oval's tightest place comes out a little wider
    assert found.outside_radius_mm == pytest.approx(92.53422, rel=0.02)
    assert found.inside_radius_mm == pytest.approx(99.54159, rel=0.02)
    assert found.side_mm == pytest.approx(1236.576887 / 2, abs=0.02)
    assert found.area_mm2 == pytest.approx(82902.274244, rel=2e-5)
    ellipse = measure(outline(ellipse_half()))
    assert ellipse.inside_radius_mm is None
    assert ellipse.outside_radius_mm == pytest.approx(84.5, rel=0.02)
    assert ellipse.perimeter_mm == pytest.approx(1048.420719913343, abs=0.02)
    few = few_arcs(outline(cassini_half())).path
    wider = shapely.Polygon(arcs.flatten(few, 1e-4)).buffer(3.0, quad_segs=400)
    assert wider.area == pytest.approx(86640.2616, rel=2e-4)
    assert wider.length == pytest.approx(1255.4264, rel=1e-4)
