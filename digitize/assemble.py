"""The record of a run (schema 1), and what the report shows besides it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from calibration.adjust_model import COMMON, LEFT_OUT
from calibration.budget import COVERAGE_95, PIXEL_BIAS, length_u95
from calibration.card import CardCheck
from calibration.chessboard import MeasuredLens
from calibration.errors import Refusal
from calibration.flags import Doubt, doubt
from calibration.frames import SheetPoints
from calibration.photo import PhotoCalibration
from calibration.print_check import single_setting
from calibration.solve import Calibration
from digitize.arcs import centres
from digitize.beyond_rules import beyond_length_u
from digitize.evidence import stretches
from digitize.lens_file import LensFile
from digitize.outcome import effort_part as effort_part
from digitize.outcome import reasons_part, tool_part
from digitize.print_evidence import Evidence
from digitize.report.context import ReportContext, carry_over
from digitize.settings import PlanSettings
from digitize.shapes import BodyTrace, FairOutline, FairSpline, FewArcs, Picture, Rule, SpanPlaces
from digitize.sources import plan_controls
from digitize.traced import Clock, CopySize, Traced, body_angle_rad, body_on_sheet, body_to_px, reach_mm, scale_u_rel
from digitize.writers.record import LENS_SCHEMA_FILE, check_record, tidied

SCHEMA = 1


def report_context(traced: Traced) -> ReportContext:
    """Return the picture and the arrays behind the record's numbers, on the points of the fair outline."""
    residuals = dict(zip(traced.calibration.names, traced.calibration.residuals_mm, strict=True))
    rules = _used_first(traced)
    return ReportContext(
        picture=traced.picture,
        rules=rules,
        residuals_mm=tuple(residuals[rule.control.name] for rule in rules if rule.control.name in residuals),
        audit=traced.body.audit,
        body=traced.fair.points,
        traced=carry_over(traced.body.traced, traced.body.points, traced.fair.points),
        sigma_mm=carry_over(traced.body.sigma_mm, traced.body.points, traced.fair.points),
        body_to_px=body_to_px(traced.body, traced.calibration),
        unit=traced.plan.unit,
        measures=traced.measures,
        kept=traced.body.kept,
        ask_percent=_ask_percent(traced),
    )


def _ask_percent(traced: Traced) -> float | None:
    """Return the best one setting for a true copy, where the copy's size is known both ways."""
    size = traced.copy
    if size is None or not size.measured:
        return None
    return single_setting((size.x_percent / 100.0, size.y_percent / 100.0), reach_mm(traced, size.axis_rad))[0]


def _used_first(traced: Traced) -> tuple[Rule, ...]:
    """Return the rules, those that the scale rests on first."""
    return tuple(sorted(traced.rules, key=lambda rule: rule.control.name not in traced.calibration.names))


def made_record(traced: Traced, clock: Clock, files: dict[str, str]) -> dict[str, Any]:
    """Return the record of an outline; ``look`` when any doubt asks for it."""
    look = any(doubt.weight == "look" for doubt in traced.doubts)
    record = {
        **head_part(traced.plan, clock, "look" if look else "sound", traced.doubts),
        "scale": scale_part(traced.calibration, _used_first(traced), traced.spans),
        "cards": cards_part(traced.cards),
        "copy": copy_part(traced.calibration, traced.copy),
        "body": _body(traced),
        "outline": _outline(traced),
        "symmetry": _symmetry(traced.body),
        "lens": _lens(traced.photo),
        "budget": [{"term": term.term, "u_mm": term.u_mm, "how": term.how} for term in traced.budget.terms],
        "files": files,
        **effort_part(clock),
    }
    if traced.others:
        record["input"]["more"] = [{"file": one.file, "sha256": one.sha256} for one in traced.others]
    return tidied(record)


