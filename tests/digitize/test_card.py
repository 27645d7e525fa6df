"""A bank card on a scan: found by its shape, measured, held against a scale; truth by the maker."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from calibration.card import CardSide
from calibration.solve import Calibration
from calibration.standards import CARD_ID1_MM
from digitize.card_check import Scale, check_cards
from digitize.settings import CardHint
from tests.maker.card_scan import lay_card

PX = 150 / 25.4
MIDDLE = (700.0, 520.0)


def page(seed: int = 1) -> np.ndarray:
    """Return paper with lines all over it, a title block of a card's own proportions among them."""
    rng = np.random.default_rng(seed)
    grey = np.full((1100, 1500), 232, dtype=np.uint8)
    for _ in range(25):
        ends = (rng.uniform(0, 1, (2, 2)) * [1500, 1100]).astype(int)
        cv2.line(grey, ends[0].tolist(), ends[1].tolist(), (50,), 2, cv2.LINE_AA)
    cv2.rectangle(grey, (60, 40), (60 + round(85.6 * PX), 40 + round(53.98 * PX)), (50,), 3)
    return np.clip(grey + rng.normal(0.0, 3.0, grey.shape), 0, 255).astype(np.uint8)


def scale(mm_per_px: float = 1 / PX, y: float | None = None, *, against: str = "paper", u: float = 2e-4) -> Scale:
    matrix = np.diag([mm_per_px, -(y or mm_per_px)])
    known = Calibration(matrix, np.diag([u**2, u**2, u**2]), "two scales", (True, True), (), (), 0.0)
    return Scale.of_paper(known, against)  # type: ignore[arg-type]


def carded(angle_deg: float = 17.0, seed: int = 1, **told: Any) -> np.ndarray:
    return lay_card(page(seed), MIDDLE, told.pop("px", (PX, PX)), angle_deg, **told)


@pytest.mark.parametrize(("angle_deg", "tone"), [(0.0, 95), (17.0, 150), (91.0, 40), (133.0, 200)])
def test_a_card_agrees_with_a_right_scale_and_is_measured_within_its_claim(angle_deg: float, tone: int) -> None:
    cards = check_cards(carded(angle_deg, tone=tone), scale(), ())
    (found,) = cards.found
    assert cards.doubts == () and found.check.agrees
    for side, nominal in zip(found.check.sides, CARD_ID1_MM, strict=True):
        assert abs(side.measured_mm - nominal) < 0.05  # a third of a pixel
        assert abs(side.off) <= side.u95 < 0.006


def mat(left_px: int = 300) -> np.ndarray:
    """Return a cutting mat's grid, one mesh of thick lines a card's size, and how it reaches past the picture's rim."""
    grey = np.full((1100, 1500), 60, dtype=np.uint8)
    wide, high = round(85.6 * PX), round(53.98 * PX)
    for k in range(-4, 5):
        cv2.line(grey, (left_px + k * wide, 0), (left_px + k * wide, 1100), (115,), 9, cv2.LINE_AA)
        cv2.line(grey, (0, 500 + k * high), (1500, 500 + k * high), (115,), 9, cv2.LINE_AA)
    return np.clip(grey + np.random.default_rng(3).normal(0.0, 3.0, grey.shape), 0, 255).astype(np.uint8)


def test_a_mesh_of_a_mats_grid_is_no_card_nor_what_the_rim_of_the_picture_cuts() -> None:
    assert check_cards(mat(), scale(), ()).found == ()
    assert check_cards(mat()[500 - 150:, 300 - 2:], scale(), ()).found == ()
    cut = carded(0.0, tone=95)[int(MIDDLE[1] - 53.98 / 2 * PX):]  # its upper edge is the picture's rim
    assert check_cards(cut, scale(), ()).found == ()


def test_a_scale_that_is_off_is_contradicted() -> None:
    """1 % is beyond what a card and its edges may be off by; so is a wrong unit, 1/10 in for 1 mm or 1/16 in for it."""
    for factor in (1.01, 1 / 1.01, 2.54, 1.5875, 1 / 1.5875):
        cards = check_cards(carded(), scale(factor / PX), ())
        assert [one.code for one in cards.doubts] == ["card-disagrees"], factor
        assert cards.found[0].check.sides[0].measured_mm == pytest.approx(85.60 * factor, rel=1e-3)


def test_a_copy_may_be_off_as_copiers_are_but_not_by_a_unit() -> None:
    copied = carded(px=(PX, PX))
    assert check_cards(copied, scale(0.985 / PX, 1.012 / PX, against="plan"), ()).doubts == ()
    wrong = check_cards(copied, scale(1.5875 / PX, against="plan"), ())
    assert [one.code for one in wrong.doubts] == ["card-disagrees-plan"]


def test_only_a_card_is_a_card() -> None:
    """Neither sharp corners, nor other proportions, nor a tone that does not differ from the paper's."""
    for other in ({"corner_mm": 0.2}, {"size_mm": (85.6, 58.0)}, {"tone": 232}):
        assert check_cards(carded(**other), scale(), ()).found == ()


def test_a_card_told_of_and_not_found_is_said() -> None:
    near = CardHint(near=(200.0, 900.0))
    cards = check_cards(carded(), scale(), (near,))
    assert [one.code for one in cards.doubts] == ["card-not-found"]
    assert "[200, 900]" in cards.doubts[0].text
    assert [one.code for one in check_cards(page(), scale(), (CardHint(),)).doubts] == ["card-not-found"]
    assert check_cards(page(), scale(), ()).doubts == ()


def test_of_two_cards_the_one_pointed_at_is_taken() -> None:
    both = lay_card(carded(), (1250.0, 600.0), (PX, PX), 88.0)
    assert check_cards(both, scale(), ()).found == ()  # which one lies flat, nobody knows
    (found,) = check_cards(both, scale(), (CardHint(near=(1240.0, 630.0)),)).found
    assert np.allclose(found.ring_px.mean(axis=0), (1250.0, 600.0), atol=1.0)


def test_what_a_card_may_be_off_by() -> None:
    """Its own limits by ISO/IEC 7810 (from memory) alone: 0.13 mm of 85.6, of which 95 % is a rectangle's."""
    side = CardSide("long side", 85.6, 0.0, (), 0.0)
    assert side.u95 == pytest.approx(0.95 * 0.13 / 85.6, rel=1e-3)
    assert side.agrees
    assert not CardSide("long side", 85.9, 0.0, (), 0.0).agrees
    assert CardSide("long side", 85.9, 0.0, (), 0.0, copier_limit_rel=0.03).agrees
