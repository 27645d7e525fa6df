"""Edges and gaps of a sheet where rules lie on it, from points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.controls import KnownAngle, StraightLine
from calibration.errors import Refusal
from calibration.frames import PxPoints
from digitize.beside_rules import Laid, gap_in_sheet, own_edges
from digitize.photo_faults import gap_doubt, refuse_gap
from digitize.shapes import Gap, SheetView

PX_PER_MM = 6.0
WHY = "the sheet's edges are cut square"
NONE = np.zeros((0, 2))


def edge(name: str, start: tuple[float, float], end: tuple[float, float]) -> StraightLine:
    places = np.array(start) + np.linspace(0.02, 0.98, 60)[:, None] * (np.array(end) - start)
    return StraightLine(name, "sheet edge", PxPoints(places), np.full(60, 0.1))


def arm(left: float, top: float, right: float, low: float) -> Laid:
    return Laid(np.array([(left, top), (right, top), (right, low), (left, low)]), PX_PER_MM)


def sheet() -> SheetView:
    """A sheet of 3000 by 2000 px whose right edge was found 300 px too far in."""
    edges = (
        edge("upper", (0, 0), (3000, 0)), edge("right", (2700, 0), (2700, 2000)),
        edge("lower", (3000, 2000), (0, 2000)), edge("left", (0, 2000), (0, 0)),
    )  # fmt: skip
    u = float(np.radians(0.1))
    angles = (
        KnownAngle("upper", "right", np.pi / 2, u, WHY), KnownAngle("upper", "lower", 0.0, u, WHY),
        KnownAngle("right", "left", 0.0, u, WHY),
    )  # fmt: skip
    return SheetView(None, (), edges, (), angles, 1, False, 0.0)


def test_the_arm_of_a_square_over_the_edge_is_not_the_sheets() -> None:
    found = own_edges(sheet(), [arm(2700, -200, 2990, 2100)])
    assert [one.name for one in found.edges] == ["upper", "lower", "left"]
    assert [(one.first, one.second, one.angle_rad) for one in found.angles] == [
        ("upper", "lower", 0.0), ("upper", "left", np.pi / 2),
    ]  # fmt: skip
    assert found.angles[1].u_rad == np.hypot(*2 * (np.radians(0.1),))  # over the edge that is gone


def test_the_wall_beside_a_rules_graduations_is_not_the_sheets_edge() -> None:
    found = own_edges(sheet(), [arm(2400, -200, 2688, 2100)])  # known to end 2 mm before the edge that was found
    assert [one.name for one in found.edges] == ["upper", "lower", "left"]


def test_a_rule_beside_an_edge_or_across_it_leaves_it_alone() -> None:
    whole = sheet()
    assert own_edges(whole, [arm(100, 20, 1900, 200), arm(-100, 900, 900, 1080)]) is whole


@pytest.mark.parametrize(
    ("start", "end", "kept"),
    [
        ((420, 1650), (1790, 1660), False),
        ((420, 1350), (1790, 1360), True),
        ((100, 1650), (1790, 1660), True),
        ((420, 1600), (1790, 1700), True),
    ],
    ids=["its back", "too far", "longer", "slanting"],
)
def test_the_back_of_a_rule_as_light_as_paper_is_no_line_of_the_plan(start, end, kept: bool) -> None:
    """Of a rule whose outline is known about its graduations only; a border that it was a side of loses it."""
    why = "the drawn border is square"
    lines = (edge("left border", (200, 200), (200, 1660)), edge("other", start, end))
    angles = (KnownAngle("left border", "other", np.pi / 2, 0.001, why),)
    view = replace(sheet(), lines=lines, angles=angles)
    found = own_edges(view, [arm(400, 1780, 1800, 1860)])
    assert [one.name for one in found.lines] == ["left border", "other"][: 1 + kept]
    assert len(found.angles) == kept
    assert found.edges == view.edges


def test_a_gap_under_a_rule_is_none_and_a_wide_one_needs_no_rule() -> None:
    gap = np.stack(np.meshgrid(np.linspace(500, 1500, 8), np.linspace(10, 150, 5)), axis=2).reshape(-1, 2)
    narrow = replace(sheet(), gaps=(Gap(gap, wide=False, side_px=NONE),))
    over, beside = arm(450, -60, 1600, 170), arm(2000, 900, 2900, 1080)
    assert gap_in_sheet(narrow, [over, beside]) is None
    assert gap_in_sheet(narrow, []) is None  # that rule may not have been found
    place = gap_in_sheet(narrow, [beside])
    assert place is not None and 500 <= place.px[0] <= 1500 and not place.small
    assert gap_in_sheet(replace(sheet(), gaps=(Gap(gap, wide=True, side_px=NONE),)), []) is not None
    assert gap_in_sheet(sheet(), [over]) is None


def test_a_gap_beside_a_larger_one_that_a_rule_makes_is_told() -> None:
    """Two sheets side by side, a rule near them: it looked like the table, and hid that of another place."""
    own = Gap(np.stack([np.linspace(500, 1500, 40), np.full(40, 80.0)], axis=1), wide=False, side_px=NONE)
    far = Gap(np.stack([np.linspace(2200, 3100, 40), np.full(40, 2300.0)], axis=1), wide=False, side_px=NONE)
    card = Gap(np.stack([np.linspace(2200, 2500, 40), np.full(40, 1200.0)], axis=1), wide=False, side_px=NONE)
    rule = arm(450, -60, 1600, 170)
    place = gap_in_sheet(replace(sheet(), gaps=(own, card, far)), [rule])
    assert place is not None and place.px == pytest.approx((2650, 2300)) and not place.small
    place = gap_in_sheet(replace(sheet(), gaps=(own, card)), [rule])
    assert place is not None and place.small
    assert gap_in_sheet(replace(sheet(), gaps=(own,)), [rule]) is None


def test_table_between_the_sheet_and_a_rule_that_hangs_over_its_edge_is_no_gap() -> None:
    """What was found as the upper edge is a rule's, which lies askew over the sheet's own."""
    beside = Gap(np.stack([np.linspace(1700, 2900, 40), np.full(40, 40.0)], axis=1), wide=False, side_px=NONE)
    left = Gap(np.stack([np.full(40, 30.0), np.linspace(600, 1500, 40)], axis=1), wide=False, side_px=NONE)
    along_edge, elsewhere = arm(100, -60, 2300, 12), arm(2000, 900, 2900, 1080)
    assert gap_in_sheet(replace(sheet(), gaps=(beside,)), [elsewhere]) is not None
    assert gap_in_sheet(replace(sheet(), gaps=(beside,)), [along_edge]) is None
    place = gap_in_sheet(replace(sheet(), gaps=(beside, left)), [along_edge])
    assert place is not None and place.px[0] == pytest.approx(30.0)


@pytest.mark.parametrize(("to_px", "told"), [(1500, False), (700, True)])
def test_a_side_found_by_the_edge_of_a_square_tells_of_no_gap(to_px: float, told: bool) -> None:
    """No edge of the sheet was measured there: most of it, or a little, runs along the square's."""
    side_px = np.stack([np.linspace(0, 3000, 61), np.linspace(0, -120, 61)], axis=1)
    beside = Gap(np.stack([np.linspace(2000, 2900, 40), np.full(40, -50.0)], axis=1), wide=False, side_px=side_px)
    view = sheet()
    view = replace(view, edges=view.edges[1:], angles=(), gaps=(beside,))
    square = Laid(np.array([(0, -5), (to_px, -0.04 * to_px - 5), (to_px, 200), (0, 240)]), PX_PER_MM)
    assert (gap_in_sheet(view, [square, arm(2000, 900, 2900, 1080)]) is not None) is told


@pytest.mark.parametrize(("wide_mm", "small"), [(85.6, True), (88.0, True), (140.0, False)])
def test_only_what_is_no_larger_than_a_bank_card_may_be_one(wide_mm: float, small: bool) -> None:
    """ISO/IEC 7810 ID-1: 85.60 x 53.98 mm, and what it throws of a shadow."""
    across = np.linspace(0.0, wide_mm, 8) * PX_PER_MM, np.linspace(0.0, 53.98, 5) * PX_PER_MM
    gap = np.stack(np.meshgrid(*across), axis=2).reshape(-1, 2)
    place = gap_in_sheet(replace(sheet(), gaps=(Gap(gap, wide=False, side_px=NONE),)), [arm(2000, 900, 2900, 1080)])
    assert place is not None and place.small is small
    doubts = gap_doubt(place)
    assert [(one.code, one.weight) for one in doubts] == [("sheet-gap", "look")]
    if small:
        refuse_gap(place)
    else:
        with pytest.raises(Refusal, match="outline of one flat sheet"):
            refuse_gap(place)