def print_record(
    plan: PlanSettings,
    clock: Clock,
    evidence: Evidence,
    part: dict[str, Any],
    doubts: Sequence[Doubt],
    files: dict[str, str],
) -> dict[str, Any]:
    """Return the record of a print check; ``sound`` when the copy is true to size and no doubt asks for a look."""
    look = any(doubt.weight == "look" for doubt in doubts)
    unknown = dict.fromkeys(("body", "outline", "symmetry", "budget"))
    both = [part[axis] for axis in ("x", "y")]
    record = {
        **head_part(plan, clock, "look" if look else "sound", doubts),
        **unknown,
        "scale": {
            "mm_per_px_x": None,
            "mm_per_px_y": None,
            "u95_percent": None,
            "rules": [_rule(rule) for rule in evidence.rules],
            "spans": [_span(span) for span in evidence.spans],
        },
        "cards": cards_part(evidence.cards),
        "copy": {
            "x_percent": both[0]["percent"],
            "y_percent": both[1]["percent"],
            "shear_deg": part["shear"]["deg"],
            "model": "affine",
            "u95_percent": max(one["u95_percent"] for one in both),
        },
        "print_check": part,
        "files": files,
        **effort_part(clock),
    }
    return tidied(record)


def pages_record(
    plan: PlanSettings,
    clock: Clock,
    pictures: Sequence[Picture],
    part: dict[str, Any],
    doubts: Sequence[Doubt],
    files: dict[str, str],
) -> dict[str, Any]:
    """Return the record of a check of a print's pages; ``sound`` when all are true to size."""
    look = any(doubt.weight == "look" for doubt in doubts)
    unknown = dict.fromkeys(("scale", "copy", "body", "outline", "symmetry", "budget"))
    record = {
        **head_part(plan, clock, "look" if look else "sound", doubts),
        **unknown,
        "print_pages": part,
        "files": files,
        **effort_part(clock),
    }
    record["input"]["more"] = [{"file": one.file, "sha256": one.sha256} for one in pictures[1:]]
    return tidied(record)


def refusal_record(plan: PlanSettings, clock: Clock, refusal: Refusal) -> dict[str, Any]:
    """Return the record of a run that gave no outline: null for all that is not known."""
    unknown = dict.fromkeys(("scale", "copy", "body", "outline", "symmetry", "budget", "lens"))
    return tidied({**head_part(plan, clock, "refused", (refusal.doubt,)), **unknown, "files": {}, **effort_part(clock)})


def head_part(plan: PlanSettings, clock: Clock, verdict: str, doubts: Sequence[Doubt]) -> dict[str, Any]:
    """Return the record's first part: the tool, the verdict and what was put in."""
    return {
        "schema": SCHEMA,
        "tool": tool_part(),
        "verdict": verdict,
        "reasons": reasons_part((*doubts, *_other_pages(plan, clock))),
        "input": _source(plan, clock),
        "settings": plan.as_record(),
    }


def _other_pages(plan: PlanSettings, clock: Clock) -> tuple[Doubt, ...]:
    """Return the note that a file has more pages than the one that was looked at."""
    pages = clock.picture.pages if clock.picture else 1
    return (doubt("other-pages", file=plan.image.name, pages=pages, page=plan.page),) if pages > 1 else ()


def _source(plan: PlanSettings, clock: Clock) -> dict[str, Any]:
    """Return what is known of the picture; its name alone when it could not be read."""
    picture = clock.picture
    return {
        "file": plan.image.name,
        "sha256": picture.sha256 if picture else None,
        "width_px": picture.grey.shape[1] if picture else None,
        "height_px": picture.grey.shape[0] if picture else None,
        "captured": picture.captured if picture else plan.captured,
    }


def scale_part(calibration: Calibration, rules: Sequence[Rule], spans: Sequence[SpanPlaces]) -> dict[str, Any]:
    """Return the record's part on the scale and what it rests on."""
    return {
        "mm_per_px_x": calibration.mm_per_px_x,
        "mm_per_px_y": calibration.mm_per_px_y,
        "u95_percent": 100.0 * COVERAGE_95 * scale_u_rel(calibration),
        "rules": [_rule(rule) for rule in rules],
        "spans": [_span(span) for span in spans],
    }


def cards_part(cards: Sequence[CardCheck]) -> list[dict[str, Any]]:
    """Return the record's part on the bank cards that the scale was held against."""
    return [
        {
            "against": card.against,
            "agrees": card.agrees,
            "sides": [
                {
                    "name": side.name,
                    "nominal_mm": side.nominal_mm,
                    "measured_mm": side.measured_mm,
                    "off_percent": 100.0 * side.off,
                    "u95_percent": 100.0 * side.u95,
                }
                for side in card.sides
            ],
        }
        for card in cards
    ]


def _span(span: SpanPlaces) -> dict[str, Any]:
    ends = ([round(value, 2) for value in place] for place in (span.from_px, span.to_px))
    return {**dict(zip(("from_px", "to_px"), ends, strict=True)), "length_mm": span.length_mm}


