"""A bank card on a scanned sheet, through the command line: it agrees, it contradicts a wrong unit, it is no scale."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from tests.command import boutline
from tests.faces.test_command_line import told
from tests.maker.card_scan import lay_card
from tests.maker.print_press import make_print
from tests.maker.print_spec import PrintSpec
from tests.maker.spec import RuleSpec

COPY = PrintSpec(
    name="copy", seed=5, family="small", dpi=100.0, copier_x=1.013, copier_y=0.992, specks=60, smudges=2,
    rules=(RuleSpec(length_mm=150.0), RuleSpec(along="y", length_mm=200.0)),
)  # fmt: skip


@pytest.fixture(scope="module")
def scan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The copy with a card in the middle of its body, in a file that states no resolution."""
    made = make_print(COPY, tmp_path_factory.mktemp("card"))
    grey = cv2.imread(str(made.path), cv2.IMREAD_GRAYSCALE)
    per_mm = COPY.dpi / 25.4
    carded = lay_card(grey, (grey.shape[1] / 2, grey.shape[0] / 2), (per_mm, per_mm), 12.0)
    path = made.path.with_name("carded.png")
    assert cv2.imwrite(str(path), carded)
    path.with_suffix(".json").write_text(json.dumps([((r.from_px + r.to_px) / 2).tolist() for r in made.drawn]))
    return path


def checked(
    scan: Path, command: str, name: str, unit: str, *more: str, card: str = ""
) -> tuple[int, dict[str, Any]]:
    """Run a command with rules told to be drawn in a unit."""
    places = json.loads(scan.with_suffix(".json").read_text())
    rules = "".join(f'[[rule]]\nunit = "{unit}"\nnear = [{x:.0f}, {y:.0f}]\n' for x, y in places)
    plan = scan.with_name(f"{name}.toml")
    plan.write_text(f'[plan]\nimage = "{scan.name}"\n{rules}{card}')
    done = boutline(command, plan, "--out", scan.parent / name, "--json", *more)
    return done.returncode, json.loads(done.stdout)


def codes(record: dict[str, Any]) -> set[str]:
    return {reason["code"] for reason in record["reasons"]}


def test_a_card_says_how_large_the_copy_is_and_is_no_doubt(scan: Path) -> None:
    code, record = checked(scan, "reprint", "right", "mm", "--region", "530", "530", "270", "270")
    assert code in (0, 3)
    assert not any(one.startswith("card") for one in codes(record))
    (card,) = record["cards"]
    assert card["against"] == "plan" and card["agrees"]
    for side in card["sides"]:  # nearly along the picture's x and y; the card is smaller in mm of an enlarged plan
        true = {"long side": 1 / 1.013, "short side": 1 / 0.992}[side["name"]]
        assert abs(side["measured_mm"] / side["nominal_mm"] / true - 1.0) <= side["u95_percent"] / 100.0 + 0.001


def test_rules_told_in_the_wrong_unit_are_contradicted_by_the_card(scan: Path) -> None:
    """The file states no resolution, so nothing else says that these are not tenths of an inch."""
    code, record = checked(scan, "outline", "wrong", "in", card="[[card]]\n")
    assert code == 3
    assert "card-disagrees-plan" in codes(record)
    remedy = next(one["remedy"] for one in record["reasons"] if one["code"] == "card-disagrees-plan")
    assert "unit" in remedy
    assert record["cards"][0]["sides"][0]["measured_mm"] == pytest.approx(85.6 * 2.54, rel=0.02)
    page = (scan.parent / "wrong" / "report.html").read_text(encoding="utf-8")
    assert "A bank card lies there" in page and "contradicts the scale" in page


def test_a_card_alone_is_no_scale(tmp_path: Path) -> None:
    grey = lay_card(np.full((700, 900), 235, dtype=np.uint8), (450.0, 350.0), (5.0, 5.0))
    assert cv2.imwrite(str(tmp_path / "alone.png"), grey)
    (tmp_path / "alone.toml").write_text('[plan]\nimage = "alone.png"\n[[card]]\nnear = [450, 350]\n')
    done = boutline("outline", tmp_path / "alone.toml", "--out", tmp_path / "out", "--json")
    assert done.returncode == 4
    assert codes(json.loads(done.stdout)) == {"card-alone"}
    told(done)
