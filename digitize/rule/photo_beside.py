"""How graduated edges in a photo lie to one another: along one line, on both edges of one body, or at a corner."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import FloatArray
from digitize.rule.photo_edge import GraduatedEdge

PARALLEL_RAD = np.deg2rad(6.0)
ENOUGH_BESIDE = 0.3  # of the second's graduations lie beside the first
SAME_ROWS_PX = 3.0  # two views of one edge are no farther apart
STRAIGHT_ON_RAD = np.deg2rad(1.5)  # from the end of one piece to the start of the next
STRAIGHT_ON_PX = 2.5
SAME_PITCH = 0.2  # relative: of two pieces, or of the pitches they would have in millimetres
MOST_GAP = 1.2  # of the longer of two pieces
TABLE = 300  # places along an edge


@dataclass(frozen=True, eq=False)
class Beside:
    """Where the graduations of a second edge lie along and across a first."""

    index: FloatArray  # (K,) along the first
    across_px: FloatArray  # (K,) inward from the first
    rows: FloatArray  # (K,) the same in rows of the first


def lies_beside(first: GraduatedEdge, second: GraduatedEdge) -> Beside | None:
    """Return where the second edge lies beside the first; None where it does not, or runs another way."""
    places = second.feet[:: max(1, len(second.at) // 40)]
    index = np.linspace(first.ends[0], first.ends[1], TABLE)
    feet = first.course.px(index, np.full(TABLE, first.base_row))
    away = places[:, None] - feet[None]
    nearest = np.argmin(np.sum(away**2, axis=2), axis=1)
    inside = (nearest > 0) & (nearest < TABLE - 1)
    if np.mean(inside) < ENOUGH_BESIDE:
        return None
    run = first.course.run(index)[nearest]
    unit = run / np.hypot(*run.T)[:, None]
    step = np.gradient(places, axis=0)
    turn = np.abs(step[:, 0] * unit[:, 1] - step[:, 1] * unit[:, 0]) / np.hypot(*step.T)
    if np.median(turn) > np.sin(PARALLEL_RAD):
        return None
    own = away[np.arange(len(nearest)), nearest]
    row_px = first.course.step(index)[nearest]
    size = np.hypot(*row_px.T)
    across = np.sum(own * row_px, axis=1) / size * first.way
    return Beside(index[nearest][inside], across[inside], (across / size)[inside])


def same_edge(first: GraduatedEdge, second: GraduatedEdge) -> bool:
    """Tell whether two edges are the same graduations, or parts of them."""
    beside = lies_beside(first, second)
    if beside is None:
        return False
    away = float(np.median(np.abs(beside.across_px)))
    own = abs(first.tip_row - first.base_row)
    return away < SAME_ROWS_PX or (first.way == second.way and away < 0.5 * own)


def pitch_ratio(first: GraduatedEdge, second: GraduatedEdge) -> float | None:
    """Return the pitch of the first over that of the second at one place along both; None if not beside each other."""
    beside = lies_beside(first, second)
    if beside is None:
        return None
    places = second.feet
    feet = first.feet
    k = len(places) // 2
    near = int(np.argmin(np.hypot(*(feet - places[k]).T)))
    return float(first.course.pitch(first.at[near]) / second.course.pitch(second.at[k]))


def facing(first: GraduatedEdge, second: GraduatedEdge, widest_px: float) -> bool:
    """Tell whether two edges may be those of one body: each lies inward of the other, and not too far."""
    one, other = lies_beside(first, second), lies_beside(second, first)
    if one is None or other is None:
        return False
    return all(SAME_ROWS_PX < float(np.median(way.across_px)) < widest_px for way in (one, other))


def in_line(first: GraduatedEdge, second: GraduatedEdge) -> float | None:
    """Return the graduations missing between two pieces of one edge, the first piece before the second; else None.

    A part of a graduation that is left over tells how well both counts agree.
    """
    end, start = first.feet[-1], second.feet[0]
    way = start - end
    gap = float(np.hypot(*way))
    runs = first.course.run(first.at[-1]), second.course.run(second.at[0])
    pitches = [float(np.hypot(*run)) for run in runs]
    if float(runs[0] @ way) <= 0 or gap > MOST_GAP * max(_length(first), _length(second)):
        return None
    for run, pitch in zip(runs, pitches, strict=True):
        off = abs(run[0] * way[1] - run[1] * way[0]) / pitch
        if off > max(STRAIGHT_ON_PX, gap * np.sin(STRAIGHT_ON_RAD)) or run @ way < 0.9 * pitch * gap:
            return None
    if abs(pitches[0] / pitches[1] - 1) > SAME_PITCH:
        return None
    return gap / (0.5 * (pitches[0] + pitches[1]))


def _length(edge: GraduatedEdge) -> float:
    return float(np.hypot(*(edge.feet[-1] - edge.feet[0])))