def _rule(rule: Rule) -> dict[str, Any]:
    at_mm = rule.control.at_mm
    return {
        "role": rule.role,
        "unit": rule.unit,
        "from_px": list(rule.from_px),
        "to_px": list(rule.to_px),
        "length_mm": float(np.ptp(at_mm)),
        "graduations": rule.graduations,
        "residual_rms_mm": rule.residual_rms_px * rule.pitch_mm / rule.pitch_px,
        **({"lift_mm": rule.control.lift_mm} if rule.lift_evidence else {}),
    }


def copy_part(calibration: Calibration, size: CopySize | None) -> dict[str, Any]:
    """Return the record's part on the copy's size."""
    return {
        "x_percent": size.x_percent if size else None,
        "y_percent": size.y_percent if size else None,
        "shear_deg": size.shear_deg if size and size.shear_deg is not None else shear_deg(calibration),
        "model": calibration.model,
        "u95_percent": size.u95_percent if size else None,
    }


def _lens(photo: PhotoCalibration | None) -> dict[str, Any] | None:
    """Return the lens that a photo was adjusted with, its sigmas and what was known of it beforehand."""
    if photo is None:
        return None
    lens, u = photo.lens, np.sqrt(np.diag(photo.covariance))
    return {
        "known_by": photo.lens_known_by,
        "focal_px": lens.focal_px,
        "centre_px": list(lens.centre_px),
        "terms": dict(zip(("k1", "k2", "p1", "p2"), lens.terms, strict=True)),
        "u": {
            "focal_px": u[COMMON.index("log focal length")] * lens.focal_px,
            "centre_px": [u[COMMON.index("centre x")], u[COMMON.index("centre y")]],
            **{name: u[(*COMMON, *LEFT_OUT).index(name)] for name in ("k1", "k2", "p1", "p2")},
        },
    }


def lens_record(
    lens: LensFile, found: MeasuredLens, doubts: Sequence[Doubt], files: dict[str, str], clock: Clock
) -> dict[str, Any]:
    """Return the record of a lens that was measured."""
    look = any(one.weight == "look" for one in doubts)
    shots = [
        {"file": one.name, "rms_px": one.rms_px, "distance_mm": one.distance_mm, "tilt_deg": one.tilt_deg}
        for one in found.shots
    ]
    told = {"shots": shots, "flat_rms_px": found.flat_rms_px, "bow_mm": found.bow_mm}
    content = {**lens.model_dump(exclude={"lens_schema"}), **told}
    record = {**_lens_head("look" if look else "sound", doubts), "lens": content, "files": files, **effort_part(clock)}
    return _checked_lens_record(record)


def lens_refusal_record(clock: Clock, refusal: Refusal) -> dict[str, Any]:
    """Return the record of shots that gave no lens."""
    record = {**_lens_head("refused", (refusal.doubt,)), "lens": None, "files": {}, **effort_part(clock)}
    return _checked_lens_record(record)


def _lens_head(verdict: str, doubts: Sequence[Doubt]) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "tool": tool_part(),
        "verdict": verdict,
        "reasons": reasons_part(doubts),
    }


def _checked_lens_record(record: dict[str, Any]) -> dict[str, Any]:
    tidy = tidied(record)
    check_record(tidy, schema=LENS_SCHEMA_FILE)
    return tidy


def shear_deg(calibration: Calibration) -> float:
    """Return how far the picture's x and y directions are from square on the sheet, degrees."""
    along_x, along_y = np.asarray(calibration.matrix)[:2, :2].T
    angle = math.atan2(abs(along_x[0] * along_y[1] - along_x[1] * along_y[0]), float(along_x @ along_y))
    return 90.0 - math.degrees(angle)


def _body(traced: Traced) -> dict[str, Any]:
    measures = traced.measures
    scale_u95_mm = length_u95(traced.calibration, measures.length_mm, body_angle_rad(traced.body))
    more_u_mm = math.hypot(_ends_u_mm(traced), _carried_u_mm(traced))
    return {
        "length_mm": measures.length_mm,
        "length_u95_mm": math.hypot(scale_u95_mm, COVERAGE_95 * more_u_mm),
        "lower_bout_mm": measures.lower_bout_mm,
        "waist_mm": measures.waist_mm,
        "upper_bout_mm": measures.upper_bout_mm,
        "perimeter_mm": measures.perimeter_mm,
        "area_mm2": measures.area_mm2,
        "min_radius_mm": measures.min_radius_mm,
        "outside_radius_mm": measures.outside_radius_mm,
        "inside_radius_mm": measures.inside_radius_mm,
        "side_mm": measures.side_mm,
        "corners": [{"x_mm": x, "y_mm": y, "angle_deg": angle} for x, y, angle in traced.fair.corners],
    }


