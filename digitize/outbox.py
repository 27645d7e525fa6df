"""The out folder: a run's files appear there together when all of them are right, or not at all."""

from __future__ import annotations

import hashlib
import shutil
import uuid
from pathlib import Path
from types import TracebackType

from calibration.errors import UsageError

OUTLINE_FILES = ("outline.dxf", "outline.svg", "outline.pdf", "overlay.png", "report.html", "record.json")


def sha256_of(folder: Path) -> dict[str, str]:
    """Return file name -> SHA-256 of every file in a folder, by name."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


class Outbox:
    """A draft folder beside the results' place; ``deliver`` moves its files there."""

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
        self._made: list[Path] = []

    def __enter__(self) -> Outbox:
        """Make the draft folder, which proves that the place can be written.

        Raises:
            UsageError: ``out-not-writable``.
        """
        if self.out.exists() and not self.out.is_dir():
            raise UsageError("out-not-writable", folder=self.out, why="it is a file")
        parents = [self.draft, *self.draft.parents]
        self._made = [folder for folder in parents if not folder.exists()]
        try:
            self.draft.mkdir(parents=True)
        except OSError as fault:
            self._clear()
            raise UsageError("out-not-writable", folder=self.out, why=fault.strerror or str(fault)) from fault
        return self

    def deliver(self) -> None:
        """Move every file of the draft into place.

        Raises:
            UsageError: ``out-not-writable`` when the disk refuses.
        """
        try:
            self.out.mkdir(exist_ok=True)
            for path in sorted(self.draft.iterdir()):
                path.replace(self.out / path.name)
        except OSError as fault:
            raise UsageError("out-not-writable", folder=self.out, why=fault.strerror or str(fault)) from fault

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave nothing behind but what was delivered."""
        self._clear()

    def _clear(self) -> None:
        """Remove the draft, and the folders made for it that are still empty."""
        shutil.rmtree(self.draft, ignore_errors=True)
        for folder in self._made:
            if folder.is_dir() and not any(folder.iterdir()):
                folder.rmdir()
