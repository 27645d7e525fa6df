"""The parts of a mold, checked and laid out, and its files and record."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calibration.errors import Refusal
from calibration.flags import Doubt, doubt
from calibration.units import format_length
from digitize.arcs import arc_length, signed_area
from digitize.aside import Aside
from digitize.mold_settings import MoldJob
from digitize.mold_shapes import CUT, DRILL, HOLES, MARK, SAW, Part, Reach, SheetPlan
from digitize.outbox import sha256_of
from digitize.outcome import Clock, effort_part, reasons_part, tool_part
from digitize.outline_file import OutlineFile
from digitize.parts.cut_list import CutRow, Totals, cut_list, totals
from digitize.parts.drawn import part_drawing, sheet_drawing
from digitize.parts.flip import flipped
from digitize.parts.forms import forms
from digitize.parts.layers import layers, outer_shape
from digitize.parts.nest import nest
from digitize.parts.offset import counter_clockwise, offset
from digitize.parts.proof import Proof, prove
from digitize.parts.spreaders import SpreaderSet, pressed_mm, spreaders, travel_mm
from digitize.parts.tools import blade_radius_mm, reach, tightest_bends_mm
from digitize.report.mold_page import MoldShown, write_mold_page
from digitize.shapes import ArcPath
from digitize.writers.cut_list import write_cut_list
from digitize.writers.dxf import write_dxf
from digitize.writers.record import MOLD_SCHEMA_FILE, as_text, check_record, check_record_file, tidied
from digitize.writers.stl import write_stl

# Written in the process aside, which alone loads what they need.
WRITE_SVG, WRITE_PDF = "digitize.writers.svg:write_svg", "digitize.writers.pdf:write_pdf"
PAPER_LAYERS = (HOLES, CUT, SAW, DRILL, MARK)
BEND_MM = 40.0  # sides are hard to bend below this (common practice, no source)
MM2_PER_CM2 = 100.0


@dataclass(frozen=True, eq=False)
class Mold:
    """Everything known of a mold before it is written. Body frame, mm."""

    outline: OutlineFile
    body: ArcPath
    outer: ArcPath
    parts: tuple[Part, ...]
    blocks: SpreaderSet
    sheets: tuple[SheetPlan, ...]
    rows: tuple[CutRow, ...]
    totals: Totals
    reaches: tuple[Reach, ...]
    bends_mm: tuple[float, float]
    proof: Proof
    doubts: tuple[Doubt, ...]


def made(outline: OutlineFile, job: MoldJob, clock: Clock) -> Mold:
    """Return the parts of an outline's mold, checked and laid out.

    Raises:
        Refusal: ``half-not-single``, ``no-room-for-dowels`` or ``part-check``.
    """
    body = counter_clockwise(outline.path)
    with clock("parts"):
        blocks = spreaders(body, job)
        shaped, form_doubts = forms(body, job)
        parts = (*layers(body, job), *blocks.parts, *shaped)
        outer = outer_shape(body, job)
    with clock("checks"):
        proof = prove(body, parts, job)
        reaches = _reaches(body, job)
        bends = tightest_bends_mm(body)
    if job.output.mirrored:
        parts = tuple(flipped(part) for part in parts)
    with clock("sheets"):
        sheets, left = nest(
            tuple(part for part in parts if _from_sheet(part, job)), job.sheet.stock, job.sheet.spacing_mm,
            job.sheet.edge_mm,
        )  # fmt: skip
    rows = cut_list(parts, job)
    doubts = (
        *outline.doubts, *_setting_doubts(job),
        *blocks.doubts, *form_doubts, *_wall_doubts(body, job), *_tool_doubts(reaches, bends, job),
        *_stock_doubts(left, sheets, parts, job),
    )  # fmt: skip
    return Mold(
        outline, body, outer, parts, blocks, sheets, rows, totals(rows, parts, body, job), reaches, bends, proof, doubts
    )


def _from_sheet(part: Part, job: MoldJob) -> bool:
    return part.material == job.sheet.material and part.thickness_mm == job.sheet.thickness_mm


def _reaches(body: ArcPath, job: MoldJob) -> tuple[Reach, ...]:
    return (
        reach(body, job.tools.bit_mm / 2.0, "flush-trim bit", "inside"),
        reach(body, job.tools.drum_mm / 2.0, "sanding drum", "inside"),
    )


def _setting_doubts(job: MoldJob) -> tuple[Doubt, ...]:
    """Return what the job file asks for that hardly makes a mold."""
    return tuple(
        doubt("setting-unusual", what=one.what, size=f"{one.size_mm:g}", why=one.why or "", key=one.key)
        for one in job.unusual
    )


def _wall_doubts(body: ArcPath, job: MoldJob) -> tuple[Doubt, ...]:
    if job.mold.shape == "wall" and len(offset(body, job.mold.wall_mm)) > 1:
        return (doubt("wall-filled"),)
    return ()


def _tool_doubts(reaches: Sequence[Reach], bends_mm: tuple[float, float], job: MoldJob) -> tuple[Doubt, ...]:
    """Return what the tools cannot follow."""
    found = []
    for one in reaches:
        if one.at_mm is not None:
            x, y = one.at_mm
            tool = f"{one.tool} of {2.0 * one.radius_mm:g} mm"
            found.append(doubt("tool-too-large", tool=tool, x=f"{x:.0f}", y=f"{y:.0f}", left=f"{one.left_mm:.2f}"))
        elif not np.isfinite(one.left_mm):
            found.append(doubt("tool-too-large", tool=one.tool, x="0", y="0", left="everything"))
    radius = blade_radius_mm(job.tools.blade_mm)
    if min(bends_mm) < radius:
        width, tightest = f"{job.tools.blade_mm:g}", f"{min(bends_mm):.0f}"
        found.append(doubt("blade-too-wide", width=width, radius=f"{radius:.0f}", tightest=tightest))
    if bends_mm[0] < BEND_MM:
        found.append(doubt("bend-tight", radius=f"{bends_mm[0]:.0f}"))
    return tuple(found)


def _stock_doubts(
    left: dict[str, int], sheets: Sequence[SheetPlan], parts: Sequence[Part], job: MoldJob
) -> tuple[Doubt, ...]:
    placed = {one.part for sheet in sheets for one in sheet.placed}
    endless = any(stock.count is None for stock in job.sheet.stock)
    titles = {part.name: part.title for part in parts}
    never = [titles[name] for name in left if name not in placed and endless]
    found = [doubt("stock-too-small", part=title[0].upper() + title[1:]) for title in never]
    over = sum(count for name, count in left.items() if titles[name] not in never)
    return (*found, doubt("stock-used-up", count=over)) if over else tuple(found)


def written(mold: Mold, job: MoldJob, clock: Clock, draft: Path, aside: Aside) -> dict[str, Any]:
    """Write all files into the draft folder, SVG and PDF in the process aside, and return the record.

    Raises:
        Refusal: ``file-check`` when a file does not measure as what it was written from.
    """
    with clock("files"):
        _write_parts(mold, job, draft, aside)
        _write_sheets(mold, job, draft, aside)
        _write_solids(mold, job, draft)
        write_cut_list(_csv_rows(mold, job), draft / "cut-list.csv")
        aside.wait()
    with clock("report"):
        record = _record(mold, job, clock, {})
        write_mold_page(record, _shown(mold, job, sorted(one.name for one in draft.iterdir())), draft / "mold.html")
    record = _record(mold, job, clock, sha256_of(draft))
    path = draft / "mold.json"
    check_record(record, path, MOLD_SCHEMA_FILE)
    path.write_text(as_text(record), encoding="utf-8")
    check_record_file(record, path, MOLD_SCHEMA_FILE)
    return record


def _write_parts(mold: Mold, job: MoldJob, draft: Path, aside: Aside) -> None:
    unit, tool = job.output.unit, job.output.tool_mm
    for part in mold.parts:
        drawing = part_drawing(part, _part_notes(part, job), unit, tool)
        aside.do(WRITE_SVG, drawing, draft / f"{part.name}.svg")
        if part.on_paper:
            paper = drawing if tool is None else part_drawing(part, _part_notes(part, job), unit, None)
            aside.do(WRITE_PDF, paper, draft / f"{part.name}.pdf", page=job.output.page, layers=PAPER_LAYERS)
        write_dxf(drawing, draft / f"{part.name}.dxf")


def _part_notes(part: Part, job: MoldJob) -> tuple[str, ...]:
    thick = format_length(part.thickness_mm, job.output.unit)
    mirrored = " MIRRORED." if job.output.mirrored else ""
    return f"{part.count} x {part.material}, {thick} thick.{mirrored}", part.note


def _write_sheets(mold: Mold, job: MoldJob, draft: Path, aside: Aside) -> None:
    by_name = {part.name: part for part in mold.parts}
    for number, plan in enumerate(mold.sheets, start=1):
        title = f"sheet {number} of {len(mold.sheets)}, {plan.stock.width_mm:.0f} x {plan.stock.height_mm:.0f} mm"
        drawing = sheet_drawing(plan, by_name, title, job.output.unit, job.output.tool_mm)
        aside.do(WRITE_SVG, drawing, draft / f"sheet-{number}.svg")
        write_dxf(drawing, draft / f"sheet-{number}.dxf")


def _write_solids(mold: Mold, job: MoldJob, draft: Path) -> None:
    """Write each mold half as one solid, all its layers stacked."""
    for part in mold.parts:
        if part.name.startswith("layer"):
            name = part.name.replace("layer", "mold-half")
            write_stl(part.outline, part.holes, job.layers * part.thickness_mm, draft / f"{name}.stl")


def _csv_rows(mold: Mold, job: MoldJob) -> list[dict[str, str]]:
    unit = job.output.unit

    def size(mm: float) -> str:
        return f"{mm:.1f}" if unit == "mm" else format_length(mm, "in")

    return [
        {
            "part": row.title,
            "file": f"{row.name}.dxf",
            "count": str(row.count),
            "material": row.material,
            f"thickness_{unit}": size(row.thickness_mm),
            f"width_{unit}": size(row.width_mm),
            f"height_{unit}": size(row.height_mm),
            "area_cm2": f"{row.area_mm2 / MM2_PER_CM2:.0f}",
            f"cut_length_{unit}": size(row.cut_mm),
            "weight_kg": "" if row.weight_kg is None else f"{row.weight_kg:.2f}",
        }
        for row in mold.rows
    ]


def _shown(mold: Mold, job: MoldJob, files: list[str]) -> MoldShown:
    return MoldShown(
        body=mold.body, outer=mold.outer, parts=mold.parts, pressed=mold.blocks.pressed, slack=mold.blocks.slack,
        sheets=mold.sheets, unit=job.output.unit, files=tuple(files), mirrored=job.output.mirrored,
    )  # fmt: skip


def _record(mold: Mold, job: MoldJob, clock: Clock, files: dict[str, str]) -> dict[str, Any]:
    look = any(one.weight == "look" for one in mold.doubts)
    outward, inward = (radius if np.isfinite(radius) else None for radius in mold.bends_mm)
    return tidied(
        {
            **_head(mold.outline.name, mold.outline, job, "look" if look else "sound", mold.doubts),
            "body": {
                "area_mm2": signed_area(mold.body),
                "perimeter_mm": arc_length(mold.body),
                "outward_radius_mm": outward,
                "inward_radius_mm": inward,
            },
            "parts": [asdict(row) for row in mold.rows],
            "totals": {**asdict(mold.totals), "sheets": len(mold.sheets)},
            "sheets": [_sheet_part(plan) for plan in mold.sheets],
            "tools": [
                {
                    "tool": one.tool,
                    "radius_mm": one.radius_mm,
                    "left_mm": one.left_mm if np.isfinite(one.left_mm) else None,
                    "at_mm": None if one.at_mm is None else list(one.at_mm),
                }
                for one in mold.reaches
            ],
            "spreaders": {"pressed_mm": pressed_mm(job), "travel_mm": travel_mm(job)},
            "proof": asdict(mold.proof),
            "files": files,
            **effort_part(clock),
        }
    )


def _sheet_part(plan: SheetPlan) -> dict[str, Any]:
    return {
        "width_mm": plan.stock.width_mm,
        "height_mm": plan.stock.height_mm,
        "placed": [
            {"part": one.part, "quarters": one.quarters, "x_mm": one.shift_mm[0], "y_mm": one.shift_mm[1]}
            for one in plan.placed
        ],
    }


def _head(
    name: str, outline: OutlineFile | None, job: MoldJob, verdict: str, doubts: Sequence[Doubt]
) -> dict[str, Any]:
    return {
        "schema": 1,
        "tool": tool_part(),
        "verdict": verdict,
        "reasons": reasons_part(doubts),
        "input": {
            "file": name,
            "sha256": outline.sha256 if outline else None,
            "u95_mm": outline.u95_mm if outline else None,
        },
        "settings": job.as_record(),
    }


UNKNOWN = ("body", "parts", "totals", "sheets", "tools", "spreaders", "proof")


def refused(path: Path, job: MoldJob, clock: Clock, refusal: Refusal) -> dict[str, Any]:
    """Return the record of a mold that was not made."""
    head = _head(path.name, None, job, "refused", (refusal.doubt,))
    return tidied({**head, **dict.fromkeys(UNKNOWN), "files": {}, **effort_part(clock)})


def clear_old(out: Path, new: set[str]) -> None:
    """Remove the files of an earlier job that this one does not write again: an old part must not be cut by mistake."""
    try:
        old = json.loads((out / "mold.json").read_text(encoding="utf-8"))["files"]
    except (OSError, ValueError, KeyError, TypeError):
        return
    for name in old if isinstance(old, dict) else ():
        path = out / str(name)
        if name not in new and path.parent == out and path.is_file():
            path.unlink()