def _ends_u_mm(traced: Traced) -> float:
    """Return the 1 sigma of the length from the line's own places at the two ends.

    Each end has its own scatter; how ink spreads over pixels moves both outwards alike.
    """
    y_mm, sigma_mm = traced.body.points.xy[:, 1], traced.body.sigma_mm
    pixel_mm = (traced.calibration.mm_per_px_x + traced.calibration.mm_per_px_y) / 2
    ends = math.hypot(sigma_mm[np.argmin(y_mm)], sigma_mm[np.argmax(y_mm)])
    return math.hypot(ends, 2 * PIXEL_BIAS * pixel_mm)


def _carried_u_mm(traced: Traced) -> float:
    """Return the 1 sigma of the length by the ends of the body lying beyond those of the rules on a scan."""
    if traced.photo is not None:
        return 0.0
    y_mm, on_sheet = traced.body.points.xy[:, 1], body_on_sheet(traced.body).xy
    ends = SheetPoints(on_sheet[[np.argmin(y_mm), np.argmax(y_mm)]])
    return beyond_length_u(plan_controls(traced.rules, traced.spans), traced.calibration, ends)


def _outline(traced: Traced) -> dict[str, Any]:
    return {
        "u95_mm": traced.budget.u95_mm,
        "points": len(traced.fair.points),
        "arcs": int(np.count_nonzero(traced.fair.path.bulge)),
        "traced_fraction": float(np.mean(traced.on_sheet.traced)),
        "chosen": "; ".join(traced.on_sheet.evidence),
        "stretches": stretches(traced.body),
        "fairing": _fairing(traced.fair),
        "few_arcs": _few_arcs(traced.few),
        "spline": _spline(traced.spline),
    }


def _fairing(fair: FairOutline) -> dict[str, float]:
    """Return what fairing moved the traced line by: at single points, and as the largest mean over 10 mm of it."""
    x_mm, y_mm = fair.moved_at
    return {"rms_mm": fair.moved_rms_mm, "mean_mm": fair.moved_mean_mm, "x_mm": x_mm, "y_mm": y_mm}


def _few_arcs(few: FewArcs | None) -> dict[str, Any] | None:
    """Return the outline in few arcs: where each begins, its radius (+ turning left, null straight), its turn."""
    if few is None:
        return None
    _, radius = centres(few.path)
    turn_deg = np.degrees(4.0 * np.arctan(few.path.bulge))
    pieces = [
        {"x_mm": x, "y_mm": y, "radius_mm": math.copysign(r, turn) if math.isfinite(r) else None, "turn_deg": turn}
        for (x, y), r, turn in zip(few.path.xy_mm.tolist(), radius.tolist(), turn_deg.tolist(), strict=True)
    ]
    return {"tolerance_mm": few.tolerance_mm, "deviation_mm": few.deviation_mm, "pieces": pieces}


def _spline(spline: FairSpline | None) -> dict[str, Any] | None:
    """Return the outline as splines: how near, and how much there is to them; the curves are in the drawing."""
    if spline is None:
        return None
    return {
        "tolerance_mm": spline.tolerance_mm,
        "deviation_mm": spline.deviation_mm,
        "curves": len(spline.curves),
        "control_points": sum(len(curve.control_mm) for curve in spline.curves),
    }


def _symmetry(body: BodyTrace) -> dict[str, Any]:
    audit = body.audit
    side, x_mm, y_mm = audit.max_at
    return {
        "rms_mm": audit.rms_mm if audit.measured else None,
        "max_mm": audit.max_mm if audit.measured else None,
        "max_at": {"side": side, "x_mm": x_mm, "y_mm": y_mm} if audit.measured else None,
        "u95_mm": audit.u95_mm if audit.measured else None,
        "tail_angle_deg": audit.tail_angle_deg,
        "neck_angle_deg": audit.neck_angle_deg,
    }
