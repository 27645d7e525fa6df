"""A drawn sheet on a table, photographed: outline, edges, straight lines, angles and lens against the truth."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

import digitize.sheet.find as find
from digitize.shapes import Picture, SheetView
from digitize.sheet import find_sheet
from tests.digitize.sheet_scene import SHEET, Floats, Scene, View, make_scene

# What is asked of places on edges and lines, px: half of it is the picture's own, the rest the table's grain.
NEAR_PX = 0.2
# To the right and below the sheet throws a shadow 2.5 px wide, which is not seen as deep as it is after the lens
# has blurred it; where it begins is then less certain.
NEAR_SHADOW_PX = 0.35
BENT = View(k1=-0.12)


def slow(value: object) -> object:
    return pytest.param(value, marks=pytest.mark.slow)


@lru_cache(maxsize=4)
def seen(table: str, k1: float = -0.12) -> tuple[Scene, SheetView]:
    scene = make_scene(View(k1=k1), table)
    return scene, find_sheet(scene.picture)


def _rms(off: Floats) -> float:
    return float(np.sqrt(np.mean(off**2)))


def _sides(scene: Scene) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """The true edges, named by where they are in these scenes: upper, right, lower, left."""
    wide, high = scene.size_mm
    corners = [(0.0, 0.0), (wide, 0.0), (wide, high), (0.0, high)]
    return list(zip(corners, corners[1:] + corners[:1], strict=True))


def _edges_are_true(scene: Scene, view: SheetView) -> bool:
    off = _off_edges(scene, view)
    shaded = {f"{name} edge of the sheet" for name in ("right", "lower")}
    return all(value < (NEAR_SHADOW_PX if name in shaded else NEAR_PX) for name, value in off.items())


def _off_edges(scene: Scene, view: SheetView) -> dict[str, float]:
    names = ("upper", "right", "lower", "left")
    true = {f"{name} edge of the sheet": side for name, side in zip(names, _sides(scene), strict=True)}
    return {edge.name: _rms(scene.off_line_px(edge.places.xy, *true[edge.name])) for edge in view.edges}


def _off_lines(scene: Scene, view: SheetView) -> list[float]:
    """Return for each line found how far its places are from the true line that they suit best."""
    return [min(_rms(scene.off_line_px(line.places.xy, *true)) for true in scene.lines_mm) for line in view.lines]


@pytest.mark.parametrize("table", ["wood", "dark", "alike", slow("mat"), slow("light")])
def test_outline_edges_and_lines(table: str) -> None:
    scene, view = seen(table)
    assert view.sheets == 1
    assert not view.fills_frame
    assert set(view.sides) == {"edge"}
    assert view.polygon_px is not None
    for corner in scene.corners_px():
        assert np.hypot(*(view.polygon_px - corner).T).min() < 2 * NEAR_SHADOW_PX
    assert len(view.edges) == 4
    assert _edges_are_true(scene, view)
    lines = _off_lines(scene, view)
    assert len(lines) >= 5
    assert max(lines) < NEAR_PX
    assert view.k1_rough == pytest.approx(scene.view.k1_half_diagonal, abs=0.004)


def test_sigmas_hold() -> None:
    """Of what lines and edges say of their places, 19 in 20 are to hold at two sigma."""
    scene, view = seen("dark")
    off = []
    for line in view.lines:
        best = min((scene.off_line_px(line.places.xy, *true) for true in scene.lines_mm), key=_rms)
        off.append(best / line.sigma_px)
    together = np.abs(np.concatenate(off))
    assert np.mean(together < 2) > 0.95
    assert all(edge.straight_u_mm >= 0.1 for edge in view.edges)
    assert all(len(edge.places) > 40 for edge in view.edges)


def test_angles_are_those_of_sheet_and_border() -> None:
    scene, view = seen("wood")
    names = {line.name: line for line in (*view.edges, *view.lines)}
    assert len(view.angles) == 6
    for angle in view.angles:
        first, second = (names[name] for name in (angle.first, angle.second))
        along = [np.diff(scene.view.to_mm(line.places.xy[[0, -1]]), axis=0)[0] for line in (first, second)]
        cosine = abs(along[0] @ along[1]) / np.hypot(*along[0]) / np.hypot(*along[1])
        true = float(np.arccos(min(cosine, 1.0)))
        assert abs(true - angle.angle_rad) < 2 * angle.u_rad
        assert first.kind == second.kind
    assert sum(names[angle.first].kind == "sheet edge" for angle in view.angles) == 3


@pytest.mark.parametrize("k1", [slow(-0.15), 0.10])
def test_strong_lenses(k1: float) -> None:
    scene, view = seen("wood", k1)
    assert view.k1_rough == pytest.approx(scene.view.k1_half_diagonal, abs=0.005)
    assert max(_off_lines(scene, view)) < NEAR_PX
    assert _edges_are_true(scene, view)


def test_rules_over_the_edge_are_left_out() -> None:
    rules = (((90.0, 200.0), 70.0, 130.0), ((330.0, -60.0), 80.0, 245.0))
    scene = make_scene(BENT, "wood", rules=rules)
    view = find_sheet(scene.picture)
    assert set(view.sides) == {"edge"}
    assert _edges_are_true(scene, view)
    lower = next(edge for edge in view.edges if edge.name.startswith("lower"))
    gaps = np.hypot(*np.diff(lower.places.xy, axis=0).T)
    assert gaps.max() > 80  # the rule is 28 mm wide, some 100 px
    assert np.median(gaps) < 30


def test_a_hands_shadow_is_no_edge() -> None:
    scene = make_scene(BENT, "mat", shadow=True)
    view = find_sheet(scene.picture)
    assert set(view.sides) == {"edge"}
    assert _edges_are_true(scene, view)
    assert max(_off_lines(scene, view)) < NEAR_PX


def test_a_sharpened_rim_is_not_taken_for_the_edge() -> None:
    """Sharpening makes paper lighter along its rim, 2 px inside of it, and moves half the light by a part of that."""
    scene = make_scene(BENT, "mat", sharpen=0.6)
    view = find_sheet(scene.picture)
    assert set(view.sides) == {"edge"}
    assert len(view.edges) == 4
    assert max(_off_edges(scene, view).values()) < NEAR_SHADOW_PX
    assert all(len(edge.places) > 40 for edge in view.edges)


def test_sides_beyond_the_frame_are_said_to_be_cut() -> None:
    scene = make_scene(View(aim_mm=(330.0, 148.0)), "dark")
    view = find_sheet(scene.picture)
    assert set(view.sides) == {"edge", "cut"}
    assert sorted(_off_edges(scene, view)) == [f"{name} edge of the sheet" for name in ("lower", "right", "upper")]
    assert view.polygon_px is not None
    cut = [k for k, side in enumerate(view.sides) if side == "cut"]
    assert np.abs(view.polygon_px[cut, 0]).max() < 1.0  # all at the left of the frame
    assert not any("edge" in angle.first for angle in view.angles)


def test_paper_all_over_the_picture() -> None:
    scene = make_scene(View(away_mm=200.0), "dark")
    view = find_sheet(scene.picture)
    assert view.polygon_px is None
    assert view.fills_frame
    assert view.sides == () == view.edges
    assert max(_off_lines(scene, view)) < NEAR_PX


def test_a_second_sheet_is_seen() -> None:
    half = (SHEET[0] / 2, SHEET[1] / 2)
    far = View(1200, 900, focal=900.0, away_mm=280.0, aim_mm=(150.0, 74.0))
    one = find_sheet(make_scene(far, "wood", size_mm=half).picture)
    two = find_sheet(make_scene(far, "wood", size_mm=half, sheets=(((230.0, 10.0), half, 4.0),)).picture)
    assert (one.sheets, two.sheets) == (1, 2)


def test_a_nearly_straight_side_of_a_body_is_no_line() -> None:
    """An arc that leaves its chord by 0.3 mm, one pixel and a bit; a straight line beside it is taken."""
    scene = make_scene(BENT, "dark", bows=((90.0, 60.0, 220.0, 0.3), (90.0, 80.0, 220.0, 0.0)))
    view = find_sheet(scene.picture)
    ends = [scene.view.to_mm(line.places.xy[[0, -1]]) for line in view.lines]
    assert not any(np.abs(end[:, 1] - 60.0).max() < 3 for end in ends)
    assert any(np.abs(end[:, 1] - 80.0).max() < 1 for end in ends)


def test_thin_lines_that_vanish_from_the_reduced_copy_are_found() -> None:
    """Dimension lines, a pixel wide; places along them to 0.1 px."""
    y, x = np.mgrid[0:3000, 0:4000].astype(np.float32)
    grey = np.full(y.shape, 205.0, np.float32)
    true = [(400.0 + 450.0 * k, 0.02 * (k - 2)) for k in range(6)]
    for start, slope in true:
        off = (y - start - slope * x) / np.hypot(1.0, slope)
        grey -= np.where((x > 500) & (x < 3500), 36.0 * np.exp(-0.5 * (off / 0.7) ** 2), 0.0).astype(np.float32)
    grey += np.random.default_rng(2).normal(0.0, 1.5, grey.shape).astype(np.float32)
    view = find_sheet(Picture(np.rint(grey).astype(np.uint8), "a.jpg", "0" * 64, None, "photo"))
    places = [line.places.xy.T for line in view.lines]
    off = [min(abs(float(np.median(v - start - slope * u))) for start, slope in true) for u, v in places]
    assert len(off) == len(true)
    assert max(off) < 0.1


def test_a_picture_of_very_many_pixels_is_averaged_first(monkeypatch: pytest.MonkeyPatch) -> None:
    scene, whole = seen("dark")
    monkeypatch.setattr(find, "MEASURED_PIXELS", scene.picture.grey.size / 4)
    view = find_sheet(scene.picture)
    assert view.polygon_px is not None and whole.polygon_px is not None
    assert np.abs(view.polygon_px.mean(axis=0) - whole.polygon_px.mean(axis=0)).max() < 1.0
    assert max(_off_edges(scene, view).values()) < 2 * NEAR_SHADOW_PX
    assert max(_off_lines(scene, view)) < 2 * NEAR_PX


@pytest.mark.parametrize("level", [0, 128, 255])
def test_an_empty_picture(level: int) -> None:
    scene, _ = seen("dark")
    grey = np.full((300, 400), level, dtype=np.uint8)
    view = find_sheet(type(scene.picture)(grey, "a.png", "0" * 64, None, "photo"))
    assert view.polygon_px is None
    assert view.lines == () == view.edges == view.angles


def test_a_polygon_has_a_side_for_each_vertex() -> None:
    with pytest.raises(ValueError, match="one side"):
        SheetView(np.zeros((4, 2)), ("edge",) * 3, (), (), (), 1, False, 0.0)
