"""Heights of laid rules by several pieces of evidence, from numbers."""

from __future__ import annotations

import numpy as np
import pytest

from digitize.rule.photo_heights import SUREST, Height, as_usual_too, mean_height, of_two, seen_height

RULE, SQUARE = Height(1.0, 0.3), Height(1.8, 0.4)


def test_several_walls_of_one_thing_share_their_light() -> None:
    assert seen_height([None, None]) is None
    found = seen_height([Height(1.0, 0.2), None, Height(1.4, 0.2)])
    assert found is not None and found.mm == pytest.approx(1.2)
    assert found.u_mm == pytest.approx(0.16), "not 0.2 over the root of two"


def test_what_agrees_is_averaged_and_what_does_not_is_as_uncertain_as_it_is_apart() -> None:
    near = as_usual_too(Height(1.2, 0.3), RULE, flat=True)
    assert near == mean_height([Height(1.2, 0.3), RULE])
    far = as_usual_too(Height(3.0, 0.1), RULE, flat=True)
    assert far == Height(3.0, 1.0)
    assert as_usual_too(Height(3.0, 0.1), RULE, flat=False).mm == pytest.approx(2.0)


def test_a_wall_of_one_body_tells_whether_both_are_a_square() -> None:
    thick = of_two(None, Height(2.0, 0.12), (RULE, RULE), SQUARE, 0.5)
    assert abs(thick.mm - 2.0) < 0.1 and thick.u_mm < 0.3
    thin = of_two(None, Height(0.95, 0.12), (RULE, RULE), SQUARE, 0.5)
    assert abs(thin.mm - 1.0) < 0.1 and thin.u_mm < 0.35
    unseen = of_two(None, None, (RULE, RULE), SQUARE, 0.5)
    assert unseen.mm == pytest.approx(1.4) and unseen.u_mm > 0.5


def test_the_mean_over_both_cases_is_that_of_drawn_ones() -> None:
    """By drawing: pick a case, heights and what the wall shows of one; keep those that look as this photo does."""
    rng = np.random.default_rng(5)
    count, seen, u = 400_000, 1.45, 0.2
    is_square = rng.random(count) < 0.3
    square = rng.normal(SQUARE.mm, SQUARE.u_mm, count)
    one, two = (np.where(is_square, square, rng.normal(RULE.mm, RULE.u_mm, count)) for _ in range(2))
    alike = np.abs(two + rng.normal(0.0, u, count) - seen) < 0.02
    for own, other, drawn in ((None, Height(seen, u), one), (Height(seen, u), None, two)):
        found = of_two(own, other, (RULE, RULE), SQUARE, 0.3)
        assert found.mm == pytest.approx(drawn[alike].mean(), abs=0.01)
        assert found.u_mm == pytest.approx(drawn[alike].std(), abs=0.01)


def test_no_wall_makes_it_quite_sure() -> None:
    found = of_two(None, Height(2.6, 0.05), (RULE, RULE), SQUARE, 0.5)
    assert found.mm < 2.6 - 0.5 * (1.0 - SUREST) and found.u_mm > 0.2
