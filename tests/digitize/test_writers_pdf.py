"""Paper: sheets, tiles, joining marks, and a check that sees a page that is not true size."""

import re
from pathlib import Path

import numpy as np
import pypdfium2 as pdfium
import pytest
from reportlab.pdfgen.canvas import Canvas

from calibration.errors import Refusal, UsageError
from calibration.frames import frozen_floats
from digitize.arcs import polygon, sampled
from digitize.drawing import draw_outline
from digitize.shapes import ArcPath, Drawing
from digitize.writers import pdf_page, tiles
from digitize.writers.pdf import write_pdf
from digitize.writers.pdf_check import check_pdf
from digitize.writers.tiles import OVERLAP_MM, inside, lay_out, seams
from tests.digitize.writer_bodies import BODIES, cassini

BIG = 1.9


def drawn(scale: float = 1.0, unit: str = "mm") -> Drawing:
    body = cassini(scale=scale)
    return draw_outline(body.fair, body.measures, unit, "Plover body")


def points_of(drawing: Drawing) -> np.ndarray:
    return np.concatenate([sampled(path, 1.0) for name, path in drawing.paths if name in ("BODY", "CENTERLINE")])


def words(path: Path) -> list[str]:
    document = pdfium.PdfDocument(path)
    pages = [page.get_textpage().get_text_bounded() for page in document]
    document.close()
    return pages


@pytest.mark.parametrize("sheet", ["A4", "A3", "A2", "A1", "A0", "Letter", "Tabloid", "Arch-C", "Arch-D", "Arch-E"])
def test_every_sheet_is_written_true_size(sheet: str, tmp_path: Path) -> None:
    write_pdf(drawn(BIG), tmp_path / "outline.pdf", page=sheet)
    assert "Print at 100 %" in words(tmp_path / "outline.pdf")[-1]


@pytest.mark.parametrize("name", BODIES)
def test_every_body_is_written(name: str, tmp_path: Path) -> None:
    body = BODIES[name]()
    write_pdf(draw_outline(body.fair, body.measures, "in", "Plover body"), tmp_path / "outline.pdf", page="Letter")


def test_tiled_pages_begin_with_a_map_and_number_all(tmp_path: Path) -> None:
    drawing = drawn(BIG)
    write_pdf(drawing, tmp_path / "outline.pdf")
    pages, layout = words(tmp_path / "outline.pdf"), lay_out(points_of(drawing), "A4")
    assert len(pages) == layout.pages == len(layout.tiles) + 1
    assert f"{layout.pages} pages of A4" in pages[0]
    assert all(page.count("100 mm") >= 2 and page.count("4 in") >= 2 for page in pages)
    assert all("across the paper" in page and "along the paper" in page for page in pages)
    assert all(f"of {layout.pages}" in page for page in pages)


def test_each_cross_is_on_exactly_the_two_pages_of_its_seam(tmp_path: Path) -> None:
    drawing = drawn(BIG)
    write_pdf(drawing, tmp_path / "outline.pdf")
    layout = lay_out(points_of(drawing), "A4")
    on_pages = [re.findall(r"\b[A-Z]{1,2}[12]\b", page) for page in words(tmp_path / "outline.pdf")[1:]]
    for mark in layout.marks:
        assert sum(names.count(mark.name) for names in on_pages) == 2, mark.name
    assert len(layout.marks) == 2 * len(seams(layout)) == len({mark.name for mark in layout.marks})


def test_tiles_share_their_overlap_and_hold_the_whole_drawing() -> None:
    points = points_of(drawn(BIG))
    layout = lay_out(points, "A4")
    assert np.any([inside(points, tile.window) for tile in layout.tiles], axis=0).all()
    for one, other in seams(layout):
        across = min(one.window[2], other.window[2]) - max(one.window[0], other.window[0])
        along = min(one.window[3], other.window[3]) - max(one.window[1], other.window[1])
        assert min(across, along) == pytest.approx(OVERLAP_MM, abs=1e-9)


def test_pages_that_would_be_empty_are_left_out(tmp_path: Path) -> None:
    ring = polygon(frozen_floats([(0, 0), (900, 0), (900, 900), (0, 900)]))
    layout = lay_out(sampled(ring, 1.0), "A4")
    assert len(layout.tiles) < layout.rows * layout.columns
    write_pdf(Drawing((("BODY", ring),), title="Plover"), tmp_path / "ring.pdf")
    assert len(words(tmp_path / "ring.pdf")) == len(layout.tiles) + 1


