"""The pieces of a printed page, all in mm on a canvas that is scaled once."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from reportlab import rl_config
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

from calibration.units import MM_PER_INCH
from digitize.arcs import Box, split_arcs
from digitize.shapes import ArcPath, TextMark
from digitize.writers.sheets import Size
from digitize.writers.tiles import FOOT_MM, MARGIN_MM, OVERLAP_MM, Layout, Mark, Tile

rl_config.useA85 = 0  # pages as bytes: as text they are larger, and take longer to write than to draw

Shown = tuple[list[tuple[str, ArcPath]], list[TextMark]]  # what is printed: (layer, path) and texts

POINTS_PER_MM = 72.0 / MM_PER_INCH
CHECK_MM = 100.0
CHECK_IN = 4.0
CHECK_X_MM = MARGIN_MM + 4.0  # clear of a cut along the margin
Line = tuple[float, float, float, str]
# Where the check lines lie on every page, mm from the lower left corner of the sheet: (x, y, length, its text).
CHECK_LINES = (
    (CHECK_X_MM, MARGIN_MM + 10.0, CHECK_MM, "100 mm"),
    (CHECK_X_MM, MARGIN_MM + 3.0, CHECK_IN * MM_PER_INCH, "4 in"),
)
UPRIGHT_FROM_RIGHT_MM = (17.5, 13.0)  # of the upright ones, from the right edge of the sheet
UPRIGHT_BEGINS_MM = MARGIN_MM + FOOT_MM + 4.0
HINT_X_MM = 10.0  # words on a check line begin here, clear of its tick
CHECK_TICK_MM = 1.5
CHECK_WEIGHT_MM = 0.2
LABEL_X_MM = MARGIN_MM + 125.0
OUTLINE_MM = 0.25
CENTERLINE_MM = 0.18
# Layers whose lines are broken, and how: dashes and gaps, mm.
BROKEN_MM = {"CENTERLINE": (12.0, 2.0, 2.0, 2.0), "SAW": (4.0, 2.0)}
FINE_MM = 0.1
MARK_MM = 3.0
HALO_MM = 0.6  # white either side of a mark's lines on a picture
BLACK, GREY, PALE, WHITE = 0.0, 0.45, 0.75, 1.0
PLAIN, BOLD = "Helvetica", "Helvetica-Bold"
BODY_TEXT_MM, SMALL_MM, TINY_MM, HEAD_MM = 3.2, 2.6, 2.2, 6.0
SMALLEST_MM = 1.6
ROUNDING_MM = 1e-6
BESIDE_MM = 3.0  # words of a seam begin here past its middle, where a centerline often runs
LEADING = 1.35
# A cubic on 22.5 degrees leaves its arc by less than 2e-8 of the radius.
CUBIC_RAD = math.pi / 8.0
PRINT_NOTE = "Print at 100 %, no fitting to the page."


def new_file(path: Path, layout: Layout, title: str) -> Canvas:
    """Return the canvas of a file with the pages of a layout."""
    size = (layout.size[0] * POINTS_PER_MM, layout.size[1] * POINTS_PER_MM)
    canvas = Canvas(str(path), pagesize=size, invariant=1)
    canvas.setTitle(title)
    return canvas


def in_mm(canvas: Canvas, layout: Layout) -> None:
    """Draw from here on in mm of the print as it comes out, from the page's lower left corner."""
    canvas.scale(POINTS_PER_MM * layout.scale[0], POINTS_PER_MM * layout.scale[1])


def upright_lines(layout: Layout, tile: Tile | None = None) -> tuple[Line, ...]:
    """Return where the upright check lines lie, mm from the lower left corner: (x, lowest y, length, its text).

    A printer's feed may be off where the other way is not, so every page has them where there is room: in the strip
    at its right edge, as the map (no ``tile``) does, or else where its drawing leaves some.
    """
    hundred, four = (layout.printed[0] - off for off in UPRIGHT_FROM_RIGHT_MM)
    x, y = hundred, UPRIGHT_BEGINS_MM
    if tile is not None and not layout.side_mm:
        if tile.upright is None:
            return ()
        x, y = tile.upright
    return ((x, y, CHECK_MM, "100 mm"), (x + four - hundred, y, CHECK_IN * MM_PER_INCH, "4 in"))


def text(
    canvas: Canvas, at: Size, written: str, height_mm: float = SMALL_MM, *, grey: float = BLACK, bold: bool = False
) -> None:
    """Write one line of text."""
    canvas.setFillGray(grey)
    canvas.setFont(BOLD if bold else PLAIN, height_mm)
    canvas.drawString(at[0], at[1], written)


def fitted(canvas: Canvas, at: Size, written: str, height_mm: float, width_mm: float, *, bold: bool = False) -> None:
    """Write one line of text, smaller or cut short when it would be wider than ``width_mm``."""
    font = BOLD if bold else PLAIN
    height = min(height_mm, max(SMALLEST_MM, height_mm * width_mm / max(stringWidth(written, font, height_mm), 1e-9)))
    shown = written
    while shown and stringWidth(shown, font, height) > width_mm + ROUNDING_MM:
        shown = shown.removesuffix("...")[:-1] + "..."
    text(canvas, at, shown, height, bold=bold)


