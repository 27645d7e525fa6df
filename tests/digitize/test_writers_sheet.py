"""A reprinted sheet's pages: layout, diagonals, mirroring, and a check that sees a page that is wrong."""

import math
from pathlib import Path

import numpy as np
import pypdfium2 as pdfium
import pytest
import pyvips
from reportlab.pdfgen.canvas import Canvas

from calibration.errors import Refusal, UsageError
from digitize.shapes import TrueSheet
from digitize.true_size import true_sheet
from digitize.writers import pdf_page, sheet_page
from digitize.writers.diagonals import corners, diagonal_mm, diagonals, joined_box
from digitize.writers.sheet_check import check_sheet_pdf
from digitize.writers.sheet_pdf import lay_out_sheet, write_sheet_pdf
from digitize.writers.sheet_tiff import write_sheet_tiff
from digitize.writers.tiles import Layout, seams
from tests.digitize.printed_sheets import SLANTED, drawing, sheet

SHEET = sheet()
PART = (0.0, 0.0, 1400.0, 600.0)  # px: two pages of A4
SMALL = sheet(region_px=PART)


def laid_out(paper: str = "A4", printed: TrueSheet = SHEET, scale: tuple[float, float] = (1.0, 1.0)) -> Layout:
    return lay_out_sheet(printed, paper, "mm", "plover.png", scale)


def written(path: Path, paper: str = "A4", printed: TrueSheet = SMALL) -> Path:
    write_sheet_pdf(printed, laid_out(paper, printed), path / "sheet.pdf", "plover", ["a note"])
    return path / "sheet.pdf"


def test_all_pages_are_there_also_the_empty_ones_and_hold_the_whole_sheet() -> None:
    layout = laid_out()
    assert len(layout.tiles) == layout.rows * layout.columns > 1
    left, low, right, top = joined_box(layout)
    assert left <= SHEET.box[0] and low <= SHEET.box[1] and right >= SHEET.box[2] and top >= SHEET.box[3]


@pytest.mark.parametrize("scale", [(1.02, 0.98), (0.9, 1.1)])
def test_paper_lies_the_same_way_for_the_second_print(scale: tuple[float, float]) -> None:
    first, second = laid_out(), laid_out(scale=scale)
    assert first.size == second.size
    upright = first.size[0] < first.size[1]
    assert second.scale == (scale if upright else scale[::-1])


def test_two_straight_lines_cross_in_the_middle_of_every_joint() -> None:
    layout = laid_out()
    lines = np.array(diagonals(layout))
    along = lines[:, 1] - lines[:, 0]
    along /= np.hypot(*along.T)[:, None]
    for one, other in seams(layout):
        middle = [
            (max(one.window[axis], other.window[axis]) + min(one.window[axis + 2], other.window[axis + 2])) / 2.0
            for axis in (0, 1)
        ]
        off = np.array(middle) - lines[:, 0]
        apart = np.abs(off[:, 0] * along[:, 1] - off[:, 1] * along[:, 0])
        through = np.flatnonzero(apart < 1e-9)
        assert len(through) == 2
        assert along[through[0], 1] * along[through[1], 1] < 0, "one rises, one falls"


def test_a_page_laid_off_breaks_a_diagonal() -> None:
    """Whichever way a page is moved by 0.5 mm, one of the two lines over its joint steps by 0.2 mm or more."""
    layout = laid_out()
    slope = next(line for line in diagonals(layout))
    dx, dy = abs(slope[1][0] - slope[0][0]), abs(slope[1][1] - slope[0][1])
    normals = np.array([(dy, dx), (dy, -dx)]) / np.hypot(dx, dy)
    turns = np.linspace(0.0, np.pi, 181)
    steps = np.abs(0.5 * np.stack([np.cos(turns), np.sin(turns)], axis=1) @ normals.T).max(axis=1)
    assert steps.min() > 0.2


def test_the_corner_crosses_give_both_diagonals() -> None:
    marks = np.array([mark.at for mark in corners(SHEET.box)])
    assert np.hypot(*(marks[0] - marks[2])) == pytest.approx(diagonal_mm(SHEET.box))
    assert np.hypot(*(marks[1] - marks[3])) == pytest.approx(diagonal_mm(SHEET.box))


def pictures(path: Path, page: int) -> list[np.ndarray]:
    """Return the pixels of a page's own pictures as they are in the file."""
    document = pdfium.PdfDocument(path)
    found = [
        np.array(each.get_bitmap().to_numpy())
        for each in document[page].get_objects()
        if each.type == pdfium.raw.FPDF_PAGEOBJ_IMAGE
    ]
    document.close()
    return [each if each.ndim == 2 else each[..., 0] for each in found]


@pytest.mark.parametrize("one_bit", [False, True])
def test_the_mirrored_page_is_the_plain_one_flipped(one_bit: bool, tmp_path: Path) -> None:
    files = []
    for mirrored in (False, True):
        (tmp_path / str(mirrored)).mkdir()
        printed = sheet(region_px=PART, one_bit=one_bit, mirrored=mirrored)
        files.append(written(tmp_path / str(mirrored), "whole", printed))
    (plain,), (turned,) = (pictures(file, 0) for file in files)
    off = np.abs(plain.astype(int) - turned[:, ::-1])
    assert off.max() == 0 if one_bit else off.mean() < 1.0  # grey is JPEG: blocks lie differently
    assert np.abs(plain.astype(int) - turned).mean() > 20 * max(off.mean(), 0.1)


