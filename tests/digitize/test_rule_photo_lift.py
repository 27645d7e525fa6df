"""How far a laid rule's graduations are taken to be above the paper: what is told, else by what the rule looks like."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.frames import FloatArray
from digitize.rule.photo_lift import (
    BEVEL_MM,
    LONG_STEEL_MM,
    SHORT_STEEL_MM,
    SQUARE_MM,
    TOLD_U_MM,
    WIDE_STEEL_MM,
    lift_mm,
)
from digitize.settings import RuleHint
from digitize.shapes import Picture

BODY = np.array([(100.0, 80.0), (700.0, 110.0), (697.0, 170.0), (97.0, 140.0)])


def photo(tone: int, colours: np.ndarray | None = None) -> Picture:
    """Return light paper with a rule's body of some tone, black marks on its upper edge and a streak of glare."""
    grey = np.full((300, 800), 215, np.uint8)
    cv2.fillPoly(grey, [np.rint(BODY).astype(np.int32)], (tone,))
    for x in np.linspace(0.02, 0.98, 90):
        start = BODY[0] + x * (BODY[1] - BODY[0])
        ends = np.rint([start, start + np.array([-0.8, 16.0])]).astype(int).tolist()
        cv2.line(grey, *ends, (20,), 1)
    cv2.line(grey, (250, 100), (255, 150), (255,), 14)
    return Picture(cv2.GaussianBlur(grey, (0, 0), 1.0), "rule.jpg", "0" * 64, None, "photo", colours=colours)


def coloured(paper: tuple[int, int, int], body: tuple[int, int, int]) -> np.ndarray:
    """Return the same at half its size in colour."""
    colours = np.full((150, 400, 3), paper, np.uint8)
    cv2.fillPoly(colours, [np.rint(BODY / 2).astype(np.int32)], body)
    return colours


@pytest.mark.parametrize(
    ("tone", "size", "want"),
    [(150, (300.0, 30.0), LONG_STEEL_MM), (150, (150.0, 19.0), SHORT_STEEL_MM), (60, (600.0, 32.0), LONG_STEEL_MM),
     (150, (400.0, 40.0), WIDE_STEEL_MM), (212, (300.0, 30.0), BEVEL_MM), (230, (300.0, 40.0), BEVEL_MM)],
    ids=["steel", "short steel", "black", "arm of a square", "clear", "white"],
)  # fmt: skip
def test_metal_is_told_from_what_has_a_bevel(tone: int, size: tuple[float, float], want: tuple[float, float]) -> None:
    assert lift_mm(photo(tone), BODY, size, square=False, hint=None) == want


@pytest.mark.parametrize(
    ("paper", "body", "want"),
    [((230, 226, 220), (150, 148, 146), LONG_STEEL_MM), ((230, 226, 220), (176, 146, 96), BEVEL_MM),
     ((235, 215, 140), (150, 148, 146), LONG_STEEL_MM), ((235, 215, 140), (170, 135, 70), BEVEL_MM),
     ((235, 200, 160), (160, 135, 108), LONG_STEEL_MM)],
    ids=["steel", "wood", "steel on yellow paper", "wood on yellow paper", "steel by a warm lamp"],
)  # fmt: skip
def test_wood_is_browner_than_paper(
    paper: tuple[int, int, int], body: tuple[int, int, int], want: tuple[float, float]
) -> None:
    assert lift_mm(photo(150, coloured(paper, body)), BODY, (300.0, 30.0), square=False, hint=None) == want


def test_a_square_is_thick_and_what_is_told_counts_before_all() -> None:
    told = RuleHint.model_validate({"thickness": "1/16 in"}, context={"unit": "mm"})
    assert lift_mm(photo(150), BODY, (600.0, 30.0), square=True, hint=None) == SQUARE_MM
    assert lift_mm(photo(150), BODY, (600.0, 30.0), square=True, hint=told) == (pytest.approx(1.5875), TOLD_U_MM)
    assert lift_mm(photo(150), BODY, (600.0, 30.0), square=True, hint=RuleHint(unit="mm")) == SQUARE_MM


def test_a_body_that_reaches_out_of_the_picture_is_judged_by_what_shows() -> None:
    outside: FloatArray = BODY + np.array([400.0, 0.0])
    grey = np.full((300, 800), 215, np.uint8)
    cv2.fillPoly(grey, [np.rint(outside).astype(np.int32)], (140,))
    picture = Picture(grey, "rule.jpg", "0" * 64, None, "photo")
    assert lift_mm(picture, outside, (300.0, 30.0), square=False, hint=None) == LONG_STEEL_MM


def test_steel_that_reaches_over_a_dark_table_is_steel() -> None:
    picture = photo(140)
    grey = picture.grey.copy()
    on_table = np.arange(800) > 420
    grey[:, on_table] = np.where(grey[:, on_table] > 200, 70, grey[:, on_table])  # paper only
    assert lift_mm(replace(picture, grey=grey), BODY, (300.0, 30.0), square=False, hint=None) == LONG_STEEL_MM


def test_steel_in_a_shadow_is_steel_and_white_plastic_is_not() -> None:
    shade = np.linspace(1.0, 0.45, 800)[None]
    for tone, want in ((150, LONG_STEEL_MM), (212, BEVEL_MM)):
        picture = photo(tone)
        shaded = np.rint(picture.grey * shade).astype(np.uint8)
        assert lift_mm(replace(picture, grey=shaded), BODY, (300.0, 30.0), square=False, hint=None) == want
