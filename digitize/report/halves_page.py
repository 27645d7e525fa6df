"""halves.html: where the halves differ, how they meet the centerline, and what each choice of keep would change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from calibration.frames import BodyPoints, BoolArray
from digitize.curve import right_normals, unit_tangents
from digitize.report import charts, shop, words
from digitize.report.comb import _path, _Sheet, both_combs, comb_picture, largest_jump
from digitize.report.context import ReportContext
from digitize.report.page import made
from digitize.report.template import STYLE, data, filled, flat, timings
from digitize.shapes import DifferenceMap, FairSpline, FewArcs, Unit

TEMPLATE = "halves.html.j2"
# The longest hair is so long, and stands for no less than the second figure.
HAIR_PX, LEAST_HAIR_MM = 60.0, 0.1
HAIR_STEP_MM = 2.0
# What a sheet out of square does to the gap is told from here on; from the second on it is for the mean of both halves,
# half of a pencil line being lost in either half alone.
LEAST_SHOWN_MM, SLANTED_MM = 0.01, 0.25


@dataclass(frozen=True, eq=False)
class HalvesShown:
    """What the page shows besides the record."""

    body: BodyPoints  # the fair outline, closed
    map: DifferenceMap | None
    unit: Unit
    few: FewArcs | None = None
    spline: FairSpline | None = None
    sheet: Mapping[str, float] | None = None  # how square the sheet was taken to be, and what that does to the gap


def write_halves_page(record: Mapping[str, Any], shown: HalvesShown, path: Path) -> None:
    """Write the page; everything is inside the one file.

    Raises:
        OSError: the file cannot be written.
    """
    path.write_text(filled(TEMPLATE, view(record, shown)), encoding="utf-8")


def view(record: Mapping[str, Any], shown: HalvesShown) -> dict[str, Any]:
    """Return what the template shows."""
    part = record["halves"]
    reasons = words.reasons(record)
    return {
        "css": Markup(data(STYLE)),
        "file": str(words.dig(record, "input", "file") or "the sheet"),
        "kind": str(record["verdict"]),
        "word": headline(part, shown.sheet),
        "sentence": axis_sentence(part),
        "steps": steps(shown.sheet, reasons),
        "sheet": sheet_sentence(shown.sheet),
        "picture": map_picture(shown.map, part["differences"]) if shown.map is not None else None,
        "chart": map_chart(shown.map) if shown.map is not None else None,
        "hair": words.number(longest_hair_mm(shown.map), 2) if shown.map is not None else "",
        "comb": comb_picture(shown.body.xy),
        "few": shop.few_arcs(record, shown.unit),
        "spline": spline_sentence(shown),
        "combs": both_combs(shown.few.path, shown.spline) if shown.few and shown.spline else None,
        "ends": [end_row(one) for one in part["ends"]],
        "square": square_sentence(part.get("square", [])),
        "fairing": fairing_sentence(record),
        "fairer": fairer_sentence(part),
        "keeps": [keep_row(one) for one in part["keeps"]],
        "reasons": reasons,
        "made": made(record, ReportContext(unit=shown.unit)),
        "settings": flat(words.dig(record, "settings") or {}),
        "timings": timings(record),
    }


def steps(sheet: Mapping[str, float] | None, reasons: Sequence[words.Reason]) -> tuple[str, ...]:
    """Return what to do now."""
    looks = words.unique([f"{one.text} {one.remedy}" for one in reasons if one.weight != "note"])
    slanted = _slanted_mm(sheet)
    if slanted <= SLANTED_MM:
        return looks or ("Nothing to decide: take either half, or the mean, as the master.",)
    mean = (
        f'Take the mean of both halves (keep = "mean") as the master: either half alone has up to '
        f"{words.number(slanted / 2.0, 2)} mm in it of a sheet that seems out of square."
    )
    return (*looks, mean)


def _slanted_mm(sheet: Mapping[str, float] | None) -> float:
    return sheet["taken_mm"] if sheet else 0.0


def sheet_sentence(one: Mapping[str, float] | None) -> str:
    """Return what a sheet out of square does to the gap, and what was made of that."""
    if not one or max(one["taken_mm"], one["left_u95_mm"]) < LEAST_SHOWN_MM:
        return ""
    known = f"The sheet's squareness is known to ± {words.number(one['known_u95_deg'], 2)}°"
    if one["taken_mm"] < LEAST_SHOWN_MM:
        return f"{known}; what that may do to the gap, up to {words.number(one['left_u95_mm'], 2)} mm, is in the band."
    return (
        f"{known}. A sheet out of square by {words.number(abs(one['taken_deg']), 2)}° explains up to "
        f"{words.number(one['taken_mm'], 2)} mm of what the halves differ by; that is taken out here."
    )


def spline_sentence(shown: HalvesShown) -> str:
    """Return how the spline follows the outline, beside the arcs."""
    if shown.few is None:
        return ""
    if shown.spline is None:
        return "No spline of continuous curvature was found near enough to the outline: fair.dxf holds the arcs alone."
    count, curves = sum(len(one.control_mm) for one in shown.spline.curves), len(shown.spline.curves)
    parts = "one curve" if curves == 1 else f"{curves} curves from corner to corner"
    jump = 1000.0 * largest_jump(shown.few.path)
    return (
        f"A spline does it as well: {parts} of {count} control points, within "
        f"{words.number(shown.spline.deviation_mm, 3)} mm. Its curvature goes on evenly, where that of the arcs jumps "
        f"by up to {words.number(jump, 2)} per metre."
    )


def square_sentence(ends: Sequence[Mapping[str, Any]]) -> str:
    """Return what the square meeting with the centerline, imposed on an even outline, changed."""
    if not ends:
        return ""
    told = [
        f"{one['end']} by {words.number(one['turned_deg'], 1)}° (± {words.number(one['u95_deg'], 1)}°), its tip by "
        f"{words.number(one['moved_mm'], 2)} mm"
        for one in ends
    ]
    return f"What is kept is even, and was made square to the centerline; that turned the {'; the '.join(told)}."


def fairing_sentence(record: Mapping[str, Any]) -> str:
    """Return how far fairing moved the line."""
    one = words.dig(record, "outline", "fairing")
    if not one:
        return ""
    return (
        f"Fairing moved the traced points by {words.number(one['rms_mm'], 3)} mm (rms), and no 10 mm of the line by "
        f"more than {words.number(one['mean_mm'], 3)} mm on the whole."
    )


def headline(part: Mapping[str, Any], sheet: Mapping[str, float] | None = None) -> str:
    """Return the answer in a few words."""
    if not part["whole"]:
        return "One half, cut out" if part["cut"] else "Only one half is drawn"
    real = [one for one in part["differences"] if not one["on_purpose"]]
    if len(real) < len(part["differences"]):
        rest = f"; besides, they differ in {words.count(len(real), 'place', 'places')}" if real else ""
        return f"The halves are unlike on purpose{rest}"
    if not real:
        return "The halves agree" + ", but for a sheet out of square" * (_slanted_mm(sheet) > SLANTED_MM)
    return f"The halves differ in {words.count(len(real), 'place', 'places')}"


def axis_sentence(part: Mapping[str, Any]) -> str:
    """Return what the centerline rests on."""
    axis = part["axis"]
    if part["cut"]:
        start = "x = 0 is its straight edge"
    elif axis["source"] == "outline":
        start = "No drawn centerline was used: x = 0 is the outline's own axis"
    else:
        start = "x = 0 is the drawn centerline" + (", weighed with the outline's own axis" * (axis["source"] == "both"))
    if not part["whole"]:
        return f"{start}. With one half there is nothing to compare: its ends and its curvature are below."
    off = ""
    if axis["offset_mm"] or axis["angle_deg"]:
        off = (
            f" The drawn line lies {words.number(abs(axis['offset_mm']), 2)} mm and "
            f"{words.number(abs(axis['angle_deg']), 3)}° from the outline's own axis at mid body."
        )
    sure = f"{words.number(axis['u95_mm'], 3)} mm and {words.number(axis['u95_deg'], 4)}°"
    return f"{start}; the outline's own is known to ± {sure}.{off}"


def fairer_sentence(part: Mapping[str, Any]) -> str:
    """Return which half has the steadier curvature."""
    if part["roughness"] is None:
        return ""
    if part["fairer"] is None:
        return "Neither half is clearly the fairer one."
    rough = part["roughness"]
    times = max(rough.values()) / max(min(rough.values()), 1e-12)
    other = "right" if part["fairer"] == "left" else "left"
    return (
        f"The {part['fairer']} half is the fairer one: along the {other} one the curvature changes "
        f"{words.number(times, 1)} times as much."
    )


def end_row(one: Mapping[str, Any]) -> tuple[str, str, str, str]:
    """Return one end of one half: name, angle, what the mirrored body would turn, how far its tip is off."""
    sure = words.number(2.0 * one["u95_deg"], 1)
    kink = f"{words.number(abs(one['kink_deg']), 1)}° ± {sure}°"
    if abs(one["kink_deg"]) > 2.0 * one["u95_deg"]:
        kink += ", a peak" if one["kink_deg"] > 0 else ", a dent"
    tip = f"{words.number(abs(one['tip_mm']), 2)} mm {'out' if one['tip_mm'] > 0 else 'in'}"
    return f"{one['half']} half, {one['end']}", f"{words.number(one['angle_deg'], 1)}°", kink, tip


def keep_row(one: Mapping[str, Any]) -> tuple[str, str, str, str, str]:
    """Return one choice of keep and what it changes."""
    change = (words.number(one[key], 2) for key in ("length_mm", "width_mm"))
    place = f"{words.number(one['max_mm'], 2)} mm"
    if one["max_mm"] >= 0.005:
        side = "left" if one["x_mm"] < 0 else "right"
        place += f", {side} side, {words.number(one['y_mm'], 0)} mm from the tail"
    return one["keep"], place, f"{words.number(one['rms_mm'], 2)} mm", *(f"{mm} mm" for mm in change)


# --- pictures --------------------------------------------------------------------------


def compared(found: DifferenceMap) -> BoolArray:
    """Return (M,) where the halves were compared: both seen, and not drawn unlike on purpose."""
    known = np.isfinite(found.gap_mm)
    for one in found.found:
        if one.on_purpose:
            known &= (found.place_mm < one.from_mm) | (found.place_mm > one.to_mm)
    return known


def longest_hair_mm(found: DifferenceMap) -> float:
    """Return what the longest hair of the map stands for, mm."""
    return max(float(np.abs(found.gap_mm[compared(found)]).max(initial=0.0)), LEAST_HAIR_MM)


def map_picture(found: DifferenceMap, real: list[Mapping[str, Any]]) -> Markup:
    """Return the right half with the left one folded over it, the gap enlarged, real differences marked."""
    known, worst = compared(found), longest_hair_mm(found)
    sheet = _Sheet(found.xy_mm.min(axis=0), found.xy_mm.max(axis=0))
    step = max(round(HAIR_STEP_MM / float(found.place_mm[1] - found.place_mm[0])), 1)
    every = np.zeros(len(known), dtype=bool)
    every[::step] = True
    marked = np.zeros(len(known), dtype=bool)
    for one in real:
        marked |= (found.place_mm >= one["from_mm"]) & (found.place_mm <= one["to_mm"])
    normal = right_normals(unit_tangents(found.xy_mm, closed=False))
    length = np.clip(np.nan_to_num(found.gap_mm) / worst, -1.5, 1.5) * HAIR_PX
    parts = [_path("line", sheet.px(found.xy_mm))]
    for kind, chosen in (("tick", every & known & ~marked), ("ring", every & known & marked)):
        parts += sheet.hairs(kind, found.xy_mm[chosen], normal[chosen], length[chosen])
    for one in real:
        k = int(np.argmin(np.abs(found.place_mm - one["place_mm"])))
        x, y = sheet.px(found.xy_mm[k : k + 1])[0] + np.array([1.0, -1.0]) * normal[k] * (HAIR_PX + 8)
        label = f"{one['size_mm']:.2f} mm {one['side']}" + " (on purpose)" * one["on_purpose"]
        parts.append(charts.text(x, y, label, "start" if normal[k, 0] > 0.3 else "middle", kind="size"))
    return charts.figure("The gap between the halves along the outline, enlarged", parts, sheet.size)


def map_chart(found: DifferenceMap) -> Markup:
    """Return the gap along the half outline with the band that its own unsteadiness explains."""
    known = compared(found)
    if known.sum() < 2:
        return Markup("")
    place, gap, u95 = found.place_mm[known], found.gap_mm[known], found.u95_mm[known]
    return charts.band_chart(place, gap, u95)
