"""mold.html: what to cut, from which sheets, how it goes together, and what the tools can and cannot do."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from calibration.frames import FloatArray
from digitize.arcs import Box, crossings, extents, flatten, mirrored, union
from digitize.mold_shapes import DRILL, SAW, Part, SheetPlan
from digitize.report import words
from digitize.report.template import STYLE, data, filled, flat, timings
from digitize.shapes import ArcPath, Unit

TEMPLATE = "mold.html.j2"
FLAT_MM = 0.1  # a picture on a page shows no less
MARGIN_MM = 8.0
MM2_PER_CM2 = 100.0
MM2_PER_M2 = 1e6


@dataclass(frozen=True, eq=False)
class MoldShown:
    """What the page shows besides the record. Body frame, mm."""

    body: ArcPath
    outer: ArcPath  # both halves
    parts: tuple[Part, ...]
    pressed: tuple[ArcPath, ...]  # spreader blocks at work
    slack: tuple[ArcPath, ...]  # and with their turnbuckles closed
    sheets: tuple[SheetPlan, ...]
    unit: Unit = "mm"
    files: tuple[str, ...] = ()
    mirrored: bool = False


@dataclass(frozen=True)
class PartView:
    """One part with its picture."""

    title: str
    facts: str
    note: str
    picture: Markup
    files: str


def write_mold_page(record: Mapping[str, Any], shown: MoldShown, path: Path) -> None:
    """Write the page; everything is inside the one file.

    Raises:
        OSError: the file cannot be written.
    """
    path.write_text(filled(TEMPLATE, view(record, shown)), encoding="utf-8")


def view(record: Mapping[str, Any], shown: MoldShown) -> dict[str, Any]:
    """Return what the template shows."""
    return {
        "css": Markup(data(STYLE)),
        "file": str(words.dig(record, "input", "file")),
        "verdict": verdict(record),
        "assembly": assembly(shown),
        "has_blocks": bool(shown.pressed),
        "rows": cut_rows(record, shown.unit),
        "totals": total_sentences(record, shown.unit),
        "parts": [_part_view(part, row, shown) for part, row in zip(shown.parts, record["parts"], strict=True)],
        "sheets": [sheet_picture(plan, shown) for plan in shown.sheets],
        "tools": tool_sentences(record, shown.unit),
        "proof": proof_sentences(record),
        "turnbuckle": turnbuckle_sentence(record, shown.unit) if shown.pressed else "",
        "reasons": words.reasons(record),
        "mirrored": shown.mirrored,
        "settings": flat(_written_settings(record["settings"])),
        "timings": timings(record),
    }


def _written_settings(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return the choices with the stock as a person writes it."""
    stock = [f"{one['width_mm']:g} x {one['height_mm']:g} mm" for one in settings["sheet"]["stock"]]
    return {**settings, "sheet": {**settings["sheet"], "stock": ", ".join(stock)}}


def verdict(record: Mapping[str, Any]) -> words.Verdict:
    """Return the top of the page."""
    heavy = [one for one in words.reasons(record) if one.weight == "look"]
    check = (
        "Print the master's pages at 100 % and measure the check lines of every page, both ways, before anything is "
        "glued or cut."
    )
    order = "Cut and sand the master first; every layer is copied from it. Read the cautions below."
    if not heavy:
        return words.Verdict("sound", "Ready to cut", "All parts were drawn and measured again.", (check, order))
    steps = words.unique([*(f"{one.text} {one.remedy}" for one in heavy), check, order])
    return words.Verdict("look", "Look first", heavy[0].text, steps)


def cut_rows(record: Mapping[str, Any], unit: Unit) -> list[tuple[str, ...]]:
    """Return (part, count, material and thickness, size, area, weight) of every part."""
    rows: list[tuple[str, ...]] = []
    for one in record["parts"]:
        size = " × ".join(words.short_length(one[name], unit) for name in ("width_mm", "height_mm"))
        stuff = f"{one['material']}, {words.short_length(one['thickness_mm'], unit)}"
        weight = words.DASH if one["weight_kg"] is None else words.number(one["weight_kg"], 2, "kg")
        area = words.number(one["area_mm2"] / MM2_PER_CM2, 0, "cm²")
        rows.append((one["title"], str(one["count"]), stuff, size, area, weight))
    return rows


def total_sentences(record: Mapping[str, Any], unit: Unit) -> list[str]:
    """Return what the whole job comes to."""
    totals = record["totals"]
    sheets = words.count(totals["sheets"], "sheet", "sheets")
    right, left = (words.short_length(mm, unit) for mm in totals["side_blank_mm"])
    blanks = f"{right} each" if right == left else f"{right} on the right, {left} on the left"
    allowance = words.short_length(record["settings"]["sides"]["allowance_mm"], unit)
    return [
        f"{totals['pieces']} pieces from {sheets}, {words.number(totals['weight_kg'], 1, 'kg')} in all.",
        f"Faces to glue: {words.number(totals['glue_mm2'] / MM2_PER_M2, 2, 'm²')}, each joint counted once.",
        f"Blanks for the sides: {blanks}, {allowance} of it to cut off later.",
    ]


def tool_sentences(record: Mapping[str, Any], unit: Unit) -> list[str]:
    """Return what the tools reach."""
    found = []
    for one in record["tools"]:
        tool = f"{one['tool']} of {words.short_length(2.0 * one['radius_mm'], unit)}"
        if one["left_mm"] == 0.0:
            found.append(f"A {tool} reaches every place of the mold's inside.")
        elif one["at_mm"] is not None:
            x, y = one["at_mm"]
            left = words.number(one["left_mm"], 2, "mm")
            found.append(f"A {tool} leaves up to {left} near x = {x:.0f}, y = {y:.0f} mm: finish there by hand.")
        else:
            found.append(f"A {tool} does not fit into the mold.")
    outward, inward = (record["body"][f"{way}_radius_mm"] for way in ("outward", "inward"))
    ways = ((outward, "outward"), (inward, "inward"))
    told = [f"{words.short_length(radius, unit)} {way}" for radius, way in ways if radius]
    found.append(f"Tightest bends of the outline, over 10 mm of it: {words.joined(told)}.")
    return found


