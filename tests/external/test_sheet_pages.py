"""The reprint's pages through other people's programs and against published paper sizes."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pypdfium2 as pdfium
import pytest
import pyvips

from digitize.drawing import draw_outline
from digitize.writers.pdf import write_pdf
from digitize.writers.sheet_pdf import lay_out_sheet, write_sheet_pdf
from digitize.writers.sheet_tiff import write_sheet_tiff
from tests.digitize.printed_sheets import sheet
from tests.digitize.writer_bodies import cassini

MM_PER_INCH = 25.4
POINTS_PER_INCH = 72.0  # ISO 32000-1, 8.3.2.3: the default unit of user space is 1/72 in
DPI = 600
# ISO 216:2007, table 1; ANSI/ASME Y14.1, sizes A and B, which are the office's Letter and Tabloid.
PAPERS_MM = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "Letter": (215.9, 279.4), "Tabloid": (279.4, 431.8)}
# Pages are rounded to whole steps of 1/300 in; ISO 216 itself allows 1.5 mm and more.
PAGE_WITHIN_MM = 0.05
LINE_WITHIN_MM = 0.05  # a dot here is 0.042 mm


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder, printed = tmp_path_factory.mktemp("pages"), sheet(region_px=(0.0, 0.0, 1400.0, 600.0))
    made = {}
    for paper in PAPERS_MM:
        made[paper] = folder / f"{paper}.pdf"
        write_sheet_pdf(printed, lay_out_sheet(printed, paper, "mm", "plover.png"), made[paper], "plover", [])
    return made


def strokes(values: np.ndarray) -> tuple[float, float]:
    """Return the middles of the first and the last dark stroke along a row of dots."""
    ink = 255.0 - values
    dark = np.flatnonzero(ink > 20)
    parts = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    first, last = (float(ink[part] @ part / ink[part].sum()) for part in (parts[0], parts[-1]))
    return first, last


def check_lines_mm(grey: np.ndarray, size_mm: tuple[float, float]) -> tuple[float, float, float, float]:
    """Return what the level 100 mm and 4 in and the upright 100 mm and 4 in lines measure on a page's dots."""
    x, y = grey.shape[1] / size_mm[0], grey.shape[0] / size_mm[1]
    level = []
    for height_mm in (20.0, 13.0):  # of the lines over the lower edge; looked at between line and end of ticks
        first, last = strokes(grey[grey.shape[0] - round((height_mm + 1.0) * y), : round(118.0 * x)])
        level.append((last - first) / x)
    upright = []
    for right_mm in (17.5, 13.0):
        column = grey[: grey.shape[0] - round(32.0 * y), grey.shape[1] - round((right_mm - 1.0) * x)]
        first, last = strokes(column[-round(106.0 * y) :])
        upright.append((last - first) / y)
    return level[0], level[1], upright[0], upright[1]


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_pages_and_check_lines_in_pdfium(paper: str, files: dict[str, Path]) -> None:
    document = pdfium.PdfDocument(files[paper])
    for page in document:
        size = tuple(side * MM_PER_INCH / POINTS_PER_INCH for side in page.get_size())
        assert sorted(size) == pytest.approx(PAPERS_MM[paper], abs=PAGE_WITHIN_MM)
        grey = page.render(scale=DPI / POINTS_PER_INCH, grayscale=True).to_numpy()
        found = check_lines_mm(grey.reshape(grey.shape[:2]), size)
        assert found == pytest.approx((100.0, 101.6, 100.0, 101.6), abs=LINE_WITHIN_MM)
    document.close()


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler is not installed")
@pytest.mark.parametrize("paper", PAPERS_MM)
def test_pages_and_check_lines_in_poppler(paper: str, files: dict[str, Path]) -> None:
    told = subprocess.run(["pdfinfo", files[paper]], capture_output=True, text=True, check=True).stdout
    points = re.search(r"Page size:\s+([\d.]+) x ([\d.]+) pts", told)
    assert points
    size = tuple(float(side) * MM_PER_INCH / POINTS_PER_INCH for side in points.groups())
    assert sorted(size) == pytest.approx(PAPERS_MM[paper], abs=PAGE_WITHIN_MM)
    words = ["pdftoppm", "-r", str(DPI), "-gray", "-f", "1", "-l", "1", "-singlefile", str(files[paper])]
    subprocess.run([*words, str(files[paper].with_suffix(""))], check=True)
    grey = cv2.imread(str(files[paper].with_suffix(".pgm")), cv2.IMREAD_GRAYSCALE)
    # Poppler draws at the resolution asked for and rounds the page up to whole dots.
    found = check_lines_mm(grey, (grey.shape[1] / DPI * MM_PER_INCH, grey.shape[0] / DPI * MM_PER_INCH))
    assert found == pytest.approx((100.0, 101.6, 100.0, 101.6), abs=LINE_WITHIN_MM)


@pytest.mark.parametrize("paper", ["A4", "Letter", "A3", "fit"])
def test_a_drawings_pages_have_check_lines_both_ways(paper: str, tmp_path: Path) -> None:
    body = cassini()
    write_pdf(draw_outline(body.fair, body.measures, "mm", "Plover body"), tmp_path / "outline.pdf", page=paper)
    document = pdfium.PdfDocument(tmp_path / "outline.pdf")
    for page in document:
        size = tuple(side * MM_PER_INCH / POINTS_PER_INCH for side in page.get_size())
        grey = page.render(scale=DPI / POINTS_PER_INCH, grayscale=True).to_numpy()
        found = check_lines_mm(grey.reshape(grey.shape[:2]), size)
        assert found == pytest.approx((100.0, 101.6, 100.0, 101.6), abs=LINE_WITHIN_MM)
    document.close()


def test_the_tiffs_tags_and_check_lines(tmp_path: Path) -> None:
    """TIFF 6.0, section 8: XResolution, YResolution are pixels in a ResolutionUnit, 2 = inch."""
    write_sheet_tiff(sheet(), tmp_path / "sheet.tif", "plover", [])
    image = pyvips.Image.new_from_file(str(tmp_path / "sheet.tif"))
    assert image.get("resolution-unit") == "in"
    dpi = (image.xres * MM_PER_INCH, image.yres * MM_PER_INCH)
    assert dpi == pytest.approx((round(dpi[0]), round(dpi[0])), abs=1e-3)
    found = check_lines_mm(image.numpy(), (image.width / image.xres, image.height / image.yres))
    assert found == pytest.approx((100.0, 101.6, 100.0, 101.6), abs=0.1)  # a pixel is 0.2 mm
