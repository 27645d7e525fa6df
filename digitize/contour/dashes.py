"""Dashes that carry a drawn line on where something hides it, as a guitar's outline is dashed under its fingerboard.

Small marks are no part of an outline (text, arrow heads), and dashes are small marks. Those are kept that form a chain
from one drawn line to another: each goes on as the next across a short gap, as heavy, and the first and last go on as
a longer stroke that ends there. A dashed line of its own (a lining, a brace, a fold) starts and ends on nothing that
goes on as it does; a chain-dotted centerline is straight, and is left as it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from calibration.frames import FloatArray, IntArray
from digitize.contour.weight import stroke_weights
from digitize.shapes import Ink

# A dash, or a part of one where something crosses it, is so long, and so straight.
LEAST_DASH_MM, LONGEST_DASH_MM, STRAIGHT_MM = 0.8, 12.0, 0.4
END_PART = 5  # a fifth of its points at either end tells nothing of where it heads
# The next is no further than this, nor than so many times the dash, and heads the same way; from where each heads the
# other is aside by so much of the gap, or by this: the middle of ink bends aside where other ink is near.
LONGEST_GAP_MM, MOST_GAPS, ALONG = 5.0, 2.0, float(np.cos(np.radians(25.0)))
FACING, ASIDE_MM = 0.36, 0.8
# Weights of one line's dashes and of what they join are less than usual by no more (natural logarithm), and more by no
# more than this where they run into other ink.
LIKE_WEIGHT, HEAVIER = 0.4, 0.8
# The headings of strokes are taken over this much of them.
HEADING_MM = 5.0
# With so much of what it joins, a chain that leaves a straight line by less than this is part of a straight line.
BESIDE_MM, BENT_MM = 25.0, 0.3


@dataclass(frozen=True, eq=False)
class _Ends:
    """Two ends of each stroke: first of all dashes, then of all longer strokes."""

    at: FloatArray  # (2 N, 2) mm
    outward: FloatArray  # (2 N, 2) unit, the way that each heads
    dashes: int  # so many of the strokes are dashes


def dashes_between(
    grey: npt.NDArray[np.uint8], ink: Ink, keep: list[int], px_per_mm: float
) -> list[int]:
    """Return the strokes, none of ``keep``, that are dashes of a line which strokes of ``keep`` begin and end.

    Args:
        grey: (H, W) dark ink on light paper.
        ink: the page's strokes, px.
        keep: numbers of the strokes of large marks.
        px_per_mm: of the picture.
    """
    small = _candidates(ink, px_per_mm)
    rest, short = set(keep), set(small)
    long = [n for n in keep if n not in short and not ink.strokes[n].closed and len(ink.strokes[n].points.xy) > 2]
    if not small or not long:
        return []
    lines = [ink.strokes[n].points.xy / px_per_mm for n in (*small, *long)]
    ends = _ends(lines, len(small))
    partner = _partners(ends, np.array([np.hypot(*(line[-1] - line[0])) for line in lines[: len(small)]]))
    chains = _chains(partner, len(small))
    used = sorted({stroke for chain in chains for stroke in chain})
    weights = dict(zip(used, stroke_weights(grey, [lines[n] * px_per_mm for n in used], px_per_mm), strict=True))
    return [
        small[n]
        for chain in chains
        if _alike([weights[n] for n in chain]) and _bent([lines[n] for n in chain])
        for n in chain
        if n < len(small) and small[n] not in rest
    ]


def _candidates(ink: Ink, px_per_mm: float) -> list[int]:
    """Return the strokes that are as long and as straight as a dash, or as a part of one."""
    found = []
    for number, stroke in enumerate(ink.strokes):
        if stroke.closed or len(stroke.points.xy) < 3:
            continue
        xy = stroke.points.xy / px_per_mm
        if not LEAST_DASH_MM <= float(np.hypot(*(xy[-1] - xy[0]))) <= LONGEST_DASH_MM:
            continue
        inner = _inner(xy)
        along = inner[-1] - inner[0]
        off = (inner - inner[0]) @ np.array([-along[1], along[0]])
        if np.abs(off).max() < STRAIGHT_MM * max(float(np.hypot(*along)), 1e-9):
            found.append(number)
    return found


def _inner(line: FloatArray) -> FloatArray:
    """Return a dash without its ends: the middle of ink bends aside where other ink is near."""
    cut = len(line) // END_PART
    return line[cut : len(line) - cut]


def _ends(lines: list[FloatArray], dashes: int) -> _Ends:
    at = np.concatenate([line[[0, -1]] for line in lines])
    outward = []
    for number, line in enumerate(lines):
        seen = _inner(line) if number < dashes else line
        for way in (seen, seen[::-1]):
            far = np.hypot(*(way - way[0]).T)
            stop = int(np.argmax(far > HEADING_MM)) if (far > HEADING_MM).any() else len(way) - 1
            step = way[0] - way[stop]
            outward.append(step / max(float(np.hypot(*step)), 1e-9))
    return _Ends(at, np.array(outward), dashes)


def _partners(ends: _Ends, length_mm: FloatArray) -> IntArray:
    """Return for each end of each dash the end that it goes on as, -1 for none; two dashes must choose each other."""
    count = 2 * ends.dashes
    near = cKDTree(ends.at[:count]).sparse_distance_matrix(cKDTree(ends.at), LONGEST_GAP_MM, output_type="coo_matrix")
    one, other, gap = near.row.astype(np.int64), near.col.astype(np.int64), near.data
    step = ends.at[other] - ends.at[one]
    against = -np.einsum("pi,pi->p", ends.outward[one], ends.outward[other])
    aside = np.maximum(FACING * gap, ASIDE_MM)
    goes_on = against > ALONG
    for way, sense in ((ends.outward[one], 1.0), (ends.outward[other], -1.0)):
        off = np.abs(way[:, 0] * step[:, 1] - way[:, 1] * step[:, 0])
        ahead = sense * np.einsum("pi,pi->p", way, step)
        goes_on &= (off < aside) & ((ahead > 0.0) | (gap < ASIDE_MM))
    goes_on &= (one // 2 != other // 2) & (gap <= MOST_GAPS * length_mm[one // 2])
    partner = np.full(count, -1)
    order = np.lexsort((-against, gap))[::-1]  # the nearest last, so that it stays
    order = order[goes_on[order]]
    partner[one[order]] = other[order]
    dash = (partner >= 0) & (partner < count)
    unsure = dash & (partner[np.where(dash, partner, 0)] != np.arange(count))
    return np.where(unsure, -1, partner)


def _chains(partner: IntArray, dashes: int) -> list[list[int]]:
    """Return the chains of dashes with the longer stroke at either end, numbers of strokes in order."""
    chains = []
    for end in range(2 * dashes):
        if partner[end] < 2 * dashes:  # begins on no longer stroke
            continue
        chain, at = [int(partner[end]) // 2, end // 2], end ^ 1
        while 0 <= partner[at] < 2 * dashes and len(chain) <= dashes:
            at = int(partner[at])
            chain.append(at // 2)
            at ^= 1
        if partner[at] >= 2 * dashes and chain[1] <= chain[-1]:
            chains.append([*chain, int(partner[at]) // 2])
    return chains


def _alike(weights: list[float]) -> bool:
    """Return whether the dashes of a chain are as heavy as each other, and as what they join."""
    logs = np.log(np.maximum(weights, 1e-3))
    apart = logs - np.median(logs[1:-1])
    return bool(apart.min() > -LIKE_WEIGHT and apart.max() < HEAVIER and np.median(np.abs(apart)) < LIKE_WEIGHT / 2)


def _bent(chain: list[FloatArray]) -> bool:
    """Return whether a chain, with a part of what it joins, is no straight line."""
    middle = np.concatenate(chain[1:-1])
    tree = cKDTree(middle)
    beside = [line[tree.query(line)[0] < BESIDE_MM] for line in (chain[0], chain[-1])]
    points = np.concatenate([middle, *beside])
    away = points - points.mean(axis=0)
    normal = np.linalg.eigh(away.T @ away)[1][:, 0]
    return bool(np.abs(away @ normal).max() > BENT_MM)