def proof_sentences(record: Mapping[str, Any]) -> list[str]:
    """Return what was checked of the parts."""
    proof = record["proof"]
    found = [f"The closed halves' inside leaves the outline by {words.number(proof['layer_off_mm'], 4, 'mm')} at most."]
    if proof["face_off_mm"] is not None:
        off = words.number(proof["face_off_mm"], 4, "mm")
        found.append(f"Spreader face, liner and side together leave it by {off} at most.")
    found.append("Every file was read again and measured before it was kept.")
    return found


def turnbuckle_sentence(record: Mapping[str, Any], unit: Unit) -> str:
    """Return how the turnbuckles are set."""
    spreaders, settings = record["spreaders"], record["settings"]["spreaders"]
    pressed, closed = (words.short_length(mm, unit) for mm in (spreaders["pressed_mm"], settings["closed_mm"]))
    travel = words.short_length(spreaders["travel_mm"], unit)
    return (
        f"The blocks press when their turnbuckle is {pressed} from bolt to bolt; closed to {closed} "
        f"each block has moved in by {travel}."
    )


def _part_view(part: Part, row: Mapping[str, Any], shown: MoldShown) -> PartView:
    size = " × ".join(words.short_length(row[name], shown.unit) for name in ("width_mm", "height_mm"))
    facts = f"{part.count} × {part.material}, {words.short_length(part.thickness_mm, shown.unit)} thick, {size}"
    files = [name for name in shown.files if name.rsplit(".", 1)[0] == part.name]
    return PartView(part.title, facts, part.note, part_picture(part), ", ".join(files))


def part_picture(part: Part) -> Markup:
    """Return a part with everything cut, drilled and drawn on it."""
    marks = [_path(path, {SAW: "saw", DRILL: "drill"}.get(layer, "mark")) for layer, path in part.marks]
    drawn = [_path(part.outline, "cut"), *(_path(hole, "hole") for hole in part.holes), *marks]
    box = union([extents(part.outline), *(extents(path) for _, path in part.marks)])
    return _svg(part.title, drawn, box)


def assembly(shown: MoldShown) -> Markup:
    """Return the closed mold from above, with its blocks at work and slack."""
    drawn = [
        _path(shown.outer, "wall"),
        _path(shown.body, "hollow"),
        *(_path(edge, "slack") for edge in shown.slack),
        *(_path(edge, "block") for edge in shown.pressed),
        *(_path(hole, "hole") for hole in _dowels(shown)),
        _joint(shown),
    ]
    return _svg("The closed mold from above", drawn, extents(shown.outer))


def _dowels(shown: MoldShown) -> list[ArcPath]:
    """Return the dowel holes of both halves."""
    ours = [part for part in shown.parts if part.name.startswith("layer")]
    holes = [hole for part in ours for hole in part.holes]
    return holes + [mirrored(hole) for hole in holes] if len(ours) == 1 else holes


def _joint(shown: MoldShown) -> str:
    """Return the line on which the halves part: through the wall only."""
    low, top = sorted(y for _, _, y in crossings(shown.outer))
    inner_low, inner_top = sorted(y for _, _, y in crossings(shown.body))
    faces = ((low, inner_low), (inner_top, top))
    return "".join(f'<path class="joint" d="M0 {_n(-a)}L0 {_n(-b)}"/>' for a, b in faces)


def sheet_picture(plan: SheetPlan, shown: MoldShown) -> Markup:
    """Return a sheet with the pieces on it."""
    parts = {part.name: part for part in shown.parts}
    width, height = plan.stock.width_mm, plan.stock.height_mm
    drawn = [f'<rect class="stock" x="0" y="{_n(-height)}" width="{_n(width)}" height="{_n(height)}"/>']
    for placed in plan.placed:
        part = parts[placed.part]
        for path, kind in ((part.outline, "cut"), *((hole, "hole") for hole in part.holes)):
            xy = _turned(flatten(path, FLAT_MM), placed.quarters) + np.array(placed.shift_mm)
            drawn.append(_loop(xy, kind))
    return _svg(f"Sheet of {width:.0f} by {height:.0f} mm", drawn, (0.0, 0.0, width, height))


def _turned(xy: FloatArray, quarters: int) -> FloatArray:
    for _ in range(quarters % 4):
        xy = np.column_stack([-xy[:, 1], xy[:, 0]])
    return xy


def _path(path: ArcPath, kind: str) -> str:
    return _loop(flatten(path, FLAT_MM), kind, closed=path.closed)


def _loop(xy: FloatArray, kind: str, *, closed: bool = True) -> str:
    places = "L".join(f"{_n(x)} {_n(-y)}" for x, y in xy.tolist())
    return f'<path class="{kind}" d="M{places}{"Z" if closed else ""}"/>'


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0") if math.isfinite(value) else "0"


def _svg(title: str, drawn: Sequence[str], box: Box) -> Markup:
    left, low, right, top = box
    width, height = right - left + 2.0 * MARGIN_MM, top - low + 2.0 * MARGIN_MM
    view_box = f"{_n(left - MARGIN_MM)} {_n(-top - MARGIN_MM)} {_n(width)} {_n(height)}"
    head = f'<svg class="moldfig" viewBox="{view_box}" role="img" aria-label="{escape(title)}">'
    return Markup(f"{head}{''.join(drawn)}</svg>")
