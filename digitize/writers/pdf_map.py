"""The first page of several: what was printed, how to join the pages, and a map of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from reportlab.pdfgen.canvas import Canvas

from digitize.writers import pdf_page as page_parts
from digitize.writers.tiles import FOOT_MM, MARGIN_MM, OVERLAP_MM, SIDE_MM, Layout

COLUMN_MM = 72.0  # text beside the map
MAP_GAP_MM = 8.0
NAMES_MM = 4.0  # beside the map, for the names of a picture's corners


def map_page(
    canvas: Canvas,
    layout: Layout,
    title: str,
    notes: Sequence[str],
    steps: Sequence[str],
    draw: Callable[[float], None],
) -> None:
    """Draw the first page: notes and how to join on the left, the map of the pages on the right.

    ``draw`` draws what the pages show, in its own mm; it is told how many mm of the page one of those is.
    """
    width, height = layout.printed
    top = height - MARGIN_MM - page_parts.HEAD_MM
    page_parts.fitted(canvas, (MARGIN_MM, top), title, page_parts.HEAD_MM, width - 2.0 * MARGIN_MM, bold=True)
    y = top - 10.0
    for note in notes:
        y = page_parts.paragraph(canvas, (MARGIN_MM, y), note, COLUMN_MM)
    y -= 4.0
    for step in steps:
        y = page_parts.paragraph(canvas, (MARGIN_MM, y), step, COLUMN_MM) - 2.0
    _map(canvas, layout, draw, (MARGIN_MM + COLUMN_MM + MAP_GAP_MM, top - 8.0))
    page_parts.foot(canvas, layout, [title, f"map - page 1 of {layout.pages}", page_parts.PRINT_NOTE])


def joining_steps(layout: Layout, checks: Sequence[str] = (), print_again: str = "print again.") -> list[str]:
    """Return what to do with the pages, in order; ``checks`` of the joined sheet stand before the last step."""
    marks = len(layout.marks)
    steps = [
        page_parts.PRINT_NOTE,
        "Measure the lines at the edges of every page, across and along the paper: 100 mm and 4 in. If they are off, "
        f"the printer has scaled the page; correct its settings and {print_again}",
        "Join the pages of each row from left to right, then the rows from the top down. Cut a page along its "
        "dashed lines, at the left and at the top.",
        f"Lay it on its neighbour so that the crosses of the same name lie on each other ({marks} crosses, two on "
        "each seam), and tape it.",
        *checks,
        "Measure across the whole sheet before cutting wood.",
    ]
    head = f"{layout.pages} pages of {layout.sheet}: this map and {len(layout.tiles)} to join."
    return [head, *(f"{number}. {step}" for number, step in enumerate(steps, start=1))]


def _map(canvas: Canvas, layout: Layout, draw: Callable[[float], None], corner: tuple[float, float]) -> None:
    """Draw the pages as they join, small, in the room to the lower right of ``corner`` (x, y of its top left)."""
    boxes = np.array([tile.window for tile in layout.tiles])
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    beside = SIDE_MM + NAMES_MM
    room = (layout.printed[0] - beside - MARGIN_MM - corner[0], corner[1] - MARGIN_MM - FOOT_MM - 4.0)
    scale = float(min(room[0] / (high[0] - low[0]), room[1] / (high[1] - low[1])))
    canvas.saveState()
    canvas.translate(corner[0], corner[1])
    canvas.scale(scale, scale)
    canvas.translate(-low[0], -high[1])
    draw(scale)
    _map_tiles(canvas, layout, scale)
    canvas.restoreState()


def _map_tiles(canvas: Canvas, layout: Layout, scale: float) -> None:
    canvas.setLineWidth(page_parts.FINE_MM / scale)
    for tile in layout.tiles:
        x, y, right, top = tile.window
        canvas.setStrokeGray(page_parts.GREY)
        canvas.rect(x, y, right - x, top - y)
        number = page_parts.HEAD_MM / scale
        at = (x + 0.4 * number + OVERLAP_MM, top - 1.2 * number - OVERLAP_MM)  # clear of the shared bands
        page_parts.text(canvas, at, str(tile.number), number, grey=page_parts.GREY, bold=True)
