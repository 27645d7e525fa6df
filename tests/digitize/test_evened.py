"""Uneven feeding taken out of a scan before anything is traced."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.controls import Control
from calibration.frames import PxPoints
from digitize.evened import evened
from digitize.pipeline import run_outline
from digitize.shapes import Picture, Rule
from tests.bench.compare import compare
from tests.bench.one import read_body
from tests.maker import PlanSpec, RuleSpec, make_plan
from tests.maker.press import save

PX_PER_MM = 8.0
WAVE_MM = 0.3


def fed(at):
    return WAVE_MM * np.sin(2 * np.pi * np.asarray(at) / 110.0)


def rule(name, along, size=1.0, start=(60.0, 60.0), length=200):
    at = np.arange(length + 1.0)
    noise = np.random.default_rng(4).normal(0.0, 0.03, len(at))
    px = np.asarray(start) + np.outer(PX_PER_MM * (at + size * fed(at)) + noise, along)
    control = Control(name, "drawn rule", PxPoints(px), at, np.full(len(at), 0.03), 0.03)
    ends = [(float(x), float(y)) for x, y in px[[0, -1]]]
    return Rule(control, "drawn", "mm", 1.0, *ends, len(at), 0, PX_PER_MM, 0.03, "")


def picture():
    """Fine lines across, where an uneven feed along y puts those that were drawn every 5 mm."""
    grey = np.full((1800, 300), 236, dtype=np.uint8)
    for at in np.arange(5.0, 196.0, 5.0):
        y = 60.0 + PX_PER_MM * (at + fed(at))
        cv2.line(grey, (0, round(16 * y)), (16 * 299, round(16 * y)), 30, 3, cv2.LINE_AA, 4)
    return Picture(grey, "a.png", "0" * 64, (203.2, 203.2), "scan")


def test_lines_come_back_to_their_even_places():
    found = evened(picture(), [rule("rule 1", (0.0, 1.0))])
    assert found is not None
    ink = 236.0 - found.picture.grey[:, 150].astype(float)
    places = []
    for at in np.arange(15.0, 186.0, 5.0):
        near = np.arange(round(60 + PX_PER_MM * at) - 12, round(60 + PX_PER_MM * at) + 13)
        places.append(float(near @ ink[near] / ink[near].sum()))
    off_mm = (np.array(places) - 60.0) / PX_PER_MM - np.arange(15.0, 186.0, 5.0)
    off_mm -= np.polynomial.polynomial.polyval(
        np.arange(len(off_mm)), np.polynomial.polynomial.polyfit(np.arange(len(off_mm)), off_mm, 1)
    )
    assert np.sqrt(np.mean(off_mm**2)) < 0.02  # of 0.21 before


def test_places_go_there_and_back():
    both = evened(picture(), [rule("rule 1", (0.0, 1.0)), rule("rule 2", (1.0, 0.0), 0.7)])
    assert both is not None
    assert len(both.courses) == 2
    xy = np.random.default_rng(1).uniform((0, 0), (2000, 1800), (500, 2))
    np.testing.assert_allclose(both.to_scan(both.to_even(xy)), xy, atol=0.05)  # px: the table's own step


def test_an_even_rule_leaves_the_picture_alone():
    assert evened(picture(), [rule("rule 1", (0.0, 1.0), 0.0)]) is None


def test_a_short_rule_does_not_speak_for_the_sheet():
    assert evened(picture(), [rule("rule 1", (0.0, 1.0), length=80)]) is None


def test_beyond_the_rule_the_claim_is_as_wide_as_the_unevenness():
    found = evened(picture(), [rule("rule 1", (0.0, 1.0))])
    assert found is not None
    inside = np.stack([np.full(100, 150.0), np.linspace(100, 1600, 100)], axis=1)
    assert found.terms(inside)[0].u_mm == pytest.approx(0.02)
    assert found.terms(inside + np.array([0.0, 600.0]))[0].u_mm > 0.2


def test_a_sheet_put_down_askew_leaves_open_along_which_direction_it_was_fed():
    """Beside the rule by 150 mm and half a degree askew, copier and scanner are 1.3 mm of paper apart."""
    square = evened(picture(), [rule("rule 1", (0.0, 1.0))])
    askew = evened(picture(), [rule("rule 1", (np.sin(np.deg2rad(0.5)), np.cos(np.deg2rad(0.5))))])
    assert square is not None and askew is not None
    beside = np.stack([np.full(300, 60.0 + 150.0 * PX_PER_MM), np.linspace(200, 1500, 300)], axis=1)
    assert square.terms(beside)[1].u_mm < 1e-3
    apart = 150.0 * np.tan(np.deg2rad(0.5)) * WAVE_MM * 2 * np.pi / 110.0 / np.sqrt(2.0)  # its steepest, over sqrt 2
    assert askew.terms(beside)[1].u_mm == pytest.approx(apart, rel=0.15)


@pytest.mark.slow
def test_an_outline_fed_unevenly_is_traced_as_it_was_drawn(tmp_path: Path) -> None:
    """A wave of 1 mm, which no even comb fits; left in, the outline is 0.4 mm off."""
    spec = PlanSpec(
        name="fed", seed=21, family="small", rules=(RuleSpec(length_mm=200.0), RuleSpec(along="y", length_mm=420.0)),
        dpi=200.0, specks=40, smudges=2, fold=False,
    )  # fmt: skip
    made = make_plan(spec, tmp_path)
    grey = cv2.imread(str(made.path), cv2.IMREAD_GRAYSCALE)
    rows = np.arange(grey.shape[0]) * 25.4 / spec.dpi
    from_row = (rows - 1.0 * np.sin(2 * np.pi * rows / 300.0)) * spec.dpi / 25.4
    x, y = np.meshgrid(np.arange(grey.shape[1], dtype=np.float32), from_row.astype(np.float32))
    save(cv2.remap(grey, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), spec, made.path)
    outcome = run_outline(made.path, tmp_path / "out")
    assert "feed-evened" in {reason["code"] for reason in outcome.record["reasons"]}
    assert outcome.exit_code == 3
    found = compare(read_body(tmp_path / "out" / "outline.dxf"), made.outline_mm, made.corners_mm, made.corners_mm)
    assert found.rms_mm < 0.02
    assert found.p95_mm <= outcome.record["outline"]["u95_mm"]
