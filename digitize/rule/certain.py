"""Is the count certain across gaps? The pattern of lengths must go on with the same numbers on the other side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.frames import IntArray
from digitize.rule.graduations import Ticks
from digitize.rule.hierarchy import CLEAR_SCORE, Hierarchy, phase_scores

WIDE_GAP = 4  # graduations missing in a row: a count worth checking
FEWEST_TO_TELL = 12  # graduations of known length on a side
PERIODS_TO_TELL = 1.5  # of the pattern, on a side
OTHER_PHASE = 0.3  # better by so much of the score, and the numbers do not go on


def _sides(index: IntArray) -> list[IntArray]:
    """Return the places in ``index`` of each stretch between wide gaps."""
    gaps = np.nonzero(np.diff(index) > WIDE_GAP)[0] + 1
    return np.split(np.arange(len(index)), gaps)


def _goes_on(ticks: Ticks, found: Hierarchy, phase: int, side: IntArray) -> bool:
    """Tell whether the lengths of a stretch fit the numbers of the whole; where they cannot tell, they do."""
    mine = side[(ticks.used & ticks.sure)[side]]
    index, length = ticks.index[mine], ticks.lengths_px[mine]
    seen = length > 0
    if np.count_nonzero(seen) < FEWEST_TO_TELL or np.ptp(index) < PERIODS_TO_TELL * found.period:
        return True
    scores = phase_scores(found, index[seen], length[seen])
    return bool(scores.max() < CLEAR_SCORE or scores[phase] > scores.max() - OTHER_PHASE)


def certain_part(ticks: Ticks, found: Hierarchy) -> Ticks:
    """Return the graduations whose count is certain: all of them, or the largest stretch between doubtful gaps."""
    sides = _sides(ticks.index)
    if len(sides) == 1 or found.period == 0:
        return ticks
    largest = max(sides, key=len)
    mine = largest[(ticks.used & ticks.sure)[largest]]
    mine = mine[ticks.lengths_px[mine] > 0]
    if len(mine) < FEWEST_TO_TELL:
        return ticks
    phase = int(np.argmax(phase_scores(found, ticks.index[mine], ticks.lengths_px[mine])))
    if all(_goes_on(ticks, found, phase, side) for side in sides):
        return ticks
    return _only(ticks, largest)


def _only(ticks: Ticks, part: IntArray) -> Ticks:
    """Return some of the graduations, fitted anew."""
    index, place, used = ticks.index[part], ticks.t_px[part], ticks.used[part]
    if np.count_nonzero(used) < 2:
        return replace(ticks, used=np.zeros_like(ticks.used))
    pitch, start = np.polyfit(index[used], place[used], 1)
    rms = float(np.sqrt(np.mean((place - start - pitch * index)[used] ** 2)))
    return replace(
        ticks, index=index, t_px=place, used=used, start_px=float(start), pitch_px=float(pitch), rms_px=rms,
        lengths_px=ticks.lengths_px[part], sure=ticks.sure[part], other_px=ticks.other_px[part],
    )  # fmt: skip
