"""The outline on the sheet, from made pictures whose truth is kept; scale given, so that only tracing is tested."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely

from calibration.errors import Refusal
from calibration.frames import FloatArray, PxPoints, SheetPoints
from digitize.contour import find_outline
from digitize.contour.band import look_across, normals
from digitize.contour.follow import bridge_spline
from digitize.contour.measure import find_corners
from digitize.ink import find_strokes
from digitize.read import read_picture
from digitize.shapes import Ink, OutlineHints, Picture, TracedOutline
from tests.maker import MadePlan, PlanSpec, make_plan

Maker = Callable[[PlanSpec], MadePlan]

# A printed line's middle at 200 dpi: a tenth of a pixel on average, a pixel at the worst crossing.
RMS_MM, WORST_MM = 0.013, 0.13
PLAIN = PlanSpec(name="plain", seed=9, family="small", dpi=150.0)  # as coarse as lines are sought in 300 dpi
SHARP = replace(PLAIN, name="sharp", blur_px=0.5)


@dataclass(frozen=True)
class TrueScale:
    """Stands in for the calibration: the maker's own map, so that sheet mm are plan mm."""

    plan_to_px: FloatArray

    @property
    def mm_per_px_x(self) -> float:
        return float(1 / np.sqrt(abs(np.linalg.det(self.plan_to_px[:, :2]))))

    mm_per_px_y = mm_per_px_x

    def to_sheet(self, points: PxPoints) -> SheetPoints:
        return SheetPoints((points.xy - self.plan_to_px[:, 2]) @ np.linalg.inv(self.plan_to_px[:, :2]).T)


def slow(value: str) -> object:
    return pytest.param(value, marks=pytest.mark.slow)


def seen(made: MadePlan) -> tuple[Picture, Ink]:
    picture = read_picture(made.path)
    return picture, find_strokes(picture, 1 / TrueScale(made.plan_to_px).mm_per_px_x)


def trace(made: MadePlan, what: tuple[Picture, Ink] | None = None, **hints: object) -> TracedOutline:
    """Return the outline of a plan, with ``what`` was seen of it where it is traced more than once."""
    scale = TrueScale(made.plan_to_px)
    return find_outline(*(what or seen(made)), scale, OutlineHints(**hints))  # type: ignore[arg-type]


def changed(made: MadePlan, folder: Path, page: np.ndarray) -> MadePlan:
    """Return a plan with another picture; the plan itself is other tests' too."""
    cv2.imwrite(str(folder / "changed.png"), page)
    return replace(made, path=folder / "changed.png")


def off_truth(made: MadePlan, traced: TracedOutline) -> FloatArray:
    return np.asarray(shapely.distance(shapely.points(traced.points.xy), shapely.LinearRing(made.outline_mm)))


@pytest.mark.parametrize("family", [slow("guitar"), "violin", slow("cutaway")])
def test_whole_outline_lies_on_the_drawn_line(tmp_path: Path, family: str) -> None:
    spec = PlanSpec(name=family, seed=5, family=family, skew_deg=0.9)  # type: ignore[arg-type]
    made = make_plan(spec, tmp_path)
    traced = trace(made)
    distance = off_truth(made, traced)
    assert not traced.half
    assert traced.doubts == ()
    assert np.sqrt(np.mean(distance**2)) < RMS_MM
    assert distance.max() < WORST_MM
    ring = shapely.LinearRing(traced.points.xy)
    assert shapely.distance(shapely.points(made.outline_mm), ring).max() < WORST_MM
    assert len(traced.corners) >= (4 if family == "violin" else 0)


def test_half_drawing_is_known_as_half_and_has_its_centerline(tmp_path: Path) -> None:
    made = make_plan(PlanSpec(name="half", seed=7, family="small", half=True), tmp_path)
    traced = trace(made)
    assert traced.half
    assert off_truth(made, traced).max() < WORST_MM
    line = traced.lines[0]
    assert abs(line.start[0]) < 0.03
    assert abs(line.end[0]) < 0.03


def test_one_bit_scan_is_traced_too(tmp_path: Path) -> None:
    made = make_plan(PlanSpec(name="bits", seed=8, family="small", one_bit=True), tmp_path)
    traced = trace(made)
    # A one-bit edge is known to a third of a pixel (uniform rounding): 0.04 mm at 200 dpi.
    assert np.sqrt(np.mean(off_truth(made, traced) ** 2)) < 0.03
    assert off_truth(made, traced).max() < WORST_MM


