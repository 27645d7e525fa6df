"""The command line as a real process."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.command import ROOT, boutline
from tests.maker import MadePlan, PlanSpec

DEMO = ROOT / "fixtures" / "demo"
RESULTS = ["outline.dxf", "outline.pdf", "outline.svg", "overlay.png", "record.json", "report.html"]
# The aim is 0.3 s on a machine at rest; the limit leaves room for a busy one. Loading a stage takes 1 s and more.
QUICK_S = 1.0
SHEET = PlanSpec(name="quick", seed=4, family="small", half=True, dpi=100.0, specks=0, smudges=0)


def told(done: subprocess.CompletedProcess[str]) -> None:
    """Check that one fault was told in one line with its remedy, without a traceback."""
    first, second = done.stderr.splitlines()
    assert first.startswith("boutline: ")
    assert second.startswith("  what to do: ")


@pytest.fixture
def blank(tmp_path: Path) -> Path:
    path = tmp_path / "blank.png"
    assert cv2.imwrite(str(path), np.full((2200, 1700), 255, dtype=np.uint8))
    return path


HELP = [("--help",), ("--version",), *[(command, "--help") for command in ("outline", "reprint", "desk", "demo")]]


@pytest.mark.parametrize("words", HELP)
def test_help_and_version_are_quick(words: tuple[str, ...]) -> None:
    best = min(_seconds(words) for _ in range(3))
    assert best < QUICK_S


def _seconds(words: tuple[str, ...]) -> float:
    start = time.perf_counter()
    done = boutline(*words, fresh=True)
    assert done.returncode == 0
    assert done.stderr == ""
    return time.perf_counter() - start


def test_nothing_heavy_is_loaded_for_help() -> None:
    code = (
        "import sys; from digitize.cli.app import app\n"
        "try: app(['outline', '--help'], prog_name='boutline')\n"
        "except SystemExit: pass\n"
        "heavy = ('numpy', 'cv2', 'scipy', 'pyvips', 'digitize.pipeline', 'ezdxf', 'starlette', 'digitize.desk')\n"
        "print([m for m in heavy if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=60)
    assert done.stdout.splitlines()[-1] == "[]"


def test_version_is_one_line() -> None:
    assert re.fullmatch(r"boutline \d+\.\d+\.\d+\n", boutline("--version", fresh=True).stdout)


@pytest.mark.parametrize(
    "words", [("outline",), ("outlime", "a.png"), ("outline", "a.png", "--nope"), ("outline", "a.png", "--out")]
)
def test_a_wrong_call_is_2(words: tuple[str, ...]) -> None:
    done = boutline(*words)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr


def test_a_missing_plan_is_2_with_its_name(tmp_path: Path) -> None:
    done = boutline("outline", tmp_path / "none.png", "--out", tmp_path / "out", fresh=True)
    assert done.returncode == 2
    assert "none.png does not exist" in done.stderr
    told(done)
    assert not (tmp_path / "out").exists()


def test_an_unknown_key_is_2_with_the_nearest_key(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text("[plan]\nimage = 'a.png'\nunti = 'in'\n")
    done = boutline("outline", tmp_path / "plan.toml")
    assert done.returncode == 2
    assert "'unti'" in done.stderr
    assert "'unit'" in done.stderr
    told(done)


def test_a_traceback_only_when_asked_for(tmp_path: Path) -> None:
    assert "Traceback" not in boutline("outline", tmp_path / "none.png").stderr
    assert "Traceback" in boutline("outline", tmp_path / "none.png", "-v").stderr


def test_a_blank_sheet_is_4_and_leaves_nothing(blank: Path) -> None:
    out = blank.parent / "new" / "out"
    done = boutline("outline", blank, "--out", out, fresh=True)
    assert done.returncode == 4
    assert done.stdout == ""
    told(done)
    assert sorted(path.name for path in blank.parent.iterdir()) == ["blank.png"]


def test_a_refused_plan_still_has_its_record_as_json(blank: Path) -> None:
    done = boutline("outline", blank, "--json", "--out", blank.parent / "out")
    assert done.returncode == 4
    record = json.loads(done.stdout)
    assert record["verdict"] == "refused"
    assert record["reasons"][0]["remedy"]
    assert (record["input"]["width_px"], record["input"]["height_px"]) == (1700, 2200)
    assert record["files"] == {}
    assert str(blank.parent) not in done.stdout


@pytest.mark.parametrize(
    ("cut", "code", "word"), [(0.5, 4, "ends before the picture does"), (0.0, 4, "cannot be read as a picture")]
)
def test_damaged_pictures_are_4(tmp_path: Path, cut: float, code: int, word: str) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (400, 400), dtype=np.uint8)
    data = cv2.imencode(".png", noise)[1].tobytes()
    (tmp_path / "a.png").write_bytes(data[: int(len(data) * cut)] or b"no picture")
    done = boutline("outline", tmp_path / "a.png", "--out", tmp_path / "out")
    assert done.returncode == code
    assert word in done.stderr
    assert "vips" not in done.stderr.lower()
    told(done)


def test_a_small_picture_is_4(tmp_path: Path) -> None:
    assert cv2.imwrite(str(tmp_path / "a.png"), np.full((100, 200), 255, dtype=np.uint8))
    done = boutline("outline", tmp_path / "a.png", "--out", tmp_path / "out")
    assert done.returncode == 4
    assert "200 x 100" in done.stderr


def test_results_in_the_way_are_2_and_stay(blank: Path) -> None:
    out = blank.parent / "out"
    out.mkdir()
    (out / "record.json").write_text("old")
    done = boutline("outline", blank, "--out", out)
    assert done.returncode == 2
    assert "--replace" in done.stderr
    told(done)
    assert boutline("outline", blank, "--out", out, "--replace").returncode == 4
    assert (out / "record.json").read_text() == "old"


@pytest.mark.parametrize("place", ["itself", "/proc/boutline"])  # no folder can be made in /proc, whoever asks
def test_an_out_folder_that_cannot_be_made_is_2(blank: Path, place: str) -> None:
    done = boutline("outline", blank, "--out", blank if place == "itself" else place)
    assert done.returncode == 2
    assert "cannot be written" in done.stderr
    told(done)


# A stand-in for the pipeline that shouts on every way to standard output and then ends as told.
HOSTILE = """
import ctypes, os, sys, types
module = types.ModuleType("digitize.ahead")
def run_outline(plan, out, *, replace, progress):
    print("shout of Python")
    os.write(1, b"shout of the system\\n")
    libc = ctypes.CDLL(None); libc.puts(b"shout of C"); libc.fflush(None)
    os.system("echo shout of a child")
    {ending}
