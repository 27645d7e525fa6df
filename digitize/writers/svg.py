"""The drawing as SVG: width and height in mm, one user unit = 1 mm, arcs as true arcs.

y is turned to point down here and nowhere else; x stays as in the drawing. The check reads the XML and
finds every arc again from its end points, radius and flags (SVG 1.1, 8.3.8), never from the drawing's bulges.
"""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import svgwrite
from svgwrite.container import Group

from calibration.frames import frozen_floats
from digitize.arcs import STRAIGHT_BULGE, Box, split_arcs
from digitize.bsplines import DEGREE, beziers
from digitize.shapes import ArcPath, Drawing, SplineCurve, TextMark
from digitize.writers.check import (
    FILE_TOLERANCE_MM,
    Measure,
    compare,
    compare_texts,
    drawing_extents,
    fail,
    layers_of,
    measure,
    measure_spline,
)

HAIRLINE_MM = 0.1
MARGIN_MM = 5.0
DECIMALS = 9
# End points and radius fix an arc badly near a half turn, so that longer arcs are written in parts.
LONGEST_ARC_RAD = math.pi / 2.0
COLOURS = {
    "BODY": "#000000", "HALF": "#2e7d32", "CENTERLINE": "#b71c1c", "CHECK_LENGTH": "#1a4f9c", "NOTES": "#444444",
    "ARCS": "#000000", "SPLINE": "#7b1fa2",
    "CUT": "#000000", "HOLES": "#7b1fa2", "SAW": "#b71c1c", "DRILL": "#1a4f9c", "MARK": "#2e7d32", "SHEET": "#888888",
}  # fmt: skip
OTHER_COLOUR = "#000000"
SVG = "{http://www.w3.org/2000/svg}"
_TOKEN = re.compile(r"[MLACZ]|[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")


def write_svg(drawing: Drawing, path: Path) -> None:
    """Write a drawing as SVG and measure it again.

    Raises:
        Refusal: ``file-check`` when the file does not measure as the drawing.
    """
    page = _page(drawing)
    width, height = page[2] - page[0], page[3] - page[1]
    sheet = svgwrite.Drawing(
        size=(f"{_number(width)}mm", f"{_number(height)}mm"),
        viewBox=" ".join(_number(value) for value in (page[0], -page[3], width, height)),
        debug=False,
    )
    sheet.set_desc(title=drawing.title, desc="1 user unit = 1 mm")
    for layer in layers_of(drawing):
        sheet.add(_group(sheet, drawing, layer))
    path.write_text(sheet.tostring(), encoding="utf-8")
    check_svg(drawing, path)


def _page(drawing: Drawing) -> Box:
    box = drawing_extents(drawing)
    return box[0] - MARGIN_MM, box[1] - MARGIN_MM, box[2] + MARGIN_MM, box[3] + MARGIN_MM


def _group(sheet: svgwrite.Drawing, drawing: Drawing, layer: str) -> Group:
    colour = COLOURS.get(layer, OTHER_COLOUR)
    group = sheet.g(id=layer, fill="none", stroke=colour, stroke_width=HAIRLINE_MM)
    for name, shape in drawing.paths:
        if name == layer:
            group.add(sheet.path(d=_commands(shape)))
    for name, curve in drawing.splines:
        if name == layer:
            group.add(sheet.path(d=_cubics(curve)))
    for name, mark in drawing.texts:
        if name == layer:
            group.add(_text(sheet, mark, colour))
    return group


def _text(sheet: svgwrite.Drawing, mark: TextMark, colour: str) -> svgwrite.text.Text:
    return sheet.text(
        mark.text,
        insert=(_number(mark.at[0]), _number(-mark.at[1])),
        font_size=_number(mark.height_mm),
        font_family="sans-serif",
        fill=colour,
        stroke="none",
    )


def _number(value: float) -> str:
    text = f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _commands(shape: ArcPath) -> str:
    """Return a path's SVG commands; a positive bulge turns against the sweep once y points down."""
    parts = split_arcs(shape, LONGEST_ARC_RAD)
    ends = np.roll(parts.xy_mm, -1, axis=0) if parts.closed else parts.xy_mm[1:]
    words = [f"M {_number(parts.xy_mm[0, 0])} {_number(-parts.xy_mm[0, 1])}"]
    for start, end, bulge in zip(parts.xy_mm, ends, parts.bulge, strict=False):
        words.append(_command(start.tolist(), end.tolist(), float(bulge)))
    return " ".join([*words, "Z"] if parts.closed else words)


def _cubics(curve: SplineCurve) -> str:
    """Return a spline's SVG commands: its pieces are Bezier curves exactly."""
    pieces = beziers(curve) * (1.0, -1.0)
    words = [f"M {_number(pieces[0, 0, 0])} {_number(pieces[0, 0, 1])}"]
    words += ["C " + " ".join(_number(value) for value in piece[1:].ravel()) for piece in pieces]
    return " ".join(words)


def _command(start: list[float], end: list[float], bulge: float) -> str:
    place = f"{_number(end[0])} {_number(-end[1])}"
    if abs(bulge) < STRAIGHT_BULGE:
        return f"L {place}"
    radius = _number(math.dist(start, end) * (1.0 + bulge**2) / (4.0 * abs(bulge)))
    return f"A {radius} {radius} 0 0 {0 if bulge > 0 else 1} {place}"


