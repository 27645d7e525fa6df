"""A picture -> a picture whose pixels are known in millimetres: a scan as it is, or evened, or a photo laid flat."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calibration.budget import Term
from calibration.card import CardCheck
from calibration.controls import Control
from calibration.errors import Refusal
from calibration.flags import Doubt
from calibration.frames import FloatArray, PxPoints, SheetPoints
from calibration.photo import PhotoCalibration
from calibration.solve import Calibration, FailedFit, solve
from digitize.beyond_rules import beyond_terms
from digitize.card_check import Scale, check_cards
from digitize.evened import Evened, evened
from digitize.outbox import OUTLINE_FILES as OUTLINE_FILES
from digitize.outcome import EXIT_CODES as EXIT_CODES
from digitize.outcome import Outcome as Outcome
from digitize.outcome import Progress as Progress
from digitize.rule import RuleSearch, find_rules, span_places
from digitize.settings import CardHint, PlanSettings, SpanHint
from digitize.shapes import OutlineHints, Picture, Rule, SheetLine, SpanPlaces
from digitize.sources import copy_size, plan_controls
from digitize.traced import Clock, CopySize

if TYPE_CHECKING:
    from digitize.photographed import Photographed

CLICK_PX = 1.0  # 1 sigma of a place that a person gives on a line (common practice, no source)
NO_RULE = ("no-rule", "photo-no-rule")


@dataclass(frozen=True, eq=False)
class Scaled:
    """A picture whose pixels are known in millimetres: a scan as it is, or a photo laid flat."""

    picture: Picture
    calibration: Calibration
    rules: tuple[Rule, ...]
    spans: tuple[SpanPlaces, ...]
    copy: CopySize | None
    hints: OutlineHints
    neck_px: tuple[float, float] | None
    doubts: tuple[Doubt, ...]
    more_terms: Callable[[SheetPoints], tuple[Term, ...]]
    in_scaled: Callable[[FloatArray], FloatArray]  # (N, 2) px of the picture as read -> px of this one
    photo: PhotoCalibration | None = None
    u_across: Callable[[SheetPoints], FloatArray] | None = None  # (N,) place by place what ``more_terms`` tell at large
    by_noise: Calibration | None = None  # for the budget: without what ``more_terms`` hold of the scale
    cards: tuple[CardCheck, ...] = ()
    covered: tuple[FloatArray, ...] = ()  # (V, 2) px each, round the rules that lie on a photographed sheet

    def line(self, ends_px: Sequence[tuple[float, float]]) -> SheetLine:
        """Return a line that the person gave by two places of the picture as read."""
        xy = self.calibration.to_sheet(PxPoints(self.in_scaled(np.array(ends_px, dtype=np.float64)))).xy
        sigma_mm = CLICK_PX * max(self.calibration.mm_per_px_x, self.calibration.mm_per_px_y)
        turn_sigma = math.sqrt(2.0) * sigma_mm / math.dist(*xy)
        (x0, y0), (x1, y1) = xy.tolist()
        return SheetLine((x0, y0), (x1, y1), 1.0, sigma_mm / math.sqrt(2.0), turn_sigma)


def scaled_picture(picture: Picture, plan: PlanSettings, clock: Clock) -> Scaled:
    """Take a picture to its scale, a photo laid flat on the way.

    Raises:
        Refusal: nothing fixes the scale, or what does contradicts itself.
    """
    try:
        take = _scaled_photo if picture.captured == "photo" else _scaled_scan
        scaled = take(picture, plan, clock)
    except Refusal as refusal:
        if plan.cards and refusal.doubt.code in NO_RULE:
            raise Refusal("card-alone") from refusal
        if refusal.doubt.code == "no-rule" and plan.body.states_size:
            raise Refusal("size-alone") from refusal
        raise
    with clock("card"):
        return _carded(scaled, picture, plan)


def _carded(scaled: Scaled, picture: Picture, plan: PlanSettings) -> Scaled:
    """Return a scaled picture with what a bank card on it says of the scale; a photo's is measured in the photo."""
    if scaled.photo is not None:
        cards = check_cards(picture.grey, Scale.of_photo(scaled.photo), plan.cards)
        rings = [scaled.in_scaled(np.array(ring)) for ring in cards.ignored]
    else:
        hints = [hint if hint.near is None else _moved(hint, scaled.in_scaled) for hint in plan.cards]
        cards = check_cards(scaled.picture.grey, Scale.of_scan(scaled.calibration, scaled.rules), hints)
        rings = [np.array(ring) for ring in cards.ignored]
    ignore = (*scaled.hints.ignore, *(tuple((float(x), float(y)) for x, y in ring) for ring in rings))
    return dataclasses.replace(
        scaled, hints=dataclasses.replace(scaled.hints, ignore=ignore), cards=tuple(one.check for one in cards.found),
        doubts=(*scaled.doubts, *cards.doubts),
    )  # fmt: skip


