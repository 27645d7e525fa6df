"""Whether figures stand at the longest graduations of a rule in halves of halves: then each of these is a whole inch.

The pattern of lengths alone does not tell thirty-seconds of an inch from sixty-fourths whose half inches are drawn as
long as the inches. Figures number whole inches (common practice, no source): where one stands at every longest
graduation and none halfway between two, from one to the next is an inch. What the figures say is not read.
"""

from __future__ import annotations

import numpy as np

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.rule.graduations import Ticks
from digitize.rule.hierarchy import Hierarchy
from digitize.rule.strip import Grey, cut

# All in lengths from one longest graduation to the next: where figures stand beyond its tip, or beyond the line on
# which the graduations stand; how near to it along the rule, and how near to halfway there is none.
TIP, BASE = (0.02, 0.38), (0.03, 0.30)
BESIDE, HALFWAY = 0.3, 0.1
LONGER = 1.1  # than usual: so far the tip of a graduation may reach
LEAST_WIDE, WIDTHS = 0.02, 2.5  # of ink at one graduation: of a period, and of the graduations' own width
INK_SHARE = 0.4  # of the graduations' darkness
LINE_SHARE = 0.5  # a row with more ink than this is a line along the rule
LEAST_MARKS = 5
MOST_WITHOUT, MOST_BETWEEN = 0.2, 0.2  # shares: the first one's figure is often left out, and dirt looks like ink


def figures_at_longest(grey: Grey, ticks: Ticks, pattern: Hierarchy) -> bool:
    """Return whether a figure stands at every longest graduation of a rule, and none between.

    Args:
        grey: (H, W) the picture.
        ticks: the graduations.
        pattern: of their lengths; in halves of halves.
    """
    period_px = pattern.period * ticks.pitch_px
    marks, tall_px = _longest(ticks, pattern)
    places_px: FloatArray = ticks.start_px + ticks.pitch_px * marks.astype(np.float64)
    if len(marks) < LEAST_MARKS:
        return False
    sides = (
        (ticks.side * (LONGER * tall_px + TIP[0] * period_px), ticks.side * (tall_px + TIP[1] * period_px)),
        (-ticks.side * BASE[0] * period_px, -ticks.side * BASE[1] * period_px),
    )
    least_px = max(LEAST_WIDE * period_px, WIDTHS * ticks.width_px)
    inked = (_inked(grey, ticks, h_px, tall_px, BESIDE * period_px) for h_px in sides)
    return any(_stand_at(one, places_px, marks // pattern.period, period_px, least_px) for one in inked)


def _longest(ticks: Ticks, pattern: Hierarchy) -> tuple[IntArray, float]:
    """Return the numbers of the longest graduations between the ends of a rule, and their length, px."""
    place = ticks.index % pattern.period
    usual = [float(np.median(ticks.lengths_px[place == one])) if np.any(place == one) else 0.0
             for one in range(pattern.period)]  # fmt: skip
    phase = int(np.argmax(usual))
    every = np.arange(ticks.index[0], ticks.index[-1] + 1)
    return every[every % pattern.period == phase], usual[phase]


def _inked(
    grey: Grey, ticks: Ticks, h_px: tuple[float, float], tall_px: float, spare_px: float
) -> tuple[BoolArray, float]:
    """Return (columns,) where there is ink between two distances from the baseline, and where the first column is."""
    t_px = float(ticks.t_px[0]) - spare_px, float(ticks.t_px[-1]) + spare_px
    low, high = sorted(h_px)
    strip = cut(grey, ticks.line, t_px, (np.floor(low), np.ceil(high)))
    own = cut(grey, ticks.line, t_px, (min(0.0, ticks.side * 0.5 * tall_px), max(0.0, ticks.side * 0.5 * tall_px)))
    dark = strip.darkness > INK_SHARE * float(np.percentile(own.darkness, 98))
    dark = dark[dark.mean(axis=1) < LINE_SHARE]
    return np.asarray(dark.any(axis=0)), t_px[0]


def _stand_at(
    inked: tuple[BoolArray, float], places_px: FloatArray, count: IntArray, period_px: float, least_px: float
) -> bool:
    """Return whether ink stands at the places and not halfway between; at even and at odd ones alike."""
    columns, start_px = inked
    total = np.concatenate([[0], np.cumsum(columns)])

    def wide(middle_px: FloatArray, half: float) -> FloatArray:
        ends = (np.rint(middle_px + side * half * period_px - start_px).astype(int) for side in (-1, 1))
        first, last = (np.clip(end, 0, len(columns)) for end in ends)
        return np.asarray(total[last] - total[first])

    there = wide(places_px, BESIDE) > least_px
    between = wide(places_px[:-1] + period_px / 2.0, HALFWAY) > 0.0
    every = [np.mean(there[count % 2 == odd]) if np.any(count % 2 == odd) else 0.0 for odd in (0, 1)]
    return bool(min(every) > 1.0 - MOST_WITHOUT - 1.0 / len(there) and np.mean(between) < MOST_BETWEEN)
