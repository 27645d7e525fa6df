"""``boutline mold`` as a process: every file it writes is read again by another program and measured."""

from __future__ import annotations

import csv
import hashlib
import json
import math
import subprocess
from pathlib import Path

import ezdxf
import numpy as np
import pypdfium2 as pdfium
import pytest
import shapely
from ezdxf import path as dxf_path
from svgelements import SVG, Matrix
from svgelements import Path as SvgPath

from digitize.drawing import draw_outline
from digitize.writers.dxf import write_dxf
from tests.command import boutline
from tests.digitize.mold_bodies import cassini
from tests.digitize.writer_bodies import body_of

MM_PER_POINT = 25.4 / 72.0
SMALL_JOB = """
[mold]
wall = "60 mm"
depth = "36 mm"
[sheet]
thickness = "18 mm"
stock = ["24 x 48 in x 1 piece", "1220 x 2440 mm"]
[spreaders]
layers = 4
[forms]
inside = true
"""


def run(*words: str | Path, fresh: bool = False) -> subprocess.CompletedProcess[str]:
    return boutline("mold", *words, fresh=fresh)


@pytest.fixture(scope="module")
def outline(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return an outline.dxf with a record beside it that says it is sound."""
    folder = tmp_path_factory.mktemp("outline")
    body = body_of(cassini(200))
    drawing = draw_outline(body.fair, body.measures, "mm", "a Cassini oval")
    write_dxf(drawing, folder / "outline.dxf")
    write_record(folder, "sound", [])
    return folder / "outline.dxf"


def write_record(folder: Path, verdict: str, reasons: list[dict[str, str]]) -> None:
    sha256 = hashlib.sha256((folder / "outline.dxf").read_bytes()).hexdigest()
    record = {
        "verdict": verdict, "reasons": reasons, "outline": {"u95_mm": 0.08}, "files": {"outline.dxf": sha256},
    }  # fmt: skip
    (folder / "record.json").write_text(json.dumps(record), encoding="utf-8")


@pytest.fixture(scope="module")
def made(outline: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a mold made with a job file."""
    folder = tmp_path_factory.mktemp("made")
    (folder / "mold.toml").write_text(SMALL_JOB, encoding="utf-8")
    done = run(outline, "--job", folder / "mold.toml", "--out", folder / "out", fresh=True)
    assert done.returncode == 0, done.stderr
    assert "4 x mold layer" in done.stdout
    return folder / "out"


def loops(file: Path, layer: str) -> list[np.ndarray]:
    """Return the closed curves of a DXF's layer as dense points, by ezdxf's own paths."""
    space = ezdxf.readfile(file).modelspace()
    found = []
    for entity in space.query(f'LWPOLYLINE[layer=="{layer}"]'):
        assert entity.closed
        found.append(np.array([(v.x, v.y) for v in dxf_path.make_path(entity).flattening(1e-3)]))
    return found


def test_every_part_of_the_record_has_its_files(made: Path) -> None:
    record = json.loads((made / "mold.json").read_text(encoding="utf-8"))
    assert record["verdict"] == "sound"
    for part in record["parts"]:
        for kind in ("dxf", "svg"):
            assert f"{part['name']}.{kind}" in record["files"]
    for name, sha256 in record["files"].items():
        assert hashlib.sha256((made / name).read_bytes()).hexdigest() == sha256
    assert record["proof"]["layer_off_mm"] < 0.001
    assert record["proof"]["face_off_mm"] < 0.01
    assert record["input"]["u95_mm"] == 0.08


def test_the_layers_of_the_dxf_stack_and_close_to_the_outline(made: Path) -> None:
    (edge,), holes = loops(made / "layer.dxf", "CUT"), loops(made / "layer.dxf", "HOLES")
    half = shapely.Polygon(edge)
    # part frame: the straight ends lie on x = 0; closing the halves means adding the mirrored one
    half = half.buffer(1e-6, join_style="mitre")  # so that faces that touch count as one
    closed = shapely.union(half, shapely.affinity.scale(half, -1.0, 1.0, origin=(0.0, 0.0)))
    (hollow,) = closed.interiors
    assert shapely.Polygon(hollow).area == pytest.approx(82902.274244, rel=1e-5)  # of the Cassini oval, closed form
    left, low, right, top = hollow.bounds
    assert right - left == pytest.approx(2.0 * 99.576471, abs=0.002)
    assert top - low == pytest.approx(2.0 * 250.511477, abs=0.002)
    centres = np.array([hole.mean(axis=0) for hole in holes])
    assert len(centres) == 2
    other = np.array([hole.mean(axis=0) for hole in loops(made / "master.dxf", "HOLES")])
    assert np.abs(np.sort(other, axis=0) - np.sort(centres, axis=0)).max() < 0.001


def test_svg_and_dxf_agree_by_another_reader(made: Path) -> None:
    for name in ("layer", "spreader-lower", "inside-form"):
        shown = SVG.parse(str(made / f"{name}.svg"), reify=False, ppi=25.4)
        named = shown.select(lambda each: each.values.get("id") == "CUT")
        group = next(each for each in named if isinstance(each, list))
        (path,) = [each for each in group if isinstance(each, SvgPath)]
        box = (path * Matrix(path.transform)).bbox()
        edge = loops(made / f"{name}.dxf", "CUT")[0]
        assert (box[2] - box[0], box[3] - box[1]) == pytest.approx(np.ptp(edge, axis=0).tolist(), abs=0.01)


def test_holes_come_before_outlines(made: Path) -> None:
    for name in ("layer.dxf", "sheet-1.dxf"):
        layers = [one.dxf.layer for one in ezdxf.readfile(made / name).modelspace().query("LWPOLYLINE")]
        cut = [layer for layer in layers if layer in ("HOLES", "CUT")]
        assert cut == sorted(cut, reverse=True) and "HOLES" in cut


def test_sheets_hold_all_pieces_apart(made: Path) -> None:
    record = json.loads((made / "mold.json").read_text(encoding="utf-8"))
    count = 0
    for number, sheet in enumerate(record["sheets"], start=1):
        pieces = [shapely.Polygon(edge) for edge in loops(made / f"sheet-{number}.dxf", "CUT")]
        count += len(pieces)
        room = shapely.box(0.0, 0.0, sheet["width_mm"], sheet["height_mm"])
        for i, piece in enumerate(pieces):
            assert room.contains(piece)
            assert all(piece.distance(other) > 9.99 for other in pieces[i + 1 :])
    assert count == record["totals"]["pieces"] == sum(part["count"] for part in record["parts"] if part["weight_kg"])
    assert (record["sheets"][0]["width_mm"], record["sheets"][0]["height_mm"]) == (609.6, 1219.2)  # the offcut first


def test_the_cut_list_is_read_by_a_spreadsheets_rules(made: Path) -> None:
    with (made / "cut-list.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    layer = next(row for row in rows if row["file"] == "layer.dxf")
    assert layer["count"] == "4" and layer["thickness_mm"] == "18.0"
    assert all((made / row["file"]).is_file() for row in rows)


def test_paper_is_true_to_size(made: Path) -> None:
    document = pdfium.PdfDocument(made / "master.pdf")
    page = document[0]
    assert sorted((page.get_width() * MM_PER_POINT, page.get_height() * MM_PER_POINT)) == pytest.approx(
        [210.0, 297.0], abs=0.1
    )
    assert len(document) > 2
    assert "saw" in "".join(document[0].get_textpage().get_text_range().lower())
    document.close()


def test_the_solid_has_the_volume_of_the_stack(made: Path) -> None:
    data = (made / "mold-half.stl").read_bytes()
    count = int(np.frombuffer(data[80:84], "<u4")[0])
    rows = np.frombuffer(data[84:], np.dtype([("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")]))
    assert len(rows) == count
    corners = rows["v"].astype(float)
    volume = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])).sum() / 6.0
    edge, holes = loops(made / "layer.dxf", "CUT")[0], loops(made / "layer.dxf", "HOLES")
    assert volume == pytest.approx(shapely.Polygon(edge, holes).area * 36.0, rel=1e-4)