def _moved(hint: CardHint, in_scaled: Callable[[FloatArray], FloatArray]) -> CardHint:
    x, y = in_scaled(np.array([hint.near]))[0]
    return hint.model_copy(update={"near": (float(x), float(y))})


def _scaled_scan(picture: Picture, plan: PlanSettings, clock: Clock) -> Scaled:
    with clock("rule"):
        search, even = clock.kept(f"rules {picture.file}", (picture, plan.rules), lambda: _rules_of(picture, plan))
    if even is not None:
        return _scaled_evened(even, plan, clock)
    with clock("solve"):
        spans, calibration, copy = clock.kept(
            f"scale {picture.file}", (picture, search, plan.spans), lambda: _scale_of(picture, search, plan.spans)
        )
    return Scaled(
        picture, calibration, search.rules, spans, copy, plan.outline_hints, plan.body.neck, search.doubts,
        lambda outline: beyond_terms(plan_controls(search.rules, spans), calibration, outline), lambda px: px,
    )  # fmt: skip


def _rules_of(picture: Picture, plan: PlanSettings) -> tuple[RuleSearch, Evened | None]:
    search = find_rules(picture, plan.rules)
    return search, evened(picture, search.rules)


def _scale_of(
    picture: Picture, search: RuleSearch, told: Sequence[SpanHint]
) -> tuple[tuple[SpanPlaces, ...], Calibration, CopySize | None]:
    spans = span_places(picture.grey, told)
    calibration = solved(plan_controls(search.rules, spans), search.doubts)
    return spans, calibration, copy_size(search.rules, spans, picture.dpi)


def _scaled_evened(even: Evened, plan: PlanSettings, clock: Clock) -> Scaled:
    """Return the scale of a scan whose uneven feeding was taken out; the rules are looked for again."""
    with clock("rule"):
        search = clock.kept("rules, evened", (even, plan.rules), lambda: find_rules(even.picture, plan.rules))
    with clock("solve"):
        moved = [
            span.model_copy(update={"from_px": even.place(span.from_px), "to_px": even.place(span.to_px)})
            for span in plan.spans
        ]
        spans, calibration, copy = clock.kept(
            "scale, evened", (even, search, plan.spans), lambda: _scale_of(even.picture, search, moved)
        )
    neck = even.place(plan.body.neck) if plan.body.neck else None
    return Scaled(
        even.picture, calibration, search.rules, spans, copy, even.hints(plan.outline_hints), neck,
        (*search.doubts, *even.doubts), lambda outline: even.terms(calibration.to_px(outline).xy),
        even.to_even,
    )  # fmt: skip


def _scaled_photo(picture: Picture, plan: PlanSettings, clock: Clock) -> Scaled:
    from digitize.photographed import photographed  # scans need nothing of it

    # what is said of the line itself changes nothing of the camera or the sheet
    line = dict.fromkeys(("ignore", "through", "keep", "hand", "neck", "centerline"))
    told = plan.model_copy(update={"unit": "mm", "line": "middle", "body": plan.body.model_copy(update=line)})
    flat = clock.kept(f"photo {picture.file}", (picture, told), lambda: photographed(picture, plan, clock))
    return scaled_flat(flat, plan)


def scaled_flat(flat: Photographed, plan: PlanSettings) -> Scaled:
    """Return a photo laid flat as a picture of known scale."""
    return Scaled(
        flat.sheet.picture, flat.calibration, flat.rules, flat.spans, flat.copy, flat.hints(plan.outline_hints),
        flat.neck(plan.body.neck), flat.doubts, flat.terms, flat.in_flat, flat.photo,
        flat.u_across, flat.by_noise, covered=flat.covered,
    )  # fmt: skip


def solved(controls: tuple[Control, ...], doubts: Sequence[Doubt]) -> Calibration:
    """Return the calibration that the controls support.

    Raises:
        Refusal: without any control, what stood in the way of a rule, else ``no-rule``; the fit's own reason
            when it fails.
    """
    in_the_way = [doubt for doubt in doubts if doubt.weight == "refused"]
    if not controls and in_the_way:
        raise Refusal.of(in_the_way[0])
    calibration = solve(controls)
    if isinstance(calibration, FailedFit):
        raise Refusal(calibration.code, **calibration.facts)
    return calibration
