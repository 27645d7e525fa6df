"""Plans that once went wrong, through the whole pipeline against their truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from digitize.pipeline import run_outline
from tests.bench.compare import compare
from tests.bench.one import RIGHT_MM, read_body
from tests.maker.level_plan import LevelPlan, make_level_plan
from tests.maker.level_spec import Level, level_specs


def made(level: Level, seed: int, number: int, folder: Path) -> LevelPlan:
    """Return one plan of a level."""
    return make_level_plan(level_specs(level, seed, number + 1)[number], folder)


def farthest_mm(plan: LevelPlan, line: str, out: Path) -> tuple[str, float]:
    """Return the verdict and how far the outline written is from the truth, corners apart."""
    file = plan.path.with_suffix(".toml")
    file.write_text(plan.plan_file(line), encoding="utf-8")
    record = run_outline(file, out, replace=True).record
    found = np.array([(c["x_mm"], c["y_mm"]) for c in record["body"]["corners"]]).reshape(-1, 2)
    return record["verdict"], compare(read_body(out / "outline.dxf"), plan.outline_mm, plan.corners_mm, found).max_mm


@pytest.mark.slow
@pytest.mark.parametrize(
    ("number", "what"),
    [(8, "a half body six times as long as wide"), (25, "an S of 4 mm radius across the neck's edge, tangent to it")],
)
def test_the_outline_is_found(number: int, what: str, tmp_path: Path) -> None:
    plan = made("ordinary", 2, number, tmp_path)
    verdict, off = farthest_mm(plan, "", tmp_path / "out")
    assert off < RIGHT_MM and verdict in ("sound", "look"), what


@pytest.mark.slow
def test_careless_clicks_on_a_clear_line_do_not_move_it(tmp_path: Path) -> None:
    plan = made("ordinary", 1, 1, tmp_path)  # a small body, 300 dpi
    _, alone = farthest_mm(plan, "", tmp_path / "alone")
    every = np.linspace(0, len(plan.outline_mm), 7, endpoint=False).astype(int)
    off_mm = np.array([[0.3, 0.2], [-0.3, 0.1], [0.2, -0.35], [0.0, 0.4], [-0.25, -0.25], [0.4, 0.0], [0.3, -0.3]])
    clicks = np.rint(plan.to_px(plan.outline_mm[every] + off_mm)).astype(int).tolist()
    verdict, told = farthest_mm(plan, f"through = {clicks}", tmp_path / "told")
    assert verdict == "sound"
    assert told == pytest.approx(alone, abs=0.02)


@pytest.mark.slow
def test_a_box_with_its_wide_end_at_the_neck_is_never_turned_in_silence(tmp_path: Path) -> None:
    plan = made("crowded", 2, 7, tmp_path)
    verdict, off = farthest_mm(plan, "", tmp_path / "alone")
    assert off < RIGHT_MM or verdict == "look"
    x, y = np.rint(plan.to_px(plan.centerline_mm[1:])[0]).astype(int)
    verdict, off = farthest_mm(plan, f"neck = [{x}, {y}]", tmp_path / "told")
    assert off < RIGHT_MM and verdict == "sound"
    x, y = np.rint(plan.to_px(plan.centerline_mm[:1])[0]).astype(int)
    _, off = farthest_mm(plan, f"neck = [{x}, {y}]", tmp_path / "told-wrong")
    assert off > RIGHT_MM  # what the person says holds
