"""The check of a cut part as a builder gets it: made scans with known truth, through the command."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from digitize.writers.record import FIT_SCHEMA_FILE, check_record
from tests.bench.fits import write_outline
from tests.command import boutline
from tests.maker.cut_part import CutSpec, make_part

SPEC = CutSpec(seed=7, dpi=100.0, stuff="dark", ground="lid", turn_deg=93.0)
PROUD_MM, PROUD_AT = 0.6, 0.4
GRADED = '[plan]\nimage = "{}"\n\n[[rule]]\nrole = "laid"\ngrade = "I"\n'


def fit(*words: str | Path, fresh: bool = False) -> subprocess.CompletedProcess[str]:
    return boutline("fit", *words, fresh=fresh)


def made(spec: CutSpec, folder: Path) -> tuple[Path, Path]:
    part = make_part(spec, folder)
    plan = folder / "part.toml"
    plan.write_text(GRADED.format(part.path.name), encoding="utf-8")
    return plan, write_outline(spec, folder)


@pytest.fixture(scope="module")
def proud(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """A right half, turned over, that was left standing in one place; the person says which half it is."""
    folder = tmp_path_factory.mktemp("proud")
    spec = CutSpec(**{**SPEC.__dict__, "face_down": True, "proud_mm": PROUD_MM, "proud_at": PROUD_AT})
    plan, outline = made(spec, folder)
    return folder / "out", fit(plan, outline, "--half", "right", "--out", folder / "out", "--json", fresh=True)


def test_a_proud_place_is_told_with_place_and_size(proud: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    out, done = proud
    assert done.returncode == 3, done.stderr
    record = json.loads(done.stdout)
    check_record(record, schema=FIT_SCHEMA_FILE)
    part = record["fit"]
    assert (part["answer"], part["half"], part["face_down"], part["material"]) == ("sand", "right", True, "inside")
    (run,) = part["runs"]
    assert run["size_mm"] == pytest.approx(PROUD_MM, abs=0.08)
    middle = PROUD_AT * part["map"]["along_mm"][-1]
    assert run["from_mm"] < middle < run["to_mm"]
    assert 30.0 < run["to_mm"] - run["from_mm"] < 55.0
    assert {path.name for path in out.iterdir()} == {"fit.html", "fit.pdf", "record.json"}
    assert "lies face down" in done.stderr


def test_its_page_says_what_to_do_and_its_paper_is_true(proud: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    page = (proud[0] / "fit.html").read_text(encoding="utf-8")
    for words in ("Sand it in 1 place", "mirror image", "sand to the line", "wear a mask that fits", "counts twice"):
        assert words in page
    assert "http" not in page.replace("http://www.w3.org", "")
    assert (proud[0] / "fit.pdf").read_bytes().startswith(b"%PDF-")  # its sizes were measured before it was kept


def test_a_true_part_fits(tmp_path: Path) -> None:
    plan, outline = made(SPEC, tmp_path)
    done = fit(plan, outline, "--out", tmp_path / "out", "--json")
    record = json.loads(done.stdout)
    assert (done.returncode, record["fit"]["answer"], record["fit"]["runs"]) == (0, "fits", []), done.stderr
    widths = [abs(one["width_mm"]) - one["u95_mm"] for one in record["fit"]["straight_edge"]["ends"]]
    assert max(widths) < 0.0


@pytest.mark.parametrize(
    ("scale", "kind"), [(1.02, "body"), (0.98, "template"), (0.97, "line")], ids=["large", "small", "drawn"]
)
def test_a_part_of_the_wrong_size_is_told_so_and_no_place_of_it(tmp_path: Path, scale: float, kind: str) -> None:
    spec = CutSpec(**{**SPEC.__dict__, "scale": scale, "kind": kind, "proud_mm": 0.6})
    plan, outline = made(spec, tmp_path)
    drawn = ["--drawn"] if kind == "line" else []
    done = fit(plan, outline, *drawn, "--out", tmp_path / "out", "--json")
    record = json.loads(done.stdout)
    check_record(record, schema=FIT_SCHEMA_FILE)
    whole, told = record["fit"]["whole_size"], [one["code"] for one in record["reasons"]]
    assert (done.returncode, record["fit"]["answer"], told[0]) == (3, "look", "part-whole-size"), done.stderr
    assert abs(whole["percent"] - 100.0 * (scale - 1.0)) < whole["u95_percent"] < 0.15
    assert not {"part-proud", "part-hollow", "part-near-limit", "part-edge-off", "part-size", "line-off"} & set(told)
    way = f"larger than the outline (± {whole['u95_percent']:.2f} %)" if scale > 1 else "smaller than the outline"
    assert way in record["reasons"][0]["text"]
    assert "print-check" in record["reasons"][0]["remedy"]
    assert "100 %" in record["reasons"][0]["remedy"]
    page = (tmp_path / "out" / "fit.html").read_text(encoding="utf-8")
    assert "no place of it is to be sanded" in page
    assert "sand to the line" not in page


def test_a_part_with_its_edge_covered_is_not_said_to_fit(tmp_path: Path) -> None:
    plan, outline = made(CutSpec(**{**SPEC.__dict__, "hidden": (0.3, 0.4)}), tmp_path)
    done = fit(plan, outline, "--out", tmp_path / "covered", "--json")
    record = json.loads(done.stdout)
    assert (done.returncode, record["fit"]["answer"]) == (3, "look")
    assert "part-not-followed" in [one["code"] for one in record["reasons"]]


def test_without_a_rule_nothing_is_said(tmp_path: Path) -> None:
    part = make_part(CutSpec(**{**SPEC.__dict__, "rules": False}), tmp_path)
    done = fit(part.path, write_outline(SPEC, tmp_path), "--out", tmp_path / "out", "--json")
    record = json.loads(done.stdout)
    assert (done.returncode, record["fit"], record["verdict"]) == (4, None, "refused")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "words",
    [("--hold", "pins"), ("--tolerance", "9 km"), ("--half", "upper"), ("--thickness", "300 mm")],
)
def test_a_wrong_call_is_told_at_once(tmp_path: Path, words: tuple[str, str]) -> None:
    done = fit(tmp_path / "part.png", tmp_path / "outline.dxf", *words)
    assert done.returncode == 2
    assert words[1] in done.stderr
