"""A file of choices on disk: every correction written at once, all of them undone and done again, none lost."""

from __future__ import annotations

import os
import threading
import tomllib
import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from calibration.errors import UsageError
from digitize.desk.plan_edit import Changeable, changed

ENCODING = "utf-8"
BOM = "\ufeff"
PREVIOUS = ".~1~"  # as it was before the last change
AT_START = ".~start~"  # as it was when the desk was opened
UNDO_STEPS = 500


class History:
    """The steps of all files of a desk, in the order in which they were made; None stands for no file."""

    def __init__(self) -> None:
        """Start with no step made."""
        self.lock = threading.RLock()
        self._before: list[tuple[KeptFile, str | None]] = []
        self._after: list[tuple[KeptFile, str | None]] = []

    @property
    def can_undo(self) -> bool:
        """There is a change to take back."""
        return bool(self._before)

    @property
    def can_redo(self) -> bool:
        """There is a change to make again."""
        return bool(self._after)

    def made(self, file: KeptFile, before: str | None) -> None:
        """Take note of a change; what was taken back before it cannot be made again."""
        self._before = [*self._before[-UNDO_STEPS:], (file, before)]
        self._after = []

    def undo(self) -> bool:
        """Write a file as it was before the last change, to the byte; False when there was none."""
        return self._step(undoing=True)

    def redo(self) -> bool:
        """Make the change again that was last taken back; False when there is none."""
        return self._step(undoing=False)

    def _step(self, *, undoing: bool) -> bool:
        with self.lock:
            for file in {file for file, _ in (*self._before, *self._after)}:
                file.look()
            source, target = (self._before, self._after) if undoing else (self._after, self._before)
            if not source:
                return False
            file, text = source[-1]
            now = file.look()
            file.write(text)
            source.pop()
            target.append((file, now))
            return True


class KeptFile:
    """One file of choices, there or not yet."""

    changeable: Changeable

    def __init__(self, path: Path, history: History) -> None:
        """Take up what is there.

        Raises:
            UsageError: ``bad-toml``: it cannot be read.
        """
        self.path, self.history = path, history
        self._at_start = self._known = self._read()

    def first_text(self) -> str:
        """Return what the file says before anybody wrote it."""
        return ""

    def check(self, content: dict[str, Any]) -> None:
        """Check what the file would hold.

        Raises:
            UsageError: ``unknown-key``, ``bad-value`` or ``bad-length``.
        """
        raise NotImplementedError

    def content(self) -> dict[str, Any]:
        """Return what the file says now, as plain values."""
        with self.history.lock:
            text = self._read()
        try:
            return tomllib.loads((text or self.first_text()).removeprefix(BOM))
        except tomllib.TOMLDecodeError as fault:
            raise UsageError("bad-toml", file=self.path.name, why=str(fault)) from fault

    def change(self, changes: Sequence[Mapping[str, Any]]) -> None:
        """Make changes as one step and write the file.

        Raises:
            BadChangeError: a change makes no sense.
            UsageError: the file would not be what it is any more, or cannot be written.
        """
        with self.history.lock:
            now = self.look()
            text = changed((now or self.first_text()).removeprefix(BOM), changes, self.changeable)
            self.check(tomllib.loads(text))
            if text == now:
                return
            self.write(text)
            self.history.made(self, now)

    def look(self) -> str | None:
        """Return the file as it is now; what somebody else changed meanwhile becomes a step of its own."""
        now = self._read()
        if now != self._known:
            self.history.made(self, self._known)
            self._known = now
        return now

    def write(self, text: str | None) -> None:
        """Put a text in the file's place in one step, what was there before kept beside it.

        Raises:
            UsageError: ``out-not-writable``.
        """
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

    def _read(self) -> str | None:
        try:
            return self.path.read_bytes().decode(ENCODING)
        except FileNotFoundError:
            return None
        except (OSError, UnicodeDecodeError) as fault:
            raise UsageError("bad-toml", file=self.path.name, why=str(fault)) from fault


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
