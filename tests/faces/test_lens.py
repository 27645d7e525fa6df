"""`boutline lens` as a real process: made shots of a chessboard, and a photo measured with the lens file they give."""

from __future__ import annotations

import dataclasses
import json
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.bench.compare import compare
from tests.bench.one import read_body
from tests.command import boutline
from tests.faces.test_command_line import told
from tests.faces.test_photo import PHOTO
from tests.maker.camera import Camera
from tests.maker.chessboard import make_shots
from tests.maker.photo import MadePhoto, make_photo

BEND = (-0.08, 0.01, 3e-4, -2e-4)
OFF_MIDDLE = (0.006, -0.004)  # of the longer side
SHOT_SIZE = (1000, 749)  # a third of the photo's 3000 x 2248
HERON = dataclasses.replace(PHOTO, name="heron", lens=BEND, centre_share=OFF_MIDDLE)


def lens_camera(size_px: tuple[int, int]) -> Camera:
    """The camera of the photo, at another picture size."""
    long = max(size_px)
    middle = (np.array(size_px) - 1) / 2 + np.array(OFF_MIDDLE) * long
    return Camera(size_px, PHOTO.f_share * long, middle, np.array(BEND), np.eye(3), np.zeros(3))


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return make_shots(lens_camera(SHOT_SIZE), 9, tmp_path_factory.mktemp("shots"))


@pytest.fixture(scope="module")
def lens_file(shots: list[Path]) -> Path:
    path = shots[0].parent / "phone.lens.toml"
    done = boutline("lens", *shots, "--out", path, fresh=True)
    assert done.returncode == 0, done.stderr
    assert "from 9 shots" in done.stdout
    assert path.name in done.stdout
    return path


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> MadePhoto:
    return make_photo(HERON, tmp_path_factory.mktemp("photo"))


@pytest.fixture(scope="module")
def coarse(tmp_path_factory: pytest.TempPathFactory) -> MadePhoto:
    """The same at 1200 x 900 pixels, where nothing is measured in it."""
    spec = dataclasses.replace(HERON, name="coarse", long_px=1200)
    return make_photo(spec, tmp_path_factory.mktemp("coarse"))


def test_the_lens_comes_out_within_its_sigmas(lens_file: Path) -> None:
    written, truth = tomllib.loads(lens_file.read_text()), lens_camera(SHOT_SIZE)
    lens, sigma = written["lens"], written["sigma"]
    assert (written["picture"]["width_px"], written["picture"]["height_px"]) == SHOT_SIZE
    assert written["picture"]["way_up"] == "as stored"
    assert abs(lens["focal_px"] - truth.f_px) < 3 * sigma["focal_px"] < 0.01 * truth.f_px
    assert np.all(np.abs(lens["centre_px"] - truth.centre_px) < 3 * np.array(sigma["centre_px"]))
    for name, true in zip(("k1", "k2", "p1", "p2"), BEND, strict=True):
        assert abs(lens[name] - true) < 3 * sigma[name], name
    assert written["rests_on"]["rms_px"] < 0.15  # clean pictures


@pytest.mark.slow
def test_a_photo_is_measured_as_well_or_better_with_it(lens_file: Path, photo: MadePhoto, tmp_path: Path) -> None:
    found = {}
    for name, line in (("without", ""), ("with", f'lens = "{lens_file}"\n')):
        plan = photo.path.with_name(f"{name}.toml")
        plan.write_text(f'[plan]\nimage = "{photo.path.name}"\n{line}')
        done = boutline("outline", plan, "--out", tmp_path / name, "--json")
        assert done.returncode in (0, 3), done.stderr
        record = json.loads(done.stdout)
        off = compare(read_body(tmp_path / name / "outline.dxf"), photo.outline_mm, photo.corners_mm, photo.corners_mm)
        assert off.p95_mm <= record["outline"]["u95_mm"]  # the claim holds
        found[name] = off, record
    (plain_off, plain), (off, known) = found["without"], found["with"]
    assert known["outline"]["u95_mm"] < plain["outline"]["u95_mm"]
    assert off.rms_mm < plain_off.rms_mm + 0.01  # a twentieth of a pixel's 0.2 mm
    assert lens_file.name in known["lens"]["known_by"] and "9 shots" in known["lens"]["known_by"]
    assert lens_file.name in (tmp_path / "with" / "report.html").read_text()
    truth = lens_camera(photo.size_px)
    assert abs(known["lens"]["focal_px"] - truth.f_px) < 3 * known["lens"]["u"]["focal_px"]
    assert known["lens"]["u"]["focal_px"] < plain["lens"]["u"]["focal_px"]
    assert known["settings"]["lens"]["rests_on"]["shots"] == 9
    assert "phones usually" in plain["lens"]["known_by"] or "file states" in plain["lens"]["known_by"]


