"""Slips, closed outputs, full disks and interrupts, through the real command: what is told, and what is left."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.command import FIXED, ROOT, boutline
from tests.maker import PlanSpec, RuleSpec, make_plan

CALL = [sys.executable, "-m", "digitize.cli"]
ENVIRONMENT = {"PYTHONPATH": str(ROOT), "PATH": os.environ["PATH"], **FIXED}
# As coarse and plain as a plan may be: nothing here asks how well it is measured. With one rule it is to be looked at.
SHEET = PlanSpec(
    name="sheet", seed=4, family="small", half=True, rules=(RuleSpec(),), dpi=100.0, specks=20, smudges=0
)  # fmt: skip
BARE = PlanSpec(name="bare", seed=11, family="small", rules=(), dpi=100.0, specks=20)


def in_bytes(*words: str | bytes, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*CALL, *words], capture_output=True, text=True, cwd=cwd, env=ENVIRONMENT, timeout=120)


def shell(line: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run a line of the shell, in which ``$boutline`` is the command."""
    environment = {**ENVIRONMENT, "boutline": " ".join(CALL)}
    call = ["bash", "-c", line]
    return subprocess.run(call, capture_output=True, text=True, cwd=cwd, env=environment, timeout=120)


def told(done: subprocess.CompletedProcess[str], code: int, *parts: str) -> None:
    """Check that one fault was told, with its remedy and without a traceback."""
    assert done.returncode == code, done.stderr
    *notes, first, second = done.stderr.splitlines()
    assert all(note.startswith("note: ") for note in notes)
    assert first.startswith("boutline: ")
    assert second.startswith("  what to do: ")
    assert all(part in done.stderr for part in parts), done.stderr


def plan_file(folder: Path, text: str, image: str = "sheet.png") -> Path:
    path = folder / "plan.toml"
    path.write_text(f'[plan]\nimage = "{image}"\n{text}\n')
    return path


