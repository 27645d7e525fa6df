"""A half drawn on paper in place of a cut part: made scans with known truth, through the command."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from digitize.writers.record import FIT_SCHEMA_FILE, check_record
from tests.faces.test_fit import fit, made
from tests.maker.cut_part import PENCIL_MM, CutSpec

SPEC = CutSpec(seed=7, kind="line", dpi=150.0, turn_deg=93.0)
PROUD_MM = 0.6


def test_a_line_that_leaves_the_outline_is_told_with_place_and_size(tmp_path: Path) -> None:
    plan, outline = made(CutSpec(**{**SPEC.__dict__, "proud_mm": PROUD_MM}), tmp_path)
    done = fit(plan, outline, "--half", "right", "--out", tmp_path / "out", "--json")
    record = json.loads(done.stdout)
    check_record(record, schema=FIT_SCHEMA_FILE)
    part, told = record["fit"], {one["code"]: one["text"] for one in record["reasons"]}
    assert (done.returncode, part["answer"], part["material"]) == (3, "look", "inside"), done.stderr
    assert part["line_mm"] == pytest.approx(PENCIL_MM, abs=0.2)  # a pixel is 0.17 mm, and blur widens it
    (run,) = part["runs"]
    assert run["size_mm"] == pytest.approx(PROUD_MM, abs=0.08)
    assert run["from_mm"] < SPEC.proud_at * part["map"]["along_mm"][-1] < run["to_mm"]
    assert "outside the outline" in told["line-off"]
    assert "line-taken" in told  # nobody said that it is drawn: it may be a clear part's rim
    assert "part-proud" not in told


def test_a_true_line_that_is_said_to_be_one_fits(tmp_path: Path) -> None:
    plan, outline = made(SPEC, tmp_path)
    done = fit(plan, outline, "--drawn", "--out", tmp_path / "out", "--json")
    record = json.loads(done.stdout)
    assert (done.returncode, record["fit"]["answer"], record["fit"]["runs"]) == (0, "fits", []), done.stderr
    assert all(abs(one["width_mm"]) < one["u95_mm"] for one in record["fit"]["straight_edge"]["ends"])
    page = (tmp_path / "out" / "fit.html").read_text(encoding="utf-8")
    assert "drawn line" in page
