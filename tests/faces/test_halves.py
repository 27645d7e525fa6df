"""The audit of the halves as a builder gets it: one small plan with its right side pushed out, through the command."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import cv2
import ezdxf
import numpy as np
import pytest
import shapely
from ezdxf.path import make_path

from digitize.writers.record import check_record
from tests.command import boutline
from tests.maker import PlanSpec, RuleSpec, make_plan

ROOT = Path(__file__).resolve().parents[2]
SPEC = PlanSpec(
    name="plover", seed=21, family="small", dpi=150.0,
    rules=(RuleSpec(length_mm=150.0), RuleSpec(along="y", length_mm=120.0)), specks=0,
)  # fmt: skip
BULGE_MM, REACH_MM = 0.6, 60.0


def halves(*words: str | Path, fresh: bool = False) -> subprocess.CompletedProcess[str]:
    return boutline("halves", *words, fresh=fresh)


def pushed(grey: np.ndarray, at_px: np.ndarray, push_px: np.ndarray, reach_px: float) -> np.ndarray:
    """The picture with everything near a place moved by ``push_px``, less and less away from it."""
    y, x = np.mgrid[: grey.shape[0], : grey.shape[1]].astype(np.float32)
    away = np.hypot(x - at_px[0], y - at_px[1]) / reach_px
    part = np.where(away < 0.5, np.cos(np.pi * np.minimum(away, 0.5)) ** 2, 0.0)
    moved = [axis - part * push for axis, push in zip((x, y), push_px, strict=True)]
    return np.asarray(cv2.remap(grey, *(one.astype(np.float32) for one in moved), cv2.INTER_CUBIC))


@pytest.fixture(scope="module")
def audited(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str], np.ndarray]:
    folder = tmp_path_factory.mktemp("halves")
    made = make_plan(SPEC, folder)
    outline = made.outline_mm
    place = outline[int(np.argmax(outline[:, 0]))]
    matrix = np.asarray(made.plan_to_px)
    at, push = matrix[:, :2] @ place + matrix[:, 2], matrix[:, :2] @ (BULGE_MM, 0.0)
    grey = cv2.imread(str(made.path), cv2.IMREAD_GRAYSCALE)
    path = folder / "pushed.png"
    cv2.imwrite(str(path), pushed(grey, at, push, REACH_MM * float(np.hypot(*matrix[:, 0]))))
    out = folder / "out"
    return out, halves(path, "--out", out, "--json", fresh=True), place


def test_the_side_that_was_pushed_out_is_named(
    audited: tuple[Path, subprocess.CompletedProcess[str], np.ndarray],
) -> None:
    out, done, place = audited
    assert done.returncode == 3, done.stderr
    record = json.loads(done.stdout)
    check_record(record)
    part = record["halves"]
    real = [one for one in part["differences"] if one["size_mm"] > 0.25]
    assert len(real) == 1
    assert real[0]["side"] == "right"
    assert np.hypot(real[0]["x_mm"] - place[0], real[0]["y_mm"] - place[1]) < 10.0
    assert real[0]["size_mm"] == pytest.approx(BULGE_MM, abs=0.09)
    keeps = {one["keep"]: one for one in part["keeps"]}
    assert keeps["mean"]["max_mm"] == pytest.approx(BULGE_MM / 2, abs=0.06)
    assert [one["code"] for one in record["reasons"]].count("half-differs") == 1
    assert sorted(path.name for path in out.iterdir()) == ["fair.dxf", "fair.svg", "halves.html", "record.json"]


def test_the_arcs_and_the_spline_are_in_its_drawing(
    audited: tuple[Path, subprocess.CompletedProcess[str], np.ndarray],
) -> None:
    out, done, _ = audited
    record = json.loads(done.stdout)
    assert set(record["files"]) == {"fair.dxf", "fair.svg", "halves.html"}
    space = ezdxf.readfile(out / "fair.dxf").modelspace()
    (arcs,) = space.query("LWPOLYLINE[layer=='ARCS']")
    splines = list(space.query("SPLINE[layer=='SPLINE']"))
    few, told = record["outline"]["few_arcs"], record["outline"]["spline"]
    assert (len(arcs), len(splines)) == (len(few["pieces"]), told["curves"])
    assert told["deviation_mm"] <= told["tolerance_mm"] == 0.02
    # by the reader's own B-splines: a closed loop of curves, as near to the arcs as both are to the outline
    tools = [spline.construction_tool() for spline in splines]
    xy = np.array([(p.x, p.y) for tool in tools for p in tool.approximate(400)])
    starts, ends = (np.array([(p.x, p.y) for p in (tool.control_points[k] for tool in tools)]) for k in (0, -1))
    assert np.abs(np.roll(starts, -1, axis=0) - ends).max() < 1e-6
    loop = shapely.LinearRing([(p.x, p.y) for p in make_path(arcs).flattening(1e-4)])
    assert shapely.distance(shapely.points(xy), loop).max() < few["deviation_mm"] + told["deviation_mm"] + 0.001
    assert record["outline"]["fairing"]["mean_mm"] < 0.05


def test_its_page_shows_the_map_the_comb_and_the_choices(
    audited: tuple[Path, subprocess.CompletedProcess[str], np.ndarray],
) -> None:
    page = (audited[0] / "halves.html").read_text(encoding="utf-8")
    assert page.count('<svg class="chart"') == 4
    assert "control points" in page
    assert "Fairing moved the traced points by" in page
    assert "The halves differ in" in page
    for words in ("keep", "as drawn", "a mean over 10", "comb", "Before you cut", "Dust", "Saw", "Router"):
        assert words in page
    assert "http" not in page.replace("http://www.w3.org", "")


def test_what_is_already_there_is_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "halves.html").write_text("mine")
    done = halves(ROOT / "fixtures" / "small" / "half.png", "--out", tmp_path)
    assert done.returncode == 2
    assert (tmp_path / "halves.html").read_text() == "mine"
