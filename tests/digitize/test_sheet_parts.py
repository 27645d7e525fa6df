"""The parts that the sheet is found by, each against what is known otherwise."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely

from digitize.read import read_picture
from digitize.sheet import find_sheet, flat_light
from digitize.sheet.chains import find_chains
from digitize.sheet.edges import LIGHT
from digitize.sheet.lens import Lens, Together, fitted_lens, rough_lens
from digitize.sheet.polygon import Half, cut_frame, inside_polygon, side_ends
from tests.digitize.sheet_scene import View, make_scene

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data"
SHAPE = (1500, 2000)


def _lens(*terms: float) -> Lens:
    plain = Lens.plain(SHAPE)
    return Lens(plain.middle_px, plain.half_px, np.array([*terms, 0.0, 0.0, 0.0, 0.0][:4]))


def _anywhere(count: int) -> np.ndarray:
    return np.random.default_rng(2).uniform((0, 0), SHAPE[::-1], (count, 2))


def test_the_lens_is_that_of_opencv() -> None:
    """cv2.projectPoints bends by the same terms, lengths in units of its focal length."""
    lens = _lens(-0.08, 0.02, 0.001, -0.002)
    ideal = _anywhere(200)
    rays = np.column_stack([(ideal - lens.middle_px) / lens.half_px, np.ones(len(ideal))])
    camera = np.array([[lens.half_px, 0, lens.middle_px[0]], [0, lens.half_px, lens.middle_px[1]], [0, 0, 1]])
    expected = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), camera, lens.terms)[0].reshape(-1, 2)
    assert np.abs(lens.bend(ideal) - expected).max() < 1e-6


@pytest.mark.parametrize("k1", [-0.1, 0.0, 0.1])
def test_straightening_undoes_bending(k1: float) -> None:
    lens = _lens(k1, 0.01, 0.0005, -0.0005)
    seen = _anywhere(500)
    assert np.abs(lens.bend(lens.straighten(seen)) - seen).max() < 1e-3


def _straight_lines(lens: Lens, noise_px: float) -> list[np.ndarray]:
    rng = np.random.default_rng(3)
    lines = []
    for _ in range(12):
        a, b = rng.uniform((50, 50), (1950, 1450), (2, 2))
        lines.append(lens.bend(a + np.linspace(0, 1, 60)[:, None] * (b - a)) + rng.normal(0, noise_px, (60, 2)))
    return lines


def test_lens_from_straight_lines_with_a_bent_one_among_them() -> None:
    true = _lens(-0.062, 0.01)
    lines = _straight_lines(true, 0.1)
    bow = np.column_stack([np.linspace(300, 1500, 60), 700 + 12 * np.linspace(-1, 1, 60) ** 2])
    found = fitted_lens(rough_lens(Lens.plain(SHAPE), [*lines, bow], 0.5), [*lines, bow], np.full(13, 0.1))
    together = Together.of([*lines, bow]).rms(found)
    assert together[:-1].max() < 0.15
    assert together[-1] > 1.0
    # straight lines tell the straightened picture but for a homography, which keeps them straight
    places = _anywhere(300)
    ours, expected = found.straighten(places), true.straighten(places)
    homography, _ = cv2.findHomography(ours, expected)
    assert np.abs(cv2.perspectiveTransform(ours[None], homography)[0] - expected).max() < 1.0


def test_no_lines_no_lens() -> None:
    assert fitted_lens(rough_lens(Lens.plain(SHAPE), [], 0.5), [], np.zeros(0)).k1 == 0.0


def test_off_straight_does_not_depend_on_the_lines_direction() -> None:
    lines = _straight_lines(_lens(-0.05), 0.0)
    there, back = (Together.of(group).rms(_lens()) for group in (lines, [line[::-1] for line in lines]))
    assert np.allclose(there, back)


def test_chains_follow_an_edge_below_the_pixel() -> None:
    """An edge along y = 100.3 + 0.05 x; a third of a pixel is what the lens's vote counts with."""
    y, x = np.mgrid[0:300, 0:500]
    step = np.clip(y - (100.3 + 0.05 * x) + 0.5, 0, 1)
    picture = np.rint(60 + 150 * cv2.GaussianBlur(step, (0, 0), 1.0)).astype(np.uint8)
    chains = find_chains(picture, 200)
    assert len(chains) == 1
    off = chains[0][:, 1] - (100.3 + 0.05 * chains[0][:, 0])
    assert abs(off.mean()) < 0.05
    assert np.abs(off).max() < 0.35


