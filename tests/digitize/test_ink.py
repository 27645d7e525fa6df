"""Strokes of poor plans: what is drawn is found over its length, at its width, and little else is."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import pyvips
from scipy.spatial import cKDTree

from calibration.errors import Refusal
from calibration.frames import FloatArray
from digitize.ink import find_strokes
from digitize.read import read_picture
from digitize.shapes import Ink, Picture
from tests.maker import PlanSpec
from tests.maker.marks import Mark
from tests.maker.press import ink_page, specks
from tests.maker.truth import describe

Grey = npt.NDArray[np.uint8]

PAPER, BLACK = 238.0, 20.0
LINE_MM = 0.35
# Widths come from whole pixels of the working resolution, on both sides of the line.
WIDTH_WITHIN_MM = 1.5 / 5.9
FOUND_MM = 0.3  # a skeleton at 6 to 8 px/mm is within two pixels of the line
ASIDE_MM = 0.6  # farther than this from everything drawn is no skeleton of it
FALSE_STROKES = 3  # letters and blots make a stroke's end wander; what is kept of a page holds about 600 strokes
KEPT = 0.55  # of a page, from above: both bouts, lettering and a rule show; the rest holds more of the same


@dataclass(frozen=True, eq=False)
class Sheet:
    """A drawing with its outline apart, so that the outline alone can be faint."""

    outline: Grey  # share of ink, 0..255
    rest: Grey
    outline_px: FloatArray  # (N, 2) truth, 1 px apart
    every_px: FloatArray  # (M, 2) all that is drawn
    px_per_mm: float

    def scanned(self, contrast: float, noise: float = 4.0, light: FloatArray | None = None) -> Grey:
        """Return the scan with an outline of ``contrast`` grey levels beside black everything else."""
        bare, drawn = PAPER + np.zeros((1, 1), dtype=np.float32), self._drawn
        rest = self.rest[drawn] / np.float32(255)
        ink = PAPER - (PAPER - BLACK) * rest - contrast * (self.outline[drawn] / np.float32(255)) * (1 - rest)
        if light is not None:
            bare, ink = bare * light, ink * light[drawn]
        page = _grey(bare, noise * self._noise)
        page[drawn] = _grey(ink, noise * self._noise[drawn])
        return page

    @cached_property
    def _drawn(self) -> tuple[npt.NDArray[np.intp], ...]:
        """The few pixels with any ink; all others are bare paper."""
        return np.nonzero(self.outline | self.rest)

    @cached_property
    def _noise(self) -> npt.NDArray[np.float32]:
        """The same for every scan: to make it takes longer than all the rest."""
        return np.random.default_rng(1).standard_normal(self.rest.shape, dtype=np.float32)

    @cached_property
    def plain(self) -> Ink:
        """What is found of a faint outline on clean paper, to hold dirt against."""
        return _ink(self.scanned(60), self.px_per_mm)

    @cached_property
    def outline_tree(self) -> cKDTree:
        return cKDTree(self.outline_px)

    @cached_property
    def every_tree(self) -> cKDTree:
        return cKDTree(self.every_px)


# 200 dpi is worked on as it is, 300 dpi on a copy of half its size; what is found is much the same.
DPI_200, DPI_300 = pytest.param(200.0, id="200 dpi"), pytest.param(300.0, id="300 dpi")
AT_BOTH = pytest.mark.parametrize("sheet", [DPI_200, DPI_300], indirect=True)
AT_ONE = pytest.mark.parametrize(
    "sheet", [DPI_200, pytest.param(300.0, id="300 dpi", marks=pytest.mark.slow)], indirect=True
)


def slow(*values: object) -> object:
    """Return a case that lies between those run by default."""
    return pytest.param(*values, marks=pytest.mark.slow)


@pytest.fixture(scope="module")
def sheet(request: pytest.FixtureRequest) -> Sheet:
    spec = PlanSpec(seed=5, dpi=request.param, line_mm=LINE_MM, skew_deg=0.7, family="small", specks=300, blur_px=0.7)
    plan, drawn, affine = describe(spec, Path("none"))
    first, others = drawn.marks[:1], drawn.marks[1:]
    size_px = (plan.size_px[0], int(KEPT * plan.size_px[1]))
    pages = [
        ink_page(marks, affine, size_px, 0.0, spec.blur_px)
        for marks in (first, others + specks(spec, drawn.size_mm))
    ]
    every = np.vstack([_dense(mark, affine) for mark in drawn.marks])
    outline = _dense(first[0], affine)
    return Sheet(pages[0], pages[1], outline[outline[:, 1] < size_px[1] - 1], every, spec.dpi / 25.4)


def _grey(page: npt.NDArray[np.float32], noise: npt.NDArray[np.float32]) -> Grey:
    return np.clip(np.rint(page + noise), 0, 255).astype(np.uint8)


def _dense(mark: Mark, affine: FloatArray) -> FloatArray:
    """Return places 1 px apart along a mark, px."""
    line = mark.points @ affine[:, :2].T + affine[:, 2]
    line = np.vstack([line, line[:1]]) if mark.closed else line
    far = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.arange(0.0, far[-1], 1.0)
    return np.stack([np.interp(at, far, line[:, 0]), np.interp(at, far, line[:, 1])], axis=1)


def _ink(grey: Grey, px_per_mm: float) -> Ink:
    grey.setflags(write=False)
    return find_strokes(Picture(grey, "a.png", "0" * 64, None, "scan"), px_per_mm)


def _covered(ink: Ink, sheet: Sheet) -> float:
    """Return the part of the outline that strokes lie within FOUND_MM of."""
    points = np.vstack([stroke.points.xy for stroke in ink.strokes])
    return float(np.mean(cKDTree(points).query(sheet.outline_px)[0] < FOUND_MM * sheet.px_per_mm))


def _false(ink: Ink, sheet: Sheet) -> int:
    """Return how many strokes lie mostly where nothing is drawn."""
    off = sheet.every_tree.query(np.vstack([stroke.points.xy for stroke in ink.strokes]))[0]
    away = np.split(off > ASIDE_MM * sheet.px_per_mm, np.cumsum([len(stroke.points) for stroke in ink.strokes[:-1]]))
    return sum(bool(np.mean(one) > 0.5) for one in away)


def _width_mm(ink: Ink, sheet: Sheet) -> float:
    """Return the typical ink width of the strokes along the outline."""
    points = np.vstack([stroke.points.xy for stroke in ink.strokes])
    widths = np.concatenate([stroke.width_px for stroke in ink.strokes])
    near = sheet.outline_tree.query(points)[0] < FOUND_MM * sheet.px_per_mm
    return float(np.median(widths[near])) / sheet.px_per_mm


def _jpeg(grey: Grey, quality: int) -> Grey:
    return np.asarray(
        cv2.imdecode(cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_GRAYSCALE),
        dtype=np.uint8,
    )


@AT_BOTH
def test_a_clean_line_is_found_whole(sheet: Sheet) -> None:
    ink = _ink(sheet.scanned(PAPER - BLACK), sheet.px_per_mm)
    assert _covered(ink, sheet) > 0.995
    assert _false(ink, sheet) <= FALSE_STROKES
    assert _width_mm(ink, sheet) == pytest.approx(LINE_MM, abs=WIDTH_WITHIN_MM)


@AT_BOTH
@pytest.mark.parametrize(("contrast", "noise"), [slow(90, 4), (60, 4), slow(40, 4), slow(25, 4), (25, 8)])
def test_a_faint_line_beside_black_lettering(sheet: Sheet, contrast: float, noise: float) -> None:
    ink = _ink(sheet.scanned(contrast, noise), sheet.px_per_mm)
    assert _covered(ink, sheet) >= 0.98
    assert _false(ink, sheet) <= FALSE_STROKES
    assert _width_mm(ink, sheet) == pytest.approx(LINE_MM, abs=WIDTH_WITHIN_MM)


@AT_ONE
@pytest.mark.parametrize("contrast", [PAPER - BLACK, slow(40), 25])
def test_strong_compression(sheet: Sheet, contrast: float) -> None:
    ink = _ink(_jpeg(sheet.scanned(contrast), 40), sheet.px_per_mm)
    assert _covered(ink, sheet) >= 0.98
    assert _false(ink, sheet) <= FALSE_STROKES


def _uneven(sheet: Sheet, fold: float) -> FloatArray:
    """Return light that falls to under half in one corner, and a fold's shadow across the page."""
    high, wide = sheet.rest.shape
    y, x = np.arange(high, dtype=np.float32)[:, None], np.arange(wide, dtype=np.float32)
    away = (y - 0.47 * high - 0.01 * x) / (2.5 * sheet.px_per_mm)
    shadow = np.where(away > 0, np.exp(-np.abs(away)), np.exp(-3 * away**2))
    return np.asarray(np.clip(1 - 0.55 * (x / wide) * (y / high) - fold / PAPER * shadow, 0.05, 1))