def check_svg(drawing: Drawing, path: Path) -> None:
    """Measure an SVG file against the drawing it stands for.

    Raises:
        Refusal: ``file-check`` when the page, a curve or a text differs.
    """
    try:
        root = ET.fromstring(path.read_text(encoding="utf-8"))
        found = list(_read_paths(root))
        groups = [(group.get("id", ""), group) for group in root.iter(f"{SVG}g")]
        texts = [(name, each.text or "") for name, group in groups for each in group.iter(f"{SVG}text")]
        view = [float(value) for value in root.get("viewBox", "").split()]
        size = [root.get(name, "") for name in ("width", "height")]
        size_mm = [float(value.removesuffix("mm")) for value in size if value.endswith("mm")]
    except (ET.ParseError, ValueError, IndexError, UnicodeDecodeError) as fault:
        raise fail(path, f"it cannot be read back ({fault})") from fault
    _check_page(drawing, path, view, size_mm)
    compare(path, drawing, found)
    compare_texts(path, drawing, texts)


def _check_page(drawing: Drawing, path: Path, view: list[float], size_mm: list[float]) -> None:
    page = _page(drawing)
    wanted = [page[0], -page[3], page[2] - page[0], page[3] - page[1]]
    if len(size_mm) != 2 or len(view) != 4:
        raise fail(path, "width and height are not in mm, or the viewBox is missing")
    if not np.max(np.abs(np.subtract([*view, *size_mm], [*wanted, *wanted[2:]]))) <= FILE_TOLERANCE_MM:
        raise fail(path, f"one user unit is not 1 mm (viewBox {view}, size {size_mm} mm)")


def _read_paths(root: ET.Element) -> Iterator[tuple[str, Measure]]:
    """Yield (layer, measure) of every path.

    Raises:
        ValueError: something carries a transform, or a path holds a command that we do not write.
    """
    if any(element.get("transform") for element in root.iter()):
        raise ValueError("a transform changes the scale")
    for group in root.iter(f"{SVG}g"):
        for element in group.iter(f"{SVG}path"):
            commands = element.get("d", "")
            measured = measure_spline(_pieces(commands)) if "C" in commands else measure(_parse(commands))
            yield group.get("id", ""), measured


def _pieces(commands: str) -> SplineCurve:
    """Return path commands as one spline whose knots are threefold, y up again.

    Raises:
        ValueError: the commands are not M, then C alone.
    """
    words = _TOKEN.findall(commands)
    numbers = [float(word) for word in words if word not in "MLACZ"]
    count = len(numbers) // (2 * DEGREE)
    if [word for word in words if word in "MLACZ"] != ["M", *"C" * count] or len(numbers) != 2 + 2 * DEGREE * count:
        raise ValueError("a path holds a command that was not written by us")
    knots = np.concatenate([[0.0], np.repeat(np.arange(count + 1.0), DEGREE), [count]])
    return SplineCurve(frozen_floats(knots), frozen_floats(np.reshape(numbers, (-1, 2)) * (1.0, -1.0)))


def _parse(commands: str) -> ArcPath:
    """Return path commands as a path with y up again.

    Raises:
        ValueError: the commands are not M, then L and A, then maybe Z at the end.
    """
    words = _TOKEN.findall(commands)
    if "".join(words) != re.sub(r"[\s,]", "", commands) or words[:1] != ["M"]:
        raise ValueError("a path holds a command that was not written by us")
    at, xy, bulge = 3, [(float(words[1]), -float(words[2]))], []
    while at < len(words) and words[at] in "LA":
        count = 3 if words[at] == "L" else 8
        end = (float(words[at + count - 2]), -float(words[at + count - 1]))
        bulge.append(0.0 if count == 3 else _bulge_of(xy[-1], end, words[at + 1 : at + 6]))
        xy.append(end)
        at += count
    return _joined(xy, bulge, words[at:])


def _bulge_of(start: tuple[float, float], end: tuple[float, float], words: list[str]) -> float:
    """Return the bulge of an arc from its radius and flags.

    Raises:
        ValueError: the radii differ, or do not reach from start to end.
    """
    radius, other, _, large, sweep = (float(word) for word in words)
    if radius != other:
        raise ValueError("an arc is an ellipse")
    turned = 2.0 * math.asin(math.dist(start, end) / (2.0 * radius))
    if large:
        turned = 2.0 * math.pi - turned
    return math.copysign(math.tan(turned / 4.0), -1.0 if sweep else 1.0)


def _joined(xy: list[tuple[float, float]], bulge: list[float], rest: list[str]) -> ArcPath:
    if rest not in ([], ["Z"]):
        raise ValueError("a path is not one run of lines and arcs")
    if not rest:
        return ArcPath(frozen_floats(xy), frozen_floats(bulge), False)
    if len(xy) < 2 or math.dist(xy[0], xy[-1]) > FILE_TOLERANCE_MM:
        raise ValueError("a closed path does not end where it began")
    return ArcPath(frozen_floats(xy[:-1]), frozen_floats(bulge), True)