def test_half_the_light_is_not_half_the_grey() -> None:
    """IEC 61966-2-1: half the light of white is grey 188 of 255."""
    assert np.interp(188, np.arange(256), LIGHT) == pytest.approx(255 / 2, rel=0.01)
    assert LIGHT[0] == 0
    assert LIGHT[255] == pytest.approx(255)


def test_the_frame_is_cut_by_halves() -> None:
    halves = (Half(np.array([1.0, 0.0]), 1500.0, "edge"), Half(np.array([0.0, -1.0]), -200.0, "edge"))
    polygon = cut_frame(_lens(), SHAPE, halves)
    area = shapely.Polygon(polygon.places).area
    assert area == pytest.approx(1500 * (1499 - 200), rel=1e-9)
    ends = side_ends(polygon, 0)
    assert ends is not None
    assert np.allclose(ends[0], (1500, 200)) and np.allclose(ends[1], (1500, 1499))  # clockwise as seen
    assert side_ends(cut_frame(_lens(), SHAPE, (Half(np.array([1.0, 0.0]), 5000.0, "edge"),)), 0) is None


def test_inside_a_polygon_as_shapely_sees_it() -> None:
    ring = np.array([(100, 100), (1800, 200), (900, 600), (1700, 1300), (200, 1200)], dtype=float)
    places = _anywhere(2000)
    expected = shapely.contains_xy(shapely.Polygon(ring), places[:, 0], places[:, 1])
    assert np.array_equal(inside_polygon(ring, places), expected)


def test_light_is_evened_out() -> None:
    scene = make_scene(View(k1=-0.05), "wood", shadow=True)
    grey = scene.picture.grey
    polygon = scene.corners_px()
    flat = flat_light(grey, polygon)
    assert flat.dtype == np.uint8
    assert flat.shape == grey.shape
    y, x = np.mgrid[0 : grey.shape[0] : 7, 0 : grey.shape[1] : 7]
    places = np.column_stack([x.ravel(), y.ravel()])
    outline = shapely.Polygon(polygon)
    inside = shapely.contains_xy(outline.buffer(-12), places[:, 0], places[:, 1])
    beyond = ~shapely.contains_xy(outline.buffer(12), places[:, 0], places[:, 1])
    before, after = (page[y, x].ravel()[inside].astype(float) for page in (grey, flat))
    assert np.percentile(before, 90) - np.percentile(before, 10) > 60
    assert np.percentile(after, 90) - np.percentile(after, 5) < 25
    assert np.percentile(after, 50) > 225
    assert (flat[y, x].ravel()[beyond] == 255).all()
    start, end = scene.lines_mm[4]
    along = np.array(start) + np.linspace(0.05, 0.3, 60)[:, None] * (np.array(end) - np.array(start))
    ink = scene.view.to_px(along)
    dark = [flat[round(v) - 1 : round(v) + 2, round(u) - 1 : round(u) + 2].min() for u, v in ink]
    assert np.median(dark) < 150


def test_light_without_a_polygon_keeps_all_of_the_picture() -> None:
    grey = np.full((400, 500), 90, dtype=np.uint8)
    grey[200:203] = 20
    flat = flat_light(grey, None)
    assert flat[100].min() > 230
    assert flat[201].max() < 80


needs_data = pytest.mark.skipif(not DATA.is_dir(), reason="the folder ../shared/data is not on this machine")


@needs_data
@pytest.mark.parametrize("name", [pytest.param("phone_book_exif6.jpg", marks=pytest.mark.slow),
                                  "curled_graph_paper.jpg", "halfmm_rule.jpg"])  # fmt: skip
def test_found_photos_without_a_plan_claim_no_square_sheet(name: str) -> None:
    view = find_sheet(read_picture(DATA / name, captured="photo"))
    assert view.angles == ()


@needs_data
def test_a_phones_drawing_fills_its_frame() -> None:
    """Ruled paper all over the picture, and a shape drawn by hand, which is not straight."""
    view = find_sheet(read_picture(DATA / "phone_drawing.heic"))
    assert view.polygon_px is None
    assert view.fills_frame
    assert view.angles == ()
