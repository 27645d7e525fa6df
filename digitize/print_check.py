"""Is this copy true to size? The order of the print check: lengths, factors, the body, the verdict, the page."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.errors import Refusal, UsageError
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray
from calibration.print_check import Held, PrintVerdict, Tolerance, judge, lies_upright, setting, single_setting
from calibration.print_factors import Estimate, PrintFactors
from calibration.solve import Calibration
from calibration.units import parse_length
from digitize.assemble import print_record, refusal_record
from digitize.outbox import Outbox, sha256_of
from digitize.pages_check import run_pages, told_plan
from digitize.pipeline import EXIT_CODES, Outcome, Progress, trace_scaled
from digitize.print_evidence import (
    Compared,
    Evidence,
    body_directions,
    compare,
    gather,
    nothing_stated,
    paper_calibration,
    stated_controls,
)
from digitize.report.print_page import PrintShown, write_print_page
from digitize.scaled import Scaled, scaled_flat, solved
from digitize.scanner_check import ScannerChecked, check_scanner
from digitize.settings import PlanSettings
from digitize.traced import Clock, Traced, body_to_px, reach_mm
from digitize.writers.record import write_record

PRINT_FILES = ("print-check.html", "record.json")
PERCENT = 100.0
PERCENT_TOLERANCE = re.compile(r"\s*(\d+(?:[.,]\d+)?)\s*%\s*")
MOST_TOLERANCE = 0.05  # a share beyond this is not a tolerance


@dataclass(frozen=True)
class Effect:
    """What the copy does to one size of the body; mm."""

    name: str
    plan_mm: float
    off_mm: float  # + too large on the copy
    u95_mm: float


@dataclass(frozen=True, eq=False)
class Checked:
    """Everything known of a copy once it is judged."""

    compared: Compared
    traced: Traced | None
    tolerance: Tolerance
    verdict: PrintVerdict
    effects: tuple[Effect, ...]
    sizes_mm: tuple[float | None, float | None]  # of the body along the copy's x and y
    single: tuple[float, float] | None  # the best one setting, percent, and the mm that it leaves
    ways: tuple[str, str]  # x and y in a builder's words
    doubts: tuple[Doubt, ...]
    scanner: ScannerChecked | None  # by a second scan


def parse_tolerance(text: str | None) -> Tolerance:
    """Return the tolerance of ``0.1 %``, ``0.5 mm`` or ``1/64 in``; the default for None.

    Raises:
        UsageError: ``bad-tolerance``.
    """
    if text is None:
        return Tolerance()
    if found := PERCENT_TOLERANCE.fullmatch(text):
        share = float(found[1].replace(",", ".")) / PERCENT
        if 0.0 < share <= MOST_TOLERANCE:
            return Tolerance(share=share)
        raise UsageError("bad-tolerance", text=text)
    if not text.strip().endswith(("mm", "cm", "in", '"')):
        raise UsageError("bad-tolerance", text=text)
    try:
        return Tolerance(share=None, mm=parse_length(text))
    except UsageError as fault:
        raise UsageError("bad-tolerance", text=text) from fault


def run_print_check(
    plan_path: Path | Sequence[Path],
    out: Path,
    *,
    tolerance: str | None = None,
    turned: Path | None = None,
    replace: bool = False,
    progress: Progress | None = None,
) -> Outcome:
    """Take a scan or photo of a copy to its verdict; write the page and the record, or nothing.

    ``turned`` is a second scan of the sheet, turned half round. Several pictures are the pages of a tiled print.

    Raises:
        UsageError: the call, the plan file or the out folder is wrong.
    """
    within = parse_tolerance(tolerance)
    plan = told_plan(plan_path)
    if turned is not None:
        plan.one_picture()
    if plan.more:
        return run_pages(plan, out, PRINT_FILES, within, replace=replace, progress=progress)
    clock = Clock(progress)
    with Outbox(out, PRINT_FILES, replace=replace) as outbox:
        try:
            record = _written(checked(plan, within, clock, turned), plan, clock, outbox.draft)
        except Refusal as refusal:
            record = refusal_record(plan, clock, refusal)
        else:
            outbox.deliver()
    return Outcome(EXIT_CODES[record["verdict"]], record)


def checked(plan: PlanSettings, tolerance: Tolerance, clock: Clock, turned: Path | None = None) -> Checked:
    """Return what is known of a copy.

    Raises:
        Refusal: nothing states a size, nothing tells the copy's own, or what they tell cannot be.
    """
    evidence = gather(plan, clock)
    scanner = None if turned is None else check_scanner(evidence, turned, clock)
    if evidence.drawn:
        with clock("compare"):
            compared = compare(evidence, evidence.drawn)
        traced, doubts = _body(evidence, plan, clock)
    else:
        compared, traced = _by_stated_sizes(evidence, plan, clock)
        doubts = ()
    effects = _effects(compared.factors, traced, plan)
    sizes = _sizes(compared.factors, traced, plan)
    verdict = judge(compared.factors, tolerance, sizes, [t for t in compared.feeds if t.name.startswith("drawn")])
    single = None
    if sizes[0] is not None and sizes[1] is not None and compared.factors.x.measured and compared.factors.y.measured:
        single = single_setting((compared.factors.x.value, compared.factors.y.value), (sizes[0], sizes[1]))
    ways = _ways(traced, compared.evidence.picture.captured)
    told = _verdict_doubts(compared, verdict, tolerance, ways)
    told += scanner.doubts if scanner else ()
    return Checked(
        compared, traced, tolerance, verdict, effects, sizes, single, ways, (*told, *compared.doubts, *doubts), scanner
    )


def _body(evidence: Evidence, plan: PlanSettings, clock: Clock) -> tuple[Traced | None, tuple[Doubt, ...]]:
    """Return the traced outline in plan mm; the factors stand without it."""
    try:
        flat = evidence.flat
        calibration = solved(evidence.drawn, evidence.doubts) if flat is None else flat.calibration
        return _trace(evidence, calibration, plan, clock), ()
    except Refusal as refusal:
        why = refusal.doubt
        return None, (doubt("body-not-traced", why=why.text, remedy=why.remedy),)


def _trace(evidence: Evidence, calibration: Calibration, plan: PlanSettings, clock: Clock) -> Traced:
    if evidence.flat is not None:
        return trace_scaled(scaled_flat(evidence.flat, plan), plan, clock)
    scaled = Scaled(
        evidence.picture, calibration, evidence.rules, evidence.spans, None, plan.outline_hints, plan.body.neck,
        (), lambda _: (), lambda px: px,
    )  # fmt: skip
    return trace_scaled(scaled, plan, clock)


def _by_stated_sizes(evidence: Evidence, plan: PlanSettings, clock: Clock) -> tuple[Compared, Traced]:
    """Return the factors from the body's stated sizes: the outline is traced in mm of the paper and held against them.

    Raises:
        Refusal: ``no-stated-size``, or the outline was not found.
    """
    body = plan.body
    if not any((body.length_mm, body.lower_bout_mm, body.waist_mm, body.upper_bout_mm)):
        raise nothing_stated(evidence)
    unstated = plan.model_copy(update={"body": body.model_copy(update=dict.fromkeys(STATED))})
    traced = _trace(evidence, paper_calibration(evidence), unstated, clock)
    controls = stated_controls(plan, traced)
    if not controls:
        raise nothing_stated(evidence)
    with clock("compare"):
        return compare(evidence, controls), traced


STATED = ("length_mm", "lower_bout_mm", "waist_mm", "upper_bout_mm")


def _effects(factors: PrintFactors, traced: Traced | None, plan: PlanSettings) -> tuple[Effect, ...]:
    """Return what the copy does to every size of the body; in directions that were measured."""
    if traced is None:
        return ()
    across, along = (factors.along(angle) for angle in body_directions(traced))
    measured = {"x": factors.x.measured, "y": factors.y.measured}
    if not all(measured.values()):
        upright = lies_upright(body_directions(traced)[1])
        along_known, across_known = (measured["y"], measured["x"]) if upright else (measured["x"], measured["y"])
    else:
        along_known = across_known = True
    m = traced.measures
    widths = (("lower bout", m.lower_bout_mm), ("waist", m.waist_mm), ("upper bout", m.upper_bout_mm))
    found = [("length", m.length_mm, along, along_known), *((*one, across, across_known) for one in widths)]
    in_plan_mm = _plan_mm(factors, traced)
    return tuple(
        Effect(name, size * in_plan_mm(factor), size * in_plan_mm(factor) * (factor.value - 1.0),
               size * in_plan_mm(factor) * factor.u95)
        for name, size, factor, known in found if size is not None and known
    )  # fmt: skip


def _plan_mm(factors: PrintFactors, traced: Traced) -> Any:
    """Return what turns a traced size into plan mm: nothing where drawn lengths were the scale, else the factor."""
    in_paper_mm = not set(traced.calibration.names) & {row.name for row in factors.plan.rows}
    return (lambda factor: 1.0 / factor.value) if in_paper_mm else (lambda factor: 1.0)


def _sizes(factors: PrintFactors, traced: Traced | None, plan: PlanSettings) -> tuple[float | None, float | None]:
    """Return how far the body reaches along the copy's x and y, plan mm; by its stated sizes where it is not traced."""
    if traced is None:
        length, width = plan.body.length_mm, plan.body.lower_bout_mm
        return width, length
    in_plan_mm = _plan_mm(factors, traced)
    x, y = reach_mm(traced, factors.axis_rad)
    return x * in_plan_mm(factors.x), y * in_plan_mm(factors.y)


