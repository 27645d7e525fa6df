"""What a printer does, from a scan of a page that it printed: its check lines against what they should be."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.controls import Control
from calibration.errors import Refusal, UsageError
from calibration.flags import Doubt, doubt
from calibration.frames import PxPoints
from calibration.print_factors import DPI, Estimate, print_factors
from calibration.solve import FailedFit, solve
from digitize.check_lines import LineSeen, LinesSeen, PairShape, find_check_lines
from digitize.print_settings import LEAST, LINES_MM, MOST
from digitize.read import read_picture
from digitize.rule import find_rules
from digitize.settings import PlanSettings, load_plan
from digitize.shapes import Picture
from digitize.sources import one_each, stated_mm_per_px
from digitize.traced import Clock
from digitize.writers import pdf_page

PERCENT = 100.0
# 1 sigma of where a tick's middle is seen: of its pixels, and of ink on paper. No source; on made pages of 150 dpi
# lengths of 100 mm came out within 0.014 mm.
TICK_U_PX, TICK_U_MM = 0.1, 0.02
PAPER_OFF = 0.012  # share of the page's width: A4 and Letter differ by 2.8 %

HUNDRED, FOUR = LINES_MM.values()
LEVEL = PairShape(HUNDRED, FOUR, pdf_page.CHECK_LINES[0][1] - pdf_page.CHECK_LINES[1][1])
UPRIGHT = PairShape(HUNDRED, FOUR, pdf_page.UPRIGHT_FROM_RIGHT_MM[0] - pdf_page.UPRIGHT_FROM_RIGHT_MM[1])


@dataclass(frozen=True)
class PageMeasured:
    """What a page of a print came out as, along its level and its upright check lines."""

    file: str
    level: Estimate  # factors, 1 = true
    upright: Estimate
    width_mm: float  # of the page, as it was laid out
    by: str  # what the paper's own millimetres come from


@dataclass(frozen=True)
class Printer:
    """What a printer makes of a millimetre, across (the short side) and along the paper."""

    file: str
    across: Estimate
    along: Estimate
    by: str

    @property
    def scale(self) -> tuple[float, float]:
        """Mm of the page for each mm printed, along the paper's short and its long side."""
        return 1.0 / self.across.value, 1.0 / self.along.value

    @property
    def doubt(self) -> Doubt:
        """What was measured, to be told."""
        both = (self.across, self.along)
        across, along = (f"{PERCENT * one.value:.2f} % (± {PERCENT * one.u95:.2g} %)" for one in both)
        how = BETTER if DPI in self.by else "Nothing to do."
        return doubt("printer-by-page", file=self.file, by=self.by, across=across, along=along, how=how)


BETTER = (
    "To be surer, lay a steel rule beside the page, scan it again, and give a plan file that names that scan and the "
    'rule: [[rule]] role = "laid", near = [x, y], grade = "I".'
)


def printer_of(path: Path, size_mm: tuple[float, float], clock: Clock) -> Printer:
    """Return what the printer does, from a scan of a first print's page.

    Args:
        path: the scan, or a plan file that names it and the rules that lay beside the page.
        size_mm: width and height of the first print's pages.
        clock: of the stages.

    Raises:
        Refusal: see ``measured_page``; ``page-other-paper``.
        UsageError: no such file, or ``print-far-off``.
    """
    plan = load_plan(path).one_picture()
    with clock("first print"):
        picture = read_picture(plan.image, plan.page, plan.captured)
        page = measured_page(picture, plan)
    if abs(page.width_mm / size_mm[0] - 1.0) > PAPER_OFF:
        raise Refusal("page-other-paper", file=page.file, seen=f"{page.width_mm:.0f}", width=f"{size_mm[0]:.0f}")
    upright = size_mm[0] <= size_mm[1]
    across, along = (page.level, page.upright) if upright else (page.upright, page.level)
    for factor, way in ((across, "across"), (along, "along")):
        if not LEAST <= factor.value <= MOST:
            told = {"measured": f"{HUNDRED * factor.value:.1f} mm", "percent": f"{PERCENT * factor.value:.1f}"}
            raise UsageError("print-far-off", direction=way, **told)
    return Printer(page.file, across, along, page.by)