@AT_ONE
def test_uneven_light_and_a_fold(sheet: Sheet) -> None:
    ink = _ink(sheet.scanned(50, light=_uneven(sheet, 80)), sheet.px_per_mm)
    assert _covered(ink, sheet) >= 0.98
    # The crease itself may be taken for a line, in pieces where noise breaks it; nothing else.
    assert _false(ink, sheet) <= 100


@AT_ONE
def test_gentle_shade_is_no_line(sheet: Sheet) -> None:
    ink = _ink(sheet.scanned(50, light=_uneven(sheet, 25)), sheet.px_per_mm)
    assert _covered(ink, sheet) >= 0.98
    assert _false(ink, sheet) <= FALSE_STROKES


@AT_ONE
@pytest.mark.parametrize(("pitch_mm", "depth"), [(1.0, 25), (5.0, 25)])
def test_grid_paper_does_not_swamp(sheet: Sheet, pitch_mm: float, depth: int) -> None:
    grid = np.zeros(sheet.rest.shape, dtype=np.uint8)
    pitch, sixteenth = pitch_mm * sheet.px_per_mm, 16
    for side, ends in ((0, lambda at: ((0, at), (1 << 20, at))), (1, lambda at: ((at, 0), (at, 1 << 20)))):
        for number in range(int(grid.shape[side] / pitch)):
            cv2.line(grid, *ends(int(number * pitch * sixteenth)), depth, 1, cv2.LINE_AA, 4)
    ink = _ink(cv2.subtract(sheet.scanned(60), grid), sheet.px_per_mm)
    assert _covered(ink, sheet) >= 0.98
    assert len(ink.strokes) <= 1.2 * len(sheet.plain.strokes)


