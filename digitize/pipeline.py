"""The order of the stages and nothing else: from a plan file to the files in the out folder."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from calibration.errors import Refusal
from calibration.flags import Doubt
from calibration.frames import FloatArray, PxPoints, SheetPoints
from digitize.assemble import lens_record, lens_refusal_record, made_record, refusal_record, report_context
from digitize.contour import find_outline
from digitize.cross_check import cross_checks, refuse_unfit_picture
from digitize.drawing import draw_outline
from digitize.fair import fair_outline, measure
from digitize.ink import find_strokes
from digitize.lens_file import LensFile
from digitize.outbox import OUTLINE_FILES as OUTLINE_FILES
from digitize.outbox import Outbox, sha256_of
from digitize.outcome import EXIT_CODES as EXIT_CODES
from digitize.outcome import Memo, Reader
from digitize.outcome import Outcome as Outcome
from digitize.outcome import Progress as Progress
from digitize.read import read_picture
from digitize.rule_edges import along_edges
from digitize.scaled import Scaled, scaled_picture
from digitize.settings import PlanSettings, load_plan, refuse_odd_names
from digitize.shapes import TracedOutline
from digitize.sources import refuse_absurd_size, refuse_wrong_places
from digitize.symmetry import place_body
from digitize.traced import Clock, Traced, body_on_sheet, body_to_px, moved_doubts, traced_budget
from digitize.writers.record import write_record

LAST = "digitize.all_files"  # what is needed last, and can be loaded meanwhile


def run_outline(
    plan_path: Path,
    out: Path,
    *,
    replace: bool = False,
    progress: Progress | None = None,
    onlooker: Onlooker | None = None,
    memo: Memo | None = None,
    reader: Reader = read_picture,
) -> Outcome:
    """Take a plan to its outline; write all files of the result, or none.

    Args:
        plan_path: a plan file or a picture.
        out: the folder of the results.
        replace: results that are there may be overwritten.
        progress: is told the name of each stage as it begins.
        onlooker: sees what a page draws.
        memo: what earlier runs made; the results are the same with it as without.
        reader: gives the pictures, as ``read_picture`` does.

    Raises:
        UsageError: the call, the plan file or the out folder is wrong.
    """
    plan = load_plan(plan_path)
    clock = Clock(progress, memo)
    with Outbox(out, OUTLINE_FILES, replace=replace) as outbox:
        try:
            traced = trace_plan(plan, clock, onlooker, reader)
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
    refuse_odd_names(shots)
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


def trace_plan(
    plan: PlanSettings, clock: Clock, onlooker: Onlooker | None = None, reader: Reader = read_picture
) -> Traced:
    """Take a plan through every stage up to the measured outline.

    Raises:
        Refusal: a stage found that no outline can be trusted.
        UsageError: ``no-such-page`` or ``place-outside``.
    """
    if plan.more:
        return _trace_photos(plan, clock)
    scaled = _read_and_scaled(plan, clock, reader)
    if onlooker is not None:
        onlooker.scaled(scaled)
    return trace_scaled(scaled, plan, clock)


def _read_and_scaled(plan: PlanSettings, clock: Clock, reader: Reader = read_picture) -> Scaled:
    with clock("read"):
        picture = clock.kept(
            f"picture {plan.image}", (_as_it_lies(plan.image), plan.page, plan.captured),
            lambda: reader(plan.image, plan.page, plan.captured),
        )  # fmt: skip
        clock.picture = picture
        refuse_unfit_picture(picture)
        refuse_wrong_places(picture, plan)
    scaled = scaled_picture(picture, plan, clock)
    refuse_absurd_size(scaled.picture, scaled.calibration)
    return scaled


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
        on_sheet = clock.kept(
            f"outline {picture.file}",
            (picture, ink, calibration, hints.near, hints.ignore, hints.through, hints.line),
            lambda: find_outline(picture, ink, calibration, hints),
        )
    return dataclasses.replace(on_sheet, doubts=(*on_sheet.doubts, *_along_rules(on_sheet, scaled)))


def _along_rules(on_sheet: TracedOutline, scaled: Scaled) -> tuple[Doubt, ...]:
    """Return the doubt that the edge of a rule on a photographed sheet was taken for the outline, or nothing."""

    def told(place_mm: FloatArray) -> str:
        return scaled.hints.place(scaled.calibration.to_px(SheetPoints(place_mm[None])).xy[0])

    edges = [scaled.calibration.to_sheet(PxPoints(ring)).xy for ring in scaled.covered]
    return along_edges(on_sheet.points.xy, edges, told)


def trace_placed(scaled: Scaled, on_sheet: TracedOutline, plan: PlanSettings, clock: Clock) -> Traced:
    """Take an outline on the sheet through the stages that follow.

    Raises:
        Refusal: a stage found that no outline can be trusted.
    """
    picture, calibration = scaled.picture, scaled.calibration
    with clock("symmetry"):
        neck = calibration.to_sheet(PxPoints(np.array([scaled.neck_px]))) if scaled.neck_px else None
        if plan.body.centerline:
            on_sheet = dataclasses.replace(on_sheet, told_axis=scaled.line(plan.body.centerline))
        body = place_body(on_sheet, plan.body.keep, plan.body.hand, neck, calibration.covariance)
    with clock("fair"):
        fair = fair_outline(body)
        measures = measure(fair)
    with clock("budget"):
        known = scaled.by_noise or calibration
        budget = traced_budget(known, body, fair, measures, scaled.more_terms(body_on_sheet(body)))
        stated = cross_checks(plan, picture, calibration, measures, budget, scaled.rules)
    return Traced(
        plan, picture, scaled.rules, scaled.spans, calibration, scaled.copy, on_sheet, body, fair, measures, budget,
        (*scaled.doubts, *calibration.doubts, *on_sheet.doubts, *body.doubts, *moved_doubts(fair, budget), *stated),
        scaled.photo,
        cards=scaled.cards,
    )  # fmt: skip


def write_outline(traced: Traced, draft: Path, clock: Clock) -> dict[str, Any]:
    """Write every file into the draft folder and return the record.

    Raises:
        Refusal: ``file-check`` when a file does not measure as written.
    """
    from digitize.all_files import write_dxf, write_overlay, write_pdf, write_report, write_svg

    title = f"{traced.plan.image.stem} outline"
    shown, to_px = report_context(traced), body_to_px(traced.body, traced.calibration)
    with ThreadPoolExecutor(1) as beside:  # scaling and packing the picture needs no Python, the writers nothing else
        overlay = beside.submit(
            write_overlay, traced.picture, to_px, traced.fair.points, shown.traced, None, traced.rules,
            draft / "overlay.png",
        )  # fmt: skip
        with clock("write"):
            drawing = draw_outline(traced.fair, traced.measures, traced.plan.unit, title)
            write_dxf(drawing, draft / "outline.dxf")
            write_svg(drawing, draft / "outline.svg")
            write_pdf(drawing, draft / "outline.pdf")
        with clock("report"):
            overlay.result()
            record = made_record(traced, clock, sha256_of(draft))
            write_report(record, shown, draft / "report.html")
    record = made_record(traced, clock, sha256_of(draft))
    write_record(record, draft / "record.json")
    return record
