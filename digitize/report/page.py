"""The page: the record and its context turned into sections, in the order in which a builder asks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from calibration.budget import COVERAGE_95
from calibration.print_check import lies_upright
from digitize.report import charts, shop, sizes, words
from digitize.report.context import ReportContext
from digitize.report.pictures import Shot, close_ups, reads_forward, rule_strips, sheet_shot
from digitize.report.template import STYLE, data, filled, flat, timings
from digitize.shapes import Rule, Unit

TEMPLATE = "report.html.j2"
# What each file is for; the record may list others, which are shown with their checksum alone.
FILE_USES = {
    "outline.pdf": "true-size paper pattern: print at 100 %, measure its check lines both ways, then glue it on",
    "outline.dxf": "for a laser or a drawing program, in mm: layers BODY, CENTERLINE, HALF, CHECK_LENGTH, NOTES",
    "outline.svg": "the same curves for a cutter or a browser, one unit = 1 mm",
    "record.json": "every number on this page, for other programs",
    "report.html": "this page",
    "overlay.png": "the scan with the outline drawn over it",
}

# What was seen of the line, as the record says it, in words for the table.
SEEN_WORDS = {
    "both edges": "both edges of the line in clear view",
    "one edge": "one edge in view, other ink on the other",
    "among other lines": "among other lines, led between what shows",
    "bridged": "nothing to follow, bridged",
}
WRITTEN_LAST = ("record.json", "report.html")


@dataclass(frozen=True)
class RuleView:
    """One rule with its pictures and its chart."""

    title: str
    facts: tuple[str, ...]
    strips: tuple[Shot, ...]
    chart: Markup | None


@dataclass(frozen=True)
class Share:
    """One row of the uncertainty budget."""

    term: str
    u: str
    percent: str  # of the squares
    bar: Markup
    how: str


def write_report(record: Mapping[str, Any], context: ReportContext, path: Path) -> None:
    """Write the page for ``record`` (schema 1); everything is inside the one file.

    Raises:
        OSError: the file cannot be written.
    """
    path.write_text(render(record, context), encoding="utf-8")


def render(record: Mapping[str, Any], context: ReportContext) -> str:
    """Return the page as HTML; every text of the record and the plan is escaped."""
    return filled(TEMPLATE, view(record, context))


def view(record: Mapping[str, Any], context: ReportContext) -> dict[str, Any]:
    """Return what the template shows; sections without content are None or empty."""
    return {
        "css": Markup(data(STYLE)),
        "file": str(words.dig(record, "input", "file") or "the sheet"),
        "verdict": words.verdict(record, context.unit),
        "reasons": words.reasons(record),
        "measures": sizes.measures(record, context.unit),
        "units": ("millimetres", "inches") if context.unit == "mm" else ("inches", "millimetres"),
        "body": sizes.body_figure(record, context),
        "corners": sizes.corners(record),
        "sheet": sheet_shot(context),
        "close_ups": close_ups(context),
        "traced": traced_sentence(record),
        "mirrored": context.audit is not None and not context.audit.measured,
        "scale": scale_sentence(record),
        "lens": lens_sentence(record),
        "cards": card_sentences(record),
        "rules": rule_views(record, context),
        "laid_only": _laid_only(record),
        "spans": spans(record, context.unit),
        "copy": copy_sentences(record, context),
        "halves": halves(record, context),
        "gap": gap_figure(context),
        "budget": budget(record),
        "seen": seen_rows(record),
        "chosen": words.dig(record, "outline", "chosen") or "",
        "tools": shop.tools(record, context.unit),
        "few": shop.few_arcs(record, context.unit),
        "u95": words.plus_minus(words.dig(record, "outline", "u95_mm")),
        "files": files(record),
        "made": made(record, context),
        "settings": flat(words.dig(record, "settings") or {}),
        "timings": timings(record),
    }


def traced_sentence(record: Mapping[str, Any]) -> str:
    """Return how much of the outline was followed on the paper."""
    fraction, perimeter = words.dig(record, "outline", "traced_fraction"), words.dig(record, "body", "perimeter_mm")
    if fraction is None:
        return ""
    if fraction >= 1.0:
        return "All of the line was followed on the paper; nothing was filled in."
    percent = f"{words.number(100 * (1 - fraction), 2)} %"
    gaps = percent if perimeter is None else f"{words.number((1 - fraction) * perimeter, 1)} mm ({percent})"
    return f"All of the line was followed on the paper but for {gaps}, which was bridged over gaps."


def seen_rows(record: Mapping[str, Any]) -> list[tuple[str, str, str, str]]:
    """Return what the outline rests on: words, length, share of it, and how sure a place there is; surest first."""
    parts = [part for part in words.dig(record, "outline", "stretches") or [] if None not in part.values()]
    whole = sum(part["to_mm"] - part["from_mm"] for part in parts) or 1.0
    rows = []
    for seen, text in SEEN_WORDS.items():
        chosen = [part for part in parts if part["seen"] == seen]
        length = sum(part["to_mm"] - part["from_mm"] for part in chosen)
        if length <= 0:
            continue
        square = sum(part["sigma_mm"] ** 2 * (part["to_mm"] - part["from_mm"]) for part in chosen) / length
        sure = words.plus_minus(COVERAGE_95 * math.sqrt(square))
        rows.append((text, f"{words.number(length, 1)} mm", _percent(100 * length / whole), sure))
    return rows


def scale_sentence(record: Mapping[str, Any]) -> str:
    """Return what a pixel is worth and how sure that is, over the body's own length."""
    x, y, u = (words.dig(record, "scale", key) for key in ("mm_per_px_x", "mm_per_px_y", "u95_percent"))
    if x is None or y is None:
        return ""
    size = words.dig(record, "body", "length_mm")
    over = f", which is ± {words.number(u / 100 * size, 2)} mm over the body's length" if u is not None and size else ""
    sure = f" It is good to ± {words.number(u, 3)} %{over}." if u is not None else ""
    return f"One pixel stands for {x:.5f} mm of the plan across the picture and {y:.5f} mm down it.{sure}"