def test_middle_outer_and_inner_edge_differ_by_half_the_pen(tmp_path: Path) -> None:
    made = make_plan(replace(SHARP, name="pen", line_mm=0.6), tmp_path)
    what = seen(made)
    area = {line: shapely.Polygon(trace(made, what, line=line).points.xy).area for line in ("inner", "middle", "outer")}
    perimeter = made.measures["perimeter_mm"]
    assert (area["outer"] - area["middle"]) / perimeter == pytest.approx(0.3, abs=0.04)
    assert (area["middle"] - area["inner"]) / perimeter == pytest.approx(0.3, abs=0.04)


def test_near_a_place_outside_every_outline_is_refused(made: Maker) -> None:
    with pytest.raises(Refusal, match="outline"):
        trace(made(PLAIN), near=(5.0, 5.0))


@pytest.mark.slow
def test_two_bodies_are_refused_until_one_is_pointed_at(made: Maker, tmp_path: Path) -> None:
    page = cv2.imread(str(made(PLAIN).path), cv2.IMREAD_GRAYSCALE)
    two = changed(made(PLAIN), tmp_path, np.hstack([page, page]))
    with pytest.raises(Refusal) as refusal:
        trace(two)
    assert refusal.value.code == "several-bodies"
    middle = two.to_px(np.array([[20.0, 60.0]]))[0]
    assert off_truth(two, trace(two, near=tuple(middle))).max() < WORST_MM


def test_another_body_on_the_sheet_is_told(made: Maker, tmp_path: Path) -> None:
    """One a tenth smaller beside it: which is meant is a question, not a matter of course."""
    page = cv2.imread(str(made(PLAIN).path), cv2.IMREAD_GRAYSCALE)
    small = cv2.resize(page, None, fx=0.9, fy=0.9, interpolation=cv2.INTER_AREA)
    small = cv2.copyMakeBorder(small, 0, len(page) - len(small), 0, 0, cv2.BORDER_REPLICATE)
    two = changed(made(PLAIN), tmp_path, np.hstack([page, small]))
    traced = trace(two)
    assert off_truth(two, traced).max() < WORST_MM
    assert "other-body" in [one.code for one in traced.doubts]


def test_two_halves_alike_are_refused(tmp_path: Path) -> None:
    """The half of the top, and beside it that of the back, which reaches a little farther."""
    made = make_plan(replace(PLAIN, name="halves", half=True), tmp_path)
    page = cv2.imread(str(made.path), cv2.IMREAD_GRAYSCALE)
    back = cv2.resize(page, None, fx=1.02, fy=1.02, interpolation=cv2.INTER_AREA)
    front = cv2.copyMakeBorder(page, 0, len(back) - len(page), 0, 0, cv2.BORDER_REPLICATE)
    cv2.imwrite(str(made.path), np.hstack([front, back]))
    with pytest.raises(Refusal) as refusal:
        trace(made)
    assert refusal.value.code == "several-bodies"


def test_a_line_that_cuts_a_gentle_bend_short_is_never_taken_without_doubt(made: Maker, tmp_path: Path) -> None:
    """A straight line of the same pen leaves the outline and comes back to it, some millimetres beside it."""
    plan = made(SHARP)
    side = int(np.argmax(plan.outline_mm[:, 0]))
    ends = plan.to_px(plan.outline_mm[[side - 90, side + 90]])
    beyond = (ends[1] - ends[0]) * 0.25
    page = cv2.imread(str(plan.path), cv2.IMREAD_GRAYSCALE)
    first, last = (np.round(at).astype(int).tolist() for at in (ends[0] - beyond, ends[1] + beyond))
    cv2.line(page, first, last, 30, 3, cv2.LINE_AA)
    cut = changed(plan, tmp_path, page)
    what = seen(cut)
    traced = trace(cut, what)
    assert off_truth(cut, traced).max() < WORST_MM or traced.doubts
    told = trace(cut, what, through=(tuple(cut.to_px(cut.outline_mm[[side]])[0]),))
    assert off_truth(cut, told).max() < 2.0 * WORST_MM


