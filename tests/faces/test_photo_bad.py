"""Photos that cannot be measured, through the real command: each names its own fault and what to change.

``python -m tests.bench.photo_bad`` does the same with whole pictures of many plans.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.command import boutline
from tests.faces.test_command_line import told
from tests.faces.test_photo import PHOTO
from tests.maker.photo import MadePhoto, make_photo
from tests.maker.photo_bad import edges_out, two_sheets
from tests.maker.photo_spec import LaidSpec, PhotoSpec

SMALL = replace(PHOTO, name="bad", long_px=1600, shadow=0.0)
ONE_RULE = replace(SMALL, laid=(LaidSpec("steel 300", (60.0, 10.0), 1.0),), long_px=2600)


def refused(spec: PhotoSpec, folder: Path, plan: str = "") -> tuple[dict[str, Any], str, MadePhoto]:
    """Make a photo, see it refused with nothing written, and return its reason and what was said."""
    made = make_photo(spec, folder)
    given = made.path
    if plan:
        given = folder / "plan.toml"
        given.write_text(f'[plan]\nimage = "{made.path.name}"\n{plan}')
    done = boutline("outline", given, "--out", folder / "out", "--json")
    assert done.returncode == 4, done.stderr
    told(done)
    assert not (folder / "out" / "outline.dxf").exists()
    (reason,) = json.loads(done.stdout)["reasons"]
    assert reason["remedy"] in done.stderr
    return reason, done.stderr, made


@pytest.mark.parametrize(
    ("change", "code", "advice"),
    [
        ({"laid": ()}, "photo-no-rule", "300 mm or longer"),
        ({"blur_px": 5.0}, "photo-blurred", "focuses"),
        ({"motion_px": 18.0, "motion_deg": 35.0}, "photo-moved", "Rest the camera"),
    ],
    ids=["no rule", "blurred", "moved"],
)
def test_a_photo_whose_rules_cannot_be_read_says_why(
    tmp_path: Path, change: dict[str, Any], code: str, advice: str
) -> None:
    reason, said, _ = refused(replace(SMALL, **change), tmp_path)
    assert reason["code"] == code
    assert advice in said


def test_two_sheets_side_by_side_are_not_taken_for_one(tmp_path: Path) -> None:
    reason, said, _ = refused(two_sheets(SMALL, 1), tmp_path)
    assert reason["code"] in ("two-sheets", "sheet-outline")
    assert "one sheet at a time" in said


@pytest.mark.slow
def test_one_short_rule_and_no_edge_in_sight_asks_for_a_longer_one_and_a_second(tmp_path: Path) -> None:
    spec = edges_out(replace(ONE_RULE, laid=(LaidSpec("steel 60", (60.0, 10.0), 1.0),), exif_focal=False, long_px=3000))
    reason, said, _ = refused(spec, tmp_path)
    assert reason["code"] == "photo-rule-too-short"
    assert "second one" in said


def test_millimetres_said_to_be_inches_are_refused_and_the_line_of_the_plan_named(tmp_path: Path) -> None:
    reason, said, _ = refused(ONE_RULE, tmp_path, '[[rule]]\nunit = "in"\n')
    assert reason["code"] == "unit-contradicted"
    assert "take unit out" in said