def lens_sentence(record: Mapping[str, Any]) -> str:
    """Return what a photo's lens was found to be, and what was known of it; empty for a scan."""
    lens = words.dig(record, "lens")
    if not lens:
        return ""
    focal, bend = words.number(lens["focal_px"], 0), words.number(lens["terms"]["k1"], 3)
    sure = words.number(lens["u"]["focal_px"], 0)
    return (
        f"The lens was adjusted together with the rules and lines: focal length {focal} ± {sure} pixels, "
        f"bending k1 {bend} (± is 1 sigma). Known of it beforehand: {lens['known_by']}."
    )


def card_sentences(record: Mapping[str, Any]) -> list[str]:
    """Return what every bank card on the sheet says of the scale."""
    return [_card_sentence(card) for card in words.dig(record, "cards") or []]


def _card_sentence(card: Mapping[str, Any]) -> str:
    sides = words.joined([
        f"{words.number(one['measured_mm'], 2)} mm by this scale where {words.number(one['nominal_mm'], 2)} mm is "
        f"right ({words.number(one['off_percent'], 2)} ± {words.number(one['u95_percent'], 2)} %)"
        for one in card["sides"]
    ])  # fmt: skip
    told = f"A bank card lies there (ISO/IEC 7810 ID-1): its sides measure {sides}. "
    if not card["agrees"]:
        return told + "That contradicts the scale; see the doubts."
    if card["against"] == "plan":
        return told + "The scale is the plan's own, so what the copier did is in that; a copy may be so."
    return told + "It agrees with the scale. It is a check only: nothing was measured by it."


def _laid_only(record: Mapping[str, Any]) -> bool:
    """Whether the scale rests on rules laid on the sheet alone, and so on nothing that went through the copier."""
    rules = words.dig(record, "scale", "rules") or []
    return bool(rules) and all(rule["role"] == "laid" for rule in rules) and not words.dig(record, "scale", "spans")


def rule_views(record: Mapping[str, Any], context: ReportContext) -> list[RuleView]:
    """Return every rule; with pictures and chart where the context has them."""
    entries = words.dig(record, "scale", "rules") or [{} for _ in context.rules]
    return [_rule_view(number, entry, context) for number, entry in enumerate(entries)]


