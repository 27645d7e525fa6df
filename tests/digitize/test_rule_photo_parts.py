"""The parts of the finder of rules in photos: course, places, certain count, level."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from calibration.units import MM_PER_INCH
from digitize.rule.hierarchy import Hierarchy
from digitize.rule.photo_body import SURE_LINE, SURE_STEP, Body
from digitize.rule.photo_certain import certain_marks
from digitize.rule.photo_course import Course, Curve, fit_curve, straightened
from digitize.rule.photo_group import Found, decided, parted
from digitize.rule.photo_level import rescaled
from digitize.rule.photo_pattern import read_pattern
from digitize.rule.photo_places import measure_places
from digitize.rule.photo_records import sigma_of, slow_u
from digitize.rule.photo_tiles import find_stripes
from digitize.rule.photo_unit import Sight
from digitize.rule.photo_view import view_of
from digitize.rule.unit import HALF_MM, MM, Decision, Worth
from tests.digitize.rule_pages import MM_LEVELS, inch_levels, level_length, stamp

BIAS_PX = 0.03
SCATTER_PX = 0.08


def straight_course(start, step, lean_rad=np.pi / 2, count=100):
    """A course of even graduations along a straight line."""
    index = np.linspace(0.0, count, 12)
    at = np.asarray(start) + index[:, None] * np.asarray(step)
    every = np.ones(12)
    x, y = (fit_curve(index, at[:, k], every, 1, 1e-6, robust=False) for k in (0, 1))
    lean = fit_curve(index, np.full(12, lean_rad), every, 0, 1e-6, robust=False)
    return Course(x, y, lean, float(np.hypot(*step)))


def drawn_lines(start, step, count, width_px, tall_px, blur_px, noise, rng, jitter=0.0):
    """A grey picture of upright lines, averaged over the area of each pixel, and where they are."""
    ink = np.zeros((140, 900), np.float32)
    at = np.asarray(start) + np.arange(count)[:, None] * np.asarray(step)
    at = at + rng.uniform(-jitter, jitter, (count, 1)) * np.array([1.0, 0.0])
    for x, y in at:
        stamp(ink, np.array([(x - width_px / 2, y), (x + width_px / 2, y), (x + width_px / 2, y + tall_px),
                             (x - width_px / 2, y + tall_px)]))  # fmt: skip
    grey = cv2.GaussianBlur(200.0 - 130.0 * ink, (0, 0), blur_px)
    grey += rng.normal(0, noise, grey.shape)
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8), at


@pytest.mark.parametrize("blur_px", [0.5, 0.8, 1.2])
@pytest.mark.parametrize("pitch_px", [3.1, 4.5, 7.3, 14.2])
def test_places_have_no_bias_whatever_pitch_and_blur(pitch_px, blur_px):
    rng = np.random.default_rng(int(10 * pitch_px + 100 * blur_px))
    count = int(800 / pitch_px)
    noise = 3.0 if pitch_px > 4 else 1.0  # fine lines keep a twentieth of their contrast in the most blurred picture
    grey, at = drawn_lines((30.3, 50.0), (pitch_px, 0.0), count, 1.1, 22.0, blur_px, noise, rng, 0.12)
    course = straight_course((30.3, 50.0), (pitch_px, 0.0))
    index = np.arange(2, count - 2)
    found = measure_places(grey, course, index, 0.0, (3.0, 19.0), np.ones(len(index), dtype=bool))
    error = found.off * pitch_px - (at[index, 0] - 30.3 - index * pitch_px)
    assert found.fair.mean() > 0.9
    assert abs(error[found.fair].mean()) < BIAS_PX
    assert error[found.fair].std() < SCATTER_PX
    for part in np.array_split(error[found.fair], 6):  # nor where the pixel grid and the pitch beat
        assert abs(part.mean()) < 2 * BIAS_PX


def test_a_line_across_some_bands_does_not_move_a_graduation():
    rng = np.random.default_rng(5)
    grey, at = drawn_lines((30.3, 50.0), (7.3, 0.0), 100, 1.1, 22.0, 0.7, 2.0, rng)
    cv2.line(grey, (300, 45), (340, 62), 60, 2, cv2.LINE_AA)
    course = straight_course((30.3, 50.0), (7.3, 0.0))
    index = np.arange(2, 98)
    found = measure_places(grey, course, index, 0.0, (3.0, 19.0), np.ones(len(index), dtype=bool))
    error = found.off * 7.3 - (at[index, 0] - 30.3 - index * 7.3)
    assert np.abs(error[found.fair]).max() < 0.3
    assert found.fair.mean() > 0.9


def test_a_lean_that_is_off_shows_as_slant():
    rng = np.random.default_rng(6)
    grey, _ = drawn_lines((30.3, 50.0), (7.3, 0.0), 100, 1.1, 22.0, 0.7, 1.0, rng)
    course = straight_course((30.3, 50.0), (7.3, 0.0), np.pi / 2 + 0.03)
    index = np.arange(2, 98)
    found = measure_places(grey, course, index, 0.0, (3.0, 19.0), np.ones(len(index), dtype=bool))
    assert np.nanmedian(found.slant) == pytest.approx(np.tan(0.03), abs=0.004)


def test_a_curve_goes_on_straight_beyond_what_was_fitted():
    index = np.linspace(0, 50, 60)
    curve = fit_curve(index, 3.0 + 0.2 * index + 0.01 * index**2, np.ones(60), 2, 1e-9)
    assert curve(25.0) == pytest.approx(14.25, abs=1e-6)
    assert curve.slope(25.0) == pytest.approx(0.7, abs=1e-6)
    assert curve(60.0) == pytest.approx(38.0 + 10 * 1.2, abs=1e-5)


def test_outliers_do_not_bend_a_curve():
    index = np.linspace(0, 50, 60)
    value = 3.0 + 0.2 * index
    value[::9] += 5.0
    assert np.abs(fit_curve(index, value, np.ones(60), 1, 0.01)(index) - 3.0 - 0.2 * index).max() < 0.05


def test_a_course_counted_in_other_parts_stays_where_it_is():
    course = straight_course((10.0, 20.0), (4.0, 1.0))
    halves = rescaled(course, 2.0, first=3.0)
    assert np.allclose(halves.px([0.0, 8.0], [0.0, 5.0]), course.px([3.0, 7.0], [0.0, 5.0]))
    assert halves.pitch(10.0) == pytest.approx(0.5 * course.pitch(8.0))


def test_the_straightened_strip_is_the_picture_at_its_own_places():
    rng = np.random.default_rng(2)
    grey = rng.integers(0, 255, (80, 120), dtype=np.uint8)
    course = straight_course((20.0, 30.0), (3.0, 0.0), count=20)
    strip = straightened(grey, course, np.arange(5.0), np.arange(3.0))
    assert np.allclose(strip, grey[30:33, 20:35:3], atol=1e-3)


def lengths(index, levels=MM_LEVELS):
    return np.array([8.0 * level_length(int(k), levels) for k in index])


DECIMAL = Hierarchy("decimal", 1.0, 0, (5, 10))


def test_a_count_that_slips_is_cut_where_it_slips():
    rng = np.random.default_rng(3)
    index = np.arange(200)
    true = np.where(index < 130, index, index + 1)  # one graduation was passed over
    used, start = certain_marks(index, lengths(true) + rng.normal(0, 0.8, 200), np.ones(200, dtype=bool), DECIMAL)
    assert start == 0
    assert used[:105].all()
    assert not used[145:].any()


def test_a_stretch_beyond_a_gap_counts_only_with_its_own_numbers():
    index = np.arange(160)
    seen = (index < 80) | (index > 110)
    everything = certain_marks(index, lengths(index), seen, DECIMAL)[0]
    assert everything[seen].all()
    slipped = np.where(index > 110, index + 2, index)
    used = certain_marks(index, lengths(slipped), seen, DECIMAL)[0]
    assert used[:80].all() and not used[111:].any()


def test_a_short_piece_beyond_a_wide_gap_is_left_out():
    index = np.arange(130)
    seen = (index < 90) | (index > 122)
    used = certain_marks(index, lengths(index), seen, DECIMAL)[0]
    assert used[:90].all() and not used[123:].any()


def test_numbers_at_the_tips_make_no_class_of_their_own():
    """Inch marks with a figure at their tips seem longer or not as the figure has it: still sixteenths."""
    rng = np.random.default_rng(8)
    index = np.arange(193)
    length = lengths(index, inch_levels(16)) + rng.normal(0, 0.7, 193)
    length[::16] += rng.choice([0.0, 4.0, 11.0, 18.0], 13)
    assert read_pattern(index, length).steps == (2, 4, 8, 16)


def test_a_true_class_stays():
    rng = np.random.default_rng(8)
    index = np.arange(193)
    found = read_pattern(index, lengths(index, inch_levels(32)) + rng.normal(0, 0.7, 193))
    assert (found.steps[-1], found.confirmed) == (32, True)


def test_an_inch_as_long_as_half_an_inch_where_figures_hide_its_tip_leaves_sixteenths_open():
    """Marks of 32nds as one photo showed them, rows: half of the inches cut short by their figures."""
    index = np.arange(380)
    place = index % 32
    rows = np.select([place % 2 == 1, place % 4 == 2, place % 8 == 4, place % 16 == 8], [7.0, 12.0, 17.5, 23.0], 0.0)
    rows[::32] = [23, 25, 27, 31, 32, 32, 37, 37, 37, 37, 39, 37][: len(rows[::32])]
    rows[16::32] = [26, 27, 28, 28, 28, 29, 29, 29, 29, 30, 30, 30][: len(rows[16::32])]
    found = read_pattern(index, rows)
    assert (found.steps, found.confirmed) != ((2, 4, 8, 16), True)


def _found(worth, pitch_px, body, count=100, told=None):
    """An edge of which only value and scale matter."""
    halves = Hierarchy("dyadic", 0.95, 4, (2, 4, 8, 16))
    pattern = Hierarchy("decimal", 0.95, 0, (5, 10)) if worth.unit == "mm" else halves
    sight = Sight(pattern, pitch_px, 3.0, 2.0, False, 4000.0, told)
    edge = _seen_edge(np.eye(3), (0.0, 500.0 * body), (pitch_px, 0.0), count)
    edge.course.pitch_px = pitch_px
    return Found(edge, sight, Decision(worth, "", (worth,)), None, body)


def _seen_edge(homography, start, step, count):
    """Graduations on the sheet as a camera sees them: places and pitch, and nothing else."""

    def px(number, row=None):
        sheet = np.asarray(start) + np.asarray(number)[..., None] * np.asarray(step)
        x, y, w = np.einsum("ij,...j->i...", homography, np.append(sheet, np.ones((*sheet.shape[:-1], 1)), axis=-1))
        return np.stack([x / w, y / w], axis=-1)

    def pitch(number):
        return float(np.hypot(*(px(np.array(number + 0.5)) - px(np.array(number - 0.5)))))

    course = SimpleNamespace(px=px, pitch=pitch, pitch_px=pitch(count / 2))
    return SimpleNamespace(index=np.arange(count), at=np.arange(count, dtype=float), base_row=0.0, course=course)


def _tilted(tilt_deg, focal_px=3200.0, away_mm=600.0, size=(4000, 3000)):
    """The homography of a sheet, mm, seen by a camera that is tilted over it."""
    c, s = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    camera = np.array([[focal_px, 0, size[0] / 2], [0, focal_px, size[1] / 2], [0, 0, 1]])
    return camera @ np.array([[1, 0, 0], [0, c, 0], [0, s, away_mm]])


def _mm_edges(tilt_deg):
    """A rule across the view nearby, and one along the view far away, in millimetres."""
    seen = [((-150.0, -190.0), (1.0, 0.0)), ((170.0, -20.0), (0.0, 1.0))]
    edges = [_seen_edge(_tilted(tilt_deg), start, step, 290) for start, step in seen]
    decimal = Hierarchy("decimal", 0.95, 0, (5, 10))
    sights = [Sight(decimal, edge.course.pitch_px, 3.9, 2.0, False, 4000.0, None) for edge in edges]
    pairs = zip(edges, sights, strict=True)
    return [Found(edge, sight, Decision(MM, "", (MM,)), None, n) for n, (edge, sight) in enumerate(pairs)]


@pytest.mark.parametrize("tilt_deg", [0.0, 12.0, 25.0, 35.0])
def test_graduations_show_how_much_smaller_things_look_further_away(tilt_deg):
    found = _mm_edges(tilt_deg)
    view = view_of([one.edge for one in found], 4000.0)
    near, far = (view.size(one.edge) for one in found)
    assert near / far == pytest.approx(found[0].px_per_mm / found[1].px_per_mm, rel=0.12)


def test_values_that_only_a_steep_view_brings_together_are_no_contradiction():
    steep = _mm_edges(35.0)
    assert steep[0].px_per_mm / steep[1].px_per_mm > 1.8
    assert [one.decision.worth for one in decided(steep)] == [MM, MM]
    # the same pitches on graduations that show no such view
    level = [replace(one, edge=flat.edge) for one, flat in zip(steep, _mm_edges(0.0), strict=True)]
    for one in level:
        one.edge.course.pitch_px = one.sight.pitch_px
    assert [one.decision.worth for one in decided(level)] == [None, None]


def test_of_values_that_contradict_each_other_most_must_agree_or_none_is_certain():
    double = Worth("in", MM_PER_INCH / 16, "1/16 in")  # of a scale of 3 px a millimetre beside two of 6.6
    agree = [_found(HALF_MM, 3.3, 0), _found(MM, 6.6, 1)]
    alone = _found(double, 4.75, 2, count=380)
    settled = [one.decision.worth for one in decided([*agree, alone])]
    assert settled == [HALF_MM, MM, Worth("in", MM_PER_INCH / 32, "1/32 in")]
    assert [one.decision.worth for one in decided([agree[0], alone])] == [None, None]
    told = _found(double, 4.75, 2, told="in")
    settled = [one.decision.worth for one in decided([*agree, told])]
    assert settled[2] == double and HALF_MM not in settled and MM not in settled[1:2]


def test_stripes_are_found_with_their_pitch_and_place():
    rng = np.random.default_rng(1)
    grey, _ = drawn_lines((30.3, 50.0), (6.4, 0.3), 130, 1.2, 24.0, 0.8, 3.0, rng)
    found = find_stripes(grey)
    best = found[0]
    assert best.pitch_px == pytest.approx(6.4, rel=0.03)
    assert best.length_px > 500
    assert np.ptp(best.places[:, 1]) < 70


def test_shared_errors_are_not_averaged_away():
    rng = np.random.default_rng(4)
    noise = rng.normal(0, 0.05, 400)
    assert sigma_of(noise) == pytest.approx(0.05, rel=0.25)
    assert sigma_of(np.convolve(noise, np.ones(9) / 3, "same")) > 0.1
    assert slow_u(0.02, 400) == pytest.approx(0.2)
    assert slow_u(0.02, 3) == 0.02


def test_a_curve_through_one_value_is_level():
    flat = fit_curve(np.array([3.0, 3.0]), np.array([2.0, 2.0]), np.ones(2), 0, 1e-6)
    assert isinstance(flat, Curve)
    assert flat(10.0) == pytest.approx(2.0)
    assert flat.slope(3.0) == 0.0


def test_a_drawn_rule_beside_a_laid_one_is_no_edge_of_its_body():
    """As on a copy with its scale printed where a steel rule was put down along it."""
    edges = [SimpleNamespace(edge=SimpleNamespace(finer=False)) for _ in range(3)]
    steel, printed = Body(True, SURE_STEP, 0.0, 0.0, ""), Body(False, SURE_LINE, 0.0, 0.0, "")
    assert parted(edges, [steel, steel, printed]) == [[0, 1], [2]]
    assert parted(edges, [steel, steel, steel]) == [[0, 1, 2]]
    assert parted(edges, [printed, printed, printed]) == [[0, 1, 2]]
    hidden = [*edges[:2], SimpleNamespace(edge=SimpleNamespace(finer=True))]  # its foot cannot be told
    assert parted(hidden, [steel, steel, printed]) == [[0, 1, 2]]


def test_an_edge_with_the_face_of_a_laid_one_is_no_drawn_rule_beside_it():
    """A wall and a line beside it look like a rule's own line; what lies beyond the marks is metal all the same."""
    edges = [SimpleNamespace(edge=SimpleNamespace(finer=False)) for _ in range(2)]
    steel = Body(True, SURE_STEP, 0.0, 0.0, "", face=105.0, beside=190.0)
    walled = Body(False, SURE_LINE, 0.0, 0.0, "", face=112.0, beside=108.0)
    printed = replace(walled, face=188.0, beside=190.0)
    assert parted(edges, [steel, walled]) == [[0, 1]]
    assert parted(edges, [steel, printed]) == [[0], [1]]
