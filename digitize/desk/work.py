"""Runs of the outline in a process of their own: ``python -m digitize.desk.work OUT``.

Each line of standard input, the words of ``Asked`` as JSON, asks for a run: of the outline, which begins with the first
stage that something changed for, or of the mold. Stages and ends are told as lines of JSON on standard output. The
process ends when its standard input is closed, so that no run outlives the desk. What was found is in ``desk.json`` in
the out folder, besides the files that the command line writes; a mold's record is beside the mold's files.
"""

from __future__ import annotations

import _thread
import json
import os
import queue
import sys
import threading
import time
from pathlib import Path
from typing import Any, TextIO

from calibration.errors import BoutlineError
from calibration.flags import TABLE
from digitize.desk.plan_file import version_of
from digitize.desk.run import MOLD_FOLDER, STATE_FILE, Asked
from digitize.desk.shown import Shown
from digitize.mold import run_mold
from digitize.outbox import OUTLINE_FILES
from digitize.outcome import Memo
from digitize.pipeline import run_outline

AGAIN_S = 0.5  # long enough for the draft folder to be removed between two interrupts


def work(plan: Path, out: Path, tell: TextIO, memo: Memo) -> None:
    """Run once; the state file is written last, and files of an earlier state never stay beside a refusal."""
    shown, version = Shown(), version_of(plan)
    outcome = run_outline(
        plan, out, replace=True, progress=lambda stage: _say(tell, stage=stage), onlooker=shown, memo=memo
    )
    if outcome.record["verdict"] == "refused" and (out / STATE_FILE).exists():
        for name in OUTLINE_FILES:
            (out / name).unlink(missing_ok=True)
    out.mkdir(parents=True, exist_ok=True)
    weights = {reason["code"]: TABLE[reason["code"]][0] for reason in outcome.record["reasons"]}
    state = {"version": version, "record": outcome.record, "weights": weights, "shown": shown.content}
    draft = out / f".{STATE_FILE}"
    draft.write_text(json.dumps(state, allow_nan=False), encoding="utf-8")
    draft.replace(out / STATE_FILE)
    _say(tell, ended="done")


def _say(tell: TextIO, **line: Any) -> None:
    tell.write(json.dumps(line) + "\n")
    tell.flush()


def _listen(asked: queue.SimpleQueue[Asked | None]) -> None:
    """Pass on what standard input asks for; once it is closed, interrupt whatever goes on until the process ends."""
    for line in sys.stdin:
        asked.put(Asked(**json.loads(line)))
    asked.put(None)
    while True:  # an interrupt that comes inside a callback of a library is swallowed there
        _thread.interrupt_main()
        time.sleep(AGAIN_S)


def draw_mold(asked: Asked, out: Path, tell: TextIO) -> None:
    """Draw the mold of the outline that lies in the out folder."""
    job = Path(asked.job) if asked.job else None
    where = out / MOLD_FOLDER
    outcome = run_mold(out / "outline.dxf", job, where, replace=True, progress=lambda stage: _say(tell, stage=stage))
    if outcome.record["verdict"] == "refused":  # and nothing was written
        (reason,) = outcome.record["reasons"]
        _say(tell, fault=reason["text"], remedy=reason["remedy"], ended="failed")
    else:
        _say(tell, ended="done")


def _work_told(asked: Asked, out: Path, tell: TextIO, memo: Memo) -> None:
    """Run once, and tell how it ended."""
    try:
        if asked.mold:
            draw_mold(asked, out, tell)
        else:
            work(Path(asked.plan), out, tell, memo)
    except BoutlineError as fault:
        _say(tell, fault=fault.doubt.text, remedy=fault.doubt.remedy, ended="failed")
    except Exception as fault:
        text = f"unexpected fault: {type(fault).__name__}: {fault}"
        remedy = "Run 'boutline outline -v' on the plan and report what it prints."
        _say(tell, fault=text, remedy=remedy, ended="failed")


def main() -> int:
    """Run what standard input names until it is closed."""
    tell = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # what a library prints is no line of ours
    asked: queue.SimpleQueue[Asked | None] = queue.SimpleQueue()
    memo = Memo()
    try:
        threading.Thread(target=_listen, args=(asked,), daemon=True).start()
        while one := asked.get():
            _work_told(one, Path(sys.argv[1]), tell, memo)
    except KeyboardInterrupt:
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
