"""The written files through other people's readers and against published definitions."""

import math
import shutil
import subprocess
from pathlib import Path

import ezdxf
import numpy as np
import pypdfium2 as pdfium
import pytest
import svgelements
from ezdxf.path import make_path
from shapely.geometry import Polygon

from calibration.frames import frozen_floats
from digitize.arcs import arc_length, extents
from digitize.drawing import draw_outline
from digitize.shapes import ArcPath, Drawing
from digitize.writers.dxf import write_dxf
from digitize.writers.pdf import write_pdf
from digitize.writers.sheets import SHEETS_MM
from digitize.writers.svg import write_svg
from tests.digitize import writer_bodies as bodies

MM_PER_INCH = 25.4
ARCS_MM = 0.001  # 360 arcs stand for the oval within a fraction of this


def drawn(name: str = "cassini") -> Drawing:
    body = bodies.BODIES[name]()
    return draw_outline(body.fair, body.measures, "mm", "Plover body")


def body_of(path: Path) -> ezdxf.entities.LWPolyline:
    return ezdxf.readfile(path).modelspace().query("LWPOLYLINE[layer=='BODY']").first


def test_dxf_units_are_millimetres(tmp_path: Path) -> None:
    """Autodesk system variables: INSUNITS 4 = millimetres, MEASUREMENT 1 = metric; R2010 is AC1024."""
    write_dxf(drawn(), tmp_path / "outline.dxf")
    document = ezdxf.readfile(tmp_path / "outline.dxf")
    assert (document.header["$INSUNITS"], document.header["$MEASUREMENT"]) == (4, 1)
    assert document.dxfversion >= "AC1024"
    assert not document.audit().has_issues
    assert {layer.dxf.name for layer in document.layers} >= {"BODY", "CENTERLINE", "HALF", "CHECK_LENGTH", "NOTES"}


def test_dxf_view_shows_all_of_the_drawing(tmp_path: Path) -> None:
    """The first view of the model space (VPORT *Active, Autodesk DXF reference) holds the extents of the header."""
    write_dxf(drawn(), tmp_path / "outline.dxf")
    document = ezdxf.readfile(tmp_path / "outline.dxf")
    view = document.viewports.get("*Active")[0]
    low, high = document.header["$EXTMIN"], document.header["$EXTMAX"]
    assert view.dxf.center[1] + view.dxf.height / 2 >= high[1]
    assert view.dxf.center[1] - view.dxf.height / 2 <= low[1]


def test_a_quarter_turn_has_the_bulge_of_its_definition(tmp_path: Path) -> None:
    """Autodesk: bulge = tan(angle / 4), 0.414213562 for 90 degrees, 1 for a half turn; positive counter-clockwise."""
    quarter = math.tan(math.radians(90) / 4)
    assert quarter == pytest.approx(0.414213562, abs=1e-9)
    circle = ArcPath(frozen_floats([(100, 0), (0, 100), (-100, 0), (0, -100)]), frozen_floats([quarter] * 4), True)
    write_dxf(Drawing((("BODY", circle),)), tmp_path / "circle.dxf")
    read = body_of(tmp_path / "circle.dxf")
    assert [bulge for *_, bulge in read.get_points("xyb")] == pytest.approx([0.414213562] * 4, abs=1e-9)
    points = np.array([(v.x, v.y) for v in make_path(read).flattening(0.001)])
    assert np.hypot(*points.T) == pytest.approx(np.full(len(points), 100.0), abs=0.03)
    assert Polygon(points).exterior.is_ccw


def test_the_cassini_oval_comes_back_from_the_dxf(tmp_path: Path) -> None:
    """Area 2 b^2 E(c^4 / b^4), half length sqrt(b^2 + c^2), half bout b^2 / (2 c), perimeter computed two ways."""
    write_dxf(drawn(), tmp_path / "outline.dxf")
    oval = Polygon([(v.x, v.y) for v in make_path(body_of(tmp_path / "outline.dxf")).flattening(1e-5)])
    assert oval.is_valid
    assert oval.area == pytest.approx(bodies.CASSINI_AREA_MM2, abs=ARCS_MM * bodies.CASSINI_PERIMETER_MM)
    assert oval.length == pytest.approx(bodies.CASSINI_PERIMETER_MM, abs=ARCS_MM)
    low_x, low_y, high_x, high_y = oval.bounds
    assert high_y - low_y == pytest.approx(bodies.CASSINI_LENGTH_MM, abs=ARCS_MM)
    assert high_x - low_x == pytest.approx(bodies.CASSINI_BOUT_MM, abs=ARCS_MM)


