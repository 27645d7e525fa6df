"""What the commands print of a plan that asks for inches."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.command import boutline
from tests.maker import MadePlan, PlanSpec

SHEET = PlanSpec(name="inches", seed=4, family="small", dpi=100.0, copier_x=1.013, copier_y=0.996, specks=0)


@pytest.mark.parametrize(
    ("command", "lengths"),
    [
        ("halves", r"keep mean: changes up to 0\.00\d in"),
        ("print-check", r"length -0\.0\d\d in, lower bout \+0\.1\d\d in"),
        ("reprint", r"\d+( \d+/\d+)? in x \d+( \d+/\d+)? in on one page"),
    ],
)
def test_the_summary_is_in_inches(
    made: Callable[[PlanSpec], MadePlan], tmp_path: Path, command: str, lengths: str
) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(f"[plan]\nimage = '{made(SHEET).path.as_posix()}'\nunit = 'in'\n")
    done = boutline(command, plan, "--out", tmp_path / "out")
    assert re.search(lengths, done.stdout), done.stdout + done.stderr
    paper = re.sub(r"one page of \d+ x \d+ mm", "", done.stdout)  # paper is sold by the millimetre or by its name
    assert " mm" not in paper
