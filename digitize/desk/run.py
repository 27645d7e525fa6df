"""Runs as the server sees them: one at a time, in a process of its own, told by stages, ended when told to."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from calibration.errors import UsageError
from digitize.outbox import OUTLINE_FILES

STATE_FILE = "desk.json"
# The order in which a scan goes; a photo has more stages of its own, which are told as they come.
STAGES = ("read", "rule", "solve", "ink", "contour", "symmetry", "fair", "budget", "write", "report")
PATIENCE_S = 3.0  # a stage may be deep in a long computation when it is told to end


@dataclass
class Progress:
    """How the last run goes or went."""

    state: Literal["none", "running", "done", "cancelled", "failed"] = "none"
    stage: str | None = None
    begun: list[str] = field(default_factory=list)
    started: float = 0.0
    took_s: float | None = None
    fault: str | None = None
    remedy: str | None = None

    def told(self) -> dict[str, Any]:
        """Return what the page is told."""
        seconds = self.took_s if self.took_s is not None else time.monotonic() - self.started
        return {
            "state": self.state,
            "stage": self.stage,
            "begun": list(self.begun),
            "stages": STAGES,
            "seconds": round(seconds, 1) if self.state != "none" else None,
            "fault": self.fault,
            "remedy": self.remedy,
        }


def check_folder(out: Path, *, replace: bool) -> None:
    """Refuse a folder that holds results which no desk made.

    Raises:
        UsageError: ``out-has-results``.
    """
    there = next((name for name in OUTLINE_FILES if (out / name).exists()), None)
    if there is not None and not replace and not (out / STATE_FILE).exists():
        raise UsageError("out-has-results", folder=out, file=there)


class Runs:
    """Starts and ends runs, and keeps what the last whole one found."""

    def __init__(self, out: Path, sha256: str) -> None:
        """Take up what an earlier desk left in the folder, if it is of this picture."""
        self.out, self.sha256 = out, sha256
        self.progress = Progress()
        self.result: dict[str, Any] | None = self._state()
        self._process: subprocess.Popen[str] | None = None
        self._lock = threading.RLock()

    def start(self, plan: Path) -> bool:
        """Start a run; False when one is going on."""
        with self._lock:
            if self.progress.state == "running":
                return False
            call = [sys.executable, "-m", "digitize.desk.work", str(plan), str(self.out)]
            process = subprocess.Popen(call, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
            self._process = process
            self.progress = Progress("running", started=time.monotonic())
            threading.Thread(target=self._follow, args=(process, self.progress), daemon=True).start()
            return True

    def cancel(self) -> None:
        """End the run that goes on, if any, and wait until it has."""
        with self._lock:
            process, progress = self._process, self.progress
            if process is None or progress.state != "running":
                return
            progress.state = "cancelled"
        if process.stdin:
            process.stdin.close()
        try:
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        with self._lock:
            if self._process is process:  # no other run has begun, whose draft this would be
                self._clear_drafts()

    def _follow(self, process: subprocess.Popen[str], progress: Progress) -> None:
        """Read a run's lines until it ends."""
        assert process.stdout is not None
        done = False
        with process.stdout as lines:
            for line in lines:
                told = json.loads(line)
                if "stage" in told:
                    progress.stage = told["stage"]
                    progress.begun.append(told["stage"])
                done = done or "done" in told
                progress.fault = told.get("fault", progress.fault)
                progress.remedy = told.get("remedy", progress.remedy)
        process.wait()
        if process.stdin:
            process.stdin.close()
        with self._lock:
            progress.took_s = time.monotonic() - progress.started
            if done:
                self.result = self._state()
                progress.state = "done"
            elif progress.state == "running":
                progress.state = "failed"
                progress.fault = progress.fault or "The run ended before it came to a result."
                progress.remedy = progress.remedy or "Run 'boutline outline' on the plan and report what it prints."

    def _state(self) -> dict[str, Any] | None:
        try:
            state: dict[str, Any] = json.loads((self.out / STATE_FILE).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        whole = {"version", "record", "weights", "shown"} <= state.keys()
        return state if whole and state["record"]["input"]["sha256"] == self.sha256 else None

    def _clear_drafts(self) -> None:
        """Remove the draft folder that a run stopped in its first or last instant could not."""
        for place in (self.out, self.out.parent):
            for draft in place.glob(f".{self.out.name}-" + "[0-9a-f]" * 32):
                shutil.rmtree(draft, ignore_errors=True)
