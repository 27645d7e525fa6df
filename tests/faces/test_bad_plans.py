"""Plans that cannot be measured, through the real command: each has its own cause, place, remedy and exit code."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from tests.command import boutline
from tests.maker import PlanSpec, RuleSpec, make_plan
from tests.maker.press import save

BOTH = (RuleSpec(length_mm=120.0), RuleSpec(along="y", length_mm=120.0))
SMALL = PlanSpec(name="bad", seed=11, family="small", rules=BOTH, dpi=100.0, specks=20)
TORN = replace(SMALL, dpi=120.0)  # at 100 the torn outline is found with doubts instead of refused
PX_PER_MM = TORN.dpi / 25.4


def outline(plan: Path, out: Path) -> tuple[int, dict[str, Any], str]:
    done = boutline("outline", plan, "--out", out, "--json")
    return done.returncode, json.loads(done.stdout), done.stderr


def codes(record: dict[str, Any]) -> list[str]:
    return [reason["code"] for reason in record["reasons"]]


def erase(picture: Path, low: np.ndarray, high: np.ndarray) -> None:
    page = cv2.imread(str(picture), cv2.IMREAD_GRAYSCALE)
    (x0, y0), (x1, y1) = np.maximum(low, 0).astype(int), np.maximum(high, 0).astype(int)
    page[y0:y1, x0:x1] = 235
    # The declared resolution decides between units; keep it.
    save(page, TORN, picture)


def assert_refused(code: str, record: dict[str, Any], said: str, out: Path, exit_code: int) -> None:
    assert exit_code == 4
    assert record["verdict"] == "refused"
    assert code in codes(record)
    reason = next(reason for reason in record["reasons"] if reason["code"] == code)
    assert reason["remedy"] in said
    assert not list(out.glob("outline*"))


def test_no_rule_on_the_sheet_is_refused(tmp_path: Path) -> None:
    made = make_plan(replace(SMALL, rules=()), tmp_path)
    exit_code, record, said = outline(made.path, tmp_path / "out")
    assert_refused("no-rule", record, said, tmp_path / "out", exit_code)
    plan = tmp_path / "stated.toml"
    plan.write_text(f'[plan]\nimage = "{made.path.name}"\n[body]\nlength = "300 mm"\n', encoding="utf-8")
    exit_code, record, said = outline(plan, tmp_path / "stated")
    assert_refused("size-alone", record, said, tmp_path / "stated", exit_code)


def test_one_direction_only_is_a_look_with_a_wider_claim(tmp_path: Path) -> None:
    made = make_plan(replace(SMALL, rules=BOTH[:1]), tmp_path)
    exit_code, record, _ = outline(made.path, tmp_path / "out")
    assert exit_code == 3
    assert "one-direction" in codes(record)
    assert record["outline"]["u95_mm"] > 1.0


def test_two_rules_that_disagree_are_refused(tmp_path: Path) -> None:
    """A span from end to end of a rule, said to be 2 % longer than the rule's graduations make it."""
    made = make_plan(replace(SMALL, dpi=150.0), tmp_path)
    rule = made.rules[0]
    start, end = np.asarray(rule.from_px), np.asarray(rule.to_px)
    plan = tmp_path / "plan.toml"
    plan.write_text(
        '[plan]\nimage = "bad.png"\n'
        f"[[span]]\nfrom = [{start[0]:.2f}, {start[1]:.2f}]\nto = [{end[0]:.2f}, {end[1]:.2f}]\n"
        f'length = "{rule.length_mm * 1.02:.3f} mm"\n'
    )
    exit_code, record, said = outline(plan, tmp_path / "out")
    assert_refused("rules-disagree", record, said, tmp_path / "out", exit_code)


def test_two_bodies_on_one_sheet_are_refused_and_one_line_settles_it(tmp_path: Path) -> None:
    made = make_plan(SMALL, tmp_path)
    page = cv2.imread(str(made.path), cv2.IMREAD_GRAYSCALE)
    save(np.hstack([page, page]), SMALL, made.path)
    exit_code, record, said = outline(made.path, tmp_path / "out")
    assert_refused("several-bodies", record, said, tmp_path / "out", exit_code)
    (inside,) = made.to_px(np.array([[0.0, made.measures["length_mm"] / 2]]))
    plan = tmp_path / "plan.toml"
    plan.write_text(f'[plan]\nimage = "bad.png"\n[body]\nnear = [{inside[0]:.0f}, {inside[1]:.0f}]\n')
    exit_code, record, _ = outline(plan, tmp_path / "out")
    assert exit_code == 0
    assert record["body"]["length_mm"] == pytest.approx(made.measures["length_mm"], abs=0.1)


def test_no_closed_outline_is_refused(tmp_path: Path) -> None:
    made = make_plan(TORN, tmp_path)
    widest = made.to_px(made.outline_mm[[np.argmax(made.outline_mm[:, 0])]])[0]
    erase(made.path, widest - np.array([15.0, 51.0]) * PX_PER_MM, widest + np.array([4.0, 51.0]) * PX_PER_MM)
    exit_code, record, said = outline(made.path, tmp_path / "out")
    assert_refused("no-outline", record, said, tmp_path / "out", exit_code)


def test_a_page_of_text_is_refused(tmp_path: Path) -> None:
    page = np.full((1100, 900), 255, np.uint8)
    for row in range(50, 1050, 25):
        cv2.putText(page, "measure twice and cut once, says everybody", (40, row), cv2.FONT_HERSHEY_SIMPLEX, 0.8, 0, 2)
    cv2.imwrite(str(tmp_path / "text.png"), page)
    exit_code, record, said = outline(tmp_path / "text.png", tmp_path / "out")
    assert_refused("no-rule", record, said, tmp_path / "out", exit_code)


def test_a_rule_whose_unit_nothing_decides_is_refused(tmp_path: Path) -> None:
    """Graduations all of one length, and no resolution in the file."""
    page = np.full((600, 1300), 255, np.uint8)
    cv2.line(page, (150, 500), (1150, 500), 0, 2)
    for place in np.arange(150, 1151, 9.0):
        cv2.line(page, (round(place), 500), (round(place), 470), 0, 1)
    cv2.imwrite(str(tmp_path / "plain.png"), page)
    exit_code, record, _ = outline(tmp_path / "plain.png", tmp_path / "out")
    assert exit_code == 4
    assert set(codes(record)) & {"unit-uncertain", "no-rule"}


@pytest.mark.parametrize("words", ['length = "twenty"', "nearr = [1, 2]"])
def test_a_plan_file_with_a_mistake_is_wrong_usage(tmp_path: Path, words: str) -> None:
    cv2.imwrite(str(tmp_path / "plan.png"), np.full((400, 400), 255, np.uint8))
    plan = tmp_path / "plan.toml"
    plan.write_text(f'[plan]\nimage = "plan.png"\n[body]\n{words}\n')
    done = boutline("outline", plan, "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "what to do" in done.stderr
    assert not (tmp_path / "out").exists()
