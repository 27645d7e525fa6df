"""Is the cut part true? The order of the check: outline, picture, scale, edge, fit, verdict, pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from dataclasses import replace as replaced
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np

from calibration.errors import Refusal
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray, SheetPoints
from calibration.part_runs import OffMap
from digitize.cross_check import refuse_senseless_outline
from digitize.fit_judged import COVERAGE, Judged, judged, place_of, runs_of
from digitize.fit_settings import FitWanted
from digitize.fit_shapes import Run, Side
from digitize.mold_settings import load_job
from digitize.outbox import Outbox, sha256_of
from digitize.outcome import EXIT_CODES, Clock, Outcome, Progress, effort_part, reasons_part, tool_part
from digitize.outline_file import RECORD_FILE, OutlineFile, load_outline
from digitize.part_fitted import FittedPart, Half, Hold, fitted_part
from digitize.part_view import part_view
from digitize.parts.offset import counter_clockwise
from digitize.report.fit_page import FitShown, write_fit_page
from digitize.report.fit_paper import fit_drawing
from digitize.settings import PlanSettings, load_plan
from digitize.writers.pdf import write_pdf
from digitize.writers.record import FIT_SCHEMA_FILE, as_text, check_record, check_record_file, tidied

FIT_FILES = ("fit.html", "fit.pdf", "record.json")
LISTED_MM = 2.0
PAPER_LAYERS = ("OUTLINE", "CENTERLINE", "MAP")  # every page has check lines of its own


@dataclass(frozen=True, eq=False)
class Against:
    """One part held against another."""

    name: str
    part: FittedPart
    judged: Judged
    gap: OffMap  # the other part's distances less the first one's
    u_mm: FloatArray
    runs: tuple[Run, ...]


def run_fit(
    part_path: Path,
    outline_path: Path,
    out: Path,
    wanted: FitWanted,
    *,
    replace: bool = False,
    progress: Progress | None = None,
) -> Outcome:
    """Hold the picture of a cut part against its outline; write the pages and the record, or nothing.

    Raises:
        UsageError: the call, a file or the out folder is wrong.
    """
    wanted.check()
    plan = load_plan(part_path).one_picture()
    other = load_plan(wanted.against).one_picture() if wanted.against else None
    load_job(wanted.job)  # a wrong one is told before anything heavy begins
    clock = Clock(progress)
    with Outbox(out, FIT_FILES, replace=replace) as outbox:
        try:
            with clock("outline"):
                outline = load_outline(outline_path / RECORD_FILE if outline_path.is_dir() else outline_path)
                refuse_senseless_outline(outline.length_mm, outline.name)
            record = _written(plan, other, outline, wanted, clock, outbox.draft)
        except Refusal as refusal:
            record = _refused(plan, wanted, outline_path, clock, refusal)
        else:
            outbox.deliver()
    return Outcome(EXIT_CODES[record["verdict"]], record)


def measured(plan: PlanSettings, outline: OutlineFile, wanted: FitWanted, clock: Clock) -> FittedPart:
    """Return a part laid on the outline.

    Raises:
        Refusal: a stage found that nothing can be said of it.
    """
    half = None if wanted.half == "auto" else cast(Half, wanted.half)
    material = None if wanted.material == "auto" else cast(Side, wanted.material)
    view = part_view(plan, wanted.thickness_mm, clock)
    path = counter_clockwise(outline.path)
    job, hold = load_job(wanted.job), cast(Hold, wanted.hold)
    return fitted_part(view, path, half, material, hold, clock, job, tolerance_mm=wanted.tolerance_mm)


def _written(
    plan: PlanSettings, other: PlanSettings | None, outline: OutlineFile, wanted: FitWanted, clock: Clock, draft: Path
) -> dict[str, Any]:
    part = measured(plan, outline, wanted, clock)
    if wanted.drawn and part.line_mm is None:
        raise Refusal("line-is-part")
    found = judged(part, wanted.tolerance_mm, outline.doubts, drawn=wanted.drawn)
    both = _against(part, other, outline, wanted, clock) if other else None
    doubts = (*found.doubts, *_pair_doubts(both, plan.image.name, wanted.tolerance_mm)) if both else found.doubts
    fields = (plan, part, found, both, outline, wanted)
    with clock("report"):
        title = f"{plan.image.stem} against {outline.name}"
        paper = fit_drawing(
            part.curve, part.map, found.runs, title, plan.unit, out=part.outward, left=part.half == "left",
            size_out=found.whole is not None,
        )  # fmt: skip
        write_pdf(paper, draft / "fit.pdf", page=wanted.page, layers=PAPER_LAYERS)
        record = _record(*fields, doubts, clock, {})
        write_fit_page(record, _shown(part, both, plan), draft / "fit.html")
    record = _record(*fields, doubts, clock, sha256_of(draft))
    path = draft / RECORD_FILE
    check_record(record, path, FIT_SCHEMA_FILE)
    path.write_text(as_text(record), encoding="utf-8")
    check_record_file(record, path, FIT_SCHEMA_FILE)
    return record


def _shown(part: FittedPart, both: Against | None, plan: PlanSettings) -> FitShown:
    calibration = part.view.calibration
    linear = np.linalg.inv(part.fit.matrix[:, :2])
    outline = (part.curve.xy_mm - part.fit.matrix[:, 2]) @ linear.T
    gap = None if both is None else (both.gap, both.u_mm)
    edge_px = part.edge.points_mm @ np.linalg.inv(calibration.matrix).T
    return FitShown(
        part.curve, part.map, part.u_local_mm, part.outward, part.view.picture, edge_px,
        calibration.to_px(SheetPoints(outline)).xy, gap, plan.unit,
    )  # fmt: skip


def _against(part: FittedPart, plan: PlanSettings, outline: OutlineFile, wanted: FitWanted, clock: Clock) -> Against:
    """Measure a second part the same way, and hold it against the first along what both show.

    Raises:
        Refusal: nothing can be said of the second part; ``parts-unlike`` when it is no counterpart.
    """
    free = replaced(wanted, half="auto", against=None)
    second = measured(plan, outline, free, clock)
    if second.material != part.material or len(second.curve.along_mm) != len(part.curve.along_mm):
        raise Refusal("parts-unlike", name=plan.image.name)
    gap = second.map.mean_mm - part.map.mean_mm
    u = np.hypot(second.u_local_mm, part.u_local_mm)
    unsteady = float(np.hypot(second.map.unsteady_mm, part.map.unsteady_mm))
    found = OffMap(part.curve.along_mm, gap, u, unsteady)
    runs = runs_of(part.curve, found, u, wanted.tolerance_mm)
    return Against(plan.image.name, second, judged(second, wanted.tolerance_mm, drawn=wanted.drawn), found, u, runs)


def _pair_doubts(both: Against, name: str, tolerance_mm: float) -> tuple[Doubt, ...]:
    """Return where the two parts differ by what may be more than the tolerance, and what is doubtful of the second."""
    told = [
        doubt(
            "parts-differ", size_mm=f"{abs(run.size_mm):.2f}", u95_mm=f"{run.u95_mm:.2f}",
            length_mm=f"{run.to_mm - run.from_mm:.0f}", place=place_of(run.y_mm),
            name=both.name if run.size_mm > 0 else name,
        )
        for run in both.runs if abs(run.size_mm) + run.u95_mm > tolerance_mm
    ]  # fmt: skip
    for one in both.judged.doubts:
        if one.weight != "note":
            told.append(Doubt(one.code, one.weight, f"{both.name}: {one.text}", one.remedy))
    return tuple(told)


def _record(
    plan: PlanSettings, part: FittedPart, found: Judged, both: Against | None, outline: OutlineFile, wanted: FitWanted,
    doubts: Sequence[Doubt], clock: Clock, files: dict[str, str],
) -> dict[str, Any]:  # fmt: skip
    look = any(one.weight == "look" for one in doubts)
    answer = found.answer if found.answer != "fits" or not look else "look"
    fit = {
        "answer": answer,
        "outline": {"file": outline.name, "sha256": outline.sha256, "u95_mm": outline.u95_mm},
        **fit_part_of(part, found),
        "against": None if both is None else _pair(both),
    }
    verdict: Literal["look", "sound"] = "look" if look else "sound"
    head = _head(plan, wanted, verdict, doubts, clock)
    return tidied({**head, "fit": fit, "files": files, **effort_part(clock)})


def fit_part_of(part: FittedPart, found: Judged) -> dict[str, Any]:
    """Return the record's part on one cut part."""
    line = part.straight
    return {
        "half": part.half,
        "face_down": part.face_down,
        "halves_alike": part.alike,
        "material": part.material,
        "line_mm": part.line_mm,
        "followed": part.share,
        "longest_unseen_mm": part.unseen_mm,
        "u95_mm": found.u95_mm,
        "size_off_mm": found.size_mm,
        "size_u95_mm": found.size_u95_mm,
        "whole_size": _whole_part(part, found),
        "worst_mm": found.worst_mm,
        "unsteady_mm": part.map.unsteady_mm,
        "strain": [float(value) for value in part.fit.strain],
        "sheet_to_body": [[float(value) for value in row] for row in part.fit.matrix],
        "runs": [asdict(run) for run in found.runs],
        "straight_edge": None if line is None else {
            "bow_mm": line.bow_mm, "bow_width_mm": 2.0 * line.bow_mm,
            "angle_deg": float(np.degrees(np.arctan(line.slope))),
            "ends": [asdict(one) for one in found.ends],
        },
        "map": _map(part, COVERAGE),
    }  # fmt: skip


