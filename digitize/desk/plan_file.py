"""The plan file on disk: every correction written at once, all of them undone and done again, none lost."""

from __future__ import annotations

import hashlib
import os
import threading
import tomllib
import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomlkit

from calibration.errors import UsageError
from digitize.desk.plan_edit import changed
from digitize.settings import PLAN_SUFFIX, check_plan, load_plan

ENCODING = "utf-8"
BOM = "\ufeff"
PREVIOUS = ".~1~"  # as it was before the last change
AT_START = ".~start~"  # as it was when the desk was opened
UNDO_STEPS = 500


class PlanFile:
    """A plan file, or the one that will be made beside a plain picture; None stands for a file that is not there."""

    def __init__(self, given: Path) -> None:
        """Open a plan file or a picture.

        Raises:
            UsageError: as ``load_plan``.
        """
        settings = load_plan(given)
        self.image, self.page, self.captured = settings.image, settings.page, settings.captured
        self.given_picture = given.suffix.lower() != PLAN_SUFFIX
        self.path = plan_beside(given) if self.given_picture else given
        load_plan(self.runs)
        self._lock = threading.RLock()
        self._at_start = self._known = self._read()
        self._before: list[str | None] = []
        self._after: list[str | None] = []

    @property
    def runs(self) -> Path:
        """What a run is given: the plan file, or the picture as long as there is none."""
        return self.path if self.path.is_file() else self.image

    @property
    def version(self) -> str:
        """What tells one content of the file from another."""
        return version_of(self.runs)

    @property
    def can_undo(self) -> bool:
        """There is a change to take back."""
        return bool(self._before)

    @property
    def can_redo(self) -> bool:
        """There is a change to make again."""
        return bool(self._after)

    def content(self) -> dict[str, Any]:
        """Return what the file says now, as plain values; nothing but the picture where there is no file."""
        with self._lock:
            text = self._read()
        try:
            return tomllib.loads((text or self._first_text()).removeprefix(BOM))
        except tomllib.TOMLDecodeError as fault:
            raise UsageError("bad-toml", file=self.path.name, why=str(fault)) from fault

    def change(self, changes: Sequence[Mapping[str, Any]]) -> None:
        """Make changes as one step and write the file.

        Raises:
            BadChangeError: a change makes no sense.
            UsageError: the file would not be a plan file any more, or cannot be written.
        """
        with self._lock:
            now = self._look()
            text = changed((now or self._first_text()).removeprefix(BOM), changes)
            check_plan(tomllib.loads(text), self.path.name)
            if text == now:
                return
            self._write(text)
            self._before = [*self._before[-UNDO_STEPS:], now]
            self._after = []

    def undo(self) -> bool:
        """Write the file as it was before the last change, to the byte; False when there was none."""
        return self._step(self._before, self._after)

    def redo(self) -> bool:
        """Make the change again that was last taken back; False when there is none."""
        return self._step(self._after, self._before)

    def _step(self, source: list[str | None], target: list[str | None]) -> bool:
        with self._lock:
            now = self._look()
            if not source:
                return False
            self._write(source[-1])
            source.pop()
            target.append(now)
            return True

    def _look(self) -> str | None:
        """Return the file as it is now; what somebody else changed meanwhile becomes a step of its own."""
        now = self._read()
        if now != self._known:
            self._before.append(self._known)
            self._after.clear()
            self._known = now
        return now

    def _read(self) -> str | None:
        try:
            return self.path.read_bytes().decode(ENCODING)
        except FileNotFoundError:
            return None
        except (OSError, UnicodeDecodeError) as fault:
            raise UsageError("bad-toml", file=self.path.name, why=str(fault)) from fault

    def _first_text(self) -> str:
        plan = tomlkit.table()
        plan["image"] = self.image.name
        return tomlkit.dumps({"plan": plan})

    def _write(self, text: str | None) -> None:
        """Put a text in the file's place in one step, what was there before kept beside it."""
        try:
            if self._at_start is not None:
                _replace(self.path.with_name(self.path.name + AT_START), self._at_start)
            if self._known is not None:
                _replace(self.path.with_name(self.path.name + PREVIOUS), self._known)
            if text is None:
                self.path.unlink(missing_ok=True)
            else:
                _replace(self.path, text)
        except OSError as fault:
            raise UsageError("out-not-writable", folder=self.path.parent, why=fault.strerror or str(fault)) from fault
        self._known = text


def plan_beside(picture: Path) -> Path:
    """Return where the plan file of a picture is or will be: one that names it, else a free name."""
    for number in range(1, 100):
        place = picture.with_name(f"{picture.stem}{'' if number == 1 else f'-{number}'}{PLAN_SUFFIX}")
        if not place.exists():
            return place
        try:
            if load_plan(place).image.resolve() == picture.resolve():
                return place
        except UsageError:
            continue
    raise UsageError("out-not-writable", folder=picture.parent, why="it holds a hundred plan files of that name")


def version_of(path: Path) -> str:
    """Return a digest of a plan file; of a plain picture, its name alone."""
    if path.suffix.lower() != PLAN_SUFFIX:
        return f"picture {path.name}"
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "none"


def _replace(path: Path, text: str) -> None:
    draft = path.with_name(f".{path.name}-{uuid.uuid4().hex}")
    try:
        with draft.open("wb") as stream:
            stream.write(text.encode(ENCODING))
            stream.flush()
            os.fsync(stream.fileno())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
