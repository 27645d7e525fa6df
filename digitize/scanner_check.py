"""The scanner itself: what a second scan, of the same sheet turned half round, says of it and of the sheet apart."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calibration.errors import UsageError
from calibration.feed import FeedTest, feed_test
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray
from calibration.measures import measure_control
from calibration.turned import ScannerError
from digitize.print_evidence import Evidence, paper_calibration
from digitize.read import read_picture
from digitize.shapes import Picture, Rule
from digitize.traced import Clock
from digitize.turned import scanner_error

PERCENT = 100.0
FAULTS = {"same way": "turned-same-way", "other sheet": "turned-other-sheet", "cropped": "turned-cropped"}


@dataclass(frozen=True)
class RuleShare:
    """How unevenly a rule's graduations stand in the first scan, and whose that is; mm, about a straight scale."""

    rule: str
    seen_mm: float
    scanner_mm: float  # of the scanner, as far as the second scan tells
    left_mm: float  # of the sheet, and of what of the scanner's it cannot tell
    left_proven: bool


@dataclass(frozen=True, eq=False)
class ScannerChecked:
    """The scanner's own error, or why it was not found."""

    file: str  # of the second scan
    error: ScannerError | None
    rules: tuple[RuleShare, ...]
    doubts: tuple[Doubt, ...]

    def part(self) -> dict[str, Any]:
        """Return the record's part."""
        if self.error is None:
            return {"file": self.file, "found": False}
        right, below = (self.error.scale_difference(axis) for axis in (0, 1))
        return {
            "file": self.file,
            "found": True,
            "proven": self.error.proven,
            "peak_mm": self.error.peak_mm,
            "u95_mm": self.error.u95_mm,
            "right_percent": PERCENT * right[0],
            "right_u95_percent": PERCENT * right[1],
            "below_percent": PERCENT * below[0],
            "below_u95_percent": PERCENT * below[1],
            "rules": [vars(share) for share in self.rules],
        }


def check_scanner(evidence: Evidence, turned: Path, clock: Clock) -> ScannerChecked:
    """Return what a second scan, turned half round, tells.

    Raises:
        Refusal: the second scan cannot be read.
        UsageError: ``no-such-file``, ``turned-photo``.
    """
    if evidence.flat is not None:
        raise UsageError("turned-photo", file=evidence.picture.file)
    if not turned.is_file():
        raise UsageError("no-such-file", file=turned)
    with clock("turned"):
        second = read_picture(turned, 1, "scan")
        mm_per_px = _mm_per_px(evidence)
        found = scanner_error(evidence.picture.grey, second.grey, mm_per_px)
    if not isinstance(found, ScannerError):
        return ScannerChecked(second.file, None, (), (_fault(found, evidence.picture, second),))
    shares = tuple(
        share for rule in evidence.rules if (share := _share(rule, found, np.array(mm_per_px), evidence)) is not None
    )
    return ScannerChecked(second.file, found, shares, _told(found))


def _mm_per_px(evidence: Evidence) -> tuple[float, float]:
    if evidence.paper_mm_per_px is not None:
        return evidence.paper_mm_per_px
    known = paper_calibration(evidence)
    return known.mm_per_px_x, known.mm_per_px_y


def _fault(why: str, first: Picture, second: Picture) -> Doubt:
    sizes = ["{1} x {0}".format(*picture.grey.shape) for picture in (first, second)]
    return doubt(FAULTS[why], file=second.file, first=sizes[0], second=sizes[1])


def _told(error: ScannerError) -> tuple[Doubt, ...]:
    if not error.proven:
        return ()
    x, y = error.peak_at_mm
    facts = {"peak": f"{error.peak_mm:.2f}", "x": f"{x:.0f}", "y": f"{y:.0f}", "what": scale_words(error)}
    return (doubt("scanner-uneven", **facts),)


def scale_words(error: ScannerError) -> str:
    """Return where the scanner's scale differs, in words."""
    words = []
    for axis, (far, near) in enumerate((("right", "left"), ("lower", "upper"))):
        off, u95 = error.scale_difference(axis)
        if abs(off) > u95:
            kind = "larger" if off > 0 else "smaller"
            words.append(f"near the {far} edge it draws {PERCENT * abs(off):.2f} % {kind} than near the {near} one")
    return "; ".join(words) or "it bends straight lines"


def _share(rule: Rule, error: ScannerError, mm_per_px: FloatArray, evidence: Evidence) -> RuleShare | None:
    """Return whose the unevenness of a rule is; None where it has too few graduations."""
    m = measure_control(rule.control)
    scale = float(np.exp(m.log_mm_per_px))
    away = m.along_px * scale - m.at_mm
    way = np.array([math.cos(m.angle_rad), math.sin(m.angle_rad)])
    shown = error.at(rule.control.places.xy * mm_per_px) @ way
    floor = scale if evidence.picture.two_level else 0.0
    name = f"{rule.role} {rule.control.name}"
    tests = [feed_test(name, m.at_mm, off - np.median(off), floor) for off in (away, away - shown)]
    seen, left = tests
    if not isinstance(seen, FeedTest) or not isinstance(left, FeedTest):
        return None
    straight = np.polyval(np.polyfit(m.at_mm, shown, 1), m.at_mm)
    scanner = float(np.abs(shown - straight).max())
    return RuleShare(name, seen.peak_mm, scanner, left.peak_mm, left.proven)
