"""One run of the outline in a process of its own: ``python -m digitize.desk.work PLAN OUT``.

Tells its stages as lines of JSON on standard output; ends when its standard input is closed, so that no run outlives
the desk. What it found is in ``desk.json`` in the out folder, besides the files that the command line writes.
"""

from __future__ import annotations

import _thread
import json
import os
import sys
import threading
import time
from pathlib import Path
from typing import Any, TextIO

from calibration.errors import BoutlineError
from calibration.flags import TABLE
from digitize.desk.plan_file import version_of
from digitize.desk.run import STATE_FILE
from digitize.desk.shown import Shown
from digitize.outbox import OUTLINE_FILES
from digitize.pipeline import run_outline

AGAIN_S = 0.5  # long enough for the draft folder to be removed between two interrupts


def work(plan: Path, out: Path, tell: TextIO) -> None:
    """Run once; the state file is written last, and files of an earlier state never stay beside a refusal."""
    shown, version = Shown(), version_of(plan)
    outcome = run_outline(plan, out, replace=True, progress=lambda stage: _say(tell, stage=stage), onlooker=shown)
    if outcome.record["verdict"] == "refused" and (out / STATE_FILE).exists():
        for name in OUTLINE_FILES:
            (out / name).unlink(missing_ok=True)
    out.mkdir(parents=True, exist_ok=True)
    weights = {reason["code"]: TABLE[reason["code"]][0] for reason in outcome.record["reasons"]}
    state = {"version": version, "record": outcome.record, "weights": weights, "shown": shown.content}
    draft = out / f".{STATE_FILE}"
    draft.write_text(json.dumps(state, allow_nan=False), encoding="utf-8")
    draft.replace(out / STATE_FILE)
    _say(tell, done=outcome.record["verdict"])


def _say(tell: TextIO, **line: Any) -> None:
    tell.write(json.dumps(line) + "\n")
    tell.flush()


def _until_told_to_stop() -> None:
    while os.read(0, 1):
        pass
    while True:  # an interrupt that comes inside a callback of a library is swallowed there
        _thread.interrupt_main()
        time.sleep(AGAIN_S)


def main() -> int:
    """Run with the call's own words; 0 when it came to a result, whichever."""
    tell = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # what a library prints is no line of ours
    try:
        threading.Thread(target=_until_told_to_stop, daemon=True).start()  # the word may be there already
        work(Path(sys.argv[1]), Path(sys.argv[2]), tell)
    except BoutlineError as fault:
        _say(tell, fault=fault.doubt.text, remedy=fault.doubt.remedy)
        return 1
    except KeyboardInterrupt:
        return 1
    except Exception as fault:
        text = f"unexpected fault: {type(fault).__name__}: {fault}"
        _say(tell, fault=text, remedy="Run 'boutline outline -v' on the plan and report what it prints.")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
