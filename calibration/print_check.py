"""Is the copy true to size, and which settings would make it so? The factors held against a tolerance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from calibration.feed import FeedTest
from calibration.print_factors import Estimate, PrintFactors

Answer = Literal["true", "not true", "cannot tell"]

DEFAULT_TOLERANCE = 0.001  # of a length, 0.5 mm on a 500 mm body; common practice, no source
SANE = (0.8, 1.25)  # beyond, a unit is wrong or the sheet was scaled on purpose
ZOOM_STEP = 0.1  # percent; what shop copiers take (common practice, no source)
# Within this of the picture's y (or x) the body's length is told as along it.
STRAIGHT_RAD = np.deg2rad(10.0)


@dataclass(frozen=True)
class Tolerance:
    """How far a copy may be off: a share of every length, or mm over the body's own length and width."""

    share: float | None = DEFAULT_TOLERANCE
    mm: float | None = None

    def over(self, size_mm: float | None) -> float | None:
        """Return the tolerance as a share of a size; None when it is in mm and the size is not known."""
        if self.share is not None:
            return self.share
        return None if self.mm is None or not size_mm else self.mm / size_mm


@dataclass(frozen=True)
class Held:
    """One number of the copy held against its tolerance."""

    off: float  # share, + is too large
    u95: float
    tolerance: float | None  # None: not known
    answer: Answer


@dataclass(frozen=True)
class PrintVerdict:
    """What the copy is, both ways and together."""

    x: Held
    y: Held
    shear: Held | None  # as half of the angle, which is what a length at 45 degrees changes by; None: not measured
    uneven: tuple[FeedTest, ...]  # proven ones that go beyond the tolerance
    answer: Answer


def held(off: float, u95: float, tolerance: float | None) -> Held:
    """Return whether a deviation is within a tolerance, for all of its 95 % interval; both are shares."""
    if tolerance is None:
        return Held(off, u95, None, "cannot tell")
    if abs(off) + u95 <= tolerance:
        return Held(off, u95, tolerance, "true")
    return Held(off, u95, tolerance, "not true" if abs(off) - u95 > tolerance else "cannot tell")


def judge(
    factors: PrintFactors, tolerance: Tolerance, sizes_mm: tuple[float | None, float | None], feeds: Sequence[FeedTest]
) -> PrintVerdict:
    """Return the verdict.

    Args:
        factors: of the copy.
        tolerance: as asked for.
        sizes_mm: of the body along the copy's x and y; needed for a tolerance in mm.
        feeds: tests of the drawn measures.
    """
    both = [
        held(factor.value - 1.0, factor.u95, tolerance.over(size))
        for factor, size in zip((factors.x, factors.y), sizes_mm, strict=True)
    ]
    known = [limit for limit in (both[0].tolerance, both[1].tolerance) if limit is not None]
    shear = None
    if factors.shear.measured and known:
        shear = held(factors.shear.value / 2.0, factors.shear.u95 / 2.0, min(known))
    uneven = tuple(test for test in feeds if test.proven and known and test.peak_mm > min(known) * _span_mm(test))
    every = [*both, *([shear] if shear else [])]
    return PrintVerdict(both[0], both[1], shear, uneven, _together(every, bool(uneven)))


def _span_mm(test: FeedTest) -> float:
    return float(np.ptp(test.at_mm))


def _together(every: Sequence[Held], uneven: bool) -> Answer:
    if uneven or any(one.answer == "not true" for one in every):
        return "not true"
    return "true" if all(one.answer == "true" for one in every) else "cannot tell"


def lies_upright(along_rad: float) -> bool | None:
    """Return whether a body's length lies along the picture's y (True), along its x (False) or on the slant (None).

    Args:
        along_rad: of its length in the picture, from x towards y.
    """
    tilt = abs(float(np.sin(along_rad)))
    if tilt > np.cos(STRAIGHT_RAD):
        return True
    return False if tilt < np.sin(STRAIGHT_RAD) else None


def setting(factor: Estimate) -> float:
    """Return the percentage that would have made the original true on the machine that made this copy at 100 %."""
    return 100.0 / factor.value


def single_setting(
    factors: tuple[float, float], sizes_mm: tuple[float, float], step: float = ZOOM_STEP
) -> tuple[float, float]:
    """Return the best one percentage for both directions and the mm that it leaves in the worse one.

    Of |size (factor p - 1)| in the two directions the larger is least where both are equal and opposite.

    Args:
        factors: of the copy, x and y, 1 = true.
        sizes_mm: of the body along x and y.
        step: percent that the machine goes by; the best is rounded to it.
    """
    total = factors[0] * sizes_mm[0] + factors[1] * sizes_mm[1]
    best = 100.0 * (sizes_mm[0] + sizes_mm[1]) / total
    near = [np.floor(best / step) * step, np.ceil(best / step) * step]

    def left_mm(percent: float) -> float:
        return float(max(abs(s * (f * percent / 100.0 - 1.0)) for f, s in zip(factors, sizes_mm, strict=True)))

    chosen = float(min(near, key=left_mm))
    return round(chosen, 6), left_mm(chosen)


def implausible(factors: PrintFactors) -> bool:
    """Whether the copy is so far from true that something else must be wrong."""
    return not all(SANE[0] <= factor.value <= SANE[1] for factor in (factors.x, factors.y) if factor.measured)
