"""Pieces of one edge on both sides of a glare, a hand or a thing that lies on it, counted as one where that is certain.

The distance between two pieces, over the pitch at their ends, gives the number of graduations between them nearly
whole; the pattern of lengths on both sides has to agree with that number. Then one course through both is measured
anew, and the count across must hold there too.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from digitize.rule.photo_beside import in_line
from digitize.rule.photo_course import Course, fit_curve
from digitize.rule.photo_edge import GraduatedEdge, read_edge
from digitize.rule.photo_follow import degree_for, refined
from digitize.rule.strip import Grey

NEARLY_WHOLE = 0.3  # graduations
MOST_MISSING = 200.0
LOOKS = 4
KNOTS = 40  # of each piece, through which the course is laid
MORE_USED = 0.97  # of the graduations of both pieces: fewer, and they stay apart


def _offset(first: GraduatedEdge, second: GraduatedEdge) -> int | None:
    """Return what is added to the second's numbers to go on from the first's; None where the two do not agree."""
    alike = first.pattern.steps == second.pattern.steps and first.pattern.kind == second.pattern.kind
    gap = in_line(first, second) if alike and first.way == second.way else None
    if gap is None or gap > MOST_MISSING:
        return None
    # whole numbers: the gap, less what the end graduations are beyond theirs
    parts = first.at[-1] - first.index[-1], second.at[0] - second.index[0]
    whole = gap + parts[0] - first.marks.shift - (parts[1] - second.marks.shift)
    if abs(whole - round(whole)) > NEARLY_WHOLE:
        return None
    offset = int(first.index[-1]) + round(whole) - int(second.index[0])
    return offset if (first.start - second.start - offset) % first.pattern.period == 0 else None


def _through(first: GraduatedEdge, second: GraduatedEdge, offset: int) -> tuple[Course, float, float]:
    """Return the course through two pieces, in the first's numbers, with its extent."""
    index, places, lean = [], [], []
    for edge, more in ((first, 0), (second, offset)):
        at = np.linspace(edge.ends[0], edge.ends[1], KNOTS)
        index.append(at + more)
        places.append(edge.course.foot(at))
        lean.append(edge.course.lean(at))
    number, xy = np.concatenate(index), np.concatenate(places)
    degree, every = degree_for(float(np.ptp(number))), np.ones(len(number))
    x, y = (fit_curve(number, xy[:, k], every, degree, 1e-3, robust=False) for k in (0, 1))
    turn = fit_curve(number, np.unwrap(np.concatenate(lean)), every, 2, 1e-4, robust=False)
    low, high = float(number.min()), float(number.max())
    pitch = float(np.median(np.hypot(x.slope(number), y.slope(number))))
    return Course(x, y, turn, pitch), low, high


def joined(grey: Grey, first: GraduatedEdge, second: GraduatedEdge) -> GraduatedEdge | None:
    """Return two pieces as one edge; None where they are not certain to be."""
    offset = _offset(first, second)
    if offset is None:
        return None
    missing = float(second.index[0] + offset - first.index[-1])
    course, low, high = _through(first, second, offset)
    followed = refined(grey, course, low, high, LOOKS, first.band, missing + 2.0)
    if followed is None:
        return None
    edge = read_edge(grey, replace(followed, finer=first.finer))
    together = len(first.index) + len(second.index)
    return edge if edge is not None and len(edge.index) > MORE_USED * together else None


def all_joined(grey: Grey, edges: list[GraduatedEdge]) -> list[GraduatedEdge]:
    """Return the edges with every two pieces of one joined where that is certain."""
    left = list(edges)
    again = True
    while again:
        again = False
        for a in range(len(left)):
            for b in range(len(left)):
                one = joined(grey, left[a], left[b]) if a != b else None
                if one is not None:
                    left = [edge for n, edge in enumerate(left) if n not in (a, b)] + [one]
                    again = True
                    break
            if again:
                break
    return left
