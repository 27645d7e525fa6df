"""The middle of a mark that a person pointed to, on crosses drawn by area coverage with known middles."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from digitize.rule.marks import BY_EYE_PX, CENTRED_PX, mark_middle, span_places
from digitize.settings import SpanHint

# Edges along the pixels come out wrong by up to half a part, so the parts are small.
PAPER, INK, OVER = 235.0, 40.0, 16


CROSS = (0.0, 90.0, 180.0, 270.0)


def page(middle: tuple[float, float], angle_deg: float = 0.0, arms: tuple[float, ...] = CROSS) -> np.ndarray:
    """Return a 100 px page with arms of ink, 3 px wide and 20 px long, that leave one place."""
    first = [max(0, int(at) - 24) for at in middle]  # no arm reaches farther than 22 px
    fine = [(at + (np.arange((min(100, at + 48) - at) * OVER) + 0.5) / OVER - 0.5) for at in first]
    x, y = np.meshgrid(fine[0] - middle[0], fine[1] - middle[1])
    ink = np.zeros_like(x, dtype=bool)
    for arm in np.radians(np.array(arms) + angle_deg):
        along, across = x * np.cos(arm) + y * np.sin(arm), y * np.cos(arm) - x * np.sin(arm)
        ink |= (along > -1.5) & (along < 20.0) & (np.abs(across) < 1.5)
    cover, part = np.zeros((100, 100)), ink.reshape(len(fine[1]) // OVER, OVER, len(fine[0]) // OVER, OVER)
    cover[first[1] : first[1] + part.shape[0], first[0] : first[0] + part.shape[2]] = part.mean(axis=(1, 3))
    noise = np.random.default_rng(3).normal(0.0, 3.0, cover.shape)
    return np.clip(np.rint(PAPER + (INK - PAPER) * cover + noise), 0, 255).astype(np.uint8)


@settings(max_examples=40, deadline=None)
@example(48.296875, 49.28125, 0.0, 0, 0)  # was 0.16 px off: differences of sharp ink
@given(
    st.floats(48.0, 52.0), st.floats(48.0, 52.0), st.floats(0.0, 90.0), st.integers(-2, 2), st.integers(-2, 2)
)
def test_the_middle_of_a_cross_is_found(x: float, y: float, turn: float, dx: int, dy: int) -> None:
    found = mark_middle(page((x, y), angle_deg=turn), (round(x) + dx * 0.7, round(y) + dy * 0.7))
    assert found is not None
    assert np.hypot(found[0] - x, found[1] - y) < CENTRED_PX / 2


@pytest.mark.parametrize("arms", [(), (0, 180), (90,), (0, 90), (0, 90, 180), (0, 60, 180)])
def test_no_cross_leaves_the_place_alone(arms: tuple[float, ...]) -> None:
    assert mark_middle(page((50.3, 49.6), arms=arms), (50.0, 50.0)) is None


def test_a_place_at_the_edge_of_the_page_is_left_alone() -> None:
    assert mark_middle(page((4.0, 50.0)), (4.0, 50.0)) is None


def test_each_end_of_a_span_says_how_it_was_placed() -> None:
    hint = SpanHint.model_validate({"from": [50, 50], "to": [20, 90], "length": "40 mm"})
    (span,) = span_places(page((50.4, 49.7)), (hint,))
    assert span.from_px == pytest.approx((50.4, 49.7), abs=0.1)
    assert (span.to_px, span.length_mm) == ((20.0, 90.0), 40.0)
    assert span.sigma_px == (CENTRED_PX, BY_EYE_PX)
