"""A corrected sheet as true-size paper: one page, or pages to join with a map of them first."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from reportlab.pdfgen.canvas import Canvas

from calibration.errors import UsageError
from calibration.units import Unit
from digitize.shapes import TrueSheet
from digitize.writers import pdf_page as page_parts
from digitize.writers import sheet_page
from digitize.writers.diagonals import CORNER_NAMES, diagonal_mm
from digitize.writers.pdf_map import joining_steps, map_page
from digitize.writers.sheet_check import check_sheet_pdf
from digitize.writers.sheet_image import compressed, place_image
from digitize.writers.sheets import FIT, Size, candidates
from digitize.writers.tiles import ONE_PAGE, Layout, lay_out_one, lay_out_picture

WHOLE = "whole"
MAP_PX_PER_MM = 8.0  # of the small picture on the map


def known_paper(paper: str, unit: Unit, file: str) -> list[str]:
    """Return the sheets that a paper's name allows; none for ``whole``: a page as large as the sheet.

    Raises:
        UsageError: ``bad-value`` when the paper is unknown.
    """
    if paper.lower() == WHOLE:
        return []
    return candidates(paper, unit, file, key="--paper", besides=(WHOLE,))


def lay_out_sheet(sheet: TrueSheet, paper: str, unit: Unit, file: str, scale: Size = (1.0, 1.0)) -> Layout:
    """Return the pages of a sheet.

    Args:
        sheet: what is to be printed.
        paper: a paper's name; ``fit``: the smallest that holds all on one page; ``whole``: a page cut to the sheet.
        unit: decides between metric and US papers for ``fit``.
        file: named in a complaint.
        scale: mm of the page for each mm printed, along the paper's short and its long side.

    Raises:
        UsageError: ``bad-value`` when the paper is unknown or, for ``fit``, none holds the sheet.
    """
    names = known_paper(paper, unit, file)
    if not names:
        return lay_out_one(sheet.box, scale)
    if paper.lower() != FIT:
        return lay_out_picture(sheet.box, sheet.ink_mm, names[0], scale)
    for name in names:
        layout = lay_out_picture(sheet.box, sheet.ink_mm, name, scale)
        if len(layout.tiles) == 1:
            return layout
    width, height = sheet.box[2] - sheet.box[0], sheet.box[3] - sheet.box[1]
    need = f"a paper to tile, or {WHOLE}: no single paper holds {width:.0f} x {height:.0f} mm"
    raise UsageError("bad-value", file=file, key="--paper", got=f"'{paper}'", need=need)


def write_sheet_pdf(sheet: TrueSheet, layout: Layout, path: Path, title: str, notes: Sequence[str]) -> None:
    """Write a sheet as true-size pages and measure them again.

    Raises:
        Refusal: ``file-check`` when a page does not measure as laid out.
    """
    canvas = page_parts.new_file(path, layout, title)
    if len(layout.tiles) > 1:
        page_parts.in_mm(canvas, layout)
        _map(canvas, sheet, layout, path.parent, title, notes)
        canvas.showPage()
    for tile in layout.tiles:
        page_parts.in_mm(canvas, layout)
        sheet_page.picture(canvas, sheet, layout, tile, path.parent)
        where = ", ".join(notes)
        if layout.pages > 1:
            sheet_page.joining(canvas, sheet, layout, tile)
            where = f"row {tile.row}, column {tile.column} - page {tile.number} of {layout.pages}"
        page_parts.foot(canvas, layout, [title, where, *_print_note(layout)])
        canvas.showPage()
    canvas.save()
    check_sheet_pdf(path, sheet, layout)


def _print_note(layout: Layout) -> list[str]:
    if layout.scale == (1.0, 1.0):
        return [page_parts.PRINT_NOTE]
    x, y = (100.0 * factor for factor in layout.scale)
    return [page_parts.PRINT_NOTE, f"Drawn {x:.2f} x {y:.2f} % for one printer."]


def _map(
    canvas: Canvas, sheet: TrueSheet, layout: Layout, folder: Path, title: str, notes: Sequence[str]
) -> None:
    opposite = f"{CORNER_NAMES[0]} to {CORNER_NAMES[2]} and {CORNER_NAMES[1]} to {CORNER_NAMES[3]}"
    checks = (
        "Look along the grey slanting lines: two cross at every joint and run straight through the whole sheet. "
        "Where one makes a step at a cut edge, that page lies off; lift it and lay it again.",
        f"Measure corner to corner, {opposite}: both {diagonal_mm(sheet.box):.1f} mm. Unequal, the sheet is skewed.",
    )

    def draw(scale: float) -> None:
        box = sheet.box
        size = tuple(max(1, round((box[axis + 2] - box[axis]) * scale * MAP_PX_PER_MM)) for axis in (0, 1))
        place_image(canvas, "map", compressed(sheet, box, (size[0], size[1]), folder), box)
        sheet_page.draw_diagonals(canvas, layout, page_parts.FINE_MM / scale)
        sheet_page.draw_corners(canvas, sheet, layout, scale)

    steps = joining_steps(layout, checks, "print again, or have the sheet drawn for the printer (--measured).")
    map_page(canvas, layout, title, notes, steps, draw)


__all__ = ["ONE_PAGE", "WHOLE", "known_paper", "lay_out_sheet", "write_sheet_pdf"]