@pytest.mark.parametrize("name", bodies.BODIES)
def test_the_svg_through_svgelements(name: str, tmp_path: Path) -> None:
    """SVG 1.1 arcs; CSS Values 3: 1 mm = 96 / 25.4 px, so a user unit of 1 mm comes out as that many pixels."""
    drawing = drawn(name)
    write_svg(drawing, tmp_path / "outline.svg")
    per_mm = svgelements.Length("1mm").value(ppi=96.0)
    assert per_mm == pytest.approx(96.0 / MM_PER_INCH, rel=1e-6), "the reader's own constant has seven digits"
    found = svgelements.SVG.parse(str(tmp_path / "outline.svg"), ppi=96.0)
    group = next(each for each in found.select() if isinstance(each, svgelements.Group) and each.id == "BODY")
    (path,) = [each for each in group.select() if isinstance(each, svgelements.Path)]
    body = next(shape for layer, shape in drawing.paths if layer == "BODY")
    assert path.length(error=1e-9) / per_mm == pytest.approx(arc_length(body), abs=0.001)
    low_x, low_y, high_x, high_y = extents(body)
    box = np.array(path.bbox()) / per_mm
    assert (box[2] - box[0], box[3] - box[1]) == pytest.approx((high_x - low_x, high_y - low_y), abs=1e-4)
    assert isinstance(path[-1], svgelements.Close)


def tick_distance_mm(grey: np.ndarray, width_mm: float, height_mm: float) -> float:
    """Distance of the two outermost marks just above the 100 mm line, 20 mm over the sheet's lower edge."""
    per_mm = grey.shape[1] / width_mm
    row = grey.shape[0] - 1 - round((20.0 + 0.9) * grey.shape[0] / height_mm)
    ink = 255.0 - grey[row - 1 : row + 2, : round(116 * per_mm)].mean(axis=0)
    ends = []
    for middle in (np.flatnonzero(ink > 60)[0], np.flatnonzero(ink > 60)[-1]):
        near = np.arange(middle - 4, middle + 5)
        ends.append((ink[near] * near).sum() / ink[near].sum())
    return float((ends[1] - ends[0]) / per_mm)


def test_the_check_line_measures_100_mm_in_pdfium(tmp_path: Path) -> None:
    """PDF user space is 1/72 in (ISO 32000-1, 8.3.2)."""
    write_pdf(drawn(), tmp_path / "outline.pdf")
    document = pdfium.PdfDocument(tmp_path / "outline.pdf")
    for page in document:
        width, height = (side * MM_PER_INCH / 72.0 for side in page.get_size())
        grey = page.render(scale=300 / 72.0, grayscale=True).to_numpy()
        assert tick_distance_mm(grey.reshape(grey.shape[:2]), width, height) == pytest.approx(100.0, abs=0.05)
    document.close()


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="poppler's pdftoppm is not installed")
def test_the_check_line_measures_100_mm_in_poppler(tmp_path: Path) -> None:
    write_pdf(drawn(), tmp_path / "outline.pdf")
    command = ["pdftoppm", "-r", "300", "-gray", "-f", "2", "-l", "2", "-singlefile", "outline.pdf", "page"]
    subprocess.run(command, cwd=tmp_path, check=True)
    kind, size, _, pixels = (tmp_path / "page.pgm").read_bytes().split(b"\n", 3)
    assert kind == b"P5"
    columns, rows = (int(each) for each in size.split())
    grey = np.frombuffer(pixels, np.uint8).reshape(rows, columns)
    # Poppler draws at the resolution asked for and rounds the page up to whole pixels.
    width, height = columns / 300 * MM_PER_INCH, rows / 300 * MM_PER_INCH
    assert tick_distance_mm(grey, width, height) == pytest.approx(100.0, abs=0.05)


def test_a_sheets_follow_iso_216() -> None:
    """ISO 216: A0 holds 1 m2 with sides 1 : sqrt(2); each next size is the last one halved, rounded down to 1 mm."""
    assert SHEETS_MM["A0"] == (841.0, 1189.0)
    assert SHEETS_MM["A0"][0] * SHEETS_MM["A0"][1] == pytest.approx(1e6, rel=1e-3)
    for larger, smaller in zip(("A0", "A1", "A2", "A3"), ("A1", "A2", "A3", "A4"), strict=True):
        assert SHEETS_MM[smaller] == (SHEETS_MM[larger][1] // 2, SHEETS_MM[larger][0])
        assert SHEETS_MM[smaller][1] / SHEETS_MM[smaller][0] == pytest.approx(math.sqrt(2), rel=0.01)


def test_us_sheets_follow_asme_y14_1() -> None:
    """ASME Y14.1: A 8.5 x 11 in, B 11 x 17 in; the trade's architectural C, D, E."""
    inches = {"Letter": (8.5, 11), "Tabloid": (11, 17), "Arch-C": (18, 24), "Arch-D": (24, 36), "Arch-E": (36, 48)}
    for name, (short, long) in inches.items():
        assert SHEETS_MM[name] == pytest.approx((short * MM_PER_INCH, long * MM_PER_INCH), abs=1e-9)