def test_json_and_nothing_overwritten(shots: list[Path], tmp_path: Path) -> None:
    out = tmp_path / "phone.lens.toml"
    out.write_text("mine")
    done = boutline("lens", *shots, "--out", out)
    assert done.returncode == 2
    told(done)
    assert out.read_text() == "mine"
    done = boutline("lens", *shots[:6], shots[0], "--out", out, "--json", "--replace")
    record = json.loads(done.stdout)
    assert [one["file"] for one in record["lens"]["shots"]] == [path.name for path in shots[:6]]
    assert [one["code"] for one in record["reasons"] if one["code"] == "lens-same-shot"]
    assert record["files"].keys() == {out.name}
    assert tomllib.loads(out.read_text())["rests_on"]["shots"] == 6


def refused(done, out: Path, code: int, *said: str) -> None:
    assert done.returncode == code, done.stdout + done.stderr
    told(done)
    for word in said:
        assert word in done.stderr
    assert not out.exists()


def test_too_few_boards_names_the_shots_without_one(shots: list[Path], tmp_path: Path) -> None:
    blank = tmp_path / "blank.jpg"
    assert cv2.imwrite(str(blank), np.full(SHOT_SIZE[::-1], 180, dtype=np.uint8))
    out = tmp_path / "new.toml"
    refused(boutline("lens", *shots[:4], blank, "--out", out), out, 4, "4 of 5", "blank.jpg", "--corners")


def test_shots_of_different_sizes(shots: list[Path], tmp_path: Path) -> None:
    odd = tmp_path / "odd.png"
    assert cv2.imwrite(str(odd), cv2.imread(str(shots[8]), cv2.IMREAD_GRAYSCALE)[:-40, :-60])
    out = tmp_path / "new.toml"
    refused(boutline("lens", *shots[:5], odd, "--out", out), out, 4, "odd.png", "940 x 709", "1000 x 749")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--corners", "nine"), "nine"),
        (("--corners", "7x7"), "7x7"),
        (("--square", "wide"), "wide"),
        (("--out", "lens.png"), "lens.png"),
    ],
)
def test_a_wrong_call(shots: list[Path], tmp_path: Path, words: tuple[str, str], said: str) -> None:
    out = tmp_path / "new.toml"
    refused(boutline("lens", *shots[:5], "--out", out, *words, cwd=tmp_path), out, 2, said)


@pytest.mark.parametrize(
    ("change", "code", "said"),
    [
        (("width_px = 1000", "width_px = 1333"), 2, "proportions"),  # 16 to 9
        (("focal_px = ", "focal_px = 9"), 4, "another camera"),  # nine thousand and more
        (("[sigma]", "[sigmas]"), 2, "sigma"),
        (("k1 = ", "k1 = nan #"), 2, "k1"),
    ],
)
def test_a_lens_file_that_does_not_fit(
    lens_file: Path, coarse: MadePhoto, tmp_path: Path, change: tuple[str, str], code: int, said: str
) -> None:
    text = lens_file.read_text()
    assert change[0] in text
    wrong = coarse.path.with_name("wrong.lens.toml")
    wrong.write_text(text.replace(*change, 1))
    plan = coarse.path.with_name("wrong.toml")
    plan.write_text(f'[plan]\nimage = "{coarse.path.name}"\nlens = "wrong.lens.toml"\n')
    refused(boutline("outline", plan, "--out", tmp_path / "out"), tmp_path / "out" / "outline.dxf", code, said)


def test_a_lens_with_a_scan_is_a_contradiction(lens_file: Path, coarse: MadePhoto, tmp_path: Path) -> None:
    plan = coarse.path.with_name("scan.toml")
    plan.write_text(f'[plan]\nimage = "{coarse.path.name}"\ncaptured = "scan"\nlens = "{lens_file}"\n')
    refused(boutline("outline", plan, "--out", tmp_path / "out"), tmp_path / "out" / "outline.dxf", 2, "scan")