def measured_page(picture: Picture, plan: PlanSettings) -> PageMeasured:
    """Return what a scanned page of one of our own prints came out as.

    Raises:
        Refusal: ``page-photo``, ``page-no-scale``, ``page-rule-not-found``, ``page-without-marks`` or
            ``check-lines-disagree``.
    """
    if picture.captured == "photo":
        raise Refusal("page-photo", file=picture.file)
    laid = laid_controls(picture, plan)
    paper, rough = paper_scale(picture, laid)
    lines = find_check_lines(picture.grey, rough, LEVEL, UPRIGHT)
    if lines is None:
        raise Refusal("page-without-marks", file=picture.file)
    controls = check_controls(lines, rough)
    agreed = solve(controls)
    if isinstance(agreed, FailedFit):
        raise Refusal("check-lines-disagree", file=picture.file, percent=agreed.facts.get("percent", "?"))
    factors = print_factors(controls, laid, paper)
    level, upright = (factors.along(_angle(pair[0])) for pair in (lines.level, lines.upright))
    return PageMeasured(picture.file, level, upright, _page_width(lines), factors.paper_by)


def laid_controls(picture: Picture, plan: PlanSettings) -> tuple[Control, ...]:
    """Return the real rules that lay beside a page, which must be told: rules of the plan itself are printed on it.

    Raises:
        Refusal: what stood in a told rule's way.
    """
    told = tuple(rule for rule in plan.rules if rule.role == "laid")
    if not told:
        return ()
    search = find_rules(picture, told)
    laid = one_each([rule for rule in search.rules if rule.role == "laid"])
    if not laid:
        raise Refusal("page-rule-not-found", file=picture.file)
    return laid


def paper_scale(
    picture: Picture, laid: Sequence[Control]
) -> tuple[tuple[float, float] | None, tuple[float, float]]:
    """Return mm per px, x and y, by the scanner's stated resolution, and by that or, without it, by the laid rules.

    Raises:
        Refusal: ``page-no-scale``, or the rules disagree.
    """
    if (paper := stated_mm_per_px(picture.dpi)) is not None:
        return paper, paper
    if not laid:
        raise Refusal("page-no-scale", file=picture.file)
    return None, _by_laid(laid)


def _by_laid(laid: Sequence[Control]) -> tuple[float, float]:
    known = solve(laid)
    if isinstance(known, FailedFit):
        raise Refusal(known.code, **known.facts)
    return known.mm_per_px_x, known.mm_per_px_y


def check_controls(lines: LinesSeen, mm_per_px: tuple[float, float]) -> tuple[Control, ...]:
    """Return the check lines as known lengths of what was printed."""
    sigma = math.hypot(TICK_U_PX, TICK_U_MM / math.sqrt(mm_per_px[0] * mm_per_px[1]))
    return tuple(
        Control(
            name=f"the {way} {name} line",
            source="span",
            places=PxPoints(np.array([line.start, line.end])),
            at_mm=np.array([0.0, length]),
            sigma_px=np.full(2, sigma),
            sigma_across_px=sigma,
        )
        for way, pair in (("level", lines.level), ("upright", lines.upright))
        for line, (name, length) in zip(pair, LINES_MM.items(), strict=True)
    )


def _angle(line: LineSeen) -> float:
    return math.atan2(line.px[1], line.px[0])


def _page_width(lines: LinesSeen) -> float:
    """Return how wide the page was laid out, by how far its upright lines begin from its level ones."""
    one, two = lines.level[0], lines.upright[0]
    basis = np.column_stack([one.px, two.px]) / HUNDRED  # px of a mm as laid out, level and upright
    right, _ = np.linalg.solve(basis, two.start - one.start)
    return float(right) + pdf_page.CHECK_LINES[0][0] + pdf_page.UPRIGHT_FROM_RIGHT_MM[0]