@AT_ONE
def test_bleed_through(sheet: Sheet) -> None:
    behind = cv2.GaussianBlur(np.ascontiguousarray(sheet.rest[:, ::-1]), (0, 0), 0.3 * sheet.px_per_mm)
    grey = cv2.subtract(sheet.scanned(60), cv2.convertScaleAbs(behind, alpha=25 / 255))
    ink = _ink(grey, sheet.px_per_mm)
    assert _covered(ink, sheet) >= 0.98
    # what shines through may be seen, and was drawn twice at most
    assert len(ink.strokes) <= 3 * len(sheet.plain.strokes)


@AT_BOTH
@pytest.mark.parametrize("level", [slow(150), slow(120), 105])
def test_one_bit_hairlines_that_break(sheet: Sheet, level: int) -> None:
    """The outline's middle is at 88 of 238: the lower the level, the more of its pixels are lost."""
    ink = _ink(np.where(sheet.scanned(150, noise=25) > level, 255, 0).astype(np.uint8), sheet.px_per_mm)
    assert _covered(ink, sheet) >= 0.95
    assert _false(ink, sheet) <= FALSE_STROKES


@AT_ONE
def test_one_bit_with_heavy_specks(sheet: Sheet) -> None:
    """At this level about one pixel of paper in a hundred is black."""
    grey = np.where(sheet.scanned(150, noise=30) > 165, 255, 0).astype(np.uint8)
    assert 0.005 < np.mean(grey[cv2.dilate(sheet.rest, np.ones((9, 9))) == 0] == 0) < 0.03
    ink = _ink(grey, sheet.px_per_mm)
    assert _covered(ink, sheet) >= 0.98
    assert _false(ink, sheet) <= 20


@AT_ONE
@pytest.mark.parametrize("one_bit", [False, True])
def test_a_file_with_its_greys_exchanged_gives_the_same_strokes(sheet: Sheet, tmp_path: Path, one_bit: bool) -> None:
    grey = sheet.scanned(60)
    grey = np.where(grey > 205, 255, 0).astype(np.uint8) if one_bit else grey
    found = []
    for name, values in (("plain.png", grey), ("turned.png", 255 - grey)):
        pyvips.Image.new_from_array(values).copy(interpretation="b-w").pngsave(str(tmp_path / name), compression=1)
        found.append(find_strokes(read_picture(tmp_path / name), sheet.px_per_mm))
    assert len(found[0].strokes) == len(found[1].strokes) > 100
    for one, other in zip(found[0].strokes, found[1].strokes, strict=True):
        assert np.array_equal(one.points.xy, other.points.xy)
        assert np.array_equal(one.width_px, other.width_px)


@pytest.mark.parametrize("noise", [0.0, 2.0, 6.0, 12.0])
@pytest.mark.parametrize("shape", [(1500, 1501), (70, 45)])
def test_bare_paper_holds_no_strokes(noise: float, shape: tuple[int, int]) -> None:
    paper = 235 + noise * np.random.default_rng(3).standard_normal(shape)
    with pytest.raises(Refusal) as caught:
        _ink(np.clip(paper, 0, 255).astype(np.uint8), 8.0)
    assert caught.value.code == "empty-page"
