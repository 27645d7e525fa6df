"""How a run goes and ends, whichever command it is: its clock, its exit code, what every record says of it."""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

from calibration.flags import Doubt
from digitize import __version__
from digitize.shapes import Picture
from digitize.tables import printable

EXIT_CODES = {"sound": 0, "look": 3, "refused": 4}
BYTES_PER_MIB = 2**20
# Kernels count the peak in KiB, except Darwin's, in bytes.
BYTES_PER_MAXRSS = 1 if sys.platform == "darwin" else 1024

Progress = Callable[[str], None]
Reader = Callable[..., Picture]
Made = TypeVar("Made")


@dataclass(frozen=True, eq=False)
class Outcome:
    """How a run ended, ready for either face."""

    exit_code: int
    record: dict[str, Any]


class Memo:
    """What stages made, from one run to the next of the same process: of each, the last and what it was made of."""

    def __init__(self) -> None:
        """Start with nothing made."""
        self._last: dict[str, tuple[tuple[object, ...], Any]] = {}

    def __call__(self, name: str, made_of: tuple[object, ...], make: Callable[[], Made]) -> Made:
        """Return what was made last under a name, if of the same, else make it.

        Values are compared by what they hold, results of other stages by being the same one: their classes say so
        (``eq=False``).
        """
        if name in self._last and self._last[name][0] == made_of:
            kept: Made = self._last[name][1]
            return kept
        self._last.pop(name, None)  # two pictures are not held at once
        made = make()
        self._last[name] = (made_of, made)
        return made


class Clock:
    """Seconds per stage, and the picture as soon as there is one, for a record of a refused run."""

    def __init__(self, progress: Callable[[str], None] | None = None, memo: Memo | None = None) -> None:
        """Start with nothing done.

        Args:
            progress: is told the name of each stage as it begins.
            memo: what earlier runs made, taken where nothing changed; None makes everything.
        """
        self.timings_s: dict[str, float] = {}
        self._memo = memo
        self.picture: Picture | None = None
        self._progress = progress

    @contextmanager
    def __call__(self, stage: str) -> Iterator[None]:
        """Time one stage, also when it fails."""
        if self._progress:
            self._progress(stage)
        start = time.perf_counter()
        try:
            yield
        finally:
            self.timings_s[stage] = round(time.perf_counter() - start, 3)

    def kept(self, name: str, made_of: tuple[object, ...], make: Callable[[], Made]) -> Made:
        """Return what an earlier run made of the same, where there was one, else make it."""
        return make() if self._memo is None else self._memo(name, made_of, make)


def tool_part() -> dict[str, str]:
    """Return what made a record."""
    return {"name": "boutline", "version": __version__}


def reasons_part(doubts: Sequence[Doubt]) -> list[dict[str, str]]:
    """Return the doubts as a record lists them."""
    return [{"code": one.code, "text": printable(one.text), "remedy": printable(one.remedy)} for one in doubts]


def effort_part(clock: Clock) -> dict[str, Any]:
    """Return the record's last part: time and memory."""
    peak_bytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * BYTES_PER_MAXRSS
    return {"timings_s": dict(clock.timings_s), "peak_mib": round(peak_bytes / BYTES_PER_MIB, 1)}
