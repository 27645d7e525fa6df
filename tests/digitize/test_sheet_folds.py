"""Folds are told from the sheet's edges by what is drawn across them."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from digitize.sheet.find import INK_PX
from digitize.sheet.folds import without_folds
from digitize.sheet.outline import paper_about
from digitize.sheet.sides import plain_tones, side_lines

FOLD_ROW, EDGE_ROW, WIDE = 300, 700, 1200


def scene(table: int, *, drawn: bool) -> npt.NDArray[np.uint8]:
    """Paper with a fold along row 300, on a table from row 700 on; lines, an outline and text, or none."""
    rng = np.random.default_rng(5)
    grey = np.full((900, WIDE), 205.0)
    grey[:FOLD_ROW] *= 0.95
    grey -= 22.0 * np.exp(-(((np.arange(900)[:, None] - FOLD_ROW) / 4.0) ** 2))
    grey[EDGE_ROW:] = table
    if drawn:
        for x, slant in ((90, 0), (420, 60), (640, -150), (1090, 20)):
            cv2.line(grey, (x, 100), (x + slant, 650), (70,), 1, cv2.LINE_AA)
        cv2.ellipse(grey, (600, 360), (330, 240), 0, 0, 360, (70,), 1, cv2.LINE_AA)
    for x in range(300, 560, 6):  # a rule lies across the sheet's end, its graduations along it
        cv2.line(grey, (x, 660), (x, 740), (60,), 2, cv2.LINE_AA)
    return np.clip(cv2.GaussianBlur(grey, (0, 0), 0.7) + rng.normal(0, 1.5, grey.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("table", [60, 185])
@pytest.mark.parametrize(("drawn", "left"), [(True, [EDGE_ROW]), (False, [FOLD_ROW, EDGE_ROW])])
def test_only_what_is_drawn_across_a_line_makes_it_a_fold(table: int, drawn: bool, left: list[int]) -> None:
    flat = scene(table, drawn=drawn)
    tones = plain_tones(flat, INK_PX)
    along = np.arange(0.0, WIDE, 2.0)
    chains = [np.column_stack([along, np.full(len(along), float(row))]) for row in (FOLD_ROW, EDGE_ROW)]
    lines = side_lines(chains, tones)
    assert len(lines) == 2
    paper = paper_about(tones, np.ones(tones.shape, dtype=np.bool_), np.array([WIDE / 2, 450.0]))
    assert sorted(round(abs(line.offset_px)) for line in without_folds(lines, flat, tones, paper)) == left