def test_the_page_shows_every_part_and_the_cautions(made: Path) -> None:
    page = (made / "mold.html").read_text(encoding="utf-8")
    assert page.count('<svg class="moldfig"') == 1 + len(list(made.glob("*.dxf")))
    for word in ("Dust.", "Band saw.", "Router.", "Spray adhesive."):
        assert word in page


def test_an_old_part_does_not_stay_beside_a_new_mold(outline: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert run(outline, "--out", out).returncode == 0
    assert (out / "spreader-lower.dxf").is_file()
    (out / "mine.txt").write_text("kept", encoding="utf-8")
    job = tmp_path / "mold.toml"
    job.write_text("[spreaders]\nbouts = false\n", encoding="utf-8")
    again = run(outline, "--job", job, "--out", out)
    assert again.returncode == 2 and "--replace" in again.stderr
    assert run(outline, "--job", job, "--out", out, "--replace").returncode == 0
    assert not (out / "spreader-lower.dxf").exists()
    assert (out / "layer.dxf").is_file() and (out / "mine.txt").read_text(encoding="utf-8") == "kept"


def test_doubts_of_the_outline_are_carried_on(outline: Path, tmp_path: Path) -> None:
    for name in ("outline.dxf", "record.json"):
        (tmp_path / name).write_bytes((outline.parent / name).read_bytes())
    told = ["shear-assumed", "copy-unchecked", "axis-from-outline"]  # two of them mere notes
    write_record(tmp_path, "look", [{"code": code, "text": "", "remedy": ""} for code in told])
    done = run(tmp_path / "record.json", "--out", tmp_path / "out", "--json")
    assert done.returncode == 3
    record = json.loads(done.stdout)
    assert [one["code"] for one in record["reasons"]] == ["outline-unsettled"]
    assert "was to be looked at: copy-unchecked." in done.stderr
    write_record(tmp_path, "sound", [])
    changed = tmp_path / "outline.dxf"
    changed.write_bytes(changed.read_bytes() + b"\n")
    done = run(tmp_path / "outline.dxf", "--out", tmp_path / "out2")
    assert done.returncode == 3 and "not the outline" in done.stderr
    write_record(tmp_path, "refused", [])
    assert run(tmp_path / "record.json", "--out", tmp_path / "out3").returncode == 4


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[mold]\nwal = "3 in"\n', "did you mean 'wall'"),
        ('[mold]\nwall = "wide"\n', "not a length"),
        ("[mold]\nshape = 'round'\n", "'wall' or 'box'"),
        ("[mold]\nwall = '2 mm'\n", "a thinner wall does not hold; common practice, no source"),
        ("[mold]\nshape = 'box'\nwall = '5.9 mm'\n", "6 mm or more"),
        ('[sheet]\nstock = ["big"]\n', "2440 x 1220 mm"),
        ("[spreaders]\nopen = '50 mm'\n", "above spreaders.closed"),
        ("[output]\npage = 'B7'\n", "page"),
    ],
)
def test_a_wrong_job_file_is_told_by_name(outline: Path, tmp_path: Path, text: str, words: str) -> None:
    job = tmp_path / "mold.toml"
    job.write_text(text, encoding="utf-8")
    done = run(outline, "--job", job, "--out", tmp_path / "out")
    assert done.returncode == 2, done.stderr
    assert words in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_wall_that_hardly_holds_is_to_be_looked_at(outline: Path, tmp_path: Path) -> None:
    job = tmp_path / "mold.toml"
    job.write_text("[mold]\nwall = '8 mm'\ndepth = '400 mm'\n[spreaders]\nbouts = false\n", encoding="utf-8")
    done = run(outline, "--job", job, "--out", tmp_path / "out", "--json")
    assert done.returncode == 3, done.stderr
    record = json.loads(done.stdout)
    assert record["verdict"] == "look"
    wall, depth = (one for one in record["reasons"] if one["code"] == "setting-unusual")
    assert "The wall is 8 mm: below 12 mm it bends and breaks" in wall["text"]
    assert "common practice, no source" in wall["text"]
    assert "[mold] wall" in wall["remedy"]
    assert "[mold] depth" in depth["remedy"]


