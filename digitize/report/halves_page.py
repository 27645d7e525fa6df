"""halves.html: where the halves differ, how they meet the centerline, and what each choice of keep would change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from calibration.frames import BodyPoints, BoolArray, FloatArray
from digitize.curve import arc_length, resample, right_normals, unit_tangents
from digitize.report import charts, shop, words
from digitize.report.context import ReportContext
from digitize.report.page import made
from digitize.report.template import STYLE, data, filled, flat, timings
from digitize.shapes import DifferenceMap, Unit

TEMPLATE = "halves.html.j2"
# Pictures are this high; the longest hair is so long, and stands for no less than the second figure.
HEIGHT_PX, MARGIN_PX, HAIR_PX, LEAST_HAIR_MM = 640.0, 170.0, 60.0, 0.1
HAIR_STEP_MM, COMB_STEP_MM, COMB_BLUR_MM = 2.0, 4.0, 3.0
COMB_PX = 80.0


@dataclass(frozen=True, eq=False)
class HalvesShown:
    """What the page shows besides the record."""

    body: BodyPoints  # the fair outline, closed
    map: DifferenceMap | None
    unit: Unit


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
        "word": headline(part),
        "sentence": axis_sentence(part),
        "steps": words.unique([f"{one.text} {one.remedy}" for one in reasons if one.weight != "note"])
        or ("Nothing to decide: take either half, or the mean, as the master.",),
        "picture": map_picture(shown.map, part["differences"]) if shown.map is not None else None,
        "chart": map_chart(shown.map) if shown.map is not None else None,
        "hair": words.number(longest_hair_mm(shown.map), 2) if shown.map is not None else "",
        "comb": comb_picture(shown.body.xy),
        "few": shop.few_arcs(record, shown.unit),
        "ends": [end_row(one) for one in part["ends"]],
        "fairer": fairer_sentence(part),
        "keeps": [keep_row(one) for one in part["keeps"]],
        "reasons": reasons,
        "made": made(record, ReportContext(unit=shown.unit)),
        "settings": flat(words.dig(record, "settings") or {}),
        "timings": timings(record),
    }


def headline(part: Mapping[str, Any]) -> str:
    """Return the answer in a few words."""
    if not part["whole"]:
        return "One half, cut out" if part["cut"] else "Only one half is drawn"
    real = [one for one in part["differences"] if not one["on_purpose"]]
    if len(real) < len(part["differences"]):
        rest = f"; besides, they differ in {words.count(len(real), 'place', 'places')}" if real else ""
        return f"The halves are unlike on purpose{rest}"
    if not real:
        return "The halves agree"
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


@dataclass(frozen=True)
class _Sheet:
    """From body mm to a picture, neck up."""

    low: FloatArray
    high: FloatArray

    @property
    def factor(self) -> float:
        return HEIGHT_PX / max(float(self.high[1] - self.low[1]), 1e-9)

    @property
    def size(self) -> tuple[float, float]:
        width = float(self.high[0] - self.low[0]) * self.factor
        return width + 2 * MARGIN_PX, HEIGHT_PX + 2 * MARGIN_PX

    def px(self, xy: FloatArray) -> FloatArray:
        x, y = (xy[:, 0] - self.low[0]) * self.factor, (self.high[1] - xy[:, 1]) * self.factor
        return np.column_stack([x, y]) + MARGIN_PX

    def hairs(self, kind: str, xy: FloatArray, normal: FloatArray, length_px: FloatArray) -> list[str]:
        """Return lines from places along their outward normals."""
        start = self.px(xy)
        end = start + length_px[:, None] * normal * (1.0, -1.0)
        return [
            f'<line class="{kind}" x1="{a:.1f}" y1="{b:.1f}" x2="{c:.1f}" y2="{d:.1f}"/>'
            for (a, b), (c, d) in zip(start, end, strict=True)
        ]


def _path(kind: str, px: FloatArray, close: str = "") -> str:
    return f'<path class="{kind}" d="M' + "L".join(f"{x:.1f} {y:.1f}" for x, y in px) + f'{close}"/>'


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


def comb_picture(body: FloatArray) -> Markup:
    """Return the outline with a hair for its curvature at every few mm: outward where it bulges."""
    xy = resample(body, 0.5, closed=True)
    reach = round(COMB_BLUR_MM / 0.5)
    ahead, back = np.roll(xy, -reach, axis=0) - xy, xy - np.roll(xy, reach, axis=0)
    turn = np.arctan2(ahead[:, 1] * back[:, 0] - ahead[:, 0] * back[:, 1], np.einsum("ij,ij->i", ahead, back))
    bend = turn / (arc_length(xy, closed=True)[-1] / len(xy) * reach)
    sheet = _Sheet(xy.min(axis=0), xy.max(axis=0))
    usual = max(float(np.quantile(np.abs(bend), 0.97)), 1e-6)
    length = np.clip(bend / usual, -1.2, 1.2) * COMB_PX
    normal = right_normals(unit_tangents(xy, closed=True))
    some = slice(None, None, round(COMB_STEP_MM / 0.5))
    tips = sheet.px(xy) + length[:, None] * normal * (1.0, -1.0)
    parts = [
        _path("body", sheet.px(xy[some]), "Z"),
        *sheet.hairs("tick", xy[some], normal[some], length[some]),
        _path("line", tips[some], "Z"),
    ]
    return charts.figure("The outline's curvature as a comb", parts, sheet.size)
