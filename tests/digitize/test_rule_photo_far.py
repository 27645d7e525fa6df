"""The far edge of a rule's body, from the light across it."""

from __future__ import annotations

import numpy as np
import pytest

from digitize.rule.photo_body import BLOCKS, _far_edge

MM, ZERO, TALL = 5.0, 110, 35.0  # rows a millimetre, row of the feet, length of the longest marks


def light(face: float, before: float, beyond: float, shadow: float, wide_mm: float = 32.0) -> np.ndarray:
    """Rows (R, BLOCKS) across a rule: what lies before its feet, its face, the shadow beyond it, and the rest."""
    rows = np.arange(ZERO + round(66.0 * MM))
    at = (rows - ZERO) / MM
    row = np.where(at < 0, before, np.where(at < wide_mm, face, beyond))
    row = row - shadow * np.exp(-np.maximum(at - wide_mm, 0.0) / 1.5) * (at >= wide_mm)
    noise = np.random.default_rng(2).normal(0.0, 1.0, (len(rows), BLOCKS))
    return np.asarray(row[:, None] + noise)


@pytest.mark.parametrize("beyond", [165.0, 150.0, 200.0])
def test_a_white_rule_over_the_papers_end_ends_at_its_shadow_and_not_where_the_look_ends(beyond: float) -> None:
    """The table before its feet tells nothing of the paper beyond it, however far away the look stops."""
    tone = light(165.0, 100.0, beyond, 60.0)
    tone[-4:] -= 50.0  # a drawn line where the look ends
    far, _ = _far_edge(tone, ZERO, TALL, MM, np.full(BLOCKS, 100.0), 0.0)
    assert far / MM == pytest.approx(32.0, abs=1.5)


def test_wood_on_paper_ends_where_the_paper_goes_on() -> None:
    far, _ = _far_edge(light(130.0, 180.0, 180.0, 40.0), ZERO, TALL, MM, np.full(BLOCKS, 180.0), 0.0)
    assert far / MM == pytest.approx(32.0, abs=3.5)  # where the shadow has faded