@pytest.fixture(scope="module")
def sheets(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a sheet and a blank one."""
    folder = tmp_path_factory.mktemp("sheets")
    make_plan(SHEET, folder)
    assert cv2.imwrite(str(folder / "blank.png"), np.full((900, 700), 255, dtype=np.uint8))
    return folder


@pytest.fixture(scope="module")
def found(sheets: Path) -> Path:
    """The folder of the sheets, with the results of the first in ``out``."""
    assert boutline("outline", "sheet.png", "--out", "out", cwd=sheets).returncode == 3
    return sheets


def test_a_refused_run_withdraws_what_it_was_to_replace(found: Path, tmp_path: Path) -> None:
    out = shutil.copytree(found / "out", tmp_path / "out")
    (out / "mine.dxf").write_text("mine")
    done = boutline("outline", found / "blank.png", "--out", out, "--replace", cwd=tmp_path)
    assert done.returncode == 4
    assert [path.name for path in out.iterdir()] == ["mine.dxf"]
    assert boutline("mold", out / "outline.dxf", "--out", tmp_path / "mold", cwd=tmp_path).returncode == 2


def test_a_refused_run_leaves_other_commands_results(found: Path, tmp_path: Path) -> None:
    out = shutil.copytree(found / "out", tmp_path / "out")
    before = sorted(path.name for path in out.iterdir())
    done = boutline("halves", found / "blank.png", "--out", out, "--replace", cwd=tmp_path)
    assert done.returncode == 4
    assert sorted(path.name for path in out.iterdir()) == before


def test_a_refused_mold_withdraws_every_part(found: Path, tmp_path: Path) -> None:
    words = ("mold", tmp_path / "outline.dxf", "--out", tmp_path / "mold", "--replace")
    shutil.copy(found / "out" / "outline.dxf", tmp_path)
    assert boutline(*words, cwd=tmp_path).returncode in (0, 3)
    (tmp_path / "mold" / "mine.dxf").write_text("mine")
    (tmp_path / "job.toml").write_text('[mold]\nwall = "12 mm"\ntab = "0 mm"\n[dowels]\ndiameter = "40 mm"\n')
    done = boutline(*words, "--job", tmp_path / "job.toml", cwd=tmp_path)
    assert done.returncode == 4, done.stderr
    assert [path.name for path in (tmp_path / "mold").iterdir()] == ["mine.dxf"]


def test_a_refused_plan_among_many_withdraws_its_results(found: Path, tmp_path: Path) -> None:
    shutil.copy(found / "sheet.png", tmp_path / "a.png")
    shutil.copy(found / "blank.png", tmp_path / "b.png")
    words = ("outline", "a.png", "b.png", "--out", "out", "--replace", "--jobs", "1")
    assert boutline(*words, cwd=tmp_path).returncode == 4
    shutil.copy(found / "blank.png", tmp_path / "a.png")
    assert boutline(*words, cwd=tmp_path).returncode == 4
    assert list((tmp_path / "out").rglob("outline.dxf")) == []
    # files that came from elsewhere since then are not its answer, either
    shutil.copytree(found / "out", tmp_path / "out" / "a", dirs_exist_ok=True)
    assert boutline(*words, cwd=tmp_path).returncode == 4
    assert list((tmp_path / "out").rglob("outline.dxf")) == []


@pytest.mark.parametrize(
    ("table", "place", "key"),
    [
        ("[body]\nnear = [99999, 5]", "(99999, 5)", "body.near"),
        ("[body]\nneck = [5, 900.5]", "(5, 900.5)", "body.neck"),
        ("[body]\nthrough = [[600, 800], [5, -99]]", "(5, -99)", "body.through"),
        ("[body]\ncenterline = [[10, 10], [10, 5000]]", "(10, 5000)", "body.centerline"),
        ("[[rule]]\nnear = [20, 9000]", "(20, 9000)", "rule.near"),
        ('[[span]]\nfrom = [6000, 10]\nto = [10, 10]\nlength = "300 mm"', "(6000, 10)", "span.from"),
        ('[[span]]\nfrom = [10, 10]\nto = [10, 1e6]\nlength = "300 mm"', "(10, 1000000)", "span.to"),
        ("[[card]]\nnear = [-20, 9]", "(-20, 9)", "card.near"),
    ],
)
def test_a_place_outside_the_picture_is_2(sheets: Path, tmp_path: Path, table: str, place: str, key: str) -> None:
    """Of a picture that holds nothing: it is told before anything is looked for."""
    shutil.copy(sheets / "blank.png", tmp_path)
    done = boutline("outline", plan_file(tmp_path, table, "blank.png"), cwd=tmp_path)
    told(done, 2, f"{place} of {key} is outside the picture, 700 x 900.")


@pytest.mark.parametrize("length", ["502.358 in", "5.02 mm", pytest.param("50 m", marks=pytest.mark.slow)])
def test_a_span_of_the_wrong_unit_is_refused(tmp_path: Path, length: str) -> None:
    made = make_plan(BARE, tmp_path)
    ends = made.to_px(np.array([[0.0, 0.0], [0.0, made.measures["length_mm"]]])).round(1).tolist()
    span = f'[[span]]\nfrom = {ends[0]}\nto = {ends[1]}\nlength = "{length}"'
    told(boutline("outline", plan_file(tmp_path, span, made.path.name), cwd=tmp_path), 4, "span 1", " mm, ", "unit")
    assert not (tmp_path / "boutline-out").exists()


@pytest.mark.parametrize("length", ["19 7/8", "505", "0.5"])
def test_a_length_in_words_without_a_unit_is_2(sheets: Path, tmp_path: Path, length: str) -> None:
    shutil.copy(sheets / "sheet.png", tmp_path)
    done = boutline("outline", plan_file(tmp_path, f'[body]\nlength = "{length}"'), cwd=tmp_path)
    told(done, 2, f"'{length}'", "Say mm or in")


@pytest.mark.parametrize(
    "words",
    [
        ("fit", "sheet.png", "out", "--tolerance", "1/2"),
        ("fit", "sheet.png", "out", "--thickness", "3"),
        ("halves", "sheet.png", "--cut", "--thickness", "3"),
        ("lens", "sheet.png", "--square", "25"),
    ],
)
def test_a_length_of_the_call_without_a_unit_is_2(found: Path, tmp_path: Path, words: tuple[str, ...]) -> None:
    told(boutline(*words, "--out", tmp_path / "out.toml", cwd=found), 2, f"'{words[-1]}'", "Say mm or in")


@pytest.mark.parametrize(
    "redirection",
    [
        "| true",
        ">/dev/full",
        "--json >&- 2>&- <&-",
        *(pytest.param(more, marks=pytest.mark.slow) for more in (">&-", "2>&-", "2>/dev/full", "--json >/dev/full")),
    ],
)
def test_outputs_that_take_nothing_change_no_exit_code(sheets: Path, tmp_path: Path, redirection: str) -> None:
    done = shell(f"$boutline outline {sheets}/sheet.png --out out {redirection}; exit ${{PIPESTATUS[0]}}", tmp_path)
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr and "fault" not in done.stderr and "ignored" not in done.stderr
    assert len(list((tmp_path / "out").iterdir())) == 6
    assert ("No space left" in done.stderr) == (">/dev/full" in redirection and "2>" not in redirection)


@pytest.mark.parametrize("plans", ["sheet.png", pytest.param("sheet.png blank.png", marks=pytest.mark.slow)])
def test_outputs_that_take_nothing_of_a_refused_plan(found: Path, tmp_path: Path, plans: str) -> None:
    line = f"$boutline outline blank.png {plans} --out {tmp_path}/out >&- 2>/dev/full"
    assert shell(line, found).returncode == 4


def test_a_full_disk_is_2_and_leaves_nothing(sheets: Path, tmp_path: Path) -> None:
    """Of a file system of 60 KiB, in a namespace of its own; where there is none, there is nothing to test."""
    if subprocess.run(["unshare", "-rm", "true"], check=False, capture_output=True).returncode:
        pytest.skip("no namespaces here")
    (tmp_path / "disk").mkdir()
    call = f"$boutline outline {sheets}/sheet.png --out disk/out"
    inside = f"mount -t tmpfs -o size=60k none disk && {call}; code=$?; ls -A disk"
    done = shell(f"unshare -rm bash -c '{inside}; exit $code'", tmp_path)
    told(done, 2, "The disk is full", "--out")
    assert done.stdout == ""


def test_a_name_that_is_no_utf8_is_told_in_letters(sheets: Path, tmp_path: Path) -> None:
    odd, sheet = b"w\xffg.png", sheets / "sheet.png"
    try:
        shutil.copy(sheet, tmp_path / os.fsdecode(odd))
    except OSError:
        pytest.skip("this file system takes no such name")
    told(in_bytes("outline", odd, cwd=tmp_path), 2, "w\\xffg.png", "Rename")
    done = in_bytes("outline", odd, str(sheet), "--out", b"o\xff", "--json", "--jobs", "1", cwd=tmp_path)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    plans = json.loads(done.stdout)["plans"]
    assert [(one["plan"], one["verdict"]) for one in plans] == [("w\\xffg.png", "usage"), (str(sheet), "look")]


def test_an_interrupt_leaves_no_draft_of_many_plans(sheets: Path, tmp_path: Path) -> None:
    for name in ("a", "b", "c", "d"):
        shutil.copy(sheets / "sheet.png", tmp_path / f"{name}.png")
    call = [*CALL, "outline", "a.png", "b.png", "c.png", "d.png", "--out", "out", "--jobs", "2"]
    quiet = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    process = subprocess.Popen(call, cwd=tmp_path, env=ENVIRONMENT, start_new_session=True, **quiet)
    _until(lambda: list((tmp_path / "out").glob(".[abcd]-*")))
    os.killpg(process.pid, signal.SIGINT)  # as Ctrl-C in a terminal does
    process.communicate(timeout=60)
    assert process.returncode != 0
    assert list((tmp_path / "out").glob(".*")) == []


def test_the_next_run_removes_what_a_killed_one_left(sheets: Path, tmp_path: Path) -> None:
    out, sheet = tmp_path / "out", sheets / "sheet.png"
    process = subprocess.Popen([*CALL, "outline", sheet, "--out", "out"], cwd=tmp_path, env=ENVIRONMENT)
    _until(lambda: list(tmp_path.glob(".out-*")))
    process.kill()
    process.wait()
    assert list(tmp_path.glob(".out-*"))
    (tmp_path / ".out-of-mine").mkdir()
    assert boutline("outline", sheet, "--out", out, cwd=tmp_path).returncode == 3
    assert sorted(path.name for path in tmp_path.iterdir()) == [".out-of-mine", "out"]


def _until(there: Callable[[], object], patience_s: float = 60.0) -> None:
    end = time.monotonic() + patience_s
    while not there():
        assert time.monotonic() < end
        time.sleep(0.02)


def test_a_suggestion_is_one_sentence(tmp_path: Path) -> None:
    done = boutline("outline", plan_file(tmp_path, "lin = 3"), cwd=tmp_path)
    told(done, 2, "unknown key 'lin' in [plan] (did you mean 'line'?).\n")