module.run_outline = run_outline
sys.modules["digitize.ahead"] = module
from digitize.cli import main
sys.argv = ["boutline", "outline", "a.png", "--json"]
main()
"""


def _hostile(ending: str) -> subprocess.CompletedProcess[str]:
    code = HOSTILE.format(ending=ending)
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=60)


@pytest.mark.parametrize(("verdict", "code"), [("sound", 0), ("look", 3), ("refused", 4)])
def test_stdout_holds_the_record_whatever_libraries_print(verdict: str, code: int) -> None:
    record = {"verdict": verdict, "reasons": []}
    done = _hostile(f"return types.SimpleNamespace(exit_code={code}, record={record!r})")
    assert done.returncode == code
    assert json.loads(done.stdout) == record
    assert {line for line in done.stderr.splitlines() if line.startswith("shout")} == {
        "shout of Python",
        "shout of the system",
        "shout of C",
        "shout of a child",
    }


def test_an_unexpected_fault_is_1_on_one_line() -> None:
    done = _hostile("raise ZeroDivisionError('first\\nsecond')")
    assert done.returncode == 1
    assert done.stdout == ""
    assert "boutline: unexpected fault: ZeroDivisionError: first second" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    out = tmp_path_factory.mktemp("demo") / "out"
    return out, boutline("demo", "--out", out, fresh=True)


def test_the_demo_writes_every_file(demo: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    out, done = demo
    assert done.returncode == 0, done.stderr
    shipped = [path.name for path in DEMO.iterdir() if path.is_file()]
    assert sorted(path.name for path in out.iterdir()) == sorted({*RESULTS, *shipped})
    assert done.stdout.startswith("sound: length ")
    assert all(line.startswith("note: ") for line in done.stderr.splitlines())


def test_the_demo_is_not_run_over_its_results(demo: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    out, _ = demo
    before = (out / "record.json").read_bytes()
    assert boutline("demo", "--out", out).returncode == 2
    assert (out / "record.json").read_bytes() == before


@pytest.mark.slow  # by default outline's own results are replaced
def test_the_demo_is_run_over_its_results_when_told(demo: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    out, _ = demo
    assert boutline("demo", "--out", out, "--replace").returncode == 0


@pytest.mark.parametrize("command", ["outline", pytest.param("demo", marks=pytest.mark.slow)])
def test_json_and_the_record_file_are_the_same(
    made: Callable[[PlanSpec], MadePlan], tmp_path: Path, command: str
) -> None:
    out, plan = tmp_path / "out", [made(SHEET).path] if command == "outline" else []
    done = boutline(command, *plan, "--out", out, "--json")
    printed, written = json.loads(done.stdout), json.loads((out / "record.json").read_text())
    assert printed == written
    assert str(out.parent) not in done.stdout