def box(width_mm: float, height_mm: float, y_mm: float = 0.0) -> ArcPath:
    """A closed box that begins at x = 0."""
    corners = [(0.0, y_mm), (width_mm, y_mm), (width_mm, y_mm + height_mm), (0.0, y_mm + height_mm)]
    return polygon(frozen_floats(corners))


@pytest.mark.parametrize(("bands", "lines"), [(0, 2), (8, 1)])
def test_upright_check_lines_take_no_larger_sheet_but_stand_where_there_is_room(
    bands: int, lines: int, tmp_path: Path
) -> None:
    """187 mm wide with its room: more than an A4 page beside a strip of 10 mm, less than one without."""
    paths = [box(183.0, 200.0), *(box(183.0, 12.0, 25.0 * band) for band in range(bands))]
    write_pdf(Drawing(tuple(("BODY", path) for path in paths), title="Plover"), tmp_path / "box.pdf", page="fit")
    (page,) = words(tmp_path / "box.pdf")
    assert (page.count("100 mm"), page.count("4 in")) == (lines, lines)
    assert "across the paper" in page
    assert ("along the paper" in page) == (lines == 2)


@pytest.mark.parametrize("scale", [1.0, 1.07, 1.4])
def test_upright_check_lines_never_take_more_pages_and_are_clear_of_the_drawing(scale: float) -> None:
    points = points_of(drawn(scale))
    layout = lay_out(points, "A4")
    bare = [tiles._lay_out(points, "A4", size, 0.0) for size in ((210.0, 297.0), (297.0, 210.0))]
    assert len(layout.tiles) == min(len(one.tiles) for one in bare)
    for tile in layout.tiles:
        lines = pdf_page.upright_lines(layout, tile)
        assert len(lines) == 2
        low, high = np.subtract(lines[0][:2], (2.5, 1.5)), np.add(lines[1][:2], (1.5, 114.0))  # with ticks and words
        assert (low > tiles.MARGIN_MM).all()
        assert (high < np.array(layout.printed) - tiles.MARGIN_MM).all()
        foot = (tiles.MARGIN_MM, tiles.MARGIN_MM + tiles.FOOT_MM)
        shown = points[inside(points, tile.window)] - tile.window[:2] + foot
        assert not ((shown > low) & (shown < high)).all(axis=1).any()


@pytest.mark.parametrize(("unit", "family"), [("mm", "A2"), ("in", "Arch-C")])
def test_fit_takes_the_smallest_single_sheet(unit: str, family: str, tmp_path: Path) -> None:
    drawing = drawn(unit=unit)
    write_pdf(drawing, tmp_path / "outline.pdf", page="fit")
    document = pdfium.PdfDocument(tmp_path / "outline.pdf")
    size = sorted(side * 25.4 / 72.0 for side in document[0].get_size())
    document.close()
    assert size == pytest.approx(sorted(lay_out(points_of(drawing), family).size), abs=0.01)
    assert len(words(tmp_path / "outline.pdf")) == 1


