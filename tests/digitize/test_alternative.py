"""Two lines beside each other: the run says so, and the line of help that it offers gives the other one."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from digitize.pipeline import run_outline
from tests.maker.level_plan import make_level_plan
from tests.maker.level_spec import Parallel, level_specs

APART_MM = 3.5
NEAR_MM = 1.7  # both lines lie within what a click may be off


def test_the_other_line_can_be_had_with_the_line_of_help_offered(tmp_path: Path) -> None:
    spec = level_specs("crowded", 1, 2)[1]  # a whole small body
    spec = replace(spec, crowd=(), parallel=Parallel(distance_mm=APART_MM, width_share=1.0, dash_mm=()))
    plan = make_level_plan(spec, tmp_path)
    file = plan.path.with_suffix(".toml")
    file.write_text(plan.plan_file(""), encoding="utf-8")
    first = run_outline(file, tmp_path / "first").record
    offered = next(reason for reason in first["reasons"] if reason["code"] == "alternative-line")
    assert first["verdict"] == "look"

    line = re.search(r"through = \[\[.*\]\]", offered["remedy"])
    assert line is not None
    file.write_text(plan.plan_file(line.group(0)), encoding="utf-8")
    second = run_outline(file, tmp_path / "second").record
    lengths = sorted(record["body"]["length_mm"] for record in (first, second))
    # both lines run at one distance all round, so one body is longer by that at both ends
    assert lengths[1] - lengths[0] == pytest.approx(2 * APART_MM, abs=0.2)


@pytest.mark.parametrize("which", ["own", "beside"])
def test_of_two_lines_of_a_half_that_pass_near_a_place_the_nearer_is_taken(tmp_path: Path, which: str) -> None:
    spec = level_specs("crowded", 1, 2)[1]
    spec = replace(spec, half=True, crowd=(), parallel=Parallel(distance_mm=-NEAR_MM, width_share=1.0, dash_mm=()))
    plan = make_level_plan(spec, tmp_path)
    widest = plan.half_mm[np.argmax(np.abs(plan.half_mm[:, 0]))]  # there the lines run along the centerline
    place = widest - [np.sign(widest[0]) * NEAR_MM if which == "beside" else 0.0, 0.0]
    x, y = plan.to_px(place[None])[0]
    file = plan.path.with_suffix(".toml")
    file.write_text(plan.plan_file(f"through = [[{x:.1f}, {y:.1f}]]"), encoding="utf-8")
    record = run_outline(file, tmp_path / "out").record
    off = record["body"]["lower_bout_mm"] - plan.measures["width_mm"]
    assert off == pytest.approx(-2 * NEAR_MM if which == "beside" else 0.0, abs=0.2)
