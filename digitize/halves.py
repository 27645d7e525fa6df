"""Do the halves agree? The order of the symmetry audit: trace, audit, verdict, page."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from calibration.budget import COVERAGE_95
from calibration.errors import Refusal, UsageError
from calibration.flags import Doubt, doubt
from calibration.frames import SheetPoints
from digitize.assemble import made_record, refusal_record
from digitize.cut_half import trace_cut_half
from digitize.drawing import draw_fair
from digitize.fair import fair_spline, few_arcs
from digitize.fit_settings import FitWanted
from digitize.outbox import Outbox, sha256_of
from digitize.pipeline import EXIT_CODES, Outcome, Progress, trace_plan
from digitize.report.halves_page import HalvesShown, write_halves_page
from digitize.settings import PlanSettings, load_plan
from digitize.shapes import Difference, DifferenceMap, EndMeeting, HalvesAudit
from digitize.symmetry import JudgedHalves, audit_halves, squared
from digitize.traced import Clock, Traced
from digitize.writers.dxf import write_dxf
from digitize.writers.record import tidied, write_record
from digitize.writers.svg import write_svg

HALVES_FILES = ("fair.dxf", "fair.svg", "halves.html", "record.json")
# A difference larger than a builder holds to the middle of a pencil line (0.25-0.5 mm; common practice, no source)
# needs a decision; a smaller one is only told.
DECIDE_MM = 0.25
# An end that turns by more than this when mirrored, for sure, and whose tip is off by more than this, is worth a look.
KINK_DEG, TIP_MM = 3.0, 0.15
# A corner so near the centerline and so near an end is that end's.
ON_AXIS_MM, NEAR_END_MM = 0.01, 1.0
# The record lists the map about this far apart.
LISTED_MM = 2.0


def run_halves(
    plan_path: Path, out: Path, *, cut: bool = False, thickness: str | None = None, replace: bool = False,
    progress: Progress | None = None,
) -> Outcome:  # fmt: skip
    """Take a plan, or with ``cut`` a cut half, to the audit of its halves; write page and record, or none.

    ``thickness`` is that of a cut half in a photo.

    Raises:
        UsageError: the call, the plan file or the out folder is wrong.
    """
    thickness_mm = FitWanted(thickness=thickness).thickness_mm
    if thickness is not None and not cut:
        raise UsageError("bad-option", option="--thickness", got=thickness, need="--cut, which it is for,")
    plan = _as_drawn(load_plan(plan_path))
    clock = Clock(progress)
    with Outbox(out, HALVES_FILES, replace=replace) as outbox:
        try:
            record = _written(plan, cut, thickness_mm, clock, outbox.draft)
        except Refusal as refusal:
            record = refusal_record(plan, clock, refusal)
        else:
            outbox.deliver()
    return Outcome(EXIT_CODES[record["verdict"]], record)


def _as_drawn(plan: PlanSettings) -> PlanSettings:
    """Return the plan for the audit: left and right are the drawing's own, whatever hand is built."""
    return plan.model_copy(update={"body": plan.body.model_copy(update={"hand": "right"})})


def _written(plan: PlanSettings, cut: bool, thickness_mm: float | None, clock: Clock, draft: Path) -> dict[str, Any]:
    traced = trace_cut_half(plan, thickness_mm, clock) if cut else trace_plan(plan, clock)
    with clock("audit"):
        audit = audit_halves(traced.on_sheet, _neck(traced), traced.calibration.covariance)
    told = (*traced.doubts, *_doubts(audit))
    with clock("arcs"):
        few = few_arcs(traced.fair)
    with clock("spline"):
        spline = fair_spline(traced.fair)
    traced = replace(traced, doubts=told, few=few, spline=spline)
    with clock("write"):
        drawing = draw_fair(few, spline, traced.measures, plan.unit, f"{plan.image.stem} fair")
        write_dxf(drawing, draft / "fair.dxf")
        write_svg(drawing, draft / "fair.svg")
    part = {**halves_part(audit, cut=cut), "square": square_part(traced)}
    with clock("report"):
        record = tidied({**made_record(traced, clock, sha256_of(draft)), "halves": part})
        shown = HalvesShown(traced.fair.points, audit.map, plan.unit, few, spline, _sheet(audit))
        write_halves_page(record, shown, draft / "halves.html")
    record = tidied({**made_record(traced, clock, sha256_of(draft)), "halves": part})
    write_record(record, draft / "record.json")
    return record


def _neck(traced: Traced) -> SheetPoints:
    """Return where the neck end was found, on the sheet, so that the audit has the body the same way up."""
    matrix = traced.body.sheet_to_body
    place = np.linalg.solve(matrix[:, :2], np.array([0.0, traced.measures.length_mm]) - matrix[:, 2])
    return SheetPoints(np.asarray(place[None], dtype=np.float64))