def _rule_view(index: int, entry: Mapping[str, Any], context: ReportContext) -> RuleView:
    rule = context.rules[index] if index < len(context.rules) else None
    role = entry.get("role") or (rule.role if rule else None)
    kind = {"drawn": "drawn on the plan", "laid": "a real rule laid on the sheet"}.get(str(role), "a known length")
    strips = rule_strips(context.picture, rule) if rule and context.picture else ()
    return RuleView(f"Rule {index + 1}: {kind}", _rule_facts(entry, rule), strips, _rule_chart(index, entry, context))


def _rule_facts(entry: Mapping[str, Any], rule: Rule | None) -> tuple[str, ...]:
    unit = {"mm": "millimetres", "in": "inches"}.get(str(entry.get("unit") or (rule.unit if rule else "")), "unknown")
    facts = [f"Read as {unit}. {rule.unit_evidence if rule else ''}".strip()]
    graduations = entry.get("graduations") or (rule.graduations if rule else None)
    over = words.number(entry.get("length_mm") or (float(np.ptp(rule.control.at_mm)) if rule else None), 1, "mm")
    missing = f"; {rule.missing} more between them not seen" if rule and rule.missing else ""
    facts.append(f"{words.count(graduations, 'graduation', 'graduations')} over {over}{missing}.")
    if (rms := entry.get("residual_rms_mm")) is not None:
        facts.append(f"They sit {words.number(rms, 3)} mm off an even spacing, typically.")
    if rule and rule.lift_evidence:
        facts.append(rule.lift_evidence)
    return tuple(facts)


def _rule_chart(index: int, entry: Mapping[str, Any], context: ReportContext) -> Markup | None:
    if index >= len(context.rules) or index >= len(context.residuals_mm):
        return None
    at_mm, residual = context.rules[index].control.at_mm, context.residuals_mm[index]
    if at_mm.shape != residual.shape or not np.isfinite(residual).all():
        return None
    if not reads_forward(context.rules[index]):  # as the strips show it
        at_mm, residual = at_mm.max() - at_mm[::-1], -residual[::-1]
    return charts.residual_chart(at_mm, residual, entry.get("residual_rms_mm"))


def spans(record: Mapping[str, Any], unit: Unit) -> list[str]:
    """Return the stated spans, in words."""
    found = []
    for span in words.dig(record, "scale", "spans") or []:
        places = [_place(span.get(key)) for key in ("from_px", "to_px")]
        found.append(f"{words.length(span.get('length_mm'), None, unit)} between {places[0]} and {places[1]}")
    return found


def _place(place: Any) -> str:
    return f"({place[0]:.0f}, {place[1]:.0f}) px" if isinstance(place, list | tuple) and len(place) == 2 else words.DASH


def copy_sentences(record: Mapping[str, Any], context: ReportContext) -> list[str]:
    """Return the copy's size across and along the body, and what to ask the shop for."""
    copy = words.dig(record, "copy")
    if not copy:
        return []
    u95 = copy.get("u95_percent")
    across, along = _body_percents(copy.get("x_percent"), copy.get("y_percent"), context)
    found = [
        words.copy_sentence(
            across, u95, "Across the body", words.dig(record, "body", "lower_bout_mm"), "the lower bout"
        ),
        words.copy_sentence(along, u95, "Along the body", words.dig(record, "body", "length_mm"), "the body's length"),
    ]
    if (shear := copy.get("shear_deg")) is not None:
        found.append(f"Out of square by {words.number(abs(shear), 3)}°.")
    asked = words.ask_shop((across, along), u95, context.ask_percent)
    return [*found, asked] if asked else found


def _body_percents(
    x_percent: float | None, y_percent: float | None, context: ReportContext
) -> tuple[float | None, float | None]:
    """Return the copy's size across and along the body, from its sizes along the picture's x and y."""
    if x_percent is None or y_percent is None or context.body_to_px is None:
        return x_percent, y_percent
    upright = lies_upright(float(np.arctan2(context.body_to_px[1, 1], context.body_to_px[0, 1])))
    if upright is not None:
        return (x_percent, y_percent) if upright else (y_percent, x_percent)
    directions = context.body_to_px[:, :2] / np.linalg.norm(context.body_to_px[:, :2], axis=0)
    across, along = np.linalg.norm(directions * np.array([[x_percent], [y_percent]]), axis=0)
    return float(across), float(along)


