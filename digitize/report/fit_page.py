"""fit.html: does the cut part fit, where is it proud or hollow and by how much, and what to do now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from markupsafe import Markup

from calibration.frames import FloatArray
from calibration.part_runs import OffMap
from digitize.fit_shapes import HalfCurve
from digitize.report import charts, words
from digitize.report.comb import _path, _Sheet
from digitize.report.context import ReportContext
from digitize.report.halves_page import HAIR_PX, HAIR_STEP_MM, LEAST_HAIR_MM
from digitize.report.page import made
from digitize.report.pictures import as_uri
from digitize.report.template import STYLE, data, filled, flat, timings
from digitize.shapes import Picture, Unit

TEMPLATE = "fit.html.j2"
LONG_PX = 1100
COVERAGE = 2.0
EDGE_BGR, OUTLINE_BGR = (0, 90, 230), (180, 60, 0)


@dataclass(frozen=True, eq=False)
class FitShown:
    """What the page shows besides the record."""

    curve: HalfCurve
    map: OffMap
    u_mm: FloatArray  # (N,) 1 sigma of a mean against the rest
    out: float  # +1: proud is outwards; -1: inwards
    picture: Picture
    edge_px: FloatArray  # (M, 2) where the edge was seen, breaks as NaN
    outline_px: FloatArray  # (N, 2)
    gap: tuple[OffMap, FloatArray] | None  # the other part less this one, and its sigma
    unit: Unit


def write_fit_page(record: Mapping[str, Any], shown: FitShown, path: Path) -> None:
    """Write the page; everything is inside the one file.

    Raises:
        OSError: the file cannot be written.
    """
    path.write_text(filled(TEMPLATE, view(record, shown)), encoding="utf-8")


def view(record: Mapping[str, Any], shown: FitShown) -> dict[str, Any]:
    """Return what the template shows."""
    part, told = record["fit"], words.reasons(record)
    reasons = [one for one in told if one.weight != "note"]
    pair = part["against"]
    return {
        "css": Markup(data(STYLE)),
        "file": str(words.dig(record, "input", "file") or "the part"),
        "kind": str(record["verdict"]),
        "word": headline(part),
        "sentence": claim(record),
        "lies": lies(part),
        "steps": words.unique([f"{one.text} {one.remedy}" for one in reasons])
        or ("Nothing to sand. Lay the part on the printed page once more before anything is copied from it.",),
        "overlay": overlay(shown),
        "picture": map_picture(shown, part["runs"]),
        "chart": map_chart(shown.map, shown.u_mm, "off the outline, mm", ("proud", "hollow")),
        "hair": words.number(longest_mm(shown.map), 2),
        "rows": [
            run_row(one, drawn=part["line_mm"] is not None, sized=part.get("whole_size") is None)
            for one in part["runs"]
        ],
        "size_out": part.get("whole_size") is not None,
        "pair_size_out": pair is not None and bool(part.get("whole_size") or pair["part"].get("whole_size")),
        "edge": edge_rows(part),
        "bow": bow(part),
        "pair": None if pair is None else pair["file"],
        "pair_rows": [] if pair is None else [pair_row(one) for one in pair["runs"]],
        "pair_chart": None if shown.gap is None else map_chart(*shown.gap, "apart, mm", ("the other", "this one")),
        "reasons": told,
        "made": made({**record, "scale": None}, ReportContext(unit=shown.unit)),
        "settings": flat(words.dig(record, "settings") or {}),
        "timings": timings(record),
    }


def headline(part: Mapping[str, Any]) -> str:
    """Return the answer in a few words."""
    if whole := part.get("whole_size"):
        way = "larger" if whole["percent"] > 0 else "smaller"
        return f"The whole part is {words.number(abs(whole['percent']), 2)} % {way} than the outline"
    beyond = [one for one in part["runs"] if one["beyond"]]
    proud = sum(one["size_mm"] > 0 for one in beyond)
    if part["answer"] == "sand":
        return f"Sand it in {words.count(proud, 'place', 'places')}"
    if part["answer"] == "hollow":
        gone = words.count(len(beyond) - proud, "place", "places")
        return f"Too far gone in {gone}" + (f", proud in {words.count(proud, 'place', 'places')}" if proud else "")
    return {"fits": "It fits", "look": "Look before you trust it"}[part["answer"]]


def claim(record: Mapping[str, Any]) -> str:
    """Return what is claimed, and of what nothing is."""
    part, wanted = record["fit"], record["settings"]["fit"]
    its = "Its size apart, its" if part.get("whole_size") else "Its"
    shape = (
        f"{its} shape is at most {words.number(abs(part['worst_mm']), 2)} mm off the outline (a mean over 10 mm; "
        f"± {words.number(part['u95_mm'], 2)} mm), against a tolerance of {words.number(wanted['tolerance_mm'], 2)} mm."
    )
    if whole := part.get("whole_size"):
        off = f"{words.number(abs(whole['length_off_mm']), 1)} mm over the body's length"
        return f"Its size is off by {off}, known to ± {words.number(whole['u95_percent'], 2)} %. {shape}"
    size = (
        f"The size of the whole is known to ± {words.number(part['size_u95_mm'], 2)} mm at its widest, as the rules "
        "are; what of it they could explain was taken out of the map."
    )
    return f"{shape} {size}"


def lies(part: Mapping[str, Any]) -> str:
    """Return which piece it is and which way up it lies."""
    kind = "the body's own shape" if part["material"] == "inside" else "a hollow form, its inner edge the outline"
    what = "edge" if part["line_mm"] is None else "drawn line"
    way = "It lies face down: what you see is the mirror image. " if part["face_down"] else ""
    return (
        f"{way}Taken for the {part['half']} half, {kind}. Its {what} was followed along "
        f"{100 * part['followed']:.0f} %."
    )


def bow(part: Mapping[str, Any]) -> str:
    """Return how straight the straight edge is, and what that does to the flipped width."""
    line = part["straight_edge"]
    if line is None:
        return ""
    off, wide = (words.number(max(line[key], 0.01), 2) for key in ("bow_mm", "bow_width_mm"))
    return f"It leaves a straight line by {off} mm at most (means over 10 mm): the flipped body is {wide} mm off there."


def run_row(one: Mapping[str, Any], *, drawn: bool = False, sized: bool = True) -> tuple[str, ...]:
    """Return one stretch: place, length, size, what to do."""
    sure = words.number(max(one["u95_mm"], 0.01), 2)
    size = f"{words.number(abs(one['size_mm']), 2)} ± {sure} mm {'proud' if one['size_mm'] > 0 else 'hollow'}"
    what = "within the tolerance"
    if one["beyond"]:
        what = "sand to the line" if one["size_mm"] > 0 else "gone: fill, or cut anew"
        what = "draw it again" if drawn else what
        what = what if sized else "nothing: the whole is off"
    return (
        f"{words.number(one['y_mm'], 0)} mm",
        f"{words.number(one['from_mm'], 0)} to {words.number(one['to_mm'], 0)} mm",
        f"{words.number(one['to_mm'] - one['from_mm'], 0)} mm", size, what,
    )  # fmt: skip


def pair_row(one: Mapping[str, Any]) -> tuple[str, ...]:
    """Return one stretch in which two parts differ."""
    which = "the other stands further out" if one["size_mm"] > 0 else "this one stands further out"
    size = f"{words.number(abs(one['size_mm']), 2)} ± {words.number(max(one['u95_mm'], 0.01), 2)} mm"
    long = words.number(one["to_mm"] - one["from_mm"], 0)
    return f"{words.number(one['y_mm'], 0)} mm", f"{long} mm", size, which


def edge_rows(part: Mapping[str, Any]) -> list[tuple[str, ...]]:
    """Return the straight edge at both ends, and what it does to the flipped width."""
    line = part["straight_edge"]
    if line is None:
        return []
    rows: list[tuple[str, ...]] = []
    for one in line["ends"]:
        way = "into the half" if one["off_mm"] > 0 else "beyond the centerline"
        wide = "wider" if one["width_mm"] > 0 else "narrower"
        off = f"{words.number(abs(one['off_mm']), 2)} mm {way}"
        rows.append(
            (one["end"], off, f"{words.number(abs(one['width_mm']), 2)} ± {words.number(one['u95_mm'], 2)} mm {wide}")
        )
    return rows


# --- pictures --------------------------------------------------------------------------


def longest_mm(found: OffMap) -> float:
    """Return what the longest hair of the map stands for, mm."""
    return max(float(np.nanmax(np.abs(found.mean_mm))), LEAST_HAIR_MM)


def map_picture(shown: FitShown, runs: list[Mapping[str, Any]]) -> Markup:
    """Return the half outline with hairs for what stands proud or is hollow, real stretches marked."""
    curve, found = shown.curve, shown.map
    sheet = _Sheet(curve.xy_mm.min(axis=0), curve.xy_mm.max(axis=0))
    every = np.zeros(len(curve.xy_mm), dtype=bool)
    every[:: max(1, round(HAIR_STEP_MM / curve.step_mm))] = True
    every &= np.isfinite(found.mean_mm)
    marked = np.zeros(len(every), dtype=bool)
    for one in runs:
        marked |= (curve.along_mm >= one["from_mm"]) & (curve.along_mm <= one["to_mm"])
    length = np.nan_to_num(found.mean_mm) / longest_mm(found) * HAIR_PX * shown.out
    parts = [_path("line", sheet.px(curve.xy_mm))]
    parts.append(_path("axisline", sheet.px(np.array([(0.0, curve.xy_mm[0, 1]), (0.0, curve.xy_mm[-1, 1])]))))
    for kind, chosen in (("tick", every & ~marked), ("ring", every & marked)):
        parts += sheet.hairs(kind, curve.xy_mm[chosen], curve.normal[chosen], length[chosen])
    for one in runs:
        k = int(np.argmin(np.hypot(curve.xy_mm[:, 0] - one["x_mm"], curve.xy_mm[:, 1] - one["y_mm"])))
        x, y = sheet.px(curve.xy_mm[k : k + 1])[0] + np.array([1.0, -1.0]) * curve.normal[k] * (HAIR_PX + 8)
        label = f"{abs(one['size_mm']):.2f} {'proud' if one['size_mm'] > 0 else 'hollow'}"
        parts.append(charts.text(x, y, label, "start" if curve.normal[k, 0] > 0.3 else "middle", kind="size"))
    for end, at, lift in (("tail", curve.xy_mm[0], 24.0), ("neck", curve.xy_mm[-1], -12.0)):
        x, y = sheet.px(at[None])[0]
        parts.append(charts.text(float(x), float(y) + lift, end, kind="axis"))
    return charts.figure("Proud and hollow places along the half outline, enlarged", parts, sheet.size)


def map_chart(found: OffMap, u_mm: FloatArray, title: str, ways: tuple[str, str]) -> Markup:
    """Return the map along the half outline with the band of its uncertainty."""
    known = np.isfinite(found.mean_mm)
    if known.sum() < 2:
        return Markup("")
    return charts.band_chart(found.along_mm[known], found.mean_mm[known], COVERAGE * u_mm[known], title, ways)


def overlay(shown: FitShown) -> dict[str, Any]:
    """Return the picture with the outline and the edge found drawn over it, as a JPEG inside the page."""
    grey = np.asarray(shown.picture.grey)
    factor = min(1.0, LONG_PX / max(grey.shape))
    small = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    image = cv2.cvtColor(small, cv2.COLOR_GRAY2BGR)
    _draw(image, shown.outline_px * factor, OUTLINE_BGR, 1)
    _draw(image, shown.edge_px * factor, EDGE_BGR, 2)
    height, width = small.shape
    return {"uri": as_uri(image), "width": width, "height": height}


def _draw(image: Any, places: FloatArray, colour: tuple[int, int, int], wide: int) -> None:
    known = np.asarray(np.isfinite(places).all(axis=1))
    starts = np.flatnonzero(known & ~np.concatenate([[False], known[:-1]]))
    ends = np.flatnonzero(known & ~np.concatenate([known[1:], [False]])) + 1
    lines = [np.rint(places[a:b] * 16.0).astype(np.int32) for a, b in zip(starts, ends, strict=True)]
    cv2.polylines(image, lines, False, colour, wide, cv2.LINE_AA, 4)
