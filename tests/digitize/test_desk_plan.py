"""The plan file under the desk's hands: what is written, what is left alone, what is taken back."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from calibration.errors import UsageError
from digitize.desk.plan_edit import BadChangeError, changed
from digitize.desk.plan_file import PlanFile
from digitize.settings import load_plan

WRITTEN = """\
# Plover, sheet 2
[plan]
image = "sheet.png"   # the better scan
unit = "in"

[body]
through = [
  [912, 3004],  # waist
  [100, 200],
]
keep = "mean"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    assert cv2.imwrite(str(tmp_path / "sheet.png"), np.full((400, 600), 255, dtype=np.uint8))
    (tmp_path / "sheet-plan.toml").write_text(WRITTEN, encoding="utf-8")
    return tmp_path


def put(at: list[Any], value: Any) -> dict[str, Any]:
    return {"do": "set", "at": at, "value": value}


def add(at: list[Any], value: Any) -> dict[str, Any]:
    return {"do": "add", "at": at, "value": value}


def test_everything_else_stays_as_it_was_written() -> None:
    text = changed(WRITTEN, [put(["body", "through", 0], [911.5, 3004.0])])
    assert text == WRITTEN.replace("[912, 3004]", "[911.5, 3004]")


@pytest.mark.parametrize(
    ("change", "table", "key", "value"),
    [
        (put(["body", "near"], [240.0, 310.5]), "body", "near", [240, 310.5]),
        (put(["body", "neck"], [1, 2]), "body", "neck", [1, 2]),
        (put(["body", "keep"], "left"), "body", "keep", "left"),
        (put(["plan", "unit"], "mm"), "plan", "unit", "mm"),
        (add(["body", "through"], [5, 6]), "body", "through", [[912, 3004], [100, 200], [5, 6]]),
        ({"do": "drop", "at": ["body", "through", 0]}, "body", "through", [[100, 200]]),
        (add(["body", "ignore"], [[0, 0], [9, 0], [9, 9]]), "body", "ignore", [[[0, 0], [9, 0], [9, 9]]]),
    ],
)  # fmt: skip
def test_a_change_reads_back(change: dict[str, Any], table: str, key: str, value: object) -> None:
    text = changed(WRITTEN, [change])
    assert tomllib.loads(text)[table][key] == value
    assert text.startswith("# Plover, sheet 2\n")
    assert "# the better scan" in text


def test_spans_and_rules_come_and_go_as_tables() -> None:
    span = {"from": [1, 2], "to": [3, 4.5], "length": "19 7/8 in"}
    text = changed(WRITTEN, [{"do": "add", "at": ["span"], "value": span}])
    assert tomllib.loads(text)["span"] == [span]
    text = changed(text, [{"do": "add", "at": ["rule"], "value": {"near": [7, 8], "role": "laid"}}])
    text = changed(text, [put(["rule", 0, "unit"], "mm"), put(["span", 0, "length"], "505 mm")])
    assert tomllib.loads(text)["rule"] == [{"near": [7, 8], "role": "laid", "unit": "mm"}]
    text = changed(text, [{"do": "drop", "at": ["span", 0]}, {"do": "drop", "at": ["rule", 0]}])
    assert tomllib.loads(text) == tomllib.loads(WRITTEN)


def test_rules_written_in_braces_are_added_to() -> None:
    text = changed(
        'rule = [{near = [1, 2]}]\n[plan]\nimage = "a.png"\n',
        [{"do": "add", "at": ["rule"], "value": {"near": [3, 4]}}],
    )
    assert [one["near"] for one in tomllib.loads(text)["rule"]] == [[1, 2], [3, 4]]


