"""The order of ``boutline reprint`` and nothing else: from a plan to its whole corrected sheet as true-size paper."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from calibration.budget import COVERAGE_95
from calibration.errors import Refusal, UsageError
from calibration.frames import PxPoints, SheetPoints
from digitize.assemble import cards_part, copy_part, effort_part, head_part, refusal_record, scale_part
from digitize.cross_check import refuse_unfit_picture, sheet_checks
from digitize.first_print import Printer, printer_of
from digitize.outbox import Outbox, sha256_of
from digitize.pipeline import EXIT_CODES, Outcome, Progress
from digitize.print_settings import PrintSettings
from digitize.read import read_picture
from digitize.scaled import Scaled, scaled_picture
from digitize.settings import PlanSettings, load_plan
from digitize.shapes import Picture, TrueSheet, Window
from digitize.sources import refuse_absurd_size, refuse_wrong_places
from digitize.traced import Clock, scale_u_rel
from digitize.true_size import true_sheet
from digitize.writers.diagonals import diagonal_mm
from digitize.writers.record import tidied, write_record
from digitize.writers.sheet_image import dots_per_inch
from digitize.writers.sheet_pdf import known_paper, lay_out_sheet, write_sheet_pdf
from digitize.writers.sheet_tiff import write_sheet_tiff
from digitize.writers.tiles import Layout

RIM_PLACES = 12  # a side
LEAST_REGION_PX = 50  # each way, of the picture: less is a slip of the pen


def run_reprint(
    plan_path: Path, out: Path, wanted: PrintSettings, *, replace: bool = False, progress: Progress | None = None
) -> Outcome:
    """Take a plan to its corrected sheet; write all files of the result, or none.

    Raises:
        UsageError: the call, the plan file or the out folder is wrong.
    """
    plan = load_plan(plan_path).one_picture()
    known_paper(wanted.paper, plan.unit, plan.image.name)
    wanted.check()
    if wanted.page is not None and not wanted.page.is_file():
        raise UsageError("no-such-file", file=wanted.page)
    clock = Clock(progress)
    with Outbox(out, file_names(wanted), replace=replace) as outbox:
        try:
            record = _reprinted(plan, wanted, outbox.draft, clock)
        except Refusal as refusal:
            record = refusal_record(plan, clock, refusal)
        else:
            outbox.deliver()
    return Outcome(EXIT_CODES[record["verdict"]], record)


def file_names(wanted: PrintSettings) -> tuple[str, ...]:
    """Return the files of a run; mirrored ones have names of their own, to lie beside the plain ones."""
    stem = "reprint-mirrored" if wanted.mirrored else "reprint"
    return (f"{stem}.pdf", *([f"{stem}.tif"] if wanted.tiff else []), f"{stem}.json")


def _reprinted(plan: PlanSettings, wanted: PrintSettings, draft: Path, clock: Clock) -> dict[str, Any]:
    """Write every file into the draft folder and return the record.

    Raises:
        Refusal: a stage found no scale to trust, or ``file-check``.
        UsageError: ``no-such-page``, ``place-outside``, ``region-off-sheet``, or no single paper holds the sheet.
    """
    with clock("read"):
        picture = read_picture(plan.image, plan.page, plan.captured)
        clock.picture = picture
        refuse_unfit_picture(picture)
        refuse_wrong_places(picture, plan)
        told = None if wanted.region_px is None else _on_picture(wanted.region_px, picture)
    scaled = scaled_picture(picture, plan, clock)
    refuse_absurd_size(scaled.picture, scaled.calibration)
    with clock("true size"):
        region = None if told is None else _in_scaled(told, scaled)
        sheet = true_sheet(
            scaled.picture, scaled.calibration.matrix, region, mirrored=wanted.mirrored, one_bit=wanted.one_bit
        )
    printer = None
    if wanted.page is not None:
        first = lay_out_sheet(sheet, wanted.paper, plan.unit, plan.image.name)
        printer = printer_of(wanted.page, first.size, clock)
    scale = wanted.scale if printer is None else printer.scale
    with clock("lay out"):
        layout = lay_out_sheet(sheet, wanted.paper, plan.unit, plan.image.name, scale)
    pdf, *tiff, json = (draft / name for name in file_names(wanted))
    title = f"{plan.image.stem} - MIRRORED" if wanted.mirrored else plan.image.stem
    with clock("write"):
        write_sheet_pdf(sheet, layout, pdf, title, _notes(sheet, scaled))
        for path in tiff:
            write_sheet_tiff(sheet, path, title, _notes(sheet, scaled), scale)
    record = _record(plan, wanted, scaled, sheet, layout, clock, sha256_of(draft), printer)
    write_record(record, json)
    return record


def _on_picture(told: Window, picture: Picture) -> Window:
    """Return the first and the last corner of what a region (x, y, width, height) holds of the picture, px.

    Raises:
        UsageError: ``region-off-sheet``.
    """
    x, y, width, height = told
    height_px, width_px = picture.grey.shape
    left, top = max(x, -0.5), max(y, -0.5)
    right, low = min(x + width, width_px - 0.5), min(y + height, height_px - 0.5)
    if not (right - left >= LEAST_REGION_PX and low - top >= LEAST_REGION_PX):
        region = " ".join(f"{value:g}" for value in told)
        raise UsageError("region-off-sheet", region=region, width=width_px, height=height_px)
    return left, top, right, low


def _in_scaled(region: Window, scaled: Scaled) -> Window:
    """Return the part of the scaled picture that a region of the picture as read stands for, px."""
    left, top, right, low = region
    corners = scaled.in_scaled(np.array([(left, top), (right, top), (right, low), (left, low)]))
    limits = np.array([scaled.picture.grey.shape[::-1]]) - 0.5
    (x, y), (x_end, y_end) = (edge(np.clip(corners, -0.5, limits), axis=0) for edge in (np.min, np.max))
    return float(x), float(y), float(x_end), float(y_end)


def _notes(sheet: TrueSheet, scaled: Scaled) -> list[str]:
    width, height = sheet.box[2] - sheet.box[0], sheet.box[3] - sheet.box[1]
    u95_percent = 100.0 * COVERAGE_95 * scale_u_rel(scaled.calibration)
    shape = shape_u95_mm(scaled)
    more = f" and {shape:.2f} mm" if shape else ""
    return [f"{width:.1f} x {height:.1f} mm, lengths true within {u95_percent:.2g} %{more} (95 %)"]


def shape_u95_mm(scaled: Scaled) -> float:
    """Return what a place may be off, beyond the scale, round the whole picture."""
    height, width = scaled.picture.grey.shape
    corners = np.array([(0, 0), (width, 0), (width, height), (0, height)], dtype=np.float64)
    share = np.linspace(0.0, 1.0, RIM_PLACES, endpoint=False)[:, None]
    rim = np.concatenate([a + share * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])
    terms = scaled.more_terms(SheetPoints(scaled.calibration.to_sheet(PxPoints(rim)).xy))
    return COVERAGE_95 * math.hypot(*(term.u_mm for term in terms))


def _record(
    plan: PlanSettings,
    wanted: PrintSettings,
    scaled: Scaled,
    sheet: TrueSheet,
    layout: Layout,
    clock: Clock,
    files: dict[str, str],
    printer: Printer | None,
) -> dict[str, Any]:
    checks = sheet_checks(plan, scaled.picture, scaled.calibration, scaled.rules)
    doubts = (*scaled.doubts, *scaled.calibration.doubts, *checks)
    doubts = (*doubts, printer.doubt) if printer else doubts
    verdict = "look" if any(doubt.weight == "look" for doubt in doubts) else "sound"
    record = {
        **head_part(plan, clock, verdict, doubts),
        "scale": scale_part(scaled.calibration, scaled.rules, scaled.spans),
        "cards": cards_part(scaled.cards),
        "copy": copy_part(scaled.calibration, scaled.copy),
        "reprint": {
            **_print_part(wanted, sheet, layout),
            "shape_u95_mm": shape_u95_mm(scaled),
            "printer": None if printer is None else _printer_part(printer),
        },
        "files": files,
        **effort_part(clock),
    }
    return tidied(record)


def _printer_part(printer: Printer) -> dict[str, Any]:
    return {
        "file": printer.file,
        "by": printer.by,
        "across_percent": 100.0 * printer.across.value,
        "across_u95_percent": 100.0 * printer.across.u95,
        "along_percent": 100.0 * printer.along.value,
        "along_u95_percent": 100.0 * printer.along.u95,
    }


def _print_part(wanted: PrintSettings, sheet: TrueSheet, layout: Layout) -> dict[str, Any]:
    return {
        "paper": layout.sheet,
        "page_width_mm": layout.size[0],
        "page_height_mm": layout.size[1],
        "mirrored": wanted.mirrored,
        "one_bit": wanted.one_bit,
        "box_mm": list(sheet.box),
        "dots_per_inch": dots_per_inch(sheet),
        "drawn_x_percent": 100.0 * layout.scale[0],
        "drawn_y_percent": 100.0 * layout.scale[1],
        "pages": [
            {"number": tile.number, "row": tile.row, "column": tile.column, "window_mm": list(tile.window)}
            for tile in layout.tiles
        ],
        "marks": [{"name": mark.name, "x_mm": mark.at[0], "y_mm": mark.at[1]} for mark in layout.marks],
        "diagonal_mm": diagonal_mm(sheet.box) if len(layout.tiles) > 1 else None,
    }
