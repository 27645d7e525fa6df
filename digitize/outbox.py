"""The out folder: a run's files appear there together when all of them are right, or not at all."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import hashlib
import json
import os
import re
import shutil
import uuid
from pathlib import Path
from types import TracebackType

from calibration.errors import UsageError

OUTLINE_FILES = ("outline.dxf", "outline.svg", "outline.pdf", "overlay.png", "report.html", "record.json")
FULL = (errno.ENOSPC, errno.EDQUOT)
RECORD_SUFFIX = ".json"


def sha256_of(folder: Path) -> dict[str, str]:
    """Return file name -> SHA-256 of every file in a folder, by name."""
    return {path.name: _sha256(path) for path in sorted(folder.iterdir())}


def unwritable(folder: Path, fault: OSError) -> UsageError:
    """Return what to tell of a folder that the disk does not let be written: ``disk-full`` or ``out-not-writable``."""
    if fault.errno in FULL:
        return UsageError("disk-full", folder=folder)
    return UsageError("out-not-writable", folder=folder, why=fault.strerror or str(fault))


def clear_drafts(out: Path) -> None:
    """Remove the drafts for an out folder whose runs were ended from outside; one at work holds a lock on its own."""
    for path in _drafts(out):
        if (lock := _locked(path)) is not None:
            shutil.rmtree(path, ignore_errors=True)
            os.close(lock)


def has_drafts(out: Path) -> bool:
    """Return whether there are drafts for an out folder, at work or not."""
    return bool(_drafts(out))


def _drafts(out: Path) -> list[Path]:
    draft = re.compile(re.escape(f".{out.name}-") + "[0-9a-f]{32}")
    found: list[Path] = []
    for place in (out, out.parent):
        with contextlib.suppress(OSError):  # no such folder, or not ours to read
            found += [path for path in place.iterdir() if draft.fullmatch(path.name)]
    return found


class Outbox:
    """A draft folder beside the results' place; ``deliver`` moves its files there.

    A run that ends without a fault and delivers nothing was refused. What an earlier one left is then withdrawn, where
    it may be replaced: it would be taken for the answer.
    """

    def __init__(self, out: Path, names: tuple[str, ...], *, replace: bool) -> None:
        """Check the place before any work is done.

        Raises:
            UsageError: ``out-has-results`` or ``out-not-writable``.
        """
        there = next((name for name in names if (out / name).exists()), None)
        if there is not None and not replace:
            raise UsageError("out-has-results", folder=out, file=there)
        self.out = out
        self.draft = (out if out.is_dir() else out.parent) / f".{out.name}-{uuid.uuid4().hex}"
        self._names, self._replace = names, replace
        self._made: list[Path] = []
        self._lock: int | None = None
        self._delivered = False

    def __enter__(self) -> Outbox:
        """Make the draft folder, which proves that the place can be written.

        Raises:
            UsageError: ``out-not-writable`` or ``disk-full``.
        """
        if self.out.exists() and not self.out.is_dir():
            raise UsageError("out-not-writable", folder=self.out, why="it is a file")
        clear_drafts(self.out)
        parents = [self.draft, *self.draft.parents]
        self._made = [folder for folder in parents if not folder.exists()]
        try:
            self.draft.mkdir(parents=True)
        except OSError as fault:
            self._clear()
            raise unwritable(self.out, fault) from fault
        self._lock = _locked(self.draft)
        return self

    def deliver(self) -> None:
        """Move every file of the draft into place.

        Raises:
            UsageError: ``out-not-writable`` or ``disk-full`` when the disk refuses.
        """
        try:
            self.out.mkdir(exist_ok=True)
            for path in sorted(self.draft.iterdir()):
                path.replace(self.out / path.name)
        except OSError as fault:
            raise unwritable(self.out, fault) from fault
        self._delivered = True

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave nothing behind but what was delivered.

        Raises:
            UsageError: ``disk-full`` when that ended the run; ``out-not-writable``.
        """
        self._clear()
        if isinstance(fault, OSError) and fault.errno in FULL:
            raise unwritable(self.out, fault) from fault
        if fault is None and self._replace and not self._delivered:
            self._withdraw()

    def _clear(self) -> None:
        """Remove the draft, and the folders made for it that are still empty."""
        shutil.rmtree(self.draft, ignore_errors=True)
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None
        for folder in self._made:
            if folder.is_dir() and not any(folder.iterdir()):
                folder.rmdir()

    def _withdraw(self) -> None:
        """Remove an earlier run's files, the record last; a record of another command, or of nobody's, stays."""
        records = [name for name in self._names if name.endswith(RECORD_SUFFIX)]
        listed = {name: _files_of(self.out / name) for name in records}
        own = [name for name in records if listed[name].keys() & set(self._names)]
        old = [self.out / name for name in self._names if name not in records]
        for record in own:
            paths = {self.out / name: sha256 for name, sha256 in listed[record].items()}
            old += [path for path, sha256 in paths.items() if path.parent == self.out and _is(path, sha256)]
        try:
            for path in (*old, *(self.out / name for name in own)):
                path.unlink(missing_ok=True)
        except OSError as fault:
            raise unwritable(self.out, fault) from fault


def _files_of(record: Path) -> dict[str, str]:
    """Return the files that a record of this program names with their SHA-256; none where it is no such record."""
    try:
        content = json.loads(record.read_text(encoding="utf-8"))
        return {str(name): str(sha256) for name, sha256 in content["files"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _is(path: Path, sha256: str) -> bool:
    return path.is_file() and _sha256(path) == sha256


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _locked(folder: Path) -> int | None:
    """Return what holds a lock on a folder until it is closed, or its process ends; None where it cannot be had."""
    try:
        opened = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    except OSError:
        return None
    try:
        fcntl.flock(opened, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(opened)
        return None
    return opened