def test_broken_outline_beside_a_whole_inner_line_is_never_taken_without_doubt(made: Maker, tmp_path: Path) -> None:
    """The true line has a gap too long to bridge, a closed line runs 3 mm inside it."""
    plan = made(SHARP)
    page = cv2.imread(str(plan.path), cv2.IMREAD_GRAYSCALE)
    inner = np.asarray(shapely.Polygon(plan.outline_mm).buffer(-3.0).exterior.coords)
    cv2.polylines(page, [np.round(plan.to_px(inner)).astype(np.int32)], True, 30, 3)
    side = plan.outline_mm[np.argmax(plan.outline_mm[:, 0])]
    x, y = plan.to_px(side[None])[0]
    cv2.rectangle(page, (int(x - 12), int(y - 120)), (int(x + 60), int(y + 120)), 240, -1)
    broken = changed(plan, tmp_path, page)
    try:
        traced = trace(broken)
    except Refusal:
        return
    assert traced.doubts or off_truth(broken, traced).max() < WORST_MM


def test_sheet_of_text_lines_has_no_outline() -> None:
    page = np.full((1600, 1200), 255, np.uint8)
    for row in range(100, 1500, 40):
        cv2.putText(page, "the quick brown fox jumps over", (80, row), cv2.FONT_HERSHEY_SIMPLEX, 1.2, 0, 2)
    picture = Picture(page, "text.png", "", None, "scan")
    scale = TrueScale(np.array([[8.0, 0, 0], [0, -8.0, 1600]]))
    with pytest.raises(Refusal, match="No closed body outline"):
        find_outline(picture, find_strokes(picture, 8.0), scale, OutlineHints())  # type: ignore[arg-type]


def test_empty_page_is_refused() -> None:
    picture = Picture(np.full((1600, 1200), 250, np.uint8), "white.png", "", None, "scan")
    with pytest.raises(Refusal) as refusal:
        find_strokes(picture, 8.0)
    assert refusal.value.code == "empty-page"


def test_cross_section_of_a_known_slanted_bar_is_found_to_a_fiftieth_of_a_pixel() -> None:
    """Analytic picture: an ideal bar of width 3 px averaged over each pixel, 16 x 16 samples."""
    size, fine = 120, 16
    grid = (np.arange(size * fine) + 0.5) / fine - 0.5
    x, y = np.meshgrid(grid, grid)
    angle = np.radians(17.0)
    off = (x - 60.3) * -np.sin(angle) + (y - 59.6) * np.cos(angle)
    ink = (np.abs(off) < 1.5).astype(float)
    page = (255 - 255 * ink.reshape(size, fine, size, fine).mean(axis=(1, 3))).astype(np.uint8)
    at = np.linspace(-35, 35, 90)[:, None]
    path = np.array([60.3, 59.6]) + at * np.array([np.cos(angle), np.sin(angle)])
    band = look_across(page, path, normals(path, closed=False), 8.0, 3.0, average=5, closed=False)
    middle = (band.low + band.high) / 2
    assert np.abs(middle).max() < 0.06
    assert abs(middle.mean()) < 0.02
    assert np.mean(band.high - band.low) == pytest.approx(3.0, abs=0.1)


def test_spline_bridges_a_stretch_without_ink_along_the_arc() -> None:
    turn = np.linspace(0, 2 * np.pi, 2500, endpoint=False)
    circle = 1000.0 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    seen = np.ones(len(turn))
    seen[400:480] = 0.0
    shaken = circle.copy()
    shaken[400:480] += 6.0
    smooth = bridge_spline(shaken, seen, 0.125, 2.0, 3.0, closed=True)
    assert np.abs(np.hypot(*smooth.T) - 1000.0)[400:480].max() < 0.5


def test_corners_are_told_from_tight_curves() -> None:
    step = 0.25
    straight = np.stack([np.arange(0, 40, step), np.zeros(160)], axis=1)
    up = np.stack([np.full(160, 40.0), np.arange(0, 40, step)], axis=1)
    turn = np.arange(0, np.pi / 2, step / 6.0)
    bend = np.stack([34 + 6 * np.sin(turn), 6 - 6 * np.cos(turn)], axis=1)
    sharp = np.vstack([straight, up])
    round_ = np.vstack([straight[straight[:, 0] < 34], bend, up[up[:, 1] > 6]])
    assert find_corners(sharp, 6, closed=False).tolist() == [pytest.approx(160, abs=2)]
    assert len(find_corners(round_, 6, closed=False)) == 0


def test_outline_running_off_the_picture_is_refused_or_doubted(tmp_path: Path) -> None:
    made = make_plan(replace(PLAIN, name="cut", seed=3), tmp_path)
    page = cv2.imread(str(made.path), cv2.IMREAD_GRAYSCALE)
    side = made.to_px(made.outline_mm[[np.argmax(made.outline_mm[:, 0])]])[0]
    cv2.imwrite(str(made.path), page[:, : int(side[0]) - 40])
    with pytest.raises(Refusal):
        trace(made)
