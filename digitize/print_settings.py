"""How a sheet is to be printed, and what a first print tells of the printer."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from calibration.errors import UsageError
from calibration.units import MM_PER_INCH, parse_length

# The check lines of every page: what each of them is on a true print.
LINES_MM = {"100 mm": 100.0, "4 in": 4.0 * MM_PER_INCH}
# A print further off than this is a wrong unit or a wrong setting, not a printer's error.
LEAST, MOST = 0.8, 1.25
# The two lines differ by 1.6 %: a length this near to the other one's may be of either.
NEAR_OTHER = 0.004

_BETWEEN = re.compile(r"\s*[x×]\s*", re.IGNORECASE)
_OF = re.compile(r"\s+of\s+(?:the\s+)?", re.IGNORECASE)
_METRIC = re.compile(r"\bm\b|[cm]m\b", re.IGNORECASE)


@dataclass(frozen=True)
class PrintSettings:
    """What ``boutline reprint`` is told besides the plan."""

    paper: str = "whole"
    mirrored: bool = False
    one_bit: bool = False
    tiff: bool = False
    region_px: tuple[float, float, float, float] | None = None  # x, y of the upper left corner, width, height
    measured: str | None = None  # the check lines of a first print, across and along the paper
    page: Path | None = None  # in place of that, a scan of a page of it, or a plan file that names one

    def check(self) -> None:
        """Check what can be checked without the plan.

        Raises:
            UsageError: as ``scale``.
        """
        _ = self.scale

    @property
    def scale(self) -> tuple[float, float]:
        """Mm of the page for each mm printed, along the paper's short and its long side; a page apart.

        Raises:
            UsageError: as ``printed_at``.
        """
        if self.measured is None:
            return 1.0, 1.0
        across, along = printed_at(self.measured)
        return 1.0 / across, 1.0 / along


def printed_at(measured: str) -> tuple[float, float]:
    """Return what a printer makes of a millimetre across and along the paper, from the check lines as measured.

    A length in millimetres is of the 100 mm line, one in inches of the 4 in line, unless ``of 100 mm`` or ``of 4 in``
    stands behind it.

    Raises:
        UsageError: ``bad-measured``, ``check-line-uncertain`` or ``print-far-off``.
    """
    parts = _BETWEEN.split(measured.strip())
    if len(parts) != 2:
        raise UsageError("bad-measured", text=measured, why="two lengths with an x between them are needed")
    across, along = (_factor(part, measured, name) for part, name in zip(parts, ("across", "along"), strict=True))
    return across, along


def _factor(part: str, measured: str, direction: str) -> float:
    length, *of = _OF.split(part)
    try:
        length_mm = parse_length(length)
        bare = length_mm != parse_length(length, "in")
    except UsageError as fault:
        raise UsageError("bad-measured", text=measured, why=f"'{length}' is not a length") from fault
    if bare:
        raise UsageError("bad-measured", text=measured, why=f"'{length}' has no unit")
    if len(of) > 1 or (of and of[0].strip() not in LINES_MM):
        raise UsageError("bad-measured", text=measured, why=f"a line is one of {', '.join(LINES_MM)}")
    line = of[0].strip() if of else ("100 mm" if _METRIC.search(length) else "4 in")
    other = next(name for name in LINES_MM if name != line)
    if not of and abs(length_mm / LINES_MM[other] - 1.0) <= NEAR_OTHER:
        raise UsageError("check-line-uncertain", text=length)
    factor = length_mm / LINES_MM[line]
    if not LEAST <= factor <= MOST:
        raise UsageError("print-far-off", measured=length, direction=direction, percent=f"{100.0 * factor:.1f}")
    return factor
