"""The overlay: lines where the outline is, bridged stretches in another style, nothing made at full size."""

from __future__ import annotations

import tracemalloc
from base64 import b64decode
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.frames import BodyPoints
from digitize.report import overlay
from digitize.report.context import carry_over
from digitize.report.overlay import write_overlay
from digitize.report.pictures import close_ups, cut, reads_forward, rule_strips
from digitize.shapes import Picture
from tests.digitize import report_example


@pytest.fixture(scope="module")
def shown():
    return report_example.example().context


def like(image, colour, far=60):
    return np.abs(image.astype(int) - colour).sum(axis=2) < far


def distance_to(mask, places):
    """Distance in px from every place to the nearest pixel of the mask."""
    far = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5)
    at = np.clip(np.round(places).astype(int), 0, np.array(mask.shape[::-1]) - 1)
    return far[at[:, 1], at[:, 0]]


def test_overlay_draws_the_outline_where_it_is(shown, tmp_path):
    path = tmp_path / "overlay.png"
    write_overlay(shown.picture, shown.body_to_px, shown.body, shown.traced, None, shown.rules, path, 1200)
    image = cv2.imread(str(path))
    assert max(image.shape) == 1200
    factor = 1200 / max(shown.picture.grey.shape)
    places = overlay.moved(overlay.to_px(shown.body_to_px, shown.body.xy), np.zeros(2), factor)
    traced, bridged = like(image, overlay.TRACED_BGR), like(image, overlay.BRIDGED_BGR)
    # Half a pixel of the overlay is what rounding to its grid takes; one more for the line's soft edge.
    # The outline's ends touch the centerline, which is drawn beneath.
    assert np.quantile(distance_to(traced, places[shown.traced]), 0.98) <= 1.5
    # Bridged stretches are dashes, so a place may be as far as one gap away, and the ring around is as red.
    assert distance_to(bridged, places[~shown.traced]).max() <= overlay.DASH_IN_LINES * 2
    assert distance_to(traced, places[~shown.traced]).max() > 2


def test_centerline_and_rules_are_drawn(shown, tmp_path):
    path = tmp_path / "overlay.png"
    ends = ((0.0, 0.0), (0.0, report_example.LENGTH_MM))
    write_overlay(shown.picture, shown.body_to_px, shown.body, None, ends, shown.rules, path)
    image = cv2.imread(str(path))
    factor = 2400 / max(shown.picture.grey.shape)
    middle = overlay.moved(overlay.to_px(shown.body_to_px, np.array([[0.0, 201.0]])), np.zeros(2), factor)
    assert distance_to(like(image, overlay.AXIS_BGR), middle)[0] <= overlay.DASH_IN_LINES * 3
    for rule in shown.rules:
        ends_px = overlay.moved(np.array([rule.from_px, rule.to_px]), np.zeros(2), factor)
        assert distance_to(like(image, overlay.RULE_BGR, 160), ends_px).max() <= 3


def test_small_pictures_are_not_enlarged(shown, tmp_path):
    grey = np.full((90, 70), 250, dtype=np.uint8)
    small = replace(shown.picture, grey=grey)
    write_overlay(small, shown.body_to_px * 0.02, shown.body, None, None, (), tmp_path / "o.png")
    assert cv2.imread(str(tmp_path / "o.png")).shape == (90, 70, 3)


def test_overlay_of_a_large_page_needs_a_fraction_of_its_bytes(tmp_path):
    grey = np.full((9000, 7000), 245, dtype=np.uint8)  # 63 megapixels
    page = Picture(grey, "large.png", "00" * 32, None, "scan")
    body = BodyPoints(np.array([[-100.0, 0.0], [100.0, 0.0], [100.0, 400.0], [-100.0, 400.0]]))
    tracemalloc.start()
    write_overlay(page, np.array([[20.0, 0, 3500], [0, -20.0, 8500]]), body, None, None, (), tmp_path / "o.png")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < grey.nbytes


def test_runs_cover_the_loop_once_and_join():
    loop = np.column_stack([np.arange(10.0), np.zeros(10)])
    traced = np.ones(10, dtype=bool)
    traced[[0, 9, 4]] = False
    found = overlay.runs(loop, traced)
    assert sorted(is_traced for _, is_traced in found) == [False, False, True, True]
    assert sum(len(run) - 1 for run, _ in found) == 10
    ends = sorted(float(run[-1, 0]) for run, _ in found)
    assert ends == sorted(float(run[0, 0]) for run, _ in found)


