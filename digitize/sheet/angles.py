"""Angles that are plain from the drawing itself: the corners of the sheet, and of a border drawn round it all.

Any four sides could be the picture of a rectangle. They are taken for one only where they close, and where a camera
with a usual lens would see square corners: by the vanishing points of its two pairs of sides (Caprile and Torre,
"Using vanishing points for camera calibration", Int. J. Computer Vision 4 (1990) 127).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from calibration.controls import KnownAngle, StraightLine
from calibration.frames import FloatArray
from digitize.sheet.lens import Lens

# 1 sigma of a corner and of two sides as parallel (common practice, no source): paper is trimmed, a border drawn, and
# what a copier does to it leans its corners more than it turns one side against its opposite.
SHEET_U_RAD = (np.radians(0.1), np.radians(0.1))
BORDER_U_RAD = (np.radians(0.05), np.radians(0.03))
SHEET_WHY, BORDER_WHY = "the sheet's edges are cut square", "the drawn border is square"
# Lines meet in a corner when both end this near to where they cross.
CORNER_PX, CORNER_PART = 12.0, 0.012
# A border goes round at least this part of the sheet.
LEAST_BORDER = 0.35
MOST_BORDER_LINES = 14
# A thing that lies on the sheet may hide one corner of the border; of the two lines that meet there this much is seen.
LEAST_SEEN, PAST_PX = 0.35, 6.0
# What a camera may see of a square corner, with its lens known or any usual one, halves of the diagonal.
SQUARE_WITHIN_DEG = 2.0
# An edge has places along at least this part of its length; a thing may hide the rest. Where it is seen at both ends,
# in the outer parts of it, less will do: paper's edge between them is where they are.
LEAST_COVERED = 0.5
LEAST_WITH_ENDS, END_PART = 0.3, 0.15
# Edges and border agree within this; sides of a border are in one of these proportions.
AGREE_DEG = 0.6
PROPORTIONS = np.geomspace(0.5, 2.0, 25)
UNIT_SQUARE = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
USUAL_FOCALS = np.arange(1.1, 2.4, 0.05)


def sheet_angles(
    edges: Sequence[StraightLine], border: Sequence[StraightLine], lens: Lens, focal_px: float | None
) -> tuple[KnownAngle, ...]:
    """Return what is known of the sheet's corners when all its four edges are seen: along most of it, or at both ends.

    Args:
        edges: in order round it.
        border: the four lines of the drawn border in order round it, or none: with it, the edges must agree.
        lens: the picture's.
        focal_px: of the camera, where it is known.
    """
    if len(edges) != 4 or not all(_seen(edge) for edge in edges):
        return ()
    lines = [_line(edge.places.xy, lens) for edge in edges]
    if not _square(lines, lens, focal_px) or (border and not _agree(lines, border, lens)):
        return ()
    return _three([edge.name for edge in edges], SHEET_U_RAD, SHEET_WHY)


def border_angles(border: Sequence[StraightLine]) -> tuple[KnownAngle, ...]:
    """Return what is known of the corners of a drawn border, its four lines in order round it; none of none."""
    return _three([line.name for line in border], BORDER_U_RAD, BORDER_WHY) if border else ()


def find_border(
    lines: Sequence[StraightLine], lens: Lens, focal_px: float | None, sheet_area_px: float
) -> tuple[StraightLine, ...]:
    """Return the four lines of the largest drawn frame in order round it, or nothing when no frame is large.

    Of one corner the lines may end short, as where a rule hides it, when no frame is seen with all its corners.
    """
    long = sorted(lines, key=lambda line: -_length(line))[:MOST_BORDER_LINES]
    straight = [lens.straighten(line.places.xy) for line in long]
    flat = [_line(line.places.xy, lens) for line in long]
    whole, hidden = _rings(straight)
    for rings in (whole, hidden):
        best: tuple[int, ...] = ()
        best_area = LEAST_BORDER * sheet_area_px
        for ring in rings:
            area = _closed_area([straight[k] for k in ring])
            if area > best_area and _square([flat[k] for k in ring], lens, focal_px):
                best, best_area = ring, area
        if best:
            return tuple(long[k] for k in best)
    return ()


def _rings(places: Sequence[FloatArray]) -> tuple[list[tuple[int, ...]], list[tuple[int, ...]]]:
    """Return the choices of four lines, in order, whose ends meet all round, and those with one corner hidden."""
    count = len(places)
    meets = [[a != b and _gap(places[a], places[b])[0] for b in range(count)] for a in range(count)]
    whole: list[tuple[int, ...]] = []
    hidden: list[tuple[int, ...]] = []
    for ring in itertools.permutations(range(count), 4):
        if ring[0] != min(ring) or ring[1] > ring[3]:
            continue
        short = [at for at in range(4) if not meets[ring[at]][ring[(at + 1) % 4]]]
        if not short:
            whole.append(ring)
        elif len(short) == 1 and _ends_short([places[ring[(short[0] + k) % 4]] for k in range(4)]):
            hidden.append(ring)
    return whole, hidden


def _ends_short(sides: Sequence[FloatArray]) -> bool:
    """Tell whether the first two of four lines in order end before they cross, and show enough of their sides."""
    first, second, third, fourth = sides
    corner = _crossing(first, second)
    for line, other in ((first, fourth), (second, third)):
        begin = _gap(line, other)[1]
        side = corner - begin
        whole = float(np.hypot(*side))
        reach = (line[[0, -1]] - begin) @ side / max(whole, 1e-9)
        if reach.max() > whole + PAST_PX or reach.max() < LEAST_SEEN * whole:
            return False
    return True


def _crossing(first: FloatArray, second: FloatArray) -> FloatArray:
    """Return (2,) where two lines (N, 2) cross when carried on; far away where they are parallel."""
    ways = np.column_stack([first[-1] - first[0], second[0] - second[-1]])
    return np.asarray(first[0] + ways[:, 0] * np.linalg.lstsq(ways, second[0] - first[0], rcond=None)[0][0])


def _gap(a: FloatArray, b: FloatArray) -> tuple[bool, FloatArray]:
    """Return whether two lines (N, 2) meet with their ends, and the middle of what is between these."""
    ends, others = a[[0, -1]], b[[0, -1]]
    gaps = np.linalg.norm(ends[:, None] - others[None], axis=2)
    i, j = np.unravel_index(int(np.argmin(gaps)), (2, 2))
    room = CORNER_PX + CORNER_PART * max(float(np.hypot(*(p[-1] - p[0]))) for p in (a, b))
    return bool(gaps[i, j] < 2 * room), (ends[i] + others[j]) / 2


def _seen(edge: StraightLine) -> bool:
    """Tell whether an edge has places along enough of its length."""
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(edge.places.xy, axis=0).T))])
    step, whole = float(np.median(np.diff(way))), float(way[-1])
    covered = (len(way) - 1) * step / whole
    outer = END_PART * whole / step  # places in one such part, were none hidden
    ends = min(np.count_nonzero(way < END_PART * whole), np.count_nonzero(way > (1.0 - END_PART) * whole))
    return bool(covered >= LEAST_COVERED or (covered >= LEAST_WITH_ENDS and ends >= LEAST_COVERED * outer))


def _agree(edges: Sequence[FloatArray], border: Sequence[StraightLine], lens: Lens) -> bool:
    """Return whether edges are a rectangle's if the border is one, whatever its sides' proportion."""
    lines = [_line(line.places.xy, lens) for line in border]
    corners = np.array([np.cross(a, b) for a, b in zip(lines, [*lines[1:], lines[0]], strict=True)])
    to_square = _to_square(corners[:, :2] / corners[:, 2:])
    flat = [np.linalg.solve(to_square.T, edge) for edge in edges]
    way = np.array([np.degrees(np.arctan2(line[1], line[0])) for line in flat])  # of the normals
    turn = (way + 45) % 90 - 45  # off the border's sides, in units of its square
    parallel = max(abs(turn[0] - turn[2]), abs(turn[1] - turn[3]))
    # a turned rectangle leans one way along and the other way across, by more where the border's side is the shorter
    first, second = (turn[0] + turn[2]) / 2, (turn[1] + turn[3]) / 2
    lean = np.abs(first * PROPORTIONS - second / PROPORTIONS).min()
    return bool(parallel < AGREE_DEG and lean < AGREE_DEG)


def _to_square(corners: FloatArray) -> FloatArray:
    """Return (3, 3) the homography that takes four corners (4, 2) to those of a unit square."""
    rows = []
    for (x, y), (u, v) in zip(corners, UNIT_SQUARE, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y, -u], [0, 0, 0, x, y, 1, -v * x, -v * y, -v]]
    return np.asarray(np.linalg.svd(np.array(rows))[2][-1].reshape(3, 3))


def _three(names: Sequence[str], u_rad: tuple[float, float], why: str) -> tuple[KnownAngle, ...]:
    """Return the three angles that make four sides in order a rectangle; a fourth would count one twice."""
    return (
        KnownAngle(names[0], names[1], float(np.pi / 2), float(u_rad[0]), why),
        KnownAngle(names[0], names[2], 0.0, float(u_rad[1]), why),
        KnownAngle(names[1], names[3], 0.0, float(u_rad[1]), why),
    )


def _length(line: StraightLine) -> float:
    return float(np.hypot(*(line.places.xy[-1] - line.places.xy[0])))


def _line(places: FloatArray, lens: Lens) -> FloatArray:
    """Return (3,) the straight line through places, a x + b y + c = 0, lengths in halves of the diagonal."""
    away = (lens.straighten(places) - lens.middle_px) / lens.half_px
    middle = away.mean(axis=0)
    normal = np.linalg.eigh((away - middle).T @ (away - middle))[1][:, 0]
    return np.array([*normal, -normal @ middle])


def _square(lines: Sequence[FloatArray], lens: Lens, focal_px: float | None) -> bool:
    """Return whether a usual camera sees four sides in order as a rectangle's."""
    first, second = np.cross(lines[0], lines[2]), np.cross(lines[1], lines[3])
    focals = USUAL_FOCALS if focal_px is None else np.array([focal_px / lens.half_px])
    a, b = (np.stack([v[0] / focals, v[1] / focals, np.full(len(focals), v[2])], axis=1) for v in (first, second))
    cosine = (a * b).sum(axis=1) / np.maximum(np.linalg.norm(a, axis=1) * np.linalg.norm(b, axis=1), 1e-12)
    return bool(np.degrees(np.abs(np.arcsin(np.clip(cosine, -1, 1)))).min() < SQUARE_WITHIN_DEG)


def _closed_area(places: Sequence[FloatArray]) -> float:
    """Return the area of the frame that four lines in order make, px^2."""
    pairs = [(places[at], places[(at + 1) % 4]) for at in range(4)]
    corners = [place if met else _crossing(*pair) for pair in pairs for met, place in (_gap(*pair),)]
    x, y = np.array(corners).T
    return float(abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) / 2)