def paragraph(canvas: Canvas, at: Size, written: str, width_mm: float, height_mm: float = BODY_TEXT_MM) -> float:
    """Write text broken to a width; return the y of the next line, mm."""
    y = at[1]
    for line in simpleSplit(written, PLAIN, height_mm, width_mm):
        text(canvas, (at[0], y), line, height_mm)
        y -= height_mm * LEADING
    return y


def curve(canvas: Canvas, shape: ArcPath) -> None:
    """Stroke a path with cubics: h = chord (1 + b^2) / 3 along the end tangents, straight lines included."""
    parts = split_arcs(shape, CUBIC_RAD)
    ends = np.roll(parts.xy_mm, -1, axis=0) if parts.closed else parts.xy_mm[1:]
    drawn = canvas.beginPath()
    drawn.moveTo(*parts.xy_mm[0].tolist())
    for start, end, bulge in zip(parts.xy_mm.tolist(), ends.tolist(), parts.bulge.tolist(), strict=False):
        drawn.curveTo(*_handles(start, end, bulge), *end)
    if parts.closed:
        drawn.close()
    canvas.drawPath(drawn, stroke=1, fill=0)


def _handles(start: list[float], end: list[float], bulge: float) -> tuple[float, float, float, float]:
    chord, heading = math.dist(start, end), math.atan2(end[1] - start[1], end[0] - start[0])
    reach, half = chord * (1.0 + bulge**2) / 3.0, 2.0 * math.atan(bulge)
    leave, arrive = heading - half, heading + half
    return (
        start[0] + reach * math.cos(leave),
        start[1] + reach * math.sin(leave),
        end[0] - reach * math.cos(arrive),
        end[1] - reach * math.sin(arrive),
    )


def pen(canvas: Canvas, layer: str) -> None:
    """Set the pen of a layer: the centerline and lines to saw to thin and broken, everything else solid black."""
    dash = BROKEN_MM.get(layer)
    canvas.setStrokeGray(GREY if dash else BLACK)
    canvas.setLineWidth(CENTERLINE_MM if dash else OUTLINE_MM)
    canvas.setDash(dash or ())
    canvas.setLineJoin(1)


def geometry(canvas: Canvas, shown: Shown) -> None:
    """Draw paths and texts in the drawing's own mm."""
    for layer, shape in shown[0]:
        pen(canvas, layer)
        curve(canvas, shape)
    canvas.setDash()
    for mark in shown[1]:
        text(canvas, mark.at, mark.text, mark.height_mm)


def window(canvas: Canvas, box: Box, shown: Shown, marks: tuple[Mark, ...]) -> None:
    """Draw what a page shows of the drawing, clipped to its window, true size."""
    canvas.saveState()
    clip(canvas, box)
    geometry(canvas, shown)
    for mark in within(marks, box):
        cross(canvas, mark)
    canvas.restoreState()


def clip(canvas: Canvas, box: Box) -> None:
    """Draw from here on in the drawing's mm, inside a page's window of it only."""
    canvas.translate(MARGIN_MM - box[0], MARGIN_MM + FOOT_MM - box[1])
    edge = canvas.beginPath()
    edge.rect(box[0], box[1], box[2] - box[0], box[3] - box[1])
    canvas.clipPath(edge, stroke=0, fill=0)


def within(marks: tuple[Mark, ...], box: Box) -> list[Mark]:
    """Return the marks that a window shows."""
    return [mark for mark in marks if box[0] < mark.at[0] < box[2] and box[1] < mark.at[1] < box[3]]


def cross(canvas: Canvas, mark: Mark, *, on_picture: bool = False) -> None:
    """Draw a joining mark; on a picture its lines run in the middle of a white band.

    The cross is one filled shape: thin strokes are moved to whole pixels by many printers, shapes are not.
    """
    x, y = mark.at
    if on_picture:
        canvas.setStrokeGray(WHITE)
        canvas.setLineWidth(FINE_MM + 2.0 * HALO_MM)
        canvas.line(x - MARK_MM - HALO_MM, y, x + MARK_MM + HALO_MM, y)
        canvas.line(x, y - MARK_MM - HALO_MM, x, y + MARK_MM + HALO_MM)
        canvas.circle(x, y, MARK_MM / 2.0, stroke=1, fill=0)
        backed(canvas, (x + MARK_MM / 2.0, y + MARK_MM / 2.0), mark.name, SMALL_MM)
    canvas.setStrokeGray(BLACK)
    canvas.setFillGray(BLACK)
    canvas.setLineWidth(FINE_MM)
    canvas.drawPath(_arms(canvas, mark.at), stroke=0, fill=1)
    canvas.circle(x, y, MARK_MM / 2.0, stroke=1, fill=0)
    text(canvas, (x + MARK_MM / 2.0, y + MARK_MM / 2.0), mark.name, SMALL_MM)


