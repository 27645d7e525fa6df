"""Which graduations are counted for certain: the pattern of longer ones has to go on with the same numbers everywhere.

One graduation too many or too few moves the pattern by one from there on, so that a stretch beyond it fits the
pattern of the whole from another start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.rule.hierarchy import Hierarchy

WIDE_GAP = 4  # graduations missing in a row: the count across is looked at
SMALL_GAP = 8  # so many are counted across by the course alone, where little stands beyond
FEWEST_TO_TELL = 14  # graduations
PERIODS_TO_TELL = 1.5
WINDOW_PERIODS = 2.2
LEAST_STEP_PX, STEP_SHARE = 3.0, 0.4  # departures of a length count no more than this, or this share of the range
CLEAR = 0.5  # share of the variation that the pattern explains in a stretch, to say where it starts
OTHER_START = 0.25  # better by so much from another start: the count slipped


@dataclass(frozen=True, eq=False)
class Lengths:
    """How long graduations usually are, by their number modulo the pattern's period."""

    usual: FloatArray  # (P,)
    step: float  # departures count no more than this

    @property
    def period(self) -> int:
        """Graduations after which the pattern repeats."""
        return len(self.usual)

    def scores(self, index: IntArray, length: FloatArray) -> FloatArray:
        """Return (P,) the share of the variation explained when the numbers are moved on by 0 .. P - 1.

        All marks of a stretch may be longer or shorter than usual by the same: the view does that.
        """
        place = (index[:, None] + np.arange(self.period)[None]) % self.period
        more = length[:, None] - self.usual[place]
        left = np.minimum(np.abs(more - np.median(more, axis=0)), self.step).sum(axis=0)
        plain = np.minimum(np.abs(length - np.median(length)), self.step).sum()
        return np.asarray(1.0 - left / max(float(plain), 1e-9))


def usual_lengths(found: Hierarchy, index: IntArray, length: FloatArray) -> Lengths:
    """Return the usual length of each place in a pattern's period."""
    place = index % found.period
    middle = float(np.median(length))
    usual = np.array([np.median(length[place == p]) if np.any(place == p) else middle for p in range(found.period)])
    step = max(LEAST_STEP_PX, STEP_SHARE * float(np.ptp(usual)))
    return Lengths(usual, step)


def _tells(usual: Lengths, index: IntArray) -> bool:
    return len(index) >= FEWEST_TO_TELL and bool(np.ptp(index) >= PERIODS_TO_TELL * usual.period)


def _verdict(usual: Lengths, index: IntArray, length: FloatArray) -> int:
    """Return 1 where a stretch has the pattern with its numbers, -1 where with others, 0 where it cannot tell."""
    if not _tells(usual, index):
        return 0
    scores = usual.scores(index, length)
    if scores.max() < CLEAR:
        return 0
    return -1 if scores[0] < scores.max() - OTHER_START else 1


def _windows(usual: Lengths, index: IntArray) -> list[tuple[int, int]]:
    """Return (first, last) places in ``index`` of overlapping windows."""
    wide = max(WINDOW_PERIODS * usual.period, FEWEST_TO_TELL * 1.3)
    starts = np.arange(index[0], max(index[-1] - wide, index[0]) + 1, max(1.0, wide / 2))
    ends = np.append(starts[1:] + wide / 2, index[-1] + 1) if len(starts) > 1 else np.array([index[-1] + 1])
    return [(int(a), int(b)) for a, b in zip(np.searchsorted(index, starts), np.searchsorted(index, ends), strict=True)]


def _sound(usual: Lengths, index: IntArray, length: FloatArray) -> tuple[BoolArray, bool]:
    """Return which graduations of a run lie in no window that starts elsewhere, and whether any window agrees."""
    good, agrees = np.ones(len(index), dtype=bool), False
    for first, last in _windows(usual, index):
        verdict = _verdict(usual, index[first:last], length[first:last])
        agrees |= verdict > 0
        if verdict < 0:
            good[first:last] = False
    return good, agrees


@dataclass(frozen=True, eq=False)
class _Stretch:
    """Places in ``index`` of graduations in a row, and whether they show the pattern with the numbers of the whole."""

    at: IntArray
    agrees: bool


def _stretches(usual: Lengths, index: IntArray, length: FloatArray, at: IntArray) -> list[_Stretch]:
    """Return the stretches between wide gaps, without the windows whose pattern starts elsewhere."""
    out = []
    for run in np.split(at, np.nonzero(np.diff(index[at]) > WIDE_GAP)[0] + 1):
        good, _ = _sound(usual, index[run], length[run])
        for part in np.split(run, np.nonzero(np.diff(good.astype(int)) != 0)[0] + 1):
            if good[np.searchsorted(run, part[0])]:
                out.append(_Stretch(part, _sound(usual, index[part], length[part])[1]))
    return out


def certain_marks(index: IntArray, length: FloatArray, seen: BoolArray, found: Hierarchy) -> tuple[BoolArray, int]:
    """Return which graduations are counted for certain, and where their pattern starts (modulo its period).

    Args:
        index: (N,) numbers, increasing.
        length: (N,) how far each goes.
        seen: (N,) those that show and have a place.
        found: the pattern of all lengths.
    """
    at = np.nonzero(seen)[0]
    usual = usual_lengths(found, index[at], length[at])
    start = int(np.argmax(usual.usual))
    stretches = _stretches(usual, index, length, at)
    out = np.zeros(len(index), dtype=bool)
    if any(one.agrees for one in stretches):
        out[_grown(index, stretches)] = True
    return out, start


def _grown(index: IntArray, stretches: list[_Stretch]) -> IntArray:
    """Return the largest stretch that agrees, and its neighbours as long as they agree too or lie close."""
    main = max((n for n, one in enumerate(stretches) if one.agrees), key=lambda n: len(stretches[n].at))
    kept = [stretches[main].at]
    for step in (1, -1):
        last, number = stretches[main].at, main + step
        while 0 <= number < len(stretches):
            part = stretches[number].at
            ends = (last[-1], part[0]) if step > 0 else (part[-1], last[0])
            missing = int(index[ends[1]] - index[ends[0]]) - 1
            if not (stretches[number].agrees or missing <= SMALL_GAP):
                break
            kept.append(part)
            last, number = part, number + step
    return np.sort(np.concatenate(kept))