def _ways(traced: Traced | None, captured: str) -> tuple[str, str]:
    """Return the copy's x and y in words that can be pointed at on the sheet."""
    scan = (f"left to right in the {captured}", f"top to bottom in the {captured}")
    if traced is None:
        return scan
    upright = lies_upright(body_directions(traced)[1])
    if upright is None:
        return scan
    x, y = ("across", "along") if upright else ("along", "across")
    return f"{x} the body ({scan[0]})", f"{y} the body ({scan[1]})"


def percent_off(held: Held) -> str:
    """Return ``1.30 % too large``."""
    return f"{PERCENT * abs(held.off):.2f} % too {'large' if held.off > 0 else 'small'}"


def ask(factor: Estimate, way: str) -> str:
    """Return ``98.72 % across the body``."""
    return f"{setting(factor):.2f} % {way}"


def _verdict_doubts(
    compared: Compared, verdict: PrintVerdict, tolerance: Tolerance, ways: tuple[str, str]
) -> tuple[Doubt, ...]:
    factors = compared.factors
    if verdict.answer == "not true":
        off = [f"{percent_off(one)} {way}" for one, way in zip((verdict.x, verdict.y), ways, strict=True)
               if one.answer == "not true"]  # fmt: skip
        if verdict.shear is not None and verdict.shear.answer == "not true":
            off.append(f"out of square by {abs(math.degrees(factors.shear.value)):.2f} degrees")
        off += [f"fed unevenly by up to {test.peak_mm:.2f} mm along {test.name}" for test in verdict.uneven]
        asked = [ask(one, way) for one, way in zip((factors.x, factors.y), ways, strict=True) if one.measured]
        return (doubt("copy-not-true", what=" and ".join(off), ask=f"For a copy of the same original, made on the same "
                      f"machine and fed the same way, ask for {' and '.join(asked)} in place of 100 %."),)  # fmt: skip
    if verdict.answer == "cannot tell":
        told = _tolerance_words(tolerance)
        why, how = _open_question(factors, verdict, ways)
        return (doubt("copy-cannot-tell", tolerance=told, why=why, how=how),)
    return ()


