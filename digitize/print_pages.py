"""The pages of a tiled print, each held against true size by its own check line, and against the others."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from calibration.budget import COVERAGE_95
from calibration.controls import Control
from calibration.errors import Refusal
from calibration.flags import Doubt, doubt
from calibration.print_check import Answer, Held, Tolerance, held
from calibration.print_factors import DPI, LAID, SCANNER_EVEN, SCANNER_SQUARE, Estimate, print_factors
from calibration.solve import FailedFit, solve
from digitize.check_lines import find_check_lines
from digitize.cross_check import refuse_unfit_picture
from digitize.first_print import LEVEL, UPRIGHT, check_controls, laid_controls, paper_scale
from digitize.read import read_picture
from digitize.rule import find_rules, span_places
from digitize.settings import PlanSettings
from digitize.shapes import Picture
from digitize.sources import span_control
from digitize.traced import Clock

PERCENT = 100.0
# How far two scans of one scanner are alike, +-, a share: pages lie within some millimetres of the same place of the
# glass, and the scanner errs alike there. No source.
REPEATS = 5e-4
FEWEST_ALIKE = 3  # pages from which an odd one can be told by the others
SCANNERS = (DPI, SCANNER_EVEN, SCANNER_SQUARE)  # parts that all pages share

FoundBy = Literal["check lines", "spans", "printed rules"]


@dataclass(frozen=True)
class PageWay:
    """One direction of one page."""

    way: str  # in words
    factor: Estimate
    held: Held
    off_others: float | None  # share, against the pages' median; None with too few pages
    others_u95: float

    @property
    def odd(self) -> bool:
        """Whether the others prove it to be off by more than the tolerance."""
        beyond = self.held.tolerance
        return self.off_others is not None and beyond is not None and abs(self.off_others) - self.others_u95 > beyond

    @property
    def answer(self) -> Answer:
        """By its own scale, and by the others."""
        return "not true" if self.odd else self.held.answer


@dataclass(frozen=True)
class PageChecked:
    """One page, its ways those that were measured."""

    number: int  # as given, from 1
    picture: Picture
    found_by: FoundBy | None
    paper_by: str
    ways: tuple[PageWay, ...]

    @property
    def answer(self) -> Answer:
        """Of all its ways; a page that was not measured cannot tell."""
        answers = [way.answer for way in self.ways]
        if "not true" in answers:
            return "not true"
        return "true" if answers and all(one == "true" for one in answers) else "cannot tell"

    @property
    def named(self) -> str:
        """Return ``Page 3 (page-3.png)``."""
        return f"Page {self.number} ({self.picture.file})"


@dataclass(frozen=True)
class PagesChecked:
    """All pages of a print."""

    pages: tuple[PageChecked, ...]
    tolerance: Tolerance
    doubts: tuple[Doubt, ...]

    @property
    def answer(self) -> Answer:
        """Of all pages."""
        answers = [page.answer for page in self.pages]
        if "not true" in answers:
            return "not true"
        return "true" if all(one == "true" for one in answers) else "cannot tell"

    def part(self) -> dict[str, Any]:
        """Return the record's part."""
        return {
            "answer": self.answer,
            "tolerance_percent": PERCENT * (self.tolerance.share or 0.0),
            "pages": [
                {
                    "number": page.number,
                    "file": page.picture.file,
                    "answer": page.answer,
                    "found_by": page.found_by,
                    "paper_by": page.paper_by,
                    "ways": [_way_part(way) for way in page.ways],
                }
                for page in self.pages
            ],
        }


def _way_part(way: PageWay) -> dict[str, Any]:
    alone = way.off_others is None
    return {
        "way": way.way,
        "percent": PERCENT * way.factor.value,
        "u95_percent": PERCENT * way.factor.u95,
        "off_others_percent": None if way.off_others is None else PERCENT * way.off_others,
        "off_others_u95_percent": None if alone else PERCENT * way.others_u95,
        "answer": way.answer,
    }


def check_pages(plan: PlanSettings, tolerance: Tolerance, clock: Clock) -> PagesChecked:
    """Return every page of a print held against true size.

    Args:
        plan: with several pictures, scans of single pages.
        tolerance: a share.
        clock: of the stages.

    Raises:
        Refusal: a page cannot be read, is a photo, or has no scale; or no page has anything to be measured by.
    """
    pages = []
    for number, own in enumerate(plan.each(), 1):
        with clock("read"):
            picture = read_picture(own.image, own.page, own.captured)
            refuse_unfit_picture(picture)
        clock.picture = clock.picture or picture
        with clock("page"):
            pages.append(_page(number, picture, own, tolerance))
    if not any(page.ways for page in pages):
        raise Refusal("pages-without-lengths")
    told = _against_others(pages)
    return PagesChecked(told, tolerance, _doubts(told, tolerance))


