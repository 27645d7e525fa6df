"""The pattern of lengths as a photo shows it: a class of longer marks counts only where it stands apart.

Numbers near the tips of the longest marks make some of these seem longer than they are. Such marks differ from one
another as much as from the class below, a true class does not.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.frames import FloatArray, IntArray
from digitize.rule.hierarchy import Hierarchy, read_hierarchy
from digitize.rule.photo_certain import usual_lengths

APART = (80.0, 20.0)  # percentiles of the shorter and of the longer class that must be in order
ENOUGH_MARKS = 2  # of the longest class at even and at odd places, to say that there is no longer one
SAME_PX, SAME_SHARE = 1.5, 0.1  # medians of one class at even and at odd places differ by no more
MOST_RANK_SIGMAS = 1.645  # both classes would differ by more in a tenth of all cases in which they are one
FEWEST_OF_CLASS = 3  # marks of the longest class
LEAST_DEPTH = 2


def _classes(found: Hierarchy, index: IntArray, length: FloatArray) -> list[FloatArray]:
    """Return the lengths of each class, shortest class first."""
    start = int(np.argmax(usual_lengths(found, index, length).usual))
    level = np.zeros(len(index), dtype=np.int64)
    for rank, step in enumerate(found.steps, start=1):
        level[(index - start) % step == 0] = rank
    return [length[level == rank] for rank in range(len(found.steps) + 1)]


def _apart(shorter: FloatArray, longer: FloatArray) -> bool:
    if len(shorter) == 0 or len(longer) < FEWEST_OF_CLASS:
        return False
    return bool(np.percentile(longer, APART[1]) > np.percentile(shorter, APART[0]))


def _confirmed(found: Hierarchy, index: IntArray, length: FloatArray) -> bool:
    """Tell whether enough of the longest marks were seen to say that every second of them is no longer."""
    start = int(np.argmax(usual_lengths(found, index, length).usual))
    place = (index - start) % (2 * found.period)
    even, odd = length[place == 0], length[place == found.period]
    if min(len(even), len(odd)) < ENOUGH_MARKS:
        return False
    same = max(SAME_PX, SAME_SHARE * float(np.median(length)))
    overlap = even.min() < odd.max() and odd.min() < even.max()
    one_class = overlap and _rank_sigmas(even, odd) < MOST_RANK_SIGMAS
    return bool(one_class or abs(np.median(even) - np.median(odd)) < same)


def _rank_sigmas(one: FloatArray, other: FloatArray) -> float:
    """Return by how many sigmas one class is longer than the other: Mann and Whitney (1947), Annals 18, page 50.

    Their count by its normal approximation, corrected by half a count as it is a whole number.
    """
    pairs = len(one) * len(other)
    more = abs(float(np.sign(one[:, None] - other[None]).sum())) / 2.0
    return max(0.0, more - 0.5) / float(np.sqrt(pairs * (len(one) + len(other) + 1) / 12.0))


def read_pattern(index: IntArray, length: FloatArray) -> Hierarchy:
    """Return the pattern of lengths, without classes that do not stand apart."""
    found = read_hierarchy(index, length)
    while found.kind in ("dyadic", "decimal", "half") and len(found.steps) > 1:
        classes = _classes(found, index, length)
        if _apart(classes[-2], classes[-1]):
            break
        found = replace(found, steps=found.steps[:-1], depth=max(found.depth - 1, 0))
    if found.kind == "dyadic":
        if found.depth < LEAST_DEPTH:
            return Hierarchy("none", found.score)
        found = replace(found, confirmed=_confirmed(found, index, length))
    return found