def _tolerance_words(tolerance: Tolerance) -> str:
    return f"{PERCENT * tolerance.share:g} %" if tolerance.share is not None else f"{tolerance.mm:g} mm over the body"


def _open_question(factors: PrintFactors, verdict: PrintVerdict, ways: tuple[str, str]) -> tuple[str, str]:
    """Return why the tolerance cannot be held against the copy, and what would settle it."""
    for factor, held, way in zip((factors.x, factors.y), (verdict.x, verdict.y), ways, strict=True):
        if not factor.measured:
            return f"nothing drawn measures it {way}", MEASURE_IT
        if held.tolerance is None:
            return "the size of the body is not known", SIZE_OF_BODY
        if held.answer == "cannot tell":
            why = f"it is {percent_off(held)} {way}, give or take {_fine(PERCENT * held.u95)} %"
            return why, AT_THE_EDGE if held.u95 < EDGE * held.tolerance else BETTER_RULE
    return "its squareness is not certain enough", "A third drawn rule on the slant would prove it."


MEASURE_IT = "Give a second drawn rule, a [[span]] or a stated size in that direction."
SIZE_OF_BODY = "Give the tolerance in percent, or state [body] length and lower_bout."
BETTER_RULE = (
    "Lay a steel rule of class I or better, 300 mm or longer, along each direction and scan again; give its grade, "
    'or within = "..." if it has a certificate.'
)
AT_THE_EDGE = "The copy is right at the tolerance, and no better rule changes that: take it as not true, or widen it."
EDGE = 0.25  # of the tolerance: an uncertainty smaller than this is not what is in the way


