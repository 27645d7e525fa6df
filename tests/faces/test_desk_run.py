"""A run as the desk starts it: what the page is given to draw, what is left after a refusal or a stop."""

from __future__ import annotations

import io
import json
import shutil
import time
from hashlib import sha256
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from digitize.desk.run import MOLD_FOLDER, STATE_FILE, Asked, Runs
from digitize.desk.work import draw_mold, work
from digitize.outbox import OUTLINE_FILES
from digitize.outcome import Memo
from digitize.pipeline import run_outline
from tests.faces.desk_server import sheet
from tests.maker import PlanSpec, make_plan

WITHIN_S = 120.0  # the run's process loads for seconds, and on a busy machine for many
SHEET = PlanSpec(name="sheet", seed=4, family="small", dpi=100.0, specks=0, smudges=0)


def test_what_is_drawn_lies_on_the_ink_and_no_files_outlive_a_refusal(fixtures_dir: Path, tmp_path: Path) -> None:
    plan, out = tmp_path / "cassini.png", tmp_path / "out"
    shutil.copy(fixtures_dir / "small" / "cassini.png", plan)
    told = io.StringIO()
    memo = Memo()
    work(plan, out, told, memo)
    lines = [json.loads(line) for line in told.getvalue().splitlines()]
    assert [line["stage"] for line in lines[:5]] == ["read", "rule", "solve", "card", "ink"]
    assert lines[-1] == {"ended": "done"}
    assert sorted(path.name for path in out.iterdir()) == sorted([*OUTLINE_FILES, STATE_FILE])

    state = json.loads((out / STATE_FILE).read_text())
    assert state["record"] == json.loads((out / "record.json").read_text())
    grey = cv2.imread(str(plan), cv2.IMREAD_GRAYSCALE)
    assert grey is not None
    drawn = np.concatenate([stretch["points"] for stretch in state["shown"]["outline"]])
    # the line is 0.4 mm of ink, 3 px; where one half was averaged with the other the middle is off by less than 1 px
    assert np.mean(ink_at(grey, drawn) < 128) > 0.98
    for rule in state["shown"]["rules"]:
        assert rule["used"]
        assert rule["length_mm"] > 60.0
        assert np.mean(ink_at(grey, np.array(rule["marks"])) < 128) > 0.9
    tail, neck = np.array(state["shown"]["centerline"])
    scale = state["record"]["scale"]
    length_mm = np.hypot(*((neck - tail) * (scale["mm_per_px_x"], scale["mm_per_px_y"])))
    assert length_mm == pytest.approx(state["record"]["body"]["length_mm"], abs=0.05)  # its pixels are rounded

    told = io.StringIO()
    draw_mold(Asked(mold=True), out, told)
    assert json.loads(told.getvalue().splitlines()[-1]) == {"ended": "done"}
    mold = Runs(out, "").mold()
    assert mold is not None
    assert {"mold.html", "layer.dxf", "master.pdf"} <= {path.name for path in (out / MOLD_FOLDER).iterdir()}

    assert cv2.imwrite(str(plan), np.full_like(grey, 255))
    work(plan, out, told, memo)
    assert Runs(out, "").mold() is None  # what it was of is gone
    shutil.rmtree(out / MOLD_FOLDER)
    assert [path.name for path in out.iterdir()] == [STATE_FILE]
    state = json.loads((out / STATE_FILE).read_text())
    assert (state["record"]["verdict"], state["shown"]["outline"]) == ("refused", None)


def test_a_run_begins_with_what_changed_and_ends_as_one_from_the_start(tmp_path: Path) -> None:
    plan, picture = tmp_path / "plan.toml", make_plan(SHEET, tmp_path).path
    plan.write_text('[plan]\nimage = "sheet.png"\n')
    runs, out = Runs(tmp_path / "out", sha256(picture.read_bytes()).hexdigest()), tmp_path / "out"
    first, _ = ended(runs, plan)
    plan.write_text('[plan]\nimage = "sheet.png"\nline = "outer"\n[body]\nkeep = "left"\n')
    again, record = ended(runs, plan)
    whole = run_outline(plan, tmp_path / "whole").record
    assert again["read"] + again["rule"] + again["ink"] < 0.2 * (first["read"] + first["rule"] + first["ink"])
    for timed in (record, whole):
        del timed["timings_s"], timed["peak_mib"]
        timed["files"] = sorted(timed["files"])  # some hold when they were written
    assert record == whole
    assert (out / "outline.svg").read_bytes() == (tmp_path / "whole" / "outline.svg").read_bytes()

    grey = cv2.imread(str(picture), cv2.IMREAD_GRAYSCALE)
    assert grey is not None
    assert cv2.imwrite(str(picture), np.full_like(grey, 255))  # the same name and other ink
    _, record = ended(runs, plan)
    assert record["verdict"] == "refused"
    runs.close()


def ended(runs: Runs, plan: Path) -> tuple[dict[str, float], dict[str, Any]]:
    """Run to the end; return the seconds of each stage and the record."""
    assert runs.start(plan)
    end = time.monotonic() + WITHIN_S
    while runs.progress.state == "running":
        assert time.monotonic() < end
        time.sleep(0.05)
    assert runs.progress.state == "done", runs.progress
    record = json.loads((runs.out / STATE_FILE).read_text())["record"]
    return record["timings_s"], record


def ink_at(grey: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return the darkest grey within a pixel of each place."""
    darkest = cv2.erode(grey, np.ones((3, 3), dtype=np.uint8))
    columns, rows = np.round(places).astype(int).T
    return np.asarray(darkest[rows, columns])


def test_a_stopped_run_leaves_nothing_and_another_can_start(tmp_path: Path) -> None:
    plan = sheet(tmp_path)
    runs = Runs(tmp_path / "out", "of no picture")
    assert runs.start(plan)
    assert not runs.start(plan)  # one at a time
    runs.cancel()
    assert runs.progress.told()["state"] == "cancelled"
    assert runs.start(plan)
    end = time.monotonic() + WITHIN_S
    while runs.progress.state == "running":
        assert time.monotonic() < end
        time.sleep(0.1)
    assert runs.progress.state == "done"
    assert runs.result is None  # it is of another picture than the desk's
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "sheet.png"]


def test_a_run_that_cannot_begin_says_why(tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text("[plan]\nimage = 5\n")
    runs = Runs(tmp_path / "out", "")
    runs.start(tmp_path / "bad.toml")
    end = time.monotonic() + WITHIN_S
    while runs.progress.state == "running":
        assert time.monotonic() < end
        time.sleep(0.1)
    told = runs.progress.told()
    assert told["state"] == "failed"
    assert "bad.toml" in told["fault"]
    assert told["remedy"]
