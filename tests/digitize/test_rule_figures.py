"""Figures at the longest graduations tell whole inches where the file states no resolution; what they say is not read.

That figures number whole inches is common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from calibration.units import MM_PER_INCH
from digitize.rule import find_rules
from tests.digitize.rule_pages import DrawnRule, Page, inch_levels

HALVES = {step: length for step, length in inch_levels(64).items() if step < 64}  # its inches are as long as its halves


def page(rule: DrawnRule, texts: list[tuple[tuple[float, float], str, float]] | None = None, **how: float) -> Page:
    return Page(**{"dpi": 300, "declared": False, "width_mm": 260.0, **how}, rules=[rule], texts_mm=texts or [])


def below(every_mm: float, first: int = 0) -> list[tuple[tuple[float, float], str, float]]:
    """Figures at even distances on the other side of the line that the graduations stand on."""
    return [((14.0 + (first + n) * every_mm, 15.0), str(n), 2.2) for n in range(9 - first) if n * every_mm < 220.0]


@pytest.mark.parametrize(("parts", "skew_deg", "side"), [(8, 1.4, 1), (16, 0.0, -1), (32, 1.4, -1)])
def test_figures_at_every_longest_graduation_make_it_an_inch(parts: int, skew_deg: float, side: int) -> None:
    drawn = DrawnRule((15, 20 if side > 0 else 40), 0, MM_PER_INCH / parts, 8 * parts, inch_levels(parts), side=side)
    (rule,) = find_rules(page(drawn, skew_deg=skew_deg).picture()).rules
    assert (rule.unit, rule.pitch_mm) == ("in", pytest.approx(MM_PER_INCH / parts))
    assert "figure" in rule.unit_evidence


def test_figures_on_the_other_side_of_the_line_count_too() -> None:
    drawn = DrawnRule((15, 20), 0, MM_PER_INCH / 32, 256, inch_levels(32), numbers=False)
    (rule,) = find_rules(page(drawn, below(MM_PER_INCH)).picture()).rules
    assert rule.pitch_mm == pytest.approx(MM_PER_INCH / 32)


@pytest.mark.parametrize(
    ("pitch_mm", "levels", "texts"),
    [(MM_PER_INCH / 32, inch_levels(32), []),
     (MM_PER_INCH / 64, HALVES, below(MM_PER_INCH)),
     (MM_PER_INCH / 32, inch_levels(32), below(MM_PER_INCH / 2)),
     (MM_PER_INCH / 32, inch_levels(32), [((60.0, 15.0), "BRASS RULE OF THE WORKSHOP, READ FROM THE LEFT", 3.0)])],
    ids=["none", "at every second", "halfway too", "words"],
)  # fmt: skip
def test_without_such_figures_the_unit_stays_open(
    pitch_mm: float, levels: dict[int, float], texts: list[tuple[tuple[float, float], str, float]]
) -> None:
    drawn = DrawnRule((15, 20), 0, pitch_mm, round(8 * MM_PER_INCH / pitch_mm), levels, numbers=False)
    found = find_rules(page(drawn, texts).picture())
    assert found.rules == ()
    assert [doubt.code for doubt in found.doubts] == ["unit-uncertain"]


def test_inches_on_a_copy_at_half_its_size_are_not_taken_by_the_resolution() -> None:
    """A figure at each longest graduation makes it an inch, where the resolution makes it half of one."""
    levels = {step: length / 2 for step, length in inch_levels(16).items()}
    drawn = DrawnRule((15, 20), 0, MM_PER_INCH / 32, 128, levels, numbers=False)
    figures = [((14.5 + n * MM_PER_INCH / 2, 17.5), str(n), 1.2) for n in range(9)]
    found = find_rules(page(drawn, figures, declared=True).picture())
    assert found.rules == ()
    assert [doubt.code for doubt in found.doubts] == ["unit-uncertain"]
    (rule,) = find_rules(page(drawn, below(MM_PER_INCH), declared=True).picture()).rules  # its half inches are as long
    assert rule.pitch_mm == pytest.approx(MM_PER_INCH / 32)


def test_one_figure_that_dirt_hides_does_not_matter() -> None:
    drawn = DrawnRule((15, 20), 0, MM_PER_INCH / 16, 128, inch_levels(16), numbers=False)
    texts = below(MM_PER_INCH)
    missing = [text for n, text in enumerate(texts) if n not in (0, 3)]
    (rule,) = find_rules(page(drawn, missing).picture()).rules
    assert rule.pitch_mm == pytest.approx(MM_PER_INCH / 16)
    assert np.isfinite(rule.pitch_px)


def test_lettering_over_the_longest_graduations_is_no_finer_class_of_them() -> None:
    """It makes 32nds look like 64ths, and the sheet half as large: without a resolution that is asked."""
    drawn = DrawnRule((15, 20), 0, MM_PER_INCH / 32, 256, inch_levels(32), numbers=False)
    over = [((14.0 + n * MM_PER_INCH / 2, 26.0), str(n), 2.2) for n in range(9)]
    for rule in find_rules(page(drawn, over).picture()).rules:
        assert rule.pitch_mm == pytest.approx(MM_PER_INCH / 32)