def test_dashes_keep_to_their_pattern():
    found = overlay.dashes(np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]]), (6.0, 2.0))
    lengths = [float(np.hypot(*np.diff(dash, axis=0).T).sum()) for dash in found]
    assert lengths == pytest.approx([6.0, 6.0, 4.0])
    assert [10.0, 0.0] in found[1].tolist()  # the corner is kept


def test_traced_flags_of_another_length_are_a_fault(shown, tmp_path):
    with pytest.raises(ValueError, match="traced needs"):
        write_overlay(shown.picture, shown.body_to_px, shown.body, shown.traced[:5], None, (), tmp_path / "o.png")


def test_close_ups_show_both_ends_the_widest_place_and_the_gap(shown):
    assert [shot.title for shot in close_ups(shown)] == [
        "Tail end",
        "Neck end",
        "Widest place",
        "Bridged, not traced",
    ]


def test_least_certain_place_is_another_than_those_shown(shown):
    sigma = np.full(len(shown.body), 0.03)
    sigma[[0, 300]] = 0.5, 0.2  # the first is the tail, which has its own picture
    found = close_ups(replace(shown, traced=None, sigma_mm=sigma))
    assert [shot.title for shot in found][3:] == ["Least certain elsewhere"]
    assert "±0.40 mm" in found[-1].caption


def test_close_up_shows_the_least_certain_place_when_nothing_is_bridged(shown):
    sigma = np.full(len(shown.body), 0.03)
    sigma[300] = 0.4
    found = close_ups(replace(shown, traced=None, sigma_mm=sigma))
    assert found[-1].title == "Least certain"
    assert "±0.80 mm" in found[-1].caption


def test_close_ups_stay_on_the_page_when_one_half_is_not_drawn(shown):
    """The right side lies beyond the picture; the widest place is then shown on the left."""
    page = replace(shown.picture, grey=shown.picture.grey[:, : int(report_example.TAIL_PX[0]) + 20])
    found = close_ups(replace(shown, picture=page, traced=None))
    whole = close_ups(replace(shown, traced=None))
    widest = [next(shot for shot in shots if shot.title == "Widest place").uri for shots in (found, whole)]
    ink = [cv2.imdecode(np.frombuffer(b64decode(uri.split(",")[1]), np.uint8), 0) for uri in widest]
    assert all((picture < 200).mean() > 0.01 for picture in ink)
    assert widest[0] != widest[1]


def test_long_rules_show_their_ends_and_short_ones_all(shown):
    assert [len(rule_strips(shown.picture, rule)) for rule in shown.rules] == [2, 1]


def test_strips_are_turned_as_the_rule_is_read(shown):
    """A rule found from its right end, or from its top, is shown from the other one."""
    level, standing = shown.rules
    assert reads_forward(level) and not reads_forward(standing)
    backwards = replace(level, from_px=level.to_px, to_px=level.from_px)
    assert not reads_forward(backwards)


def test_strip_puts_its_marks_on_the_graduations(shown):
    """Under the marks of the strip the paper is darker than between them."""
    from digitize.report.pictures import _strip

    rule = shown.rules[1]
    strip = _strip(shown.picture, rule, rule.control.places.xy[:20])
    marked = like(strip[:4], overlay.RULE_BGR, 200).any(axis=0)
    # The example draws its graduations to one side of the places.
    body = strip[14:-14].mean(axis=(0, 2))
    assert marked.sum() >= 20
    assert body[marked].mean() < body[~marked].mean() - 5


def test_cut_beyond_the_page_is_white():
    grey = np.zeros((4, 4), dtype=np.uint8)
    piece = cut(grey, np.array([-2, 3]), (3, 4))
    assert piece.shape == (3, 4)
    assert piece[0].tolist() == [255, 255, 0, 0]
    assert (piece[1:] == 255).all()
    assert (cut(grey, np.array([50, 50]), (2, 2)) == 255).all()


def test_carry_over_takes_the_nearest_value():
    source = BodyPoints(np.array([[0.0, 0.0], [10.0, 0.0]]))
    target = BodyPoints(np.array([[1.0, 1.0], [9.0, 0.0], [2.0, 0.0]]))
    assert carry_over(np.array([True, False]), source, target).tolist() == [True, False, True]
    with pytest.raises(ValueError, match="2 values"):
        carry_over(np.array([True]), source, target)