def halves(record: Mapping[str, Any], context: ReportContext) -> list[str]:
    """Return the sentences on left against right; empty without a symmetry section."""
    symmetry = words.dig(record, "symmetry")
    if not symmetry:
        return []
    audit = context.audit
    found = [words.gap_sentence(symmetry, audit.agree if audit else None, by_shear=bool(audit and audit.by_shear))]
    if context.kept:
        found.append(f"Kept: {context.kept.rstrip('.')}.")
    found.append(words.angle_sentence(symmetry.get("tail_angle_deg"), "At the tail"))
    found.append(words.angle_sentence(symmetry.get("neck_angle_deg"), "At the neck"))
    return found


def gap_figure(context: ReportContext) -> Markup | None:
    """Return the chart of the gap between the halves; None for a half drawing."""
    audit = context.audit
    if audit is None or not audit.measured or len(audit.gap_y_mm) < 2:
        return None
    return charts.gap_chart(audit.gap_y_mm, audit.gap_mm, audit.u95_mm)


def budget(record: Mapping[str, Any]) -> list[Share]:
    """Return the budget's terms, the largest first; shares are of the squares, as independent terms add."""
    terms = [term for term in words.dig(record, "budget") or [] if term.get("u_mm") is not None]
    total = sum(term["u_mm"] ** 2 for term in terms) or 1.0
    largest = max((term["u_mm"] for term in terms), default=1.0) or 1.0
    return [
        Share(
            str(term.get("term") or words.DASH),
            words.number(term["u_mm"], 3),
            _percent(100 * term["u_mm"] ** 2 / total),
            charts.bar(term["u_mm"] / largest),
            str(term.get("how") or ""),
        )
        for term in sorted(terms, key=lambda term: -float(term["u_mm"]))
    ]


def _percent(share: float) -> str:
    return f"{share:.0f} %" if share >= 1 else "under 1 %"


def files(record: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Return (name, what it is for, short checksum) of every file; those written after the page have no checksum."""
    listed = words.dig(record, "files") or {}
    if not listed:
        return []
    listed = {**dict.fromkeys(WRITTEN_LAST), **listed}
    names = [*(name for name in FILE_USES if name in listed), *(name for name in listed if name not in FILE_USES)]
    return [(name, FILE_USES.get(name, ""), str(listed[name] or "")[:12]) for name in names]


def made(record: Mapping[str, Any], context: ReportContext) -> list[tuple[str, str]]:
    """Return the facts about the input and the run."""
    size = [words.dig(record, "input", key) for key in ("width_px", "height_px")]
    how = words.dig(record, "input", "captured")
    facts = [
        ("Picture", str(words.dig(record, "input", "file") or words.DASH)),
        ("Size", f"{size[0]} × {size[1]} px" if all(size) else words.DASH),
        ("Taken as", {"scan": "a scan", "photo": "a photo"}.get(str(how), words.DASH)),
        ("Checksum (SHA-256)", str(words.dig(record, "input", "sha256") or words.DASH)),
        ("Fitted distortion", str(words.dig(record, "copy", "model") or words.DASH)),
        ("Arcs and points written", _arcs_and_points(record)),
        ("Memory, at most", words.number(words.dig(record, "peak_mib"), 0, "MiB")),
        ("Made with", _tool(record)),
    ]
    notes = context.picture.notes if context.picture else ()
    return facts + [("On reading", note) for note in notes]


def _arcs_and_points(record: Mapping[str, Any]) -> str:
    arcs, points = words.dig(record, "outline", "arcs"), words.dig(record, "outline", "points")
    return words.DASH if arcs is None or points is None else f"{arcs} arcs through {points} points"


def _tool(record: Mapping[str, Any]) -> str:
    name, version = words.dig(record, "tool", "name"), words.dig(record, "tool", "version")
    return f"{name or 'boutline'} {version or ''}".strip()
