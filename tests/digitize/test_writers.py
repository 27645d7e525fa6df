"""DXF and SVG: what is written measures as drawn, and every check can fail."""

import re
from pathlib import Path

import pytest

from calibration.errors import Refusal
from calibration.frames import frozen_floats
from digitize.arcs import polygon
from digitize.drawing import draw_outline
from digitize.shapes import Drawing, TextMark
from digitize.writers.dxf import check_dxf, write_dxf
from digitize.writers.svg import check_svg, write_svg
from tests.digitize.writer_bodies import BODIES


def drawn(name: str = "cassini") -> Drawing:
    body = BODIES[name]()
    return draw_outline(body.fair, body.measures, "mm", "Plover body")


@pytest.mark.parametrize("name", BODIES)
@pytest.mark.parametrize(("write", "file"), [(write_dxf, "outline.dxf"), (write_svg, "outline.svg")])
def test_every_body_is_written_and_measures_as_drawn(name: str, write, file: str, tmp_path: Path) -> None:
    write(drawn(name), tmp_path / file)
    assert [each.name for each in tmp_path.iterdir()] == [file]


@pytest.mark.parametrize(("write", "check", "file"), [(write_dxf, check_dxf, "a.dxf"), (write_svg, check_svg, "a.svg")])
def test_another_drawing_does_not_pass_for_this_one(write, check, file: str, tmp_path: Path) -> None:
    write(drawn("semicircles"), tmp_path / file)
    with pytest.raises(Refusal) as refusal:
        check(drawn("cassini"), tmp_path / file)
    assert refusal.value.code == "file-check"
    assert refusal.value.exit_code == 4


@pytest.mark.parametrize(("write", "file"), [(write_dxf, "a.dxf"), (write_svg, "a.svg")])
def test_titles_in_other_letters_survive(write, file: str, tmp_path: Path) -> None:
    line = polygon(frozen_floats([(0, 0), (100, 0)]), closed=False)
    write(Drawing((("BODY", line),), (("NOTES", TextMark((0, 5), 5, "Régla <½> & ł")),), "ł"), tmp_path / file)


DXF_FAULTS = {
    "in inches": (r"(\$INSUNITS\n *70\n *)4", r"\g<1>1", "INSUNITS"),
    "not metric": (r"(\$MEASUREMENT\n *70\n *)1", r"\g<1>0", "MEASUREMENT"),
    "loop left open": (r"(LWPOLYLINE[\s\S]*?\n *70\n *)1\b", r"\g<1>0", "open"),
    "vertex moved by 2 micrometres": (r"(AcDbPolyline[\s\S]*?\n *10\n[\s\S]*?\n *20\n)[^\n]*", r"\g<1>0.002", "long"),
    "bulge lost": (r"(AcDbPolyline[\s\S]*?\n *42\n)[^\n]*", r"\g<1>0.0", "long"),
    "extents stale": (r"(\$EXTMAX\n *10\n)[^\n]*", r"\g<1>1.0", "extents"),
    "layer renamed": (r"(LWPOLYLINE[\s\S]*?\n *8\n)BODY", r"\g<1>BODIES", "paths instead"),
    "text changed": (r"100 mm\n", "200 mm\n", "texts"),
    "cut short": (r"ENDSEC[\s\S]{0,40}EOF\s*$", "", "read back"),
    "vertex dropped": (r"(AcDbPolyline\n *90\n *)(\d+)", r"\g<1>9999", "announced"),
    "a circle added": (r"(ENTITIES\n)", "\\1  0\nCIRCLE\n  8\nBODY\n", "not written by us"),
}

SVG_FAULTS = {
    "in inches": (r'height="([\d.]+)mm"', r'height="\1in"', "in mm"),
    "scaled by its size": (r'width="[\d.]+mm"', 'width="210mm"', "one user unit"),
    "scaled by a transform": (r'<g fill="none"', '<g transform="scale(1.001)" fill="none"', "transform"),
    "loop left open": (r" Z", "", "open"),
    "arc bent the wrong way": (r"0 0 0 ", "0 0 1 ", "BODY"),
    "radius changed": (r"A (\S+) \1", r"A 9\1 9\1", "BODY"),
    "elliptic": (r"A (\d+)", r"A 1\1", "ellipse"),
    "radius too small": (r"A \S+ \S+", "A 1 1", "read back"),
    "group renamed": (r'id="BODY"', 'id="BODIES"', "paths instead"),
    "text changed": (r"100 mm<", "200 mm<", "texts"),
    "cut short": (r"</svg>", "", "read back"),
    "a curve kind of its own": (r'd="M', 'd="C', "not written by us"),
}


def corrupted(path: Path, pattern: str, put: str) -> None:
    text, count = re.subn(pattern, put, path.read_text(encoding="utf-8"), count=1)
    assert count == 1, "the fault was not put in"
    path.write_text(text, encoding="utf-8")


@pytest.mark.parametrize("fault", DXF_FAULTS)
def test_the_dxf_check_sees(fault: str, tmp_path: Path) -> None:
    pattern, put, why = DXF_FAULTS[fault]
    path = tmp_path / "outline.dxf"
    write_dxf(drawn(), path)
    corrupted(path, pattern, put)
    with pytest.raises(Refusal, match=why):
        check_dxf(drawn(), path)


@pytest.mark.parametrize("fault", SVG_FAULTS)
def test_the_svg_check_sees(fault: str, tmp_path: Path) -> None:
    pattern, put, why = SVG_FAULTS[fault]
    path = tmp_path / "outline.svg"
    write_svg(drawn(), path)
    corrupted(path, pattern, put)
    with pytest.raises(Refusal, match=why):
        check_svg(drawn(), path)
