"""What a picture says of a copy's size: which lengths went through the copier, and which lay on the sheet.

Also whether the two were told apart rightly, as far as the scanner's own scale can tell.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from calibration.card import CardCheck
from calibration.controls import Control
from calibration.errors import Refusal
from calibration.feed import FeedTest, feed_test
from calibration.flags import Doubt, doubt
from calibration.frames import PxPoints
from calibration.measures import measure_control
from calibration.print_check import implausible
from calibration.print_factors import SCANNER_LIMIT_REL, SCANNER_SQUARE_U, PrintFactors, print_factors
from calibration.solve import Calibration, FailedFit, solve
from digitize.card_check import Cards, Scale, check_cards
from digitize.cross_check import refuse_unfit_picture
from digitize.read import read_picture
from digitize.rule import find_rules, span_places
from digitize.settings import PlanSettings
from digitize.shapes import Picture, Rule, SpanPlaces
from digitize.sources import drawn_controls, one_each, refuse_absurd_size, refuse_absurd_spans, stated_mm_per_px
from digitize.traced import Clock, Traced, body_to_px

if TYPE_CHECKING:
    from digitize.photographed import Photographed

# Half-width of a stated body size: rounded to a millimetre or 1/32 in, and the line drawn by hand to the rounded size.
STATED_LIMIT_MM = 0.5
SAME_KIND = 5e-4  # drawn and laid that agree within this, both off the scanner's scale, may be of one kind
PERCENT = 100.0
SAY_UNIT = 'Say which in the plan file: [[rule]] unit = "mm" or "in", near = [x, y].'


@dataclass(frozen=True, eq=False)
class Evidence:
    """The rules and spans of a picture, by what they went through."""

    picture: Picture
    rules: tuple[Rule, ...]
    spans: tuple[SpanPlaces, ...]
    drawn: tuple[Control, ...]
    laid: tuple[Control, ...]
    doubts: tuple[Doubt, ...]
    told: bool  # the plan file says of some rule what it is
    flat: Photographed | None = None  # of a photo: how it was laid flat; the picture is the flat one
    cards: tuple[CardCheck, ...] = ()

    @property
    def paper_mm_per_px(self) -> tuple[float, float] | None:
        """The scanner's own scale, where the file states a resolution that can be true."""
        return stated_mm_per_px(self.picture.dpi)


@dataclass(frozen=True, eq=False)
class Compared:
    """A copy held against its plan."""

    evidence: Evidence
    factors: PrintFactors
    feeds: tuple[FeedTest, ...]  # of every rule long enough, drawn ones first
    doubts: tuple[Doubt, ...]


def copy_factors(plan: PlanSettings, clock: Clock) -> Compared:
    """Return what the copier did, from drawn lengths; the body is left alone.

    Raises:
        Refusal: see ``gather`` and ``compare``; ``no-stated-size`` when nothing drawn states a length.
    """
    evidence = gather(plan, clock)
    if not evidence.drawn:
        raise nothing_stated(evidence)
    return compare(evidence, evidence.drawn)


def nothing_stated(evidence: Evidence) -> Refusal:
    """Return why there is nothing to hold the copy against."""
    unit = next((one for one in evidence.doubts if one.code in ("unit-uncertain", "rule-left-out")), None)
    if unit is None:
        return Refusal("no-stated-size")
    return Refusal("drawn-unit-uncertain", why=unit.text, remedy=SAY_UNIT)


def gather(plan: PlanSettings, clock: Clock) -> Evidence:
    """Read a picture and find its known lengths.

    Raises:
        Refusal: the picture cannot be read, ``no-paper-scale``; a photo's own reasons.
    """
    with clock("read"):
        picture = read_picture(plan.image, plan.page, plan.captured)
        clock.picture = picture
        refuse_unfit_picture(picture)
        plan.refuse_places_outside(picture)
    if picture.captured == "photo":
        return _gather_photo(picture, plan, clock)
    with clock("rule"):
        search = find_rules(picture, plan.rules, others=True)
        spans = span_places(picture.grey, plan.spans)
    drawn = drawn_controls(search.rules, spans)
    laid = one_each([rule for rule in search.rules if rule.role == "laid"])
    found = Evidence(picture, search.rules, spans, drawn, laid, search.doubts, bool(plan.rules))
    if not laid and found.paper_mm_per_px is None:
        raise Refusal("no-paper-scale", file=picture.file)
    with clock("card"):
        return _carded(found, check_cards(picture.grey, Scale.of_paper(paper_calibration(found)), plan.cards))


