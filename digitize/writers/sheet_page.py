"""What a page of a reprinted sheet shows: its part of the picture, and the lines to join it by."""

from __future__ import annotations

import math
from pathlib import Path

from reportlab.pdfgen.canvas import Canvas

from calibration.units import MM_PER_INCH
from digitize.arcs import Box
from digitize.shapes import TrueSheet
from digitize.writers import pdf_page as page_parts
from digitize.writers.diagonals import corners, diagonals, joined_box
from digitize.writers.sheet_image import compressed, dots_per_inch, place_image
from digitize.writers.tiles import FOOT_MM, MARGIN_MM, STEP_MM, TINY_STEPS, Layout, Tile, shared

# Dots that are touched at all count as a picture's: it is drawn smaller by this share of a step at each edge, so that
# the dots beyond are not. Its pixels are made for the whole steps.
SHRUNK = 0.02
DIAGONAL_GREY = 0.6
DOT_MM = 0.6  # radius of a corner on the map
WORDS_MM = 12.0  # of a seam, past its middle, where diagonals cross


def picture(canvas: Canvas, sheet: TrueSheet, layout: Layout, tile: Tile, folder: Path) -> None:
    """Draw the part of the sheet that a page's window shows."""
    box = picture_box(sheet, layout, tile)
    if box is None:
        return
    per_mm = dots_per_inch(sheet) / MM_PER_INCH
    wide, high = (round((box[axis + 2] - box[axis]) * layout.scale[axis] * per_mm) for axis in (0, 1))
    canvas.saveState()
    page_parts.clip(canvas, tile.window)
    inset_x, inset_y = (SHRUNK * STEP_MM / factor for factor in layout.scale)
    place = (box[0] + inset_x, box[1] + inset_y, box[2] - inset_x, box[3] - inset_y)
    place_image(canvas, f"sheet{tile.number}", compressed(sheet, box, (wide, high), folder), place)
    canvas.restoreState()


def picture_box(sheet: TrueSheet, layout: Layout, tile: Tile, step_mm: float = STEP_MM) -> Box | None:
    """Return the part of the sheet that a window shows, widened to whole steps of the page; None for no part."""
    shown = shared(sheet.box, tile.window)
    if shown[0] >= shown[2] or shown[1] >= shown[3]:
        return None
    step_x, step_y = (step_mm / factor for factor in layout.scale)
    left = tile.window[0] - MARGIN_MM  # of the page, in the drawing
    top = tile.window[1] - MARGIN_MM - FOOT_MM + layout.printed[1]
    return (
        left + math.floor((shown[0] - left) / step_x + TINY_STEPS) * step_x,
        top - math.ceil((top - shown[1]) / step_y - TINY_STEPS) * step_y,
        left + math.ceil((shown[2] - left) / step_x - TINY_STEPS) * step_x,
        top - math.floor((top - shown[3]) / step_y + TINY_STEPS) * step_y,
    )


def joining(canvas: Canvas, sheet: TrueSheet, layout: Layout, tile: Tile) -> None:
    """Draw what a page is joined and checked by: diagonals, cut lines, crosses."""
    canvas.saveState()
    page_parts.clip(canvas, tile.window)
    draw_diagonals(canvas, layout, page_parts.FINE_MM)
    canvas.restoreState()
    page_parts.seam_lines(canvas, layout, tile, WORDS_MM)
    canvas.saveState()
    page_parts.clip(canvas, tile.window)
    for mark in page_parts.within((*layout.marks, *corners(sheet.box)), tile.window):
        page_parts.cross(canvas, mark, on_picture=True)
    canvas.restoreState()


def draw_diagonals(canvas: Canvas, layout: Layout, width_mm: float) -> None:
    """Draw the diagonals of the joined sheet."""
    canvas.setStrokeGray(DIAGONAL_GREY)
    canvas.setLineWidth(width_mm)
    for start, end in diagonals(layout):
        canvas.line(*start, *end)


def draw_corners(canvas: Canvas, sheet: TrueSheet, layout: Layout, scale: float) -> None:
    """Show the corner crosses on a map where a mm of the sheet is ``scale`` mm, their names beside it."""
    left, _, right, _ = joined_box(layout)
    height = page_parts.BODY_TEXT_MM / scale
    for mark in corners(sheet.box):
        x, y = mark.at
        canvas.setFillGray(page_parts.BLACK)
        canvas.circle(x, y, DOT_MM / scale, stroke=0, fill=1)
        beside = left - height if 2.0 * x < left + right else right + 0.3 * height
        page_parts.text(canvas, (beside, y - 0.35 * height), mark.name, height, bold=True)
