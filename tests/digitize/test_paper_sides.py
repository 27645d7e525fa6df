"""Paper whose sides bow, by a camera adjusted as if it were flat; heights go through OpenCV's projector."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.spatial import cKDTree

from calibration.errors import Refusal
from calibration.flatness import flatness_of
from calibration.photo import PhotoCalibration
from digitize.beside_rules import Laid, clear_of
from digitize.paper_sides import BOWED_MM, Bow, Rim, Step, bows_of, worst_bow, worst_step
from digitize.photo_faults import MOST_BOW_MM, refuse_bent, side_doubts
from digitize.pipeline import run_outline
from digitize.read import read_picture
from digitize.sheet import find_sheet
from digitize.sheet.joined import Ground
from digitize.sheet.rim import paper_rim
from tests.bench.photo_lifts import curl, drawn, ridge, shown
from tests.bench.photo_points import Height, Sheet
from tests.maker.photo import make_photo
from tests.maker.photo_bad import bad_specs

WIDE, HIGH = 297.0, 210.0  # half the sheet


@cache
def seen() -> tuple[Sheet, PhotoCalibration]:
    sheet, photo = shown(drawn, 1, None)
    assert photo
    return sheet, photo


def ring(step_mm: float = 0.7) -> np.ndarray:
    """Places round the sheet, mm."""
    corners = np.array([(-WIDE, -HIGH), (WIDE, -HIGH), (WIDE, HIGH), (-WIDE, HIGH)])
    sides = zip(corners, np.roll(corners, -1, axis=0), strict=True)
    return np.vstack([a + np.arange(0, 1, step_mm / np.hypot(*(b - a)))[:, None] * (b - a) for a, b in sides])


def rim(xy: np.ndarray, height: Height | None = None, rough_mm: float = 0.3) -> np.ndarray:
    """The places as the camera shows them, as rough as a coarse copy of the picture."""
    sheet, _ = seen()
    rough = np.random.default_rng(8).normal(0, rough_mm, xy.shape)
    return sheet.camera(xy + rough, height(xy) if height else 0.0)


def rim_of(px: np.ndarray, free: np.ndarray | None = None, edges_px: Sequence[np.ndarray] = ()) -> Rim:
    some = Rim.of(seen()[1], px, np.ones(len(px), bool) if free is None else free, edges_px)
    assert some
    return some


def found(xy: np.ndarray, height: Height | None = None) -> dict[str, float]:
    px = rim(xy, height)
    return {one.side: one.bow_mm for one in bows_of(rim_of(px))}


def test_all_sides_of_a_flat_sheet_are_seen_straight() -> None:
    bows = found(ring())
    assert set(bows) == {"left", "right", "upper", "lower"}
    assert max(bows.values()) < 0.5


RISES: dict[str, Height] = {"curled": curl(0.0, 50.0, 8.0), "ridge": lambda xy: 12.0 * ridge(60.0, 120.0)(xy)}


@pytest.mark.parametrize("height", RISES.values(), ids=RISES)
def test_a_side_along_which_the_paper_rises_bows(height: Height) -> None:
    """By r h / (D - h) less what a straight line takes of it; the sides across the rise stay straight."""
    _, photo = seen()
    bows = found(ring(), height)
    along = np.linspace(-WIDE + 15.0, WIDE - 15.0, 300)
    for side, y in (("upper", HIGH), ("lower", -HIGH)):
        places = np.stack([along, np.full(300, y)], axis=1)
        flat = photo.pose.to_sheet(photo.pose.project(places, 0.0)).xy
        moved = photo.pose.to_sheet(photo.pose.project(places, 1.0)).xy[:, 1] - flat[:, 1]  # a mm
        off = moved * height(places)
        true_mm = float(np.ptp(off - np.polyval(np.polyfit(along, off, 1), along)))
        assert true_mm > 1.0
        assert bows[side] == pytest.approx(true_mm, rel=0.25, abs=0.3)
    assert bows["left"] < 0.5


@pytest.mark.parametrize(("share", "told"), [(0.95, False), (0.7, True)])
def test_a_side_that_was_measured_as_straight_does_not_bow(share: float, told: bool) -> None:
    """The rim goes astray along the squares of a cutting mat; an edge that leaves out what bends is shorter."""
    xy = ring()
    upper = xy[:, 1] == HIGH
    xy[upper, 1] += 6.0 * (1.0 - (xy[upper, 0] / WIDE) ** 2)
    along = np.linspace(-WIDE, -WIDE + 2.0 * WIDE * share, 60)
    edge_px = seen()[0].camera(np.stack([along, np.full(60, HIGH)], axis=1), 0.0)
    assert (worst_bow(rim_of(rim(xy), None, [edge_px])) is not None) == told


def test_a_notch_is_no_bow() -> None:
    """A thing over the paper's end, or a piece torn out of it: there is no smooth course, so nothing is said."""
    xy = ring()
    notch = (xy[:, 1] == HIGH) & (np.abs(xy[:, 0] - 40.0) < 60.0)
    xy[notch, 1] -= 25.0
    bows = found(xy)
    assert "upper" not in bows
    assert max(bows.values()) < 0.5


