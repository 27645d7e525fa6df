"""The drawing as true-size paper: one sheet where it fits, otherwise pages to join, with a map of them first."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from reportlab.pdfgen.canvas import Canvas

from calibration.errors import UsageError
from digitize.arcs import mirrored as mirrored_path
from digitize.arcs import sampled
from digitize.shapes import Drawing, TextMark
from digitize.writers import pdf_page as page_parts
from digitize.writers.check import LETTER_WIDTH
from digitize.writers.pdf_check import check_pdf
from digitize.writers.pdf_map import joining_steps, map_page
from digitize.writers.pdf_page import Shown
from digitize.writers.sheets import FIT, candidates
from digitize.writers.tiles import Layout, lay_out

# What paper leaves out: every page has its own check lines, and the half lies on the body's line.
LEFT_OUT = ("HALF", "CHECK_LENGTH", "NOTES")
SAMPLE_MM = 1.0


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
    layout = _choose(points, _words(shown), page, drawing, path)
    _write(drawing, path, layout, shown, mirrored)
    check_pdf(path, layout, [shape for layer, shape in shown[0] if layer not in page_parts.BROKEN_MM])


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


def _words(shown: Shown) -> np.ndarray:
    """Return places (K, 2) along the texts that are printed, mm."""
    along = [
        np.array(mark.at) + np.outer(np.arange(len(mark.text) + 1), (LETTER_WIDTH * mark.height_mm, 0.0))
        for mark in shown[1]
    ]
    return np.concatenate([np.zeros((0, 2)), *along])


def _mirrored_text(mark: TextMark) -> TextMark:
    """Return a text at its mirrored place, still readable."""
    width = LETTER_WIDTH * mark.height_mm * len(mark.text)
    return TextMark((-mark.at[0] - width, mark.at[1]), mark.height_mm, mark.text)


def _choose(points: np.ndarray, words: np.ndarray, page: str, drawing: Drawing, path: Path) -> Layout:
    """Return the layout on the sheet asked for, or on the smallest that holds all.

    Raises:
        UsageError: ``bad-value`` when the sheet is unknown or none holds the drawing.
    """
    names = candidates(page, drawing.length_unit, path.name)
    if page.lower() != FIT:
        return lay_out(points, names[0], words)
    for name in names:
        layout = lay_out(points, name, words)
        if len(layout.tiles) == 1 and layout.rows * layout.columns == 1:
            return layout
    width, height = np.ptp(points, axis=0)
    need = f"a sheet size to tile: no single sheet holds {width:.0f} x {height:.0f} mm"
    raise UsageError("bad-value", file=path.name, key="page", got=f"'{page}'", need=need)


def _write(drawing: Drawing, path: Path, layout: Layout, shown: Shown, mirrored: bool) -> None:
    canvas = page_parts.new_file(path, layout, drawing.title)
    title = f"{drawing.title} - MIRRORED" if mirrored else drawing.title
    if len(layout.tiles) > 1:
        page_parts.in_mm(canvas, layout)
        map_page(
            canvas, layout, title, _notes(drawing), joining_steps(layout), lambda scale: _draw_map(canvas, shown, scale)
        )
        canvas.showPage()
    for tile in layout.tiles:
        page_parts.in_mm(canvas, layout)
        page_parts.seam_lines(canvas, layout, tile)
        page_parts.window(canvas, tile.window, shown, layout.marks)
        where = f"row {tile.row}, column {tile.column} - page {tile.number} of {layout.pages}"
        label = [title, where if layout.pages > 1 else ", ".join(_notes(drawing)), page_parts.PRINT_NOTE]
        page_parts.foot(canvas, layout, label, tile)
        canvas.showPage()
    canvas.save()


def _notes(drawing: Drawing) -> list[str]:
    """Return the drawing's notes without what every page says anyway: the title and the words on the check line."""
    notes = [mark.text for layer, mark in drawing.texts if layer == "NOTES"]
    return [note for note in notes if note != drawing.title and "check line" not in note]


def _draw_map(canvas: Canvas, shown: Shown, scale: float) -> None:
    """Draw the curves on the map, where a mm of the drawing is ``scale`` mm."""
    for layer, shape in shown[0]:
        canvas.setStrokeGray(page_parts.BLACK)
        thin = layer in page_parts.BROKEN_MM
        canvas.setLineWidth((page_parts.CENTERLINE_MM if thin else page_parts.OUTLINE_MM) / scale)
        page_parts.curve(canvas, shape)
