"""A photo through the command line as a real process: a small body, two steel rules, a table, a wide lens."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

from tests.bench.compare import compare
from tests.bench.one import read_body
from tests.command import boutline
from tests.faces.test_command_line import told
from tests.maker.level_spec import LevelSpec
from tests.maker.photo import MadePhoto, make_photo
from tests.maker.photo_spec import LaidSpec, PhotoSpec

PLAN = LevelSpec(name="wren", seed=3, family="small", turn=1, rules=(), specks=60, smudges=2)
RULES = (LaidSpec("steel 300", (40.0, 6.0), 1.0, glare=0.5), LaidSpec("steel 150", (26.0, 60.0), 91.0))
CARD = LaidSpec("card", (332.0, 48.0), 8.0)
PHOTO = PhotoSpec(
    name="wren", seed=1, plan=PLAN, pad_mm=(40.0, 40.0, 8.0, 8.0), tilt_deg=14.0, lens=(-0.08, 0.01, 0.0, 0.0),
    shadow=0.3, laid=(*RULES, CARD), long_px=3000,
)  # fmt: skip


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> MadePhoto:
    return make_photo(PHOTO, tmp_path_factory.mktemp("photo"))


def test_a_photo_with_two_rules_gives_the_body_within_its_claim(photo: MadePhoto, tmp_path: Path) -> None:
    done = boutline("outline", photo.path, "--out", tmp_path / "out", "--json")
    assert done.returncode in (0, 3), done.stderr
    record = json.loads(done.stdout)
    assert record["input"]["captured"] == "photo"
    assert {rule["role"] for rule in record["scale"]["rules"]} == {"laid"}
    found = compare(read_body(tmp_path / "out" / "outline.dxf"), photo.outline_mm, photo.corners_mm, photo.corners_mm)
    assert found.p95_mm <= record["outline"]["u95_mm"]  # the claim holds
    assert found.max_mm < 0.6  # a quarter of the pixels of a usual phone: 0.2 mm each
    assert any("camera" in part["term"] for part in record["budget"])
    heights = sorted({round(rule["lift_mm"], 3) for rule in record["scale"]["rules"]})
    assert heights == pytest.approx([0.5, 1.0], abs=0.2)  # of the short rule and the long one
    assert "above the paper" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    (card,) = record["cards"]  # nobody told of it; the made one is exactly nominal
    assert card["agrees"] and card["against"] == "paper"
    assert all(abs(side["off_percent"]) <= side["u95_percent"] < 1.0 for side in card["sides"])


@pytest.mark.slow
def test_a_part_of_a_photo_is_reprinted_flat_and_its_size_doubted(photo: MadePhoto, tmp_path: Path) -> None:
    """The region is told in the photo's own pixels; the photo is tilted, so its part of the sheet is no rectangle."""
    x, y, width, height = region = (900, 700, 1100, 700)
    done = boutline("reprint", photo.path, "--out", tmp_path / "out", "--json", "--region", *map(str, region))
    assert done.returncode == 3, done.stderr
    record = json.loads(done.stdout)
    assert "sheet-unchecked" in [reason["code"] for reason in record["reasons"]]
    assert (tmp_path / "out" / "reprint.pdf").is_file()
    corners_px = np.array([(x, y), (x + width, y), (x + width, y + height), (x, y + height)], dtype=float)
    guess = np.tile(np.array(photo.sheet_mm) / 2.0, 4)
    on_sheet = least_squares(lambda mm: (photo.sheet_to_px(mm.reshape(4, 2)) - corners_px).ravel(), guess).x
    left, low, right, top = record["reprint"]["box_mm"]
    # the flat picture may lie turned on the sheet by what the paper is turned in the photo: a few millimetres here
    assert (right - left, top - low) == pytest.approx(np.ptp(on_sheet.reshape(4, 2), axis=0), abs=6.0)


def test_a_photo_without_a_rule_is_refused_with_what_to_do(tmp_path: Path) -> None:
    import dataclasses

    bare = make_photo(dataclasses.replace(PHOTO, name="bare", laid=(), long_px=2000), tmp_path)
    done = boutline("outline", bare.path, "--out", tmp_path / "out")
    assert done.returncode == 4
    told(done)
    assert "rule" in done.stderr
    assert not (tmp_path / "out" / "outline.dxf").exists()