def test_what_a_rule_hides_is_left_out() -> None:
    xy = ring()
    under = (xy[:, 1] == HIGH) & (np.abs(xy[:, 0] - 40.0) < 60.0)
    xy[under, 1] -= 25.0
    body = seen()[0].camera(np.array([(-22.0, 180.0), (102.0, 180.0), (102.0, 216.0), (-22.0, 216.0)]), 0.0)
    px = rim(xy)
    scale = float(np.hypot(*(body[1] - body[0]))) / 124.0
    free = clear_of([Laid(body, scale)], px)
    assert not free[under].any()
    assert free.mean() > 0.8
    bows = {one.side: one.bow_mm for one in bows_of(rim_of(px, free))}
    assert bows["upper"] < 0.5


def test_the_worst_side_is_told_where_it_bows_for_certain() -> None:
    for height, bowed in ((curl(0.0, 50.0, 12.0), True), (None, False), (curl(0.0, 50.0, 1.0), False)):
        px = rim(ring(), height)
        worst = worst_bow(rim_of(px))
        assert (worst is not None) == bowed
        if worst is not None:
            assert worst.bow_mm > BOWED_MM
    assert Rim.of(seen()[1], np.zeros((0, 2)), np.zeros(0, bool)) is None


def test_paper_that_is_cut_to_a_shape_is_not_bent() -> None:
    """Half an outline, cut out with some room about it: its side leaves a straight line by a tenth of its length."""
    for bulge_mm, told in ((60.0, False), (20.0, True)):
        xy = ring()
        upper = xy[:, 1] == HIGH
        xy[upper, 1] += bulge_mm * (1.0 - (xy[upper, 0] / WIDE) ** 2)
        px = rim(xy)
        assert (worst_bow(rim_of(px)) is not None) == told


def test_a_bowed_side_is_refused_where_more_speaks_against_a_flat_sheet() -> None:
    _, photo = seen()
    flat = flatness_of(photo)
    _, low = shown(drawn, 1, curl(0.0, 50.0, 3.0))
    assert flat.flat and low
    some, much = Bow("left", 400.0, MOST_BOW_MM - 1.0), Bow("left", 400.0, MOST_BOW_MM + 1.0)
    refuse_bent(flat, photo, some)  # it may be cut so
    with pytest.raises(Refusal, match=r"left side of the paper bows by 4\.0 mm"):
        refuse_bent(flatness_of(low), low, some)
    with pytest.raises(Refusal, match=r"bows by 6\.0 mm"):
        refuse_bent(flat, photo, much)
    told = side_doubts(some, Step("upper", 3.0))
    assert [(one.code, one.weight) for one in told] == [("side-bowed", "look"), ("side-stepped", "look")]
    assert side_doubts(None, None) == ()