def test_the_mirrored_tiff_is_the_plain_one_flipped(tmp_path: Path) -> None:
    values = []
    for mirrored in (False, True):
        printed = sheet(region_px=PART, mirrored=mirrored)
        path = tmp_path / f"{mirrored}.tif"
        write_sheet_tiff(printed, path, "plover", ["a note"])
        image = pyvips.Image.new_from_file(str(path))
        per_mm = image.xres
        assert image.get("resolution-unit") == "in"
        wide, high = (printed.box[axis + 2] - printed.box[axis] for axis in (0, 1))
        left, top = (math.ceil(10.0 * per_mm) for _ in (0, 1))
        part = image.numpy()[top : top + math.ceil(high * per_mm), left : left + math.ceil(wide * per_mm)]
        values.append(part.astype(int))
    off = np.abs(values[0] - values[1][:, ::-1])
    assert off.max() == 0
    assert np.abs(values[0] - values[1]).mean() > 5


def test_one_bit_pictures_hold_one_bit(tmp_path: Path) -> None:
    path = written(tmp_path, printed=sheet(region_px=PART, one_bit=True))
    assert b"/BitsPerComponent 1" in path.read_bytes()
    assert all(set(np.unique(each)) <= {0, 255} for each in pictures(path, 2))


def test_the_same_sheet_gives_the_same_bytes(tmp_path: Path) -> None:
    first = written(tmp_path).read_bytes()
    assert written(tmp_path).read_bytes() == first


def test_nothing_but_the_file_is_left(tmp_path: Path) -> None:
    written(tmp_path, "whole")
    write_sheet_tiff(SMALL, tmp_path / "sheet.tif", "plover", [])
    assert sorted(each.name for each in tmp_path.iterdir()) == ["sheet.pdf", "sheet.tif"]


def test_fit_takes_one_page_or_says_so() -> None:
    assert laid_out("fit").sheet == "A2"
    assert len(laid_out("fit").tiles) == 1
    huge = TrueSheet((0.0, 0.0, 2000.0, 900.0), 5.0, np.zeros((0, 2)), False, SHEET.band)
    with pytest.raises(UsageError, match="no single paper holds 2000 x 900 mm"):
        laid_out("fit", huge)
    assert len(laid_out("whole", huge).tiles) == 1


def test_an_unknown_paper_is_named_with_the_known_ones() -> None:
    with pytest.raises(UsageError, match=r"'A7'.*A4.*Tabloid.*whole"):
        laid_out("A7")


def test_the_check_sees_a_page_of_another_scale(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = Canvas.scale
    monkeypatch.setattr(Canvas, "scale", lambda self, x, y: plain(self, x * 1.001, y) if x > 2.8 else plain(self, x, y))
    with pytest.raises(Refusal, match="100 mm line"):
        written(tmp_path)


def test_the_check_sees_an_upright_line_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = Canvas.scale
    monkeypatch.setattr(Canvas, "scale", lambda self, x, y: plain(self, x, y * 1.001) if x > 2.8 else plain(self, x, y))
    with pytest.raises(Refusal, match="upright 100 mm line"):
        written(tmp_path)


def test_the_check_sees_a_picture_beside_its_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = sheet_page.place_image

    def beside(canvas, name, picture, box):
        place(canvas, name, picture, (box[0] + 0.12, box[1], box[2] + 0.12, box[3]))

    monkeypatch.setattr(sheet_page, "place_image", beside)
    with pytest.raises(Refusal, match=r"the picture on page 2 is 0\.1"):
        written(tmp_path)


def test_the_check_sees_a_picture_of_another_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = sheet_page.place_image

    def larger(canvas, name, picture, box):
        place(canvas, name, picture, (box[0], box[1], box[2], box[3] + 0.001 * (box[3] - box[1])))

    monkeypatch.setattr(sheet_page, "place_image", larger)
    with pytest.raises(Refusal, match="the picture on page 2 is"):
        written(tmp_path)


def test_the_check_sees_another_picture_and_a_missing_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path)
    with pytest.raises(Refusal, match="does not show its part"):
        check_sheet_pdf(path, true_sheet(drawing(seed=4), SLANTED, PART), laid_out(printed=SMALL))
    monkeypatch.setattr(sheet_page, "place_image", lambda *told: None)
    with pytest.raises(Refusal, match="does not show its part"):
        written(tmp_path)


def test_the_check_sees_a_cross_beside_its_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    arms = pdf_page._arms
    monkeypatch.setattr(pdf_page, "_arms", lambda canvas, at: arms(canvas, (at[0] + 0.1, at[1])))
    with pytest.raises(Refusal, match=r"cross .* is not where it was drawn"):
        written(tmp_path)