def _whole_part(part: FittedPart, found: Judged) -> dict[str, float] | None:
    """Return by how much the whole part is off in size, which is taken out of its map; None where it is not."""
    if found.whole is None:
        return None
    return {
        "percent": 100.0 * found.whole.share,
        "u95_percent": 100.0 * COVERAGE * found.whole.u,
        "length_off_mm": found.whole.share * float(np.ptp(part.curve.xy_mm[:, 1])),
    }


def _pair(both: Against) -> dict[str, Any]:
    return {
        "file": both.name,
        "answer": both.judged.answer,
        "runs": [asdict(run) for run in both.runs],
        "part": fit_part_of(both.part, both.judged),
    }


def _map(part: FittedPart, cover: float) -> dict[str, list[float]]:
    """Return the means where they are known, thinned."""
    every = max(1, round(LISTED_MM / part.curve.step_mm))
    keep = np.arange(0, len(part.map.along_mm), every)
    keep = keep[np.isfinite(part.map.mean_mm[keep])]
    columns = {
        "along_mm": part.curve.along_mm, "x_mm": part.curve.xy_mm[:, 0], "y_mm": part.curve.xy_mm[:, 1],
        "off_mm": part.map.mean_mm, "u95_mm": cover * part.u_local_mm, "total_u95_mm": cover * part.u_total_mm,
    }  # fmt: skip
    return {name: [float(value) for value in values[keep]] for name, values in columns.items()}


def _head(plan: PlanSettings, wanted: FitWanted, verdict: str, doubts: Sequence[Doubt], clock: Clock) -> dict[str, Any]:
    picture = clock.picture
    return {
        "schema": 1,
        "tool": tool_part(),
        "verdict": verdict,
        "reasons": reasons_part(doubts),
        "input": {
            "file": plan.image.name,
            "sha256": picture.sha256 if picture else None,
            "captured": picture.captured if picture else None,
        },
        "settings": {
            **plan.as_record(),
            "fit": {
                "tolerance_mm": wanted.tolerance_mm, "hold": wanted.hold, "half": wanted.half,
                "material": wanted.material, "thickness_mm": wanted.thickness_mm, "page": wanted.page,
                "against": wanted.against.name if wanted.against else None,
                "job": wanted.job.name if wanted.job else None,
                "drawn": wanted.drawn,
            },
        },
    }  # fmt: skip


def _refused(
    plan: PlanSettings, wanted: FitWanted, outline_path: Path, clock: Clock, refusal: Refusal
) -> dict[str, Any]:
    head = _head(plan, wanted, "refused", (refusal.doubt,), clock)
    return tidied({**head, "fit": None, "files": {}, **effort_part(clock)})
