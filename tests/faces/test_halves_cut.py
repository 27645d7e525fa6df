"""A cut half through the command: a made scan of a solid half, and of what is none."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import Refusal
from digitize.cut_half import free_piece, sides
from digitize.part_view import part_scaled
from digitize.settings import load_plan
from digitize.traced import Clock
from digitize.writers.record import check_record
from tests.faces.test_fit import GRADED
from tests.faces.test_halves import halves
from tests.maker.cut_part import CutSpec, make_part

SPEC = CutSpec(seed=7, dpi=120.0, stuff="mdf", ground="lid", turn_deg=93.0, shadow=0.2)


def told(spec: CutSpec, folder: Path) -> tuple[Path, np.ndarray]:
    made = make_part(spec, folder)
    plan = folder / f"{spec.name}.toml"
    plan.write_text(GRADED.format(made.path.name), encoding="utf-8")
    return plan, made.half_mm


def test_a_solid_half_is_audited_like_a_drawn_one(tmp_path: Path) -> None:
    plan, half = told(SPEC, tmp_path)
    done = halves(plan, "--cut", "--out", tmp_path / "out", "--json")
    record = json.loads(done.stdout)
    check_record(record)
    assert done.returncode in (0, 3), done.stderr
    part, body = record["halves"], record["body"]
    assert not part["whole"]
    # 150 dpi and the saw's wobble; the width is twice the half's
    assert body["length_mm"] == pytest.approx(np.ptp(half[:, 1]), abs=0.15)
    assert body["lower_bout_mm"] == pytest.approx(2 * half[:, 0].max(), abs=0.2)
    codes = {one["code"]: one["text"] for one in record["reasons"]}
    assert "cut-edge-straight" in codes
    assert "copy-unchecked" not in codes
    assert {one["end"] for one in part["ends"]} == {"tail", "neck"}
    assert all(abs(one["kink_deg"]) < 3.0 for one in part["ends"])
    page = (tmp_path / "out" / "halves.html").read_text(encoding="utf-8")
    assert part["cut"] and "One half, cut out" in page and "x = 0 is its straight edge" in page
    assert "drawn centerline" not in page


def test_a_template_is_audited_by_its_inner_edge(tmp_path: Path) -> None:
    spec = CutSpec(**{**SPEC.__dict__, "kind": "template", "stuff": "dark", "turn_deg": 3.0})
    plan, half = told(spec, tmp_path)
    done = halves(plan, "--cut", "--out", tmp_path / "out", "--json")
    record = json.loads(done.stdout)
    assert done.returncode in (0, 3), done.stderr
    # the saw's wobble and 150 dpi; the width is twice the half's
    assert record["body"]["length_mm"] == pytest.approx(np.ptp(half[:, 1]), abs=0.15)
    assert record["body"]["lower_bout_mm"] == pytest.approx(2 * half[:, 0].max(), abs=0.2)
    assert {"cut-is-template", "cut-edge-straight"} <= {one["code"] for one in record["reasons"]}


def test_a_photo_of_a_part_needs_its_thickness(tmp_path: Path) -> None:
    plan, _ = told(SPEC, tmp_path)
    plan.write_text(plan.read_text().replace("[plan]", '[plan]\ncaptured = "photo"'), encoding="utf-8")
    with pytest.raises(Refusal, match="wall"):
        part_scaled(load_plan(plan), None, Clock())
    done = halves(plan, "--thickness", "3 mm", "--out", tmp_path / "no")
    assert done.returncode == 2
    assert "--cut" in done.stderr


def ring(*corners: tuple[float, float], bulge: float = 0.0) -> np.ndarray:
    """Corners joined by straight sides, the first one pushed out as an arc; every 0.25 mm, counter-clockwise."""
    sides_of = []
    for k, (a, b) in enumerate(zip(corners, (*corners[1:], corners[0]), strict=True)):
        share = np.arange(0.0, 1.0, 0.25 / float(np.hypot(*np.subtract(b, a))))
        away = np.array([b[1] - a[1], a[0] - b[0]]) / np.hypot(*np.subtract(b, a))
        out = bulge * np.sin(np.pi * share) if k == 0 else 0.0 * share
        sides_of.append(np.array(a) + share[:, None] * np.subtract(b, a) + out[:, None] * away)
    return np.vstack(sides_of)


def test_the_longest_straight_side_is_the_centerline() -> None:
    found = sides(ring((0.0, 0.0), (0.0, 300.0), bulge=-90.0)[::-1])
    straight, curve = found.straight, found.curve
    assert np.abs(straight[:, 0]).max() < 0.5
    assert np.ptp(straight[:, 1]) == pytest.approx(300.0, abs=1.0)
    assert np.hypot(*(curve[0] - straight[1])) < 5.0
    assert not found.hollow
    with pytest.raises(Refusal, match="no half outline"):  # two feet, and hardly anything between them
        sides(ring((90.0, 0.0), (90.0, 300.0), (0.0, 300.0), (0.0, 260.0), (30.0, 260.0), (30.0, 40.0), (0.0, 40.0),
                   (0.0, 0.0), bulge=20.0))  # fmt: skip


def test_a_template_stands_on_two_feet() -> None:
    found = sides(ring((90.0, 0.0), (90.0, 300.0), (0.0, 300.0), (0.0, 260.0), (60.0, 260.0), (60.0, 40.0),
                       (0.0, 40.0), (0.0, 0.0), bulge=20.0))  # fmt: skip
    assert found.hollow
    assert np.abs(found.straight[:, 0]).max() < 0.5
    assert [round(high - low) for low, high in found.feet] == [pytest.approx(40, abs=2)] * 2
    # material to the left of both: from the first foot's inner end to the second's
    assert np.hypot(*(found.curve[0] - found.straight[0])) < np.hypot(*(found.curve[0] - found.straight[1]))
    assert found.curve[:, 0].max() == pytest.approx(60.0, abs=0.5)


def test_the_part_is_the_largest_piece_that_lies_free() -> None:
    grey = np.full((300, 400), 110, dtype=np.uint8)
    grey[:, :30] = 250  # runs on beyond the picture
    grey[60:240, 80:300] = 180
    grey[20:40, 60:380] = 230  # a rule
    piece = free_piece(grey, 4.0)
    assert piece is not None
    assert abs(int((piece > 0).sum()) - 180 * 220) < 800
    assert piece[150, 190] and not piece[30, 200]
    assert free_piece(np.full((300, 400), 110, dtype=np.uint8), 4.0) is None
