"""The drawing as true-size paper: one sheet where it fits, otherwise pages to join, with a map of them first."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from reportlab.pdfgen.canvas import Canvas

from calibration.errors import UsageError
from calibration.units import MM_PER_INCH
from digitize.arcs import mirrored as mirrored_path
from digitize.arcs import sampled
from digitize.shapes import Drawing, TextMark
from digitize.writers import pdf_page as page_parts
from digitize.writers.check import LETTER_WIDTH
from digitize.writers.pdf_check import check_pdf
from digitize.writers.pdf_page import Shown
from digitize.writers.sheets import FIT, candidates
from digitize.writers.tiles import FOOT_MM, MARGIN_MM, OVERLAP_MM, Layout, lay_out

POINTS_PER_MM = 72.0 / MM_PER_INCH
# What paper leaves out: every page has its own check lines, and the half lies on the body's line.
LEFT_OUT = ("HALF", "CHECK_LENGTH", "NOTES")
SAMPLE_MM = 1.0
COLUMN_MM = 72.0  # text beside the map
MAP_GAP_MM = 8.0


def write_pdf(
    drawing: Drawing, path: Path, *, page: str = "A4", mirrored: bool = False, layers: Sequence[str] | None = None
) -> None:
    """Write a drawing as true-size pages and measure them again.

    ``page`` is a sheet's name, tiled when the drawing is larger, or ``fit``: the smallest sheet that holds it whole.
    ``layers`` are those to print; left out: all but HALF, CHECK_LENGTH and NOTES.

    Raises:
        UsageError: ``bad-value`` when the sheet is unknown or none holds the drawing.
        Refusal: ``file-check`` when a page does not measure as drawn.
    """
    shown = _shown(drawing, layers, mirrored)
    points = np.concatenate([sampled(shape, SAMPLE_MM) for _, shape in shown[0]])
    layout = _choose(points, page, drawing, path)
    _write(drawing, path, layout, shown, mirrored)
    check_pdf(path, layout, [shape for layer, shape in shown[0] if layer != "CENTERLINE"])


def _shown(drawing: Drawing, layers: Sequence[str] | None, mirrored: bool) -> Shown:
    """Return the paths and texts to print.

    Raises:
        ValueError: no path is left.
    """
    names = {name for name, _ in drawing.paths} - set(LEFT_OUT) if layers is None else set(layers)
    paths = [(name, mirrored_path(shape) if mirrored else shape) for name, shape in drawing.paths if name in names]
    texts = [_mirrored_text(mark) if mirrored else mark for name, mark in drawing.texts if name in names]
    if not paths:
        raise ValueError(f"nothing to print on the layers {sorted(names)}")
    return paths, texts


def _mirrored_text(mark: TextMark) -> TextMark:
    """Return a text at its mirrored place, still readable."""
    width = LETTER_WIDTH * mark.height_mm * len(mark.text)
    return TextMark((-mark.at[0] - width, mark.at[1]), mark.height_mm, mark.text)


def _choose(points: np.ndarray, page: str, drawing: Drawing, path: Path) -> Layout:
    """Return the layout on the sheet asked for, or on the smallest that holds all.

    Raises:
        UsageError: ``bad-value`` when the sheet is unknown or none holds the drawing.
    """
    names = candidates(page, drawing.length_unit, path.name)
    if page.lower() != FIT:
        return lay_out(points, names[0])
    for name in names:
        layout = lay_out(points, name)
        if len(layout.tiles) == 1 and layout.rows * layout.columns == 1:
            return layout
    width, height = np.ptp(points, axis=0)
    need = f"a sheet size to tile: no single sheet holds {width:.0f} x {height:.0f} mm"
    raise UsageError("bad-value", file=path.name, key="page", got=f"'{page}'", need=need)


def _write(drawing: Drawing, path: Path, layout: Layout, shown: Shown, mirrored: bool) -> None:
    width, height = layout.size
    canvas = Canvas(str(path), pagesize=(width * POINTS_PER_MM, height * POINTS_PER_MM), invariant=1)
    canvas.setTitle(drawing.title)
    title = f"{drawing.title} - MIRRORED" if mirrored else drawing.title
    if len(layout.tiles) > 1:
        canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
        _map_page(canvas, drawing, layout, shown, title)
        canvas.showPage()
    for tile in layout.tiles:
        canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
        page_parts.seam_lines(canvas, layout, tile)
        page_parts.window(canvas, tile.window, shown, layout.marks)
        where = f"row {tile.row}, column {tile.column} - page {tile.number} of {layout.pages}"
        label = [title, where if layout.pages > 1 else ", ".join(_notes(drawing)), page_parts.PRINT_NOTE]
        page_parts.foot(canvas, label, width)
        canvas.showPage()
    canvas.save()


def _notes(drawing: Drawing) -> list[str]:
    """Return the drawing's notes without what every page says anyway: the title and the words on the check line."""
    notes = [mark.text for layer, mark in drawing.texts if layer == "NOTES"]
    return [note for note in notes if note != drawing.title and "check line" not in note]