def test_what_is_no_outline_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.dxf").write_text("no drawing", encoding="utf-8")
    assert run(tmp_path / "a.dxf", "--out", tmp_path / "out").returncode == 2
    document = ezdxf.new("R2010", units=4)
    document.modelspace().add_lwpolyline([(0, 0), (10, 0), (10, 10)], dxfattribs={"layer": "BODY"})
    document.saveas(tmp_path / "open.dxf")
    done = run(tmp_path / "open.dxf", "--out", tmp_path / "out")
    assert done.returncode == 2 and "closed" in done.stderr
    assert run(tmp_path / "none.dxf", "--out", tmp_path / "out").returncode == 2


def test_mirrored_and_inches_and_the_cutters_own_offset(outline: Path, tmp_path: Path) -> None:
    job = tmp_path / "mold.toml"
    job.write_text(
        '[output]\nmirrored = true\nunit = "in"\ntool = "6 mm"\n[spreaders]\nbouts = false\n', encoding="utf-8"
    )
    done = run(outline, "--job", job, "--out", tmp_path / "out")
    assert done.returncode == 0 and "side blanks" in done.stdout and " in" in done.stdout
    plain_job = tmp_path / "plain.toml"
    plain_job.write_text("[spreaders]\nbouts = false\n", encoding="utf-8")
    assert run(outline, "--job", plain_job, "--out", tmp_path / "plain").returncode == 0
    edge, plain = (loops(tmp_path / name / "layer.dxf", "CUT")[0] for name in ("out", "plain"))
    grown = shapely.Polygon(plain).buffer(3.0, quad_segs=64)
    assert shapely.Polygon(edge).area == pytest.approx(grown.area, rel=1e-4)
    hole = loops(tmp_path / "out" / "layer.dxf", "HOLES")[0]
    assert shapely.Polygon(hole).area == pytest.approx(math.pi * 1.0**2, rel=1e-2)  # 8 mm hole, 6 mm tool
    assert "MIRRORED" in (tmp_path / "out" / "layer.svg").read_text(encoding="utf-8")
