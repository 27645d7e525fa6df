"""Checks across stages: what the file, the plan and common sense say against what was measured."""

from __future__ import annotations

import math
from collections.abc import Sequence

from calibration.budget import Budget
from calibration.errors import Refusal, UsageError
from calibration.flags import Doubt, doubt
from calibration.solve import Calibration
from calibration.units import MM_PER_INCH
from digitize.settings import PlanSettings
from digitize.shapes import BodyMeasures, Picture, Rule

# At 200 dpi this is 38 mm of paper; no body with a rule fits on less.
LEAST_SIDE_PX = 300
# Copies stray by up to 2 %, scanners by under 1 %; beyond, either the copy was scaled on purpose or the unit is wrong.
MOST_DPI_DIFFERENCE = 0.03
# Stated sizes are rounded, and a draughtsman's line strays by as much.
STATED_WITHIN_MM = 1.0
# From ukuleles to the largest guitars (common practice, no source), with room on both sides.
USUAL_LENGTH_MM = (220.0, 620.0)
USUAL_WIDTH_MM = (140.0, 460.0)
# Anything shorter or longer is a sound hole or a border, not a body (common practice, no source).
SENSIBLE_LENGTH_MM = (120.0, 1500.0)
# Sine of the angle between measures that stand for two directions.
LEAST_APART = 0.7
# What a builder can cut to (common practice, no source); a wider claim is of no use to a mold.
WIDEST_USEFUL_U95_MM = 0.5


def refuse_unfit_picture(picture: Picture) -> None:
    """Refuse what no later stage can make good.

    Raises:
        Refusal: ``too-small``.
    """
    height, width = picture.grey.shape
    if min(height, width) < LEAST_SIDE_PX:
        raise Refusal("too-small", file=picture.file, width=width, height=height)


def refuse_senseless_outline(length_mm: float, file: str) -> None:
    """Refuse an outline that came from a file in a wrong unit, or is none of a body.

    Raises:
        UsageError: ``outline-senseless``.
    """
    if not SENSIBLE_LENGTH_MM[0] <= length_mm <= SENSIBLE_LENGTH_MM[1]:
        raise UsageError("outline-senseless", file=file, length=f"{length_mm:.0f}")


def cross_checks(
    plan: PlanSettings,
    picture: Picture,
    calibration: Calibration,
    measures: BodyMeasures,
    budget: Budget,
    rules: Sequence[Rule] = (),
) -> tuple[Doubt, ...]:
    """Return every doubt that no single stage can see; ``rules`` are those found.

    Raises:
        Refusal: ``no-outline`` when the outline found has not the size of any body.
    """
    return (
        *_dpi_doubts(picture, calibration),
        *_stated_doubts(plan, measures, budget),
        *_size_doubts(measures),
        *_claim_doubts(budget),
        *_copy_doubts(plan, picture, rules),
    )


def sheet_checks(
    plan: PlanSettings, picture: Picture, calibration: Calibration, rules: Sequence[Rule]
) -> tuple[Doubt, ...]:
    """Return the doubts about a sheet's scale where no outline was looked for, so that no stated size was checked."""
    laid_only = bool(rules) and all(rule.role == "laid" for rule in rules) and not plan.spans
    return (*_dpi_doubts(picture, calibration), *((doubt("sheet-unchecked"),) if laid_only else ()))


def _copy_doubts(plan: PlanSettings, picture: Picture, rules: Sequence[Rule]) -> tuple[Doubt, ...]:
    """Doubt the copy where too little leads to the plan's own millimetres: only laid rules, and nothing stated.

    In a photo everything known is taken together, so that a length of the plan along one direction says nothing of the
    other; a scan's calibration has a doubt of its own for that. A stated size that the body does not have is another.
    """
    sizes = (plan.body.length_mm, plan.body.lower_bout_mm, plan.body.waist_mm, plan.body.upper_bout_mm)
    if not any(rule.role == "laid" for rule in rules) or any(size is not None for size in sizes):
        return ()
    ends = [(rule.from_px, rule.to_px) for rule in rules if rule.role == "drawn"]
    ends += [(span.from_px, span.to_px) for span in plan.spans]
    if not ends:
        return (doubt("copy-unchecked"),)
    return (doubt("copy-one-way"),) if picture.captured == "photo" and not _two_directions(ends) else ()


def _two_directions(ends: Sequence[tuple[tuple[float, float], tuple[float, float]]]) -> bool:
    """Tell whether straight measures run along two directions that are well apart."""
    turns = [math.atan2(b[1] - a[1], b[0] - a[0]) for a, b in ends]
    return any(abs(math.sin(one - other)) > LEAST_APART for one in turns for other in turns)


def _dpi_doubts(picture: Picture, calibration: Calibration) -> tuple[Doubt, ...]:
    if picture.dpi is None:
        return ()
    measured = (MM_PER_INCH / calibration.mm_per_px_x, MM_PER_INCH / calibration.mm_per_px_y)
    if all(abs(d / m - 1.0) <= MOST_DPI_DIFFERENCE for d, m in zip(picture.dpi, measured, strict=True)):
        return ()
    return (doubt("dpi-disagrees", dpi=_pair(picture.dpi), measured=_pair(measured)),)


def _pair(dpi: tuple[float, float]) -> str:
    x, y = (f"{value:.1f}".removesuffix(".0") for value in dpi)
    return x if x == y else f"{x} x {y}"


def _stated_doubts(plan: PlanSettings, measures: BodyMeasures, budget: Budget) -> tuple[Doubt, ...]:
    pairs = (
        ("a body length of", plan.body.length_mm, measures.length_mm),
        ("a lower bout of", plan.body.lower_bout_mm, measures.lower_bout_mm),
        ("a waist of", plan.body.waist_mm, measures.waist_mm),
        ("an upper bout of", plan.body.upper_bout_mm, measures.upper_bout_mm),
    )
    within_mm = STATED_WITHIN_MM + budget.u95_mm
    return tuple(
        doubt("stated-size-differs", what=what, stated=f"{stated:.1f}", measured=f"{found or 0.0:.1f}")
        for what, stated, found in pairs
        if stated is not None and abs(stated - (found or 0.0)) > within_mm
    )


def _size_doubts(measures: BodyMeasures) -> tuple[Doubt, ...]:
    length, width = measures.length_mm, measures.lower_bout_mm
    if not SENSIBLE_LENGTH_MM[0] <= length <= SENSIBLE_LENGTH_MM[1]:
        raise Refusal("no-outline")
    usual = USUAL_LENGTH_MM[0] <= length <= USUAL_LENGTH_MM[1] and USUAL_WIDTH_MM[0] <= width <= USUAL_WIDTH_MM[1]
    return () if usual else (doubt("size-unusual", length=f"{length:.1f}", width=f"{width:.1f}"),)


def _claim_doubts(budget: Budget) -> tuple[Doubt, ...]:
    if budget.u95_mm <= WIDEST_USEFUL_U95_MM:
        return ()
    return (doubt("not-certain-enough", u95=f"{budget.u95_mm:.2f}"),)
