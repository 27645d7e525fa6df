"""A cut part photographed, its walls in view, through the command."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.bench.fits import write_outline
from tests.faces.test_fit import fit
from tests.maker.cut_part import CutSpec
from tests.maker.cut_photo import make_part_photo

# Six millimetres thick: seen from 40 cm its wall is up to two millimetres wide.
SPEC = CutSpec(seed=8001, stuff="mdf", long_px=2000, turn_deg=3.0, proud_mm=0.7, proud_at=0.45)


def test_a_photographed_part_is_told_where_it_stands_proud(tmp_path: Path) -> None:
    made = make_part_photo(SPEC, tmp_path)
    outline = write_outline(SPEC, tmp_path)
    thickness = f"{made.thickness_mm} mm"
    done = fit(made.path, outline, "--half", "right", "--thickness", thickness, "--out", tmp_path / "out", "--json")
    record = json.loads(done.stdout)
    part = record["fit"]
    assert (done.returncode, part["answer"], part["material"]) == (3, "sand", "inside"), done.stderr
    runs = [one for one in part["runs"] if one["beyond"]]
    assert [one["size_mm"] for one in runs] == [pytest.approx(SPEC.proud_mm, abs=0.15)]
    assert runs[0]["from_mm"] < SPEC.proud_at * part["map"]["along_mm"][-1] < runs[0]["to_mm"]
    assert all(abs(one["width_mm"]) < one["u95_mm"] + 0.1 for one in part["straight_edge"]["ends"])
