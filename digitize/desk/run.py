"""Runs as the server sees them: one at a time, in a process beside it, told by stages, ended when told to."""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
import subprocess
import sys
import threading
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal

from calibration.errors import UsageError
from digitize.outbox import OUTLINE_FILES

STATE_FILE = "desk.json"
# The order in which a scan goes; a photo has more stages of its own, which are told as they come.
STAGES = ("read", "rule", "solve", "card", "ink", "contour", "symmetry", "fair", "budget", "write", "report")
MOLD_STAGES = ("read", "parts", "checks", "sheets", "files", "report")
MOLD_FOLDER = "mold"  # in the folder of the results
PATIENCE_S = 3.0  # a stage may be deep in a long computation when it is told to end


@dataclass(frozen=True)
class Asked:
    """What a run is asked for."""

    plan: str = ""
    mold: bool = False  # of the outline as it was last written
    job: str | None = None  # its job file; None for what is usual


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
    mold: bool = False  # it was of the mold

    def told(self) -> dict[str, Any]:
        """Return what the page is told."""
        seconds = self.took_s if self.took_s is not None else time.monotonic() - self.started
        return {
            "state": self.state,
            "stage": self.stage,
            "begun": list(self.begun),
            "mold": self.mold,
            "stages": MOLD_STAGES if self.mold else STAGES,
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
        # It stays from run to run, so that a run begins with the first stage that something changed for.
        self._process: subprocess.Popen[str] | None = None
        self._lock = threading.RLock()

    def start(self, plan: Path) -> bool:
        """Start a run of the outline; False when one is going on."""
        return self._start(Asked(plan=str(plan)))

    def start_mold(self, job: Path | None) -> bool:
        """Start drawing the mold of the outline as it was last written; False when a run is going on."""
        return self._start(Asked(mold=True, job=None if job is None else str(job)))

    def mold(self) -> dict[str, Any] | None:
        """Return the record of the mold, if it is of the outline as it was last written."""
        try:
            record: dict[str, Any] = json.loads((self.out / MOLD_FOLDER / "mold.json").read_text(encoding="utf-8"))
            outline = (self.out / "outline.dxf").read_bytes()
        except (OSError, ValueError):
            return None
        return record if record["input"]["sha256"] == hashlib.sha256(outline).hexdigest() else None

    def _start(self, asked: Asked) -> bool:
        with self._lock:
            if self.progress.state == "running":
                return False
            if self._process is None or self._process.poll() is not None:
                self._process = self._begun()
            self.progress = Progress("running", started=time.monotonic(), mold=asked.mold)
            assert self._process.stdin is not None
            with contextlib.suppress(OSError):  # it has just ended; whoever follows it says so
                self._process.stdin.write(json.dumps(asdict(asked)) + "\n")
                self._process.stdin.flush()
            return True

    def _begun(self) -> subprocess.Popen[str]:
        call = [sys.executable, "-m", "digitize.desk.work", str(self.out)]
        process = subprocess.Popen(call, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        threading.Thread(target=self._follow, args=(process,), daemon=True).start()
        return process

    def cancel(self) -> None:
        """End the run that goes on, if any, and wait until it has; what its process remembered is lost."""
        with self._lock:
            if self.progress.state != "running":
                return
            self.progress.state = "cancelled"
            self.progress.took_s = time.monotonic() - self.progress.started
        self.close()
        with self._lock:
            if self._process is None:  # no other run has begun, whose draft this would be
                self._clear_drafts()

    def close(self) -> None:
        """End the process, whatever it does."""
        with self._lock:
            process, self._process = self._process, None
        if process is None:
            return
        assert process.stdin is not None
        with contextlib.suppress(OSError):  # it was asked for something that it no longer reads
            process.stdin.close()
        try:
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def _follow(self, process: subprocess.Popen[str]) -> None:
        """Read the lines of a process until it ends."""
        assert process.stdout is not None
        with process.stdout as lines:
            for line in lines:
                with self._lock:
                    if self._process is process and self.progress.state == "running":
                        self._hear(json.loads(line))
        process.wait()
        with self._lock:
            if self._process is process and self.progress.state == "running":
                self.progress.fault = "The run ended before it came to a result."
                self.progress.remedy = "Run 'boutline outline' on the plan and report what it prints."
                self._ended("failed")

    def _hear(self, told: dict[str, Any]) -> None:
        """Take one line of a run."""
        progress = self.progress
        if "stage" in told:
            progress.stage = told["stage"]
            progress.begun.append(told["stage"])
        progress.fault, progress.remedy = told.get("fault", progress.fault), told.get("remedy", progress.remedy)
        if told.get("ended") == "done":
            self.result = self._state()
        if "ended" in told:
            self._ended(told["ended"])

    def _ended(self, state: Literal["done", "failed"]) -> None:
        self.progress.took_s = time.monotonic() - self.progress.started
        self.progress.state = state

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
