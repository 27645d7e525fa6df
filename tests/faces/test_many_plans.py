"""``boutline outline`` on many plans, as a real process; what a dying process leaves is asked of the function."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.errors import UsageError
from digitize import batch
from digitize.cli.many import table
from tests.command import ROOT, boutline

SMALL = ROOT / "fixtures" / "small" / "half.png"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three plans: one that is found, one without a rule, one that is no picture; and a file that is no plan."""
    plans = tmp_path / "plans"
    plans.mkdir()
    shutil.copy(SMALL, plans / "good.png")
    assert cv2.imwrite(str(plans / "blank.png"), np.full((900, 700), 255, dtype=np.uint8))
    (plans / "torn.png").write_text("no picture")
    (plans / "notes.md").write_text("no plan")
    return plans


def test_a_folder_is_done_whatever_fails_and_not_done_again(folder: Path) -> None:
    top = folder.parent
    first = boutline("outline", "plans", "none.png", "--out", "out", cwd=top, fresh=True)
    assert first.returncode == 2, first.stderr  # none.png: worse than refused
    head, *rows = first.stdout.splitlines()
    assert head.split()[:2] == ["plan", "verdict"]
    assert [row.split()[1] for row in rows[:3]] == ["refused", "look", "refused"]
    assert rows[3].split()[1:3] == ["not", "run"]
    assert "usage" not in first.stdout
    assert "mm" in rows[1] and "out/good" in rows[1]
    assert "none.png does not exist" in first.stderr
    assert "1/4" not in first.stderr  # lines of progress are for a terminal
    assert sorted(path.name for path in (top / "out").iterdir()) == ["good", "plans.json"]
    made = {path: path.stat().st_mtime_ns for path in (top / "out" / "good").iterdir()}
    assert len(made) == 6

    cv2.imwrite(str(folder / "blank.png"), np.full((910, 700), 255, dtype=np.uint8))
    again = boutline("outline", "plans", "--out", "out", "--json", "--jobs", "1", cwd=top)
    assert again.returncode == 4
    results = {one["folder"]: one for one in json.loads(again.stdout)["plans"]}
    assert {name: one["as_before"] for name, one in results.items()} == {"blank": False, "good": True, "torn": True}
    assert results["good"]["verdict"] == "look"
    assert results["good"]["length_mm"] == json.loads((top / "out/good/record.json").read_text())["body"]["length_mm"]
    assert {path: path.stat().st_mtime_ns for path in made} == made


def test_other_settings_are_other_results(tmp_path: Path) -> None:
    path = tmp_path / "sheet.toml"
    shutil.copy(SMALL, tmp_path / "sheet.png")
    path.write_text('[plan]\nimage = "sheet.png"\n')
    before = batch._digest(path)
    path.write_text('[plan]\nimage = "sheet.png"\n# nothing new\n')
    assert batch._digest(path) == before
    path.write_text('[plan]\nimage = "sheet.png"\nunit = "in"\n')
    assert batch._digest(path) != before


def test_a_dead_process_is_one_plan_s_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def one(job: batch.Job) -> batch.Result:
        if job.plan.name == "b.png":
            os._exit(9)
        return {"plan": str(job.plan), "folder": job.out.name, "exit_code": 0, "verdict": "sound"}

    monkeypatch.setattr(batch, "run_one", one)
    plans = [tmp_path / name for name in ("a.png", "b.png", "c.png")]
    summary = batch.run_many(plans, tmp_path / "out", jobs=2)
    assert [one["verdict"] for one in summary["plans"]] == ["sound", "fault", "sound"]
    kept = json.loads((tmp_path / "out" / batch.LEDGER).read_text())
    assert [one["folder"] for one in kept["plans"]] == ["a", "b", "c"]


def test_the_engine_is_whatever_joblib_is_told_to_use(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    joblib = pytest.importorskip("joblib")
    seen: list[int] = []

    def one(job: batch.Job) -> batch.Result:
        seen.append(os.getpid())
        return {"plan": str(job.plan), "folder": job.out.name, "exit_code": 3, "verdict": "look"}

    monkeypatch.setattr(batch, "run_one", one)
    with joblib.parallel_config("threading"):
        batch.run_many([tmp_path / "a.png", tmp_path / "b.png"], tmp_path / "out")
    assert seen == [os.getpid()] * 2


def test_what_stands_for_plans(tmp_path: Path) -> None:
    for name in ("a.png", "b.tif", "c.jpg", ".hidden.png", "d.txt"):
        (tmp_path / name).write_text("")
    (tmp_path / "p.toml").write_text('[plan]\nimage = ["a.png", "c.jpg"]\n')
    (tmp_path / "mold.toml").write_text("[mold]\nlayers = 3\n")
    (tmp_path / "torn.toml").write_text("[plan\n")
    names = [path.name for path in batch.plans_in([tmp_path])]
    assert names == ["b.tif", "p.toml", "torn.toml"]
    (tmp_path / "list.txt").write_text("# two\nb.tif\n\np.toml\n")
    assert batch.plans_in([tmp_path / "list.txt"]) == [tmp_path / "b.tif", tmp_path / "p.toml"]
    (tmp_path / "empty").mkdir()
    with pytest.raises(UsageError, match="holds no plan"):
        batch.plans_in([tmp_path / "empty"])
    assert batch.several([tmp_path]) and not batch.several([tmp_path / "b.tif"])


def test_folders_never_meet() -> None:
    plans = [Path("x/a.png"), Path("x/a.tif"), Path("y/a.png"), Path("b.png")]
    assert batch.folders_for(plans) == ["a-png", "a-tif", "a-png-2", "b"]


def test_the_worst_stands_for_all() -> None:
    assert batch.worst([0, 3, 0]) == 3
    assert batch.worst([4, 3]) == 4
    assert batch.worst([0, 1, 4, 2]) == 1


def test_the_table_holds_a_line_for_each() -> None:
    fine = {"plan": "a.png", "folder": "a", "verdict": "sound", "exit_code": 0, "as_before": True, "unit": "mm"}
    rows = table([{**fine, "length_mm": 500.0, "u95_mm": 0.1}], Path("out")).splitlines()
    assert rows[1].split() == ["a.png", "sound", "(as", "before)", "500.00", "mm", "-", "0.10", "mm", "out/a"]