def _doubts(audit: HalvesAudit) -> tuple[Doubt, ...]:
    found = [_differs(one) for one in (audit.map.found if audit.map else ())]
    for side, tail, neck in audit.ends:
        found += [_kinked(side, end, one) for end, one in (("tail", tail), ("neck", neck)) if kinked(one)]
    return tuple(found)


def kinked(end: EndMeeting) -> bool:
    """Whether the mirrored body would clearly have a peak or a dent at an end."""
    return abs(end.kink_deg) - 2.0 * end.u95_deg > KINK_DEG and abs(end.tip_mm) > TIP_MM


def _differs(one: Difference) -> Doubt:
    place = f"{one.y_mm:.0f} mm from the tail"
    if one.on_purpose:
        return doubt("half-on-purpose", side=one.side, size_mm=f"{one.size_mm:.0f}", place=place)
    facts = {"side": one.side, "size_mm": f"{one.size_mm:.2f}", "u95_mm": f"{one.u95_mm:.2f}", "place": place}
    length = f"{one.to_mm - one.from_mm:.0f}"
    return doubt("half-differs" if one.size_mm > DECIDE_MM else "half-differs-little", length_mm=length, **facts)


def _kinked(side: str, end: str, one: EndMeeting) -> Doubt:
    what, way = ("a peak", "out") if one.kink_deg > 0 else ("a dent", "in")
    return doubt(
        "half-kink", side=side, end=end, what=what, way=way, kink_deg=f"{abs(one.kink_deg):.1f}",
        u95_deg=f"{2.0 * one.u95_deg:.1f}", tip_mm=f"{abs(one.tip_mm):.2f}",
    )  # fmt: skip


def _sheet(audit: JudgedHalves) -> dict[str, float] | None:
    """Return, for the page, how far the sheet was taken to be out of square, and what that does to the gap."""
    one = audit.square
    if one is None:
        return None
    return {
        "taken_deg": float(np.degrees(one.taken_rad)),
        "taken_mm": one.taken_mm,
        "left_u95_mm": one.may_mm,
        "known_u95_deg": COVERAGE_95 * float(np.degrees(one.known_u_rad)),
    }


def halves_part(audit: HalvesAudit, *, cut: bool = False) -> dict[str, Any]:
    """Return the record's part on the halves."""
    rough = dict(zip(("left_per_mm2", "right_per_mm2"), audit.roughness, strict=True)) if audit.roughness else None
    return {
        "whole": audit.whole,
        "cut": cut,
        "axis": {
            "source": audit.axis_source,
            "offset_mm": audit.axis_offset_mm,
            "angle_deg": audit.axis_angle_deg,
            "u95_mm": audit.axis_u95_mm,
            "u95_deg": audit.axis_u95_deg,
        },
        "differences": [asdict(one) for one in audit.map.found] if audit.map else [],
        "map": _map(audit.map),
        "ends": [
            {"half": side, "end": end, **asdict(one)}
            for side, tail, neck in audit.ends
            for end, one in (("tail", tail), ("neck", neck))
        ],
        "roughness": rough,
        "fairer": audit.fairer,
        "keeps": [asdict(one) for one in audit.keeps],
    }


def square_part(traced: Traced) -> list[dict[str, Any]]:
    """Return what making an even outline square to the centerline turned and moved at its ends; corners are not."""
    fair = traced.fair
    if not fair.symmetric:
        return []
    top = float(fair.points.xy[len(fair.points) // 2, 1])
    found = []
    for end, y_mm, one in zip(("tail", "neck"), (0.0, top), squared(traced.body), strict=True):
        if not any(abs(x) < ON_AXIS_MM and abs(y - y_mm) < NEAR_END_MM for x, y, _ in fair.corners):
            turned = abs(90.0 - one.angle_deg)
            found.append({"end": end, "turned_deg": turned, "u95_deg": one.u95_deg, "moved_mm": abs(one.tip_mm)})
    return found


def _map(found: DifferenceMap | None) -> dict[str, list[float]] | None:
    """Return the map's values where both halves were seen, thinned."""
    if found is None:
        return None
    every = max(round(LISTED_MM / float(found.place_mm[1] - found.place_mm[0])), 1)
    keep = np.arange(0, len(found.place_mm), every)
    keep = keep[np.isfinite(found.gap_mm[keep])]
    columns = {
        "place_mm": found.place_mm, "x_mm": found.xy_mm[:, 0], "y_mm": found.xy_mm[:, 1],
        "gap_mm": found.gap_mm, "u95_mm": found.u95_mm,
    }  # fmt: skip
    return {name: [float(v) for v in values[keep]] for name, values in columns.items()}