@pytest.mark.parametrize(
    "change",
    [
        put(["plan", "image"], "/etc/passwd"),
        put(["plan", "lens"], "../lens.toml"),
        put(["plan"], {"image": "x"}),
        put(["body", "near"], {"a": 1}),
        put(["body", "near"], [float("nan"), 1]),
        put(["body", "near"], True),
        put(["body", "through", 9], [1, 2]),
        put(["body", "through", -1], [1, 2]),
        put(["body", "keep", "x"], "left"),
        put(["span", 0, "length"], "1 mm"),
        put([], 1),
        put(["spam"], 1),
        {"do": "add", "at": ["span"], "value": {"from": [1, 2], "file": "x"}},
        {"do": "burn", "at": ["body", "near"], "value": [1, 2]},
        {"do": "drop", "at": ["rule", 0]},
        {},
    ],
)
def test_what_makes_no_sense_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(BadChangeError):
        changed(WRITTEN, [change])


def test_each_change_is_on_disk_at_once_with_the_version_before(folder: Path) -> None:
    plan = PlanFile(folder / "sheet-plan.toml")
    plan.change([put(["body", "near"], [10, 20])])
    plan.change([put(["body", "near"], [11, 20])])
    assert load_plan(plan.path).body.near == (11.0, 20.0)
    assert tomllib.loads((folder / "sheet-plan.toml.~1~").read_text())["body"]["near"] == [10, 20]
    assert (folder / "sheet-plan.toml.~start~").read_text() == WRITTEN
    assert sorted(one.name for one in folder.iterdir() if one.name.startswith(".")) == []


def test_all_is_undone_to_the_byte_and_done_again(folder: Path) -> None:
    plan = PlanFile(folder / "sheet-plan.toml")
    texts = [plan.path.read_bytes()]
    for x in range(4):
        plan.change([{"do": "add", "at": ["body", "through"], "value": [x, 1]}])
        texts.append(plan.path.read_bytes())
    for before in reversed(texts[:-1]):
        assert plan.history.undo()
        assert plan.path.read_bytes() == before
    assert not plan.history.undo()
    for after in texts[1:]:
        assert plan.history.redo()
        assert plan.path.read_bytes() == after
    assert not plan.history.redo()


def test_a_change_by_hand_meanwhile_is_kept_and_can_be_taken_back(folder: Path) -> None:
    plan = PlanFile(folder / "sheet-plan.toml")
    by_hand = WRITTEN.replace('"mean"', '"left"')
    plan.path.write_text(by_hand, encoding="utf-8")
    plan.change([put(["body", "near"], [10, 20])])
    assert load_plan(plan.path).body.keep == "left"
    assert plan.history.undo()
    assert plan.path.read_text() == by_hand
    assert plan.history.undo()
    assert plan.path.read_text() == WRITTEN


def test_what_the_plan_file_may_not_say_is_refused_and_nothing_written(folder: Path) -> None:
    plan = PlanFile(folder / "sheet-plan.toml")
    for at, value in (
        (["body", "keep"], "best"),
        (["body", "length"], "long"),
        (["body", "ignore"], [[[0, 0], [1, 1]]]),
    ):
        with pytest.raises(UsageError):
            plan.change([put(at, value)])
    assert plan.path.read_text() == WRITTEN
    assert not plan.history.can_undo


def test_a_picture_gets_a_plan_file_with_the_first_change_and_loses_it_with_its_undoing(folder: Path) -> None:
    picture = folder / "sheet.png"
    plan = PlanFile(picture)
    assert plan.path == folder / "sheet.toml"
    assert plan.runs == picture
    plan.change([put(["body", "near"], [10, 20])])
    assert load_plan(folder / "sheet.toml").image == picture
    assert PlanFile(picture).path == plan.path  # found again
    assert plan.history.undo()
    assert not plan.path.exists()
    assert plan.history.redo()
    assert load_plan(plan.path).body.near == (10.0, 20.0)


def test_a_plan_file_of_another_picture_is_left_alone(folder: Path) -> None:
    other = folder / "sheet.toml"
    assert cv2.imwrite(str(folder / "other.png"), np.full((40, 60), 255, dtype=np.uint8))
    other.write_text('[plan]\nimage = "other.png"\n')
    plan = PlanFile(folder / "sheet.png")
    plan.change([put(["body", "near"], [10, 20])])
    assert plan.path.name == "sheet-2.toml"
    assert other.read_text() == '[plan]\nimage = "other.png"\n'