def _map_page(canvas: Canvas, drawing: Drawing, layout: Layout, shown: Shown, title: str) -> None:
    """Draw the first page: sizes and how to join on the left, the map of the pages on the right."""
    width, height = layout.size
    top = height - MARGIN_MM - page_parts.HEAD_MM
    page_parts.fitted(canvas, (MARGIN_MM, top), title, page_parts.HEAD_MM, width - 2.0 * MARGIN_MM, bold=True)
    y = top - 10.0
    for note in _notes(drawing):
        y = page_parts.paragraph(canvas, (MARGIN_MM, y), note, COLUMN_MM)
    y -= 4.0
    for step in _how_to(layout):
        y = page_parts.paragraph(canvas, (MARGIN_MM, y), step, COLUMN_MM) - 2.0
    _map(canvas, layout, shown, (MARGIN_MM + COLUMN_MM + MAP_GAP_MM, top - 8.0))
    page_parts.foot(canvas, [title, f"map - page 1 of {layout.pages}", page_parts.PRINT_NOTE], width)


def _how_to(layout: Layout) -> list[str]:
    marks = len(layout.marks)
    return [
        f"{layout.pages} pages of {layout.sheet}: this map and {len(layout.tiles)} to join.",
        f"1. {page_parts.PRINT_NOTE}",
        "2. Measure the two lines at the foot of every page: 100 mm and 4 in. If they are off, the printer has "
        "scaled the page; correct its settings and print again.",
        "3. Join the pages of each row from left to right, then the rows from the top down. Cut a page along its "
        "dashed lines, at the left and at the top.",
        f"4. Lay it on its neighbour so that the crosses of the same name lie on each other ({marks} crosses, two on "
        "each seam), and tape it.",
        "5. Measure across the whole sheet before cutting wood.",
    ]


def _map(canvas: Canvas, layout: Layout, shown: Shown, corner: tuple[float, float]) -> None:
    """Draw the pages as they join, small, in the room to the lower right of ``corner`` (x, y of its top left)."""
    boxes = np.array([tile.window for tile in layout.tiles])
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    room = (layout.size[0] - MARGIN_MM - corner[0], corner[1] - MARGIN_MM - FOOT_MM - 4.0)
    scale = float(min(room[0] / (high[0] - low[0]), room[1] / (high[1] - low[1])))
    canvas.saveState()
    canvas.translate(corner[0], corner[1])
    canvas.scale(scale, scale)
    canvas.translate(-low[0], -high[1])
    _map_tiles(canvas, layout, scale)
    for layer, shape in shown[0]:
        canvas.setStrokeGray(page_parts.BLACK)
        canvas.setLineWidth((page_parts.CENTERLINE_MM if layer == "CENTERLINE" else page_parts.OUTLINE_MM) / scale)
        page_parts.curve(canvas, shape)
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