def _fine(percent: float) -> str:
    return f"{percent:.2f}" if percent >= 0.1 else f"{percent:.3f}"


def _written(check: Checked, plan: PlanSettings, clock: Clock, draft: Path) -> dict[str, Any]:
    """Write the page and the record into the draft folder and return the record."""
    with clock("report"):
        record = print_record(plan, clock, check.compared.evidence, _part(check), check.doubts, {})
        write_print_page(record, _shown(check, plan), draft / "print-check.html")
    record = print_record(plan, clock, check.compared.evidence, _part(check), check.doubts, sha256_of(draft))
    write_record(record, draft / "record.json")
    return record


def _shown(check: Checked, plan: PlanSettings) -> PrintShown:
    outline: FloatArray | None = None
    if check.traced is not None:
        affine = body_to_px(check.traced.body, check.traced.calibration)
        outline = check.traced.body.points.xy @ affine[:, :2].T + affine[:, 2]
    return PrintShown(
        picture=check.compared.evidence.picture, rules=check.compared.evidence.rules, outline_px=outline,
        feeds=check.compared.feeds, axis_rad=check.compared.factors.axis_rad, unit=plan.unit,
    )  # fmt: skip


def _part(check: Checked) -> dict[str, Any]:
    """Return the ``print_check`` part of the record."""
    factors, verdict = check.compared.factors, check.verdict
    tolerance = check.tolerance
    return {
        "answer": verdict.answer,
        "tolerance": {"percent": None if tolerance.share is None else PERCENT * tolerance.share, "mm": tolerance.mm},
        "paper_by": factors.paper_by,
        "x": _axis_part(factors.x, verdict.x, check.ways[0], factors.dpi_x),
        "y": _axis_part(factors.y, verdict.y, check.ways[1], factors.dpi_y),
        "shear": {
            "deg": math.degrees(factors.shear.value),
            "u95_deg": math.degrees(factors.shear.u95),
            "measured": factors.shear.measured,
            "answer": None if verdict.shear is None else verdict.shear.answer,
        },
        "single": None if check.single is None else {"ask_percent": check.single[0], "left_mm": check.single[1]},
        "body": [
            {"name": one.name, "plan_mm": one.plan_mm, "off_mm": one.off_mm, "u95_mm": one.u95_mm}
            for one in check.effects
        ],
        "feed": [
            {"rule": test.name, "f": test.statistic, "dof": list(test.dof), "chance": test.chance,
             "peak_mm": test.peak_mm, "proven": test.proven}
            for test in check.compared.feeds
        ],
        "scanner": None if check.scanner is None else check.scanner.part(),
    }  # fmt: skip


def _axis_part(factor: Estimate, held: Held, way: str, by_dpi: Estimate | None) -> dict[str, Any]:
    """Return one direction's part; percentages, 100 = true."""
    return {
        "way": way,
        "percent": PERCENT * factor.value,
        "u95_percent": PERCENT * factor.u95,
        "measured": factor.measured,
        "tolerance_percent": None if held.tolerance is None else PERCENT * held.tolerance,
        "answer": held.answer,
        "ask_percent": setting(factor) if factor.measured else None,
        "by_dpi_percent": None if by_dpi is None else PERCENT * by_dpi.value,
        "by_dpi_u95_percent": None if by_dpi is None else PERCENT * by_dpi.u95,
        "parts": _parts(factor),
    }


def _parts(factor: Estimate, most: int = 6) -> list[dict[str, Any]]:
    """Return what the uncertainty is made of, the largest first, equal names together."""
    sizes: dict[str, float] = {}
    for part in factor.parts:
        sizes[part.name] = math.hypot(sizes.get(part.name, 0.0), part.u95)
    rows: Sequence[tuple[str, float]] = sorted(sizes.items(), key=lambda pair: -pair[1])[:most]
    return [{"name": name, "u95_percent": PERCENT * u95} for name, u95 in rows if u95 > 1e-7]
