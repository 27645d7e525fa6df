"""The order of the stages and nothing else: from a plan file to the files in the out folder."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from calibration.budget import Term
from calibration.card import CardCheck
from calibration.controls import Control
from calibration.errors import Refusal
from calibration.flags import Doubt
from calibration.frames import FloatArray, PxPoints, SheetPoints
from calibration.photo import PhotoCalibration
from calibration.solve import Calibration, FailedFit, solve
from digitize.assemble import lens_record, lens_refusal_record, made_record, refusal_record, report_context
from digitize.card_check import Scale, check_cards
from digitize.contour import find_outline
from digitize.cross_check import cross_checks, refuse_unfit_picture
from digitize.drawing import draw_outline
from digitize.evened import Evened, evened
from digitize.fair import fair_outline, measure
from digitize.ink import find_strokes
from digitize.lens_file import LensFile
from digitize.outbox import OUTLINE_FILES as OUTLINE_FILES
from digitize.outbox import Outbox, sha256_of
from digitize.outcome import EXIT_CODES as EXIT_CODES
from digitize.outcome import Memo
from digitize.outcome import Outcome as Outcome
from digitize.outcome import Progress as Progress
from digitize.read import read_picture
from digitize.report.overlay import write_overlay
from digitize.report.page import write_report
from digitize.rule import RuleSearch, find_rules, span_places
from digitize.settings import CardHint, PlanSettings, SpanHint, load_plan
from digitize.shapes import OutlineHints, Picture, Rule, SheetLine, SpanPlaces, TracedOutline
from digitize.sources import copy_source, plan_controls
from digitize.symmetry import place_body
from digitize.traced import Clock, CopySize, Traced, body_on_sheet, body_to_px, traced_budget
from digitize.writers.dxf import write_dxf
from digitize.writers.pdf import write_pdf
from digitize.writers.record import write_record
from digitize.writers.svg import write_svg

if TYPE_CHECKING:
    from digitize.photographed import Photographed


CLICK_PX = 1.0  # 1 sigma of a place that a person gives on a line (common practice, no source)


def run_outline(
    plan_path: Path,
    out: Path,
    *,
    replace: bool = False,
    progress: Progress | None = None,
    onlooker: Onlooker | None = None,
    memo: Memo | None = None,
) -> Outcome:
    """Take a plan to its outline; write all files of the result, or none.

    Args:
        plan_path: a plan file or a picture.
        out: the folder of the results.
        replace: results that are there may be overwritten.
        progress: is told the name of each stage as it begins.
        onlooker: sees what a page draws.
        memo: what earlier runs made; the results are the same with it as without.

    Raises:
        UsageError: the call, the plan file or the out folder is wrong.
    """
    plan = load_plan(plan_path)
    clock = Clock(progress, memo)
    with Outbox(out, OUTLINE_FILES, replace=replace) as outbox:
        try:
            traced = trace_plan(plan, clock, onlooker)
            record = write_outline(traced, outbox.draft, clock)
        except Refusal as refusal:
            record = refusal_record(plan, clock, refusal)
        else:
            outbox.deliver()
            if onlooker is not None:
                onlooker.traced(traced)
    return Outcome(EXIT_CODES[record["verdict"]], record)


def run_lens(
    shots: Sequence[Path],
    out: Path,
    corners: str,
    square: str,
    *,
    replace: bool = False,
    progress: Progress | None = None,
) -> Outcome:
    """Take shots of a chessboard to the file of the lens that took them, or to none.

    Raises:
        UsageError: the board, a shot's name or the file's place is wrong.
    """
    from digitize.lens_shots import Board, lens_of_shots  # outlines need nothing of it
    from digitize.writers.lens import check_place, write_lens

    board = Board.told(corners, square)
    check_place(out, replace=replace)
    clock = Clock(progress)
    try:
        with Outbox(out.parent, (out.name,), replace=True) as outbox:
            found = lens_of_shots(shots, board, clock)
            lens = LensFile.of(found.found, way_known=found.way_known)
            write_lens(lens, outbox.draft / out.name)
            files = sha256_of(outbox.draft)
            outbox.deliver()
        record = lens_record(lens, found.found, found.doubts, files, clock)
    except Refusal as refusal:
        record = lens_refusal_record(clock, refusal)
    return Outcome(EXIT_CODES[record["verdict"]], record)


class Onlooker(Protocol):
    """What a face wants to see of a run besides its record; it changes nothing."""

    def scaled(self, scaled: Scaled) -> None:
        """See the picture once its scale is known."""

    def traced(self, traced: Traced) -> None:
        """See everything, once all files are delivered."""


def trace_plan(plan: PlanSettings, clock: Clock, onlooker: Onlooker | None = None) -> Traced:
    """Take a plan through every stage up to the measured outline.

    Raises:
        Refusal: a stage found that no outline can be trusted.
        UsageError: ``no-such-page``.
    """
    if plan.more:
        return _trace_photos(plan, clock)
    scaled = _read_and_scaled(plan, clock)
    if onlooker is not None:
        onlooker.scaled(scaled)
    return trace_scaled(scaled, plan, clock)


def _read_and_scaled(plan: PlanSettings, clock: Clock) -> Scaled:
    with clock("read"):
        picture = clock.kept(
            f"picture {plan.image}", (_as_it_lies(plan.image), plan.page, plan.captured),
            lambda: read_picture(plan.image, plan.page, plan.captured),
        )  # fmt: skip
        clock.picture = picture
        refuse_unfit_picture(picture)
    return scaled_picture(picture, plan, clock)


def _as_it_lies(path: Path) -> tuple[object, ...]:
    """Return by what a file is known to be the same as before."""
    try:
        here = path.stat()
    except OSError:
        return (path,)  # whoever reads it says so
    return path.resolve(), here.st_mtime_ns, here.st_size


def _trace_photos(plan: PlanSettings, clock: Clock) -> Traced:
    """Take several photos of one sheet to their mean outline; the first one's picture stands for all.

    Raises:
        Refusal: a stage found that no outline can be trusted, and in which photo; ``photos-of-others``.
    """
    from digitize.combined import View, combined  # one picture needs nothing of it

    every, pictures = [], []
    for own in plan.each():
        try:
            scaled = _read_and_scaled(own, clock)
            pictures.append(clock.picture)
            every.append((scaled, _contoured(scaled, clock)))
        except Refusal as refusal:
            why = refusal.doubt
            raise Refusal.of(dataclasses.replace(why, text=f"{own.image.name}: {why.text}")) from refusal
    clock.picture = pictures[0]
    with clock("combine"):
        joined = combined([
            View(
                own.image.name, on_sheet, one.by_noise or one.calibration, one.more_terms, one.u_across,
                (*one.doubts, *one.calibration.doubts),
            )
            for own, (one, on_sheet) in zip(plan.each(), every, strict=True)
        ])  # fmt: skip
    first = every[0][0]
    alike = dataclasses.replace(
        first, calibration=dataclasses.replace(first.calibration, doubts=()), doubts=joined.doubts,
        more_terms=joined.terms, by_noise=joined.calibration,
    )  # fmt: skip
    traced = trace_placed(alike, joined.on_sheet, plan, clock)
    return dataclasses.replace(traced, others=tuple(picture for picture in pictures[1:] if picture))


def trace_scaled(scaled: Scaled, plan: PlanSettings, clock: Clock) -> Traced:
    """Take a picture of known scale through the stages that follow.

    Raises:
        Refusal: a stage found that no outline can be trusted.
    """
    return trace_placed(scaled, _contoured(scaled, clock), plan, clock)


def _contoured(scaled: Scaled, clock: Clock) -> TracedOutline:
    picture, calibration = scaled.picture, scaled.calibration
    hints, px_per_mm = scaled.hints, 2.0 / (calibration.mm_per_px_x + calibration.mm_per_px_y)
    with clock("ink"):
        ink = clock.kept(
            f"ink {picture.file}", (picture, px_per_mm), lambda: find_strokes(picture, px_per_mm)
        )  # fmt: skip
    with clock("contour"):
        return clock.kept(
            f"outline {picture.file}",
            (picture, ink, calibration, hints.near, hints.ignore, hints.through, hints.line),
            lambda: find_outline(picture, ink, calibration, hints),
        )


def trace_placed(scaled: Scaled, on_sheet: TracedOutline, plan: PlanSettings, clock: Clock) -> Traced:
    """Take an outline on the sheet through the stages that follow.

    Raises:
        Refusal: a stage found that no outline can be trusted.
    """
    picture, calibration = scaled.picture, scaled.calibration
    with clock("symmetry"):
        neck = calibration.to_sheet(PxPoints(np.array([scaled.neck_px]))) if scaled.neck_px else None
        if plan.body.centerline:
            on_sheet = dataclasses.replace(on_sheet, told_axis=_told_line(scaled, plan.body.centerline))
        body = place_body(on_sheet, plan.body.keep, plan.body.hand, neck)
    with clock("fair"):
        fair = fair_outline(body)
        measures = measure(fair)
    with clock("budget"):
        known = scaled.by_noise or calibration
        budget = traced_budget(known, body, fair, measures, scaled.more_terms(body_on_sheet(body)))
        stated = cross_checks(plan, picture, calibration, measures, budget, scaled.rules)
    return Traced(
        plan, picture, scaled.rules, scaled.spans, calibration, scaled.copy, on_sheet, body, fair, measures, budget,
        (*scaled.doubts, *calibration.doubts, *on_sheet.doubts, *body.doubts, *stated), scaled.photo,
        cards=scaled.cards,
    )  # fmt: skip


def _told_line(scaled: Scaled, ends_px: Sequence[tuple[float, float]]) -> SheetLine:
    """Return a line that the person gave by two places of the picture as read."""
    xy = scaled.calibration.to_sheet(PxPoints(scaled.in_scaled(np.array(ends_px, dtype=np.float64)))).xy
    sigma_mm = CLICK_PX * max(scaled.calibration.mm_per_px_x, scaled.calibration.mm_per_px_y)
    turn_sigma = math.sqrt(2.0) * sigma_mm / math.dist(*xy)
    (x0, y0), (x1, y1) = xy.tolist()
    return SheetLine((x0, y0), (x1, y1), 1.0, sigma_mm / math.sqrt(2.0), turn_sigma)


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
        raise
    with clock("card"):
        return _carded(scaled, picture, plan)


NO_RULE = ("no-rule", "photo-no-rule")


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
        lambda _: (), lambda px: px,
    )  # fmt: skip


def _rules_of(picture: Picture, plan: PlanSettings) -> tuple[RuleSearch, Evened | None]:
    search = find_rules(picture, plan.rules)
    return search, evened(picture, search.rules)


def _scale_of(
    picture: Picture, search: RuleSearch, told: Sequence[SpanHint]
) -> tuple[tuple[SpanPlaces, ...], Calibration, CopySize | None]:
    spans = span_places(picture.grey, told)
    calibration = solved(plan_controls(search.rules, spans), search.doubts)
    return spans, calibration, copy_source(search.rules, picture.dpi, calibration)


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
        flat.u_across, flat.by_noise,
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


def write_outline(traced: Traced, draft: Path, clock: Clock) -> dict[str, Any]:
    """Write every file into the draft folder and return the record.

    Raises:
        Refusal: ``file-check`` when a file does not measure as written.
    """
    title = f"{traced.plan.image.stem} outline"
    with clock("write"):
        drawing = draw_outline(traced.fair, traced.measures, traced.plan.unit, title)
        write_dxf(drawing, draft / "outline.dxf")
        write_svg(drawing, draft / "outline.svg")
        write_pdf(drawing, draft / "outline.pdf")
    with clock("report"):
        shown = report_context(traced)
        write_overlay(
            traced.picture,
            body_to_px(traced.body, traced.calibration),
            traced.fair.points,
            shown.traced,
            None,
            traced.rules,
            draft / "overlay.png",
        )
        record = made_record(traced, clock, sha256_of(draft))
        write_report(record, shown, draft / "report.html")
    record = made_record(traced, clock, sha256_of(draft))
    write_record(record, draft / "record.json")
    return record