def _carded(evidence: Evidence, cards: Cards) -> Evidence:
    """Return the evidence with what bank cards say of the paper's own scale."""
    checks = tuple(one.check for one in cards.found)
    return replace(evidence, cards=checks, doubts=(*evidence.doubts, *cards.doubts))


def _gather_photo(picture: Picture, plan: PlanSettings, clock: Clock) -> Evidence:
    """Lay a photo flat by what is real in it, and find its known lengths."""
    from digitize.photographed import photographed  # scans need nothing of it

    refuse_absurd_spans(picture, plan.spans)  # those of a scan are held against its resolution
    flat = photographed(picture, plan, clock, checked=True)
    refuse_absurd_size(flat.sheet.picture, flat.calibration)
    laid = one_each([rule for rule in flat.rules if rule.role == "laid"])
    if not laid:
        raise Refusal("no-paper-scale", file=picture.file)
    found = Evidence(
        flat.sheet.picture, flat.rules, flat.spans, flat.drawn, laid, (*flat.doubts, *flat.rests), True, flat
    )
    with clock("card"):
        return _carded(found, check_cards(picture.grey, Scale.of_photo(flat.photo), plan.cards))


def compare(evidence: Evidence, drawn: Sequence[Control]) -> Compared:
    """Return the copy's factors from lengths that went through the copier, and what is doubtful about them.

    Raises:
        Refusal: ``which-is-laid``, ``rules-disagree`` or ``factor-implausible``.
    """
    if evidence.flat is not None:
        scale = evidence.flat.scale_by(drawn)
        plan, factors = scale.calibration, evidence.flat.factors(scale)
    else:
        plan = _agreeing(drawn, evidence)
        if evidence.laid:
            _agreeing(evidence.laid, evidence)
        factors = print_factors(drawn, evidence.laid, evidence.paper_mm_per_px)
    if implausible(factors):
        x, y = (f"{PERCENT * factor.value:.1f}" for factor in (factors.x, factors.y))
        dpi = evidence.picture.dpi
        told = "none stated" if dpi is None else f"{dpi[0]:.0f} dots per inch"
        raise Refusal("factor-implausible", x=x, y=y, dpi=told)
    refuse_absurd_size(evidence.picture, plan)  # both may be told in the same wrong unit
    roles = (*role_doubts(factors), *_untold(evidence, factors))
    return Compared(evidence, factors, _feeds(evidence), (*evidence.doubts, *plan.doubts, *roles))


def _untold(evidence: Evidence, factors: PrintFactors) -> tuple[Doubt, ...]:
    """Return a doubt where rules that nobody said anything of are as large as real ones would be."""
    if evidence.told or not evidence.rules:
        return ()
    real = all(
        abs(one.value - 1.0) <= SCANNER_LIMIT_REL + one.u95 for one in (factors.x, factors.y) if one.measured
    )
    return (doubt("roles-untold"),) if real else ()


def _agreeing(controls: Sequence[Control], evidence: Evidence) -> Calibration:
    """Return what the lengths say together.

    Raises:
        Refusal: they disagree; ``which-is-laid`` where no rule's role was told and two parallel ones differ.
    """
    found = solve(controls)
    if isinstance(found, FailedFit):
        rules = {rule.control.name: rule for rule in evidence.rules if rule.role == "drawn"}
        named = [rules[name] for name in (found.facts.get("first"), found.facts.get("second")) if name in rules]
        if found.code == "rules-disagree" and len(named) == 2 and not evidence.laid:
            places = " and ".join(_place(rule) for rule in named)
            raise Refusal("which-is-laid", **found.facts, places=places)
        raise Refusal(found.code, **found.facts)
    return found


def _place(rule: Rule) -> str:
    x, y = (round((a + b) / 2) for a, b in zip(rule.from_px, rule.to_px, strict=True))
    return f"[{x}, {y}]"


def role_doubts(factors: PrintFactors) -> tuple[Doubt, ...]:
    """Return the doubt that drawn and laid are swapped or of one kind, or that the scanner's resolution is wrong.

    A real rule agrees with the scanner's own scale within what scanners are off; a printed one differs by what the
    copier did. Where the copy is off by less than scanners are, nothing can be told from it.
    """
    if factors.dpi_x is None or factors.dpi_y is None:
        return ()
    found: dict[str, tuple[float, Doubt]] = {}
    for factor, by_dpi in ((factors.x, factors.dpi_x), (factors.y, factors.dpi_y)):
        if not (factor.measured and by_dpi.measured):
            continue
        laid_off, drawn_off = by_dpi.value / factor.value - 1.0, by_dpi.value - 1.0
        limit = SCANNER_LIMIT_REL + factor.u95
        if abs(laid_off) <= limit:
            continue
        one = _role_doubt(-laid_off, drawn_off, factor.value - 1.0, limit)
        found[one.code] = max(found.get(one.code, (0.0, one)), (abs(laid_off), one), key=lambda pair: pair[0])
    return tuple(one for _, one in found.values())


