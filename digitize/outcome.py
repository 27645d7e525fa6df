"""How a run goes and ends, whichever command it is: its clock, its exit code, what every record says of it."""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from calibration.flags import Doubt
from digitize import __version__
from digitize.shapes import Picture

EXIT_CODES = {"sound": 0, "look": 3, "refused": 4}
BYTES_PER_MIB = 2**20
# Kernels count the peak in KiB, except Darwin's, in bytes.
BYTES_PER_MAXRSS = 1 if sys.platform == "darwin" else 1024

Progress = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class Outcome:
    """How a run ended, ready for either face."""

    exit_code: int
    record: dict[str, Any]


class Clock:
    """Seconds per stage, and the picture as soon as there is one, for a record of a refused run."""

    def __init__(self, progress: Callable[[str], None] | None = None) -> None:
        """Start with nothing done; ``progress`` is told the name of each stage as it begins."""
        self.timings_s: dict[str, float] = {}
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


def tool_part() -> dict[str, str]:
    """Return what made a record."""
    return {"name": "boutline", "version": __version__}


def reasons_part(doubts: Sequence[Doubt]) -> list[dict[str, str]]:
    """Return the doubts as a record lists them."""
    return [{"code": one.code, "text": one.text, "remedy": one.remedy} for one in doubts]


def effort_part(clock: Clock) -> dict[str, Any]:
    """Return the record's last part: time and memory."""
    peak_bytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * BYTES_PER_MAXRSS
    return {"timings_s": dict(clock.timings_s), "peak_mib": round(peak_bytes / BYTES_PER_MIB, 1)}
