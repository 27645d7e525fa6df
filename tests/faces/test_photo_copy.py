"""A photo of a copy that is off, through the command line: drawn rules both ways, two steel rules beside them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from tests.bench.compare import compare
from tests.bench.one import read_body
from tests.command import boutline
from tests.maker.level_spec import LevelSpec
from tests.maker.photo import MadePhoto, make_photo
from tests.maker.photo_spec import LaidSpec, PhotoSpec
from tests.maker.spec import RuleSpec

COPIER = (0.985, 1.012)
DRAWN = (RuleSpec(length_mm=150.0), RuleSpec(along="y", length_mm=120.0))
PLAN = LevelSpec(
    name="wren", seed=3, family="small", turn=1, rules=DRAWN, specks=60, smudges=2, copier_x=COPIER[0],
    copier_y=COPIER[1],
)  # fmt: skip
RULES = (LaidSpec("steel 300", (40.0, 6.0), 1.0), LaidSpec("steel 150", (26.0, 60.0), 91.0))
PHOTO = PhotoSpec(
    name="wren", seed=1, plan=PLAN, drawn_rules=True, pad_mm=(40.0, 40.0, 8.0, 8.0), tilt_deg=14.0,
    lens=(-0.08, 0.01, 0.0, 0.0), laid=RULES, long_px=2400,
)  # fmt: skip


OTHER = replace(PHOTO, name="wren-2", seed=2, tilt_deg=10.0, tilt_to_deg=200.0, turn_deg=184.0)


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> MadePhoto:
    return make_photo(PHOTO, tmp_path_factory.mktemp("copy"))


def test_the_outline_is_the_plans_and_the_copy_is_told(photo: MadePhoto, tmp_path: Path) -> None:
    done = boutline("outline", photo.path, "--out", tmp_path / "out", "--json")
    assert done.returncode in (0, 3), done.stderr
    record = json.loads(done.stdout)
    assert sorted(rule["role"] for rule in record["scale"]["rules"])[:2] == ["drawn", "drawn"]
    found = compare(
        read_body(tmp_path / "out" / "outline.dxf"), photo.plan_outline_mm, photo.corners_mm, photo.corners_mm
    )  # a body without corners
    assert found.p95_mm <= record["outline"]["u95_mm"] < 0.6
    assert found.max_mm < 0.3  # the paper's own outline is off by 2 mm
    copy = record["copy"]
    told = (copy["x_percent"], copy["y_percent"])
    assert told == pytest.approx([100.0 * factor for factor in COPIER], abs=0.1)  # thickness of the rules: 0.03 %
    assert told == pytest.approx([100.0 * factor for factor in COPIER], abs=copy["u95_percent"])


@pytest.mark.slow
def test_the_print_check_takes_the_same_photo(photo: MadePhoto, tmp_path: Path) -> None:
    done = boutline("print-check", photo.path, "--out", tmp_path / "out", "--json")
    assert done.returncode == 3, done.stderr
    record = json.loads(done.stdout)
    told = record["print_check"]
    assert told["answer"] == "not true" and "copy-not-true" in [reason["code"] for reason in record["reasons"]]
    for axis, true in zip(("x", "y"), COPIER, strict=True):
        assert abs(told[axis]["percent"] - 100.0 * true) <= told[axis]["u95_percent"] < 0.5
        assert told[axis]["measured"]
    assert {one["name"] for one in told["body"]} >= {"length", "lower bout"}
    assert (tmp_path / "out" / "print-check.html").is_file()


@pytest.mark.slow
def test_two_photos_of_the_sheet_give_one_outline(photo: MadePhoto, tmp_path: Path) -> None:
    """The second is taken from the other side, upside down."""
    make_photo(OTHER, photo.path.parent)
    plan = photo.path.parent / "both.toml"
    plan.write_text('[plan]\nimage = ["wren.jpg", "wren-2.jpg"]\n')
    done = boutline("outline", plan, "--out", tmp_path / "out", "--json")
    assert done.returncode in (0, 3), done.stderr
    record = json.loads(done.stdout)
    assert [one["file"] for one in record["input"]["more"]] == ["wren-2.jpg"]
    assert "photos-differ" not in [reason["code"] for reason in record["reasons"]]
    assert record["outline"]["chosen"].endswith("the mean of 2 photos")
    found = compare(
        read_body(tmp_path / "out" / "outline.dxf"), photo.plan_outline_mm, photo.corners_mm, photo.corners_mm
    )
    assert found.p95_mm <= record["outline"]["u95_mm"] < 0.6
    assert found.max_mm < 0.3


def test_several_pictures_are_not_for_a_reprint(tmp_path: Path) -> None:
    plan = tmp_path / "both.toml"
    plan.write_text('[plan]\nimage = ["a.jpg", "b.jpg"]\n')
    for name in ("a.jpg", "b.jpg"):
        (tmp_path / name).write_bytes(b"")
    done = boutline("reprint", plan, "--out", tmp_path / "out")
    assert done.returncode == 2 and "takes one" in done.stderr