@pytest.mark.parametrize("turn_deg", [0.0, 1.5])
def test_another_sheet_nearly_in_line_shows_as_a_step(turn_deg: float) -> None:
    xy = ring()
    beyond = (xy[:, 1] == HIGH) & (xy[:, 0] > 60.0)
    xy[beyond, 1] += 5.0 + np.tan(np.radians(turn_deg)) * (xy[beyond, 0] - 60.0)
    px = rim(xy)
    step = worst_step(rim_of(px))
    assert step is not None
    assert step.side == "upper"
    assert step.step_mm == pytest.approx(5.0, abs=0.5)


@pytest.mark.parametrize("height", [None, RISES["curled"], RISES["ridge"]], ids=["flat", *RISES])
def test_a_sheet_that_is_one_has_no_step(height: Height | None) -> None:
    px = rim(ring(), height)
    assert worst_step(rim_of(px)) is None
    thing = ring()
    over = (thing[:, 1] == HIGH) & (np.abs(thing[:, 0] - 40.0) < 60.0)
    thing[over, 1] += 25.0  # that lies over the paper's end: out, and in again
    assert worst_step(rim_of(rim(thing))) is None


def test_the_rim_is_where_paper_ends_and_not_where_the_picture_does() -> None:
    """Grey of paper 210, table 90, on a copy of 700 x 500 px; the paper's left side is out of the picture."""
    size = (500, 700)
    y = np.arange(500)
    right = np.rint(600 - 30 * ((y - 250) / 200.0) ** 2).astype(int)  # bowed
    off = np.full(size, np.log(90 / 210))
    for row in range(50, 450):
        off[row, : right[row]] = 0.0
    off[200:230, 100:160] = np.log(90 / 210)  # something dark that lies on it
    ground = Ground(np.zeros(size), off, np.full(size, np.log(90 / 210)))
    places = paper_rim(ground, np.ones(size, bool))
    assert places[:, 0].min() > 3.0
    inside = (places[:, 1] > 60) & (places[:, 1] < 440) & (places[:, 0] > 300)
    rows = places[inside, 1].astype(int)
    assert len(np.unique(rows)) == 379
    assert np.all(np.abs(places[inside, 0] - right[rows]) <= 2.0)
    assert not np.any((np.abs(places[:, 1] - 215) < 40) & (places[:, 0] < 300))
    assert len(paper_rim(Ground(off, off * 0 - 1.0, np.full(size, -1.0)), np.ones(size, bool))) == 0


def test_the_rims_rectangle_may_lie_either_way() -> None:
    """OpenCV gives a rectangle's angle for whichever side it likes."""
    angles = {cv2.minAreaRect((ring() @ turn(deg)).astype(np.float32))[2] for deg in (1.0, -1.0, 44.0)}
    assert len(angles) > 1
    px = rim(ring() @ turn(20.0), curl(0.0, 50.0, 12.0))
    assert worst_bow(rim_of(px)) is not None


def turn(deg: float) -> np.ndarray:
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.array([[c, -s], [s, c]])


def test_a_sheet_with_a_curled_edge_is_refused(tmp_path: Path) -> None:
    """It was answered, 16 mm off with 1.7 mm claimed: what is straight on it still fitted a camera."""
    made = make_photo(bad_specs(2, 2500)["curled edge"], tmp_path)
    rim_px = find_sheet(read_picture(made.path)).rim_px
    wide, high = made.sheet_mm
    along = np.linspace(0.0, 1.0, 4000)[:, None]
    corners = np.array([(0.0, 0.0), (wide, 0.0), (wide, high), (0.0, high)])
    true = np.vstack([made.sheet_to_px(a + along * (b - a)) for a, b in pairwise([*corners, corners[0]])])
    off = cKDTree(true).query(rim_px)[0]
    assert np.median(off) < 1.5  # px of the picture; the rim lies half a pixel inside on a copy of half its size
    assert np.quantile(cKDTree(rim_px).query(true)[0], 0.8) < 3.0  # a rule hides the rest
    record = run_outline(made.path, tmp_path / "out").record
    assert record["verdict"] == "refused"
    (reason,) = record["reasons"]
    assert reason["code"] == "photo-bowed"
    assert re.search(r"The (upper|lower) side of the paper bows by 1\d\.\d mm", reason["text"])