def test_fit_says_so_when_no_sheet_holds_it(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no single sheet holds"):
        write_pdf(drawn(5.0), tmp_path / "outline.pdf", page="fit")
    assert not list(tmp_path.iterdir())


def test_an_unknown_sheet_is_named_with_the_known_ones(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"'A7'.*A4.*Arch-E"):
        write_pdf(drawn(), tmp_path / "outline.pdf", page="A7")


def test_mirrored_pages_say_so_and_turn_the_body_over(tmp_path: Path) -> None:
    body = BODIES["cornered"]()
    drawing = draw_outline(body.fair, body.measures, "mm", "Plover body")
    write_pdf(drawing, tmp_path / "plain.pdf", page="A1", layers=["HALF"])
    write_pdf(drawing, tmp_path / "turned.pdf", page="A1", layers=["HALF"], mirrored=True)
    assert "MIRRORED" in words(tmp_path / "turned.pdf")[0]
    assert "MIRRORED" not in words(tmp_path / "plain.pdf")[0]
    plain, turned = (ink(tmp_path / name) for name in ("plain.pdf", "turned.pdf"))
    assert np.abs(plain - turned[:, ::-1]).mean() < 0.05 * np.abs(plain - turned).mean()


def ink(path: Path) -> np.ndarray:
    """Ink above the foot and left of the upright check lines, even about the window's middle; 2 dots to the mm."""
    document = pdfium.PdfDocument(path)
    grey = document[0].render(scale=2.0 * 25.4 / 72.0, grayscale=True).to_numpy().astype(float)
    document.close()
    return 255.0 - grey.reshape(grey.shape[:2])[: int(grey.shape[0] * 0.94), 20:-40]


def test_the_same_drawing_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one.pdf", "two.pdf"):
        write_pdf(drawn(), tmp_path / name)
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()


def checked(drawing: Drawing, path: Path) -> None:
    check_pdf(path, lay_out(points_of(drawing), "A4"), [each for name, each in drawing.paths if name == "BODY"])


def test_the_check_sees_a_missing_page_and_a_wrong_sheet(tmp_path: Path) -> None:
    write_pdf(drawn(), tmp_path / "outline.pdf", page="Letter")
    with pytest.raises(Refusal, match="which is not A4"):
        checked(drawn(), tmp_path / "outline.pdf")
    write_pdf(drawn(BIG), tmp_path / "outline.pdf")
    with pytest.raises(Refusal, match="pages instead of"):
        checked(drawn(), tmp_path / "outline.pdf")


def test_the_check_sees_a_file_that_is_no_pdf(tmp_path: Path) -> None:
    (tmp_path / "outline.pdf").write_bytes(b"%PDF-1.4 cut short")
    with pytest.raises(Refusal, match="cannot be read back"):
        checked(drawn(), tmp_path / "outline.pdf")


def scaled_by(monkeypatch: pytest.MonkeyPatch, factor: float) -> None:
    """Make every page come out larger or smaller, as a careless scale would."""
    plain = Canvas.scale
    monkeypatch.setattr(
        Canvas, "scale", lambda self, x, y: plain(self, x * factor, y * factor) if x > 2.8 else plain(self, x, y)
    )


@pytest.mark.parametrize("factor", [0.97, 0.999, 1.001, 1.02])
def test_the_check_sees_a_page_scaled_by(factor: float, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    scaled_by(monkeypatch, factor)
    with pytest.raises(Refusal, match="100 mm line"):
        write_pdf(drawn(), tmp_path / "outline.pdf")


def test_the_check_sees_a_page_fed_short(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Scaled along the paper alone, which no line across it shows; the page's size and the curves have no say."""
    plain = Canvas.scale
    monkeypatch.setattr(Canvas, "scale", lambda self, x, y: plain(self, x, y * (0.998 if x > 2.8 else 1.0)))
    with pytest.raises(Refusal, match="the upright 100 mm line of page 1"):
        write_pdf(drawn(), tmp_path / "outline.pdf")


def test_the_check_sees_a_curve_in_the_wrong_place(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(pdf_page, "FOOT_MM", pdf_page.FOOT_MM + 0.5)
    with pytest.raises(Refusal, match="not where it was drawn"):
        write_pdf(drawn(), tmp_path / "outline.pdf")


def test_the_check_sees_curves_that_bulge_the_wrong_way(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    handles = pdf_page._handles
    monkeypatch.setattr(pdf_page, "_handles", lambda start, end, bulge: handles(start, end, -bulge))
    body = BODIES["semicircles"]()
    with pytest.raises(Refusal, match="not where it was drawn"):
        write_pdf(draw_outline(body.fair, body.measures, "mm", "Plover body"), tmp_path / "outline.pdf")


def test_nothing_to_print_is_a_wrong_call(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="nothing to print"):
        write_pdf(drawn(), tmp_path / "outline.pdf", layers=["TEMPLATE"])


def test_a_long_title_in_other_letters_is_cut_to_its_room(tmp_path: Path) -> None:
    body = cassini()
    write_pdf(draw_outline(body.fair, body.measures, "mm", "Plöver " * 60), tmp_path / "outline.pdf")
    assert "..." in words(tmp_path / "outline.pdf")[1]