def _arms(canvas: Canvas, at: Size) -> PDFPathObject:
    half, far = FINE_MM / 2.0, MARK_MM
    corner = [(half, half), (half, far), (-half, far)]  # one arm; a quarter turn gives the next
    drawn = canvas.beginPath()
    for turn in range(4):
        for index, (x, y) in enumerate(corner):
            place = (at[0] + x, at[1] + y)
            (drawn.moveTo if turn == index == 0 else drawn.lineTo)(*place)
        corner = [(-y, x) for x, y in corner]
    drawn.close()
    return drawn


def backed(canvas: Canvas, at: Size, written: str, height_mm: float) -> None:
    """Make the room of a line of text white."""
    canvas.setFillGray(WHITE)
    wide = stringWidth(written, PLAIN, height_mm)
    canvas.rect(at[0] - 0.3, at[1] - 0.3, wide + 0.6, 0.75 * height_mm + 0.6, stroke=0, fill=1)


def seam_lines(canvas: Canvas, layout: Layout, tile: Tile, beside_mm: float = BESIDE_MM) -> None:
    """Draw where a page is cut and where its neighbours are laid; words begin so far past a seam's middle."""
    left, bottom = MARGIN_MM, MARGIN_MM + FOOT_MM
    right = left + tile.window[2] - tile.window[0]
    top = bottom + tile.window[3] - tile.window[1]
    row, column = tile.row, tile.column
    if other := layout.at(row, column - 1):
        _seam(canvas, (left, bottom, left, top), f"cut here, lay on page {other.number}", beside_mm, cut=True)
    if other := layout.at(row - 1, column):
        _seam(canvas, (left, top, right, top), f"cut here, lay on page {other.number}", beside_mm, cut=True)
    if other := layout.at(row, column + 1):
        x = right - OVERLAP_MM
        _seam(canvas, (x, bottom, x, top), f"page {other.number} comes to here", beside_mm, cut=False)
    if other := layout.at(row + 1, column):
        y = bottom + OVERLAP_MM
        _seam(canvas, (left, y, right, y), f"page {other.number} comes to here", beside_mm, cut=False)


def _seam(canvas: Canvas, line: Box, written: str, beside_mm: float, *, cut: bool) -> None:
    """Draw one seam line, its words in the overlap: below a level line, to the right of an upright one."""
    canvas.setStrokeGray(GREY if cut else PALE)
    canvas.setLineWidth(FINE_MM)
    canvas.setDash((2.0, 1.5) if cut else ())
    canvas.line(*line)
    canvas.setDash()
    canvas.saveState()
    upright = line[0] == line[2]
    canvas.translate((line[0] + line[2]) / 2.0, (line[1] + line[3]) / 2.0)
    canvas.rotate(90.0 if upright else 0.0)
    text(canvas, (beside_mm, -TINY_MM - 0.8), written, TINY_MM, grey=GREY)
    canvas.restoreState()


def directions(layout: Layout) -> tuple[str, str]:
    """Return what the level and the upright check lines measure: across the paper is along its short side."""
    return ("across", "along") if layout.size[0] <= layout.size[1] else ("along", "across")


def foot(canvas: Canvas, layout: Layout, lines: list[str], tile: Tile | None = None) -> None:
    """Draw the check lines, level and upright, and the page's label; the first line of the label is bold.

    ``tile``: what the page shows; None for the map, and for pages that have a strip for the upright lines anyway.
    """
    level, upright = directions(layout)
    _check_lines(canvas, CHECK_LINES, f"{level} the paper", turn_deg=0.0)
    _check_lines(canvas, upright_lines(layout, tile), f"{upright} the paper", turn_deg=90.0)
    room = layout.printed[0] - MARGIN_MM - LABEL_X_MM
    y = MARGIN_MM + 12.5
    for index, line in enumerate(lines):
        fitted(canvas, (LABEL_X_MM, y), line, BODY_TEXT_MM if index == 0 else SMALL_MM, room, bold=index == 0)
        y -= SMALL_MM * LEADING + 0.2


def _check_lines(canvas: Canvas, lines: tuple[Line, ...], way: str, turn_deg: float) -> None:
    """Draw check lines side by side, each from its place in one direction; the first says which way that is."""
    for index, (x, y, length, written) in enumerate(lines):
        canvas.saveState()
        canvas.translate(x, y)
        canvas.rotate(turn_deg)
        _check_line(canvas, length, written)
        if index == 0:
            text(canvas, (HINT_X_MM, 0.8), way, TINY_MM, grey=GREY)
        canvas.restoreState()


def _check_line(canvas: Canvas, length_mm: float, written: str) -> None:
    """Draw a check line with a tick at each end, and its length past the second."""
    canvas.setStrokeGray(BLACK)
    canvas.setLineWidth(CHECK_WEIGHT_MM)
    canvas.line(0.0, 0.0, length_mm, 0.0)
    for x in (0.0, length_mm):
        canvas.line(x, -CHECK_TICK_MM, x, CHECK_TICK_MM)
    text(canvas, (length_mm + 4.0, -1.0), written, SMALL_MM)