def _page(number: int, picture: Picture, own: PlanSettings, tolerance: Tolerance) -> PageChecked:
    if picture.captured == "photo":
        raise Refusal("page-photo", file=picture.file)
    laid = laid_controls(picture, own)
    paper, rough = paper_scale(picture, laid)
    controls, found_by, angles = _lengths(picture, own, rough)
    if not controls:
        return PageChecked(number, picture, None, "", ())
    agreed = solve(controls)
    if isinstance(agreed, FailedFit):
        raise Refusal("check-lines-disagree", file=picture.file, percent=agreed.facts.get("percent", "?"))
    factors = print_factors(controls, laid, paper)
    if angles:
        measured = [(way, factors.along(angle)) for way, angle in zip(OWN_WAYS, angles, strict=True)]
    else:
        both = zip(SCAN_WAYS, (factors.x, factors.y), strict=True)
        measured = [(way, factor) for way, factor in both if factor.measured]
    ways = (
        PageWay(way, factor, held(factor.value - 1.0, factor.u95, tolerance.share), None, 0.0)
        for way, factor in measured
    )
    return PageChecked(number, picture, found_by, factors.paper_by, tuple(ways))


OWN_WAYS = ("along its foot", "along its right edge")
SCAN_WAYS = ("left to right in the scan", "top to bottom in the scan")


def _lengths(
    picture: Picture, own: PlanSettings, rough: tuple[float, float]
) -> tuple[tuple[Control, ...], FoundBy, tuple[float, ...]]:
    """Return the known lengths printed on a page, what they are, and the directions of our own check lines."""
    if own.spans:
        spans = span_places(picture.grey, own.spans)
        return tuple(span_control(span, number) for number, span in enumerate(spans, 1)), "spans", ()
    lines = find_check_lines(picture.grey, rough, LEVEL, UPRIGHT)
    if lines is not None:
        angles = tuple(math.atan2(pair[0].px[1], pair[0].px[0]) for pair in (lines.level, lines.upright))
        return check_controls(lines, rough), "check lines", angles
    pointed = any(rule.role == "drawn" and rule.near is not None for rule in own.rules)
    # told of the real rules beside the page too: found without a word they would be taken as printed on it
    found = [rule for rule in find_rules(picture, own.rules, others=not pointed).rules if rule.role == "drawn"]
    return tuple(rule.control for rule in found), "printed rules", ()


def _against_others(pages: Sequence[PageChecked]) -> tuple[PageChecked, ...]:
    """Return the pages with how far each is off the median of all, way by way."""
    values: dict[str, list[float]] = {}
    for page in pages:
        for way in page.ways:
            values.setdefault(way.way, []).append(way.factor.value)
    return tuple(
        replace(page, ways=tuple(_by_others(way, values[way.way]) for way in page.ways)) for page in pages
    )


def _by_others(way: PageWay, values: Sequence[float]) -> PageWay:
    if len(values) < FEWEST_ALIKE:
        return way
    usual = float(np.median(values))
    if held(usual - 1.0, way.factor.u95, way.held.tolerance).answer == "not true":
        return way  # most pages are off: being unlike them is no fault
    own = [part for part in way.factor.parts if part.name not in SCANNERS and LAID not in part.name]
    u = math.sqrt(sum(part.u**2 + part.limit**2 / 3.0 for part in own)) * math.sqrt(2.0)
    off = way.factor.value / usual - 1.0
    return replace(way, off_others=off, others_u95=COVERAGE_95 * math.hypot(u, REPEATS / math.sqrt(3.0)))


def _doubts(pages: Sequence[PageChecked], tolerance: Tolerance) -> tuple[Doubt, ...]:
    found = [
        doubt("page-off", page=page.named, what=" and ".join(_off_words(way) for way in page.ways if _is_off(way)),
              number=page.number)
        for page in pages if page.answer == "not true"
    ]  # fmt: skip
    found += [doubt("page-not-measured", page=page.named) for page in pages if not page.ways]
    open_pages = [page for page in pages if page.ways and page.answer == "cannot tell"]
    if open_pages:
        worst = max(way.factor.u95 for page in open_pages for way in page.ways)
        told = f"{PERCENT * (tolerance.share or 0.0):g} %"
        found.append(doubt(
            "pages-cannot-tell", count=len(open_pages), tolerance=told, u95=f"{PERCENT * worst:.2g}",
            alike=_alike_words(open_pages),
        ))  # fmt: skip
    return tuple(found)


def _is_off(way: PageWay) -> bool:
    return way.answer == "not true"


def _off_words(way: PageWay) -> str:
    off = way.off_others if way.odd and way.off_others is not None else way.held.off
    kind = "large" if off > 0 else "small"
    against = ", held against the other pages," if way.held.answer != "not true" else ""
    return f"{PERCENT * abs(off):.2f} % too {kind}{against} {way.way}"


def _alike_words(pages: Sequence[PageChecked]) -> str:
    """Return how far the pages are alike, where that is known."""
    off = [abs(way.off_others) + way.others_u95 for page in pages for way in page.ways if way.off_others is not None]
    return f" Held against each other they differ by {PERCENT * max(off):.2f} % at most." if off else ""