def _role_doubt(laid_off: float, drawn_off: float, off: float, limit: float) -> Doubt:
    laid, drawn = f"{PERCENT * abs(laid_off):.2f}", f"{PERCENT * abs(drawn_off):.2f}"
    if abs(drawn_off) <= limit:
        return doubt("roles-swapped", laid=laid, drawn=drawn)
    if abs(off) <= SAME_KIND:
        return doubt("rules-same-kind", off=laid)
    return doubt("scanner-differs", off=laid)


def _feeds(evidence: Evidence) -> tuple[FeedTest, ...]:
    """Return the test for uneven feeding of every rule, drawn ones first; in a photo the lens could look the same."""
    if evidence.flat is not None:
        return ()
    floor_px = 1.0 if evidence.picture.two_level else 0.0
    tests = []
    for rule in sorted(evidence.rules, key=lambda one: one.role != "drawn"):
        m = measure_control(rule.control)
        mm_per_px = float(np.exp(m.log_mm_per_px))
        away = m.along_px * mm_per_px - m.at_mm
        test = feed_test(f"{rule.role} {rule.control.name}", m.at_mm, away - np.median(away), floor_px * mm_per_px)
        tests += [test] if test is not None else []
    return tuple(tests)


def paper_calibration(evidence: Evidence) -> Calibration:
    """Return the picture in millimetres of the paper: by the rules that lay on it, else by the scanner's resolution.

    Raises:
        Refusal: the laid rules disagree.
    """
    if evidence.flat is not None:
        return evidence.flat.calibration
    if evidence.laid:
        return _agreeing(evidence.laid, evidence)
    assert evidence.paper_mm_per_px is not None  # gather refused it otherwise
    x, y = evidence.paper_mm_per_px
    u = SCANNER_LIMIT_REL / math.sqrt(3.0)
    return Calibration(
        matrix=np.diag([x, -y]), covariance=np.diag([u**2, u**2, SCANNER_SQUARE_U**2]), model="two scales",
        certified=(True, True), names=(), residuals_mm=(), uneven_mm=0.0,
    )  # fmt: skip


def stated_controls(plan: PlanSettings, traced: Traced) -> tuple[Control, ...]:
    """Return the body sizes that the plan states as known lengths between places of the traced outline.

    Args:
        plan: with the stated sizes.
        traced: the outline, traced in millimetres of the paper.
    """
    m, body = traced.measures, plan.body
    level = {"lower bout": m.lower_bout_y_mm, "waist": m.waist_y_mm, "upper bout": m.upper_bout_y_mm}
    widths = (("lower bout", body.lower_bout_mm, m.lower_bout_mm), ("waist", body.waist_mm, m.waist_mm),
              ("upper bout", body.upper_bout_mm, m.upper_bout_mm))  # fmt: skip
    ends = []
    if body.length_mm is not None:
        ends.append(("stated length", body.length_mm, ((0.0, 0.0), (0.0, m.length_mm))))
    for name, stated, found in widths:
        y = level[name]
        if stated is not None and found is not None and y is not None:
            ends.append((f"stated {name}", stated, ((-found / 2.0, y), (found / 2.0, y))))
    affine = body_to_px(traced.body, traced.calibration)
    sigma_px = _line_u_mm(traced) / math.sqrt(traced.calibration.mm_per_px_x * traced.calibration.mm_per_px_y)
    return tuple(
        Control(
            name=name,
            source="stated size",
            places=PxPoints(np.array(places) @ affine[:, :2].T + affine[:, 2]),
            at_mm=np.array([0.0, stated]),
            sigma_px=np.full(2, sigma_px),
            sigma_across_px=sigma_px,
            standard_u_mm=STATED_LIMIT_MM / math.sqrt(3.0),
            limit_mm=STATED_LIMIT_MM,
        )
        for name, stated, places in ends
    )


def _line_u_mm(traced: Traced) -> float:
    return float(np.sqrt(np.mean(traced.body.sigma_mm**2)))


def body_directions(traced: Traced) -> tuple[float, float]:
    """Return the picture directions across and along the body, rad from the picture's x towards its y (down)."""
    affine = body_to_px(traced.body, traced.calibration)[:, :2]
    across, along = (math.atan2(affine[1, column], affine[0, column]) for column in (0, 1))
    return across, along
