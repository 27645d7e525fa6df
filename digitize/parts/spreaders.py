"""Blocks that press the sides against the mold: faces, pockets and bolts, and whether they can move. Body frame, mm.

Each pair lies across the body, right and left, and is pressed apart by a turnbuckle between them. A face is the
outline less the side and the liner, cut where the end block or the waist begins.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely

from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray, frozen_floats
from digitize.arcs import extents, flatten, mirrored, segment_lengths
from digitize.mold_settings import MoldJob
from digitize.mold_shapes import MARK, Part
from digitize.parts.flip import flipped, text_width
from digitize.parts.layers import SIDES, alike
from digitize.parts.meet import SAME_MM
from digitize.parts.offset import counter_clockwise, offset
from digitize.parts.regions import circle, closed_by, crosses_itself, level_places, moved, right_run, stretch
from digitize.shapes import ArcPath, TextMark

FLAT_MM = 0.01  # of a curve stood in for by its chords, where only room is checked
TEXT_MM = 8.0
TOUCH = "Use a turnbuckle that closes less: [spreaders] closed."
TOUCH_END = "Give the end block as it is, [spreaders] end_block_width and end_block_depth, or make the arc shorter."
TOUCH_OTHER = "Make the arc shorter, or the waist's block lower: [spreaders] arc, waist_height."
PLAIN_NOTE = "Glue the layers with those with the pocket, drawn on this one, in the middle."
POCKET_NOTE = "The turnbuckle's end turns on the bolt in here."
BEHIND_BOLT_MM = 25.0  # from the bolt to the block's inner edge, where the pocket's mouth is
Place = tuple[int, float]  # piece of a path, fraction of it


@dataclass(frozen=True, eq=False)
class Block:
    """One block pressed home, on the right: its edge, and where the turnbuckle's bolt goes through."""

    name: str
    edge: ArcPath
    bolt: tuple[float, float]


class _NoBlockError(Exception):
    """A block that cannot be: why, and what to change."""

    def __init__(self, why: str, how: str) -> None:
        super().__init__(why)
        self.why, self.how = why, how


@dataclass(frozen=True, eq=False)
class SpreaderSet:
    """All blocks that can be, with the reasons for those that cannot."""

    parts: tuple[Part, ...]
    pressed: tuple[ArcPath, ...]  # where the blocks are when they press
    slack: tuple[ArcPath, ...]  # where they are when the turnbuckles are closed
    doubts: tuple[Doubt, ...]


def travel_mm(job: MoldJob) -> float:
    """Return how far each block moves in when its turnbuckle, half open under pressure, is closed."""
    return (job.spreaders.open_mm - job.spreaders.closed_mm) / 4.0


def pressed_mm(job: MoldJob) -> float:
    """Return the turnbuckle's length, eye to eye, when the blocks press: halfway, so that it can give and take."""
    return (job.spreaders.open_mm + job.spreaders.closed_mm) / 2.0


def spreaders(body: ArcPath, job: MoldJob) -> SpreaderSet:
    """Return the blocks asked for; a pair that cannot be made is left out with the reason."""
    body = counter_clockwise(body)
    both = alike(body)
    sides = (body, mirrored(body))
    parts: list[Part] = []
    pressed: list[ArcPath] = []
    slack: list[ArcPath] = []
    doubts: list[Doubt] = []
    for name in _wanted(job):
        try:
            blocks = [_block(side, name, job) for side in sides]
            _check_room(blocks, body, job, pressed)
        except _NoBlockError as fault:
            doubts.append(doubt("part-left-out", part=f"The {name} spreader pair", why=fault.why, how=fault.how))
            continue
        for side, block in zip(SIDES[:1] if both else SIDES, blocks, strict=False):
            parts += _parts(block, side, both, job)
        for sign, block in zip((1.0, -1.0), blocks, strict=True):
            inwards = moved(block.edge, (-travel_mm(job), 0.0))
            pressed.append(block.edge if sign > 0 else mirrored(block.edge))
            slack.append(inwards if sign > 0 else mirrored(inwards))
    return SpreaderSet(tuple(parts), tuple(pressed), tuple(slack), tuple(doubts))


def _wanted(job: MoldJob) -> list[str]:
    return (["lower bout", "upper bout"] if job.spreaders.bouts else []) + (["waist"] if job.spreaders.waist else [])


@lru_cache(maxsize=8)
def face_line(body: ArcPath, job: MoldJob) -> ArcPath:
    """Return the line of all faces on the right: the outline less side and liner, tail to neck.

    Raises:
        _NoBlockError: side and liner leave no single line.
        Refusal: ``half-not-single``.
    """
    inner = offset(body, -(job.sides.thickness_mm + job.spreaders.liner_mm))
    if not inner:
        raise _NoBlockError("side and liner fill the body", "Check [sides] thickness and [spreaders] liner.")
    if len(inner) > 1:
        raise _NoBlockError("side and liner close the waist", "Check [sides] thickness and [spreaders] liner.")
    return right_run(inner[0])


def _block(body: ArcPath, name: str, job: MoldJob) -> Block:
    """Return a block of the right side.

    Raises:
        _NoBlockError: it cannot be made.
    """
    line = face_line(body, job)
    run = _waist_run(line, job) if name == "waist" else _bout_run(line, name, job)
    ends = float(line.xy_mm[0, 1]), float(line.xy_mm[-1, 1])
    return _closed_block(name, run, ends, job)


def _vertex_lengths(line: ArcPath) -> FloatArray:
    """Return how far along an open path its vertices are, mm (V,)."""
    return np.concatenate([[0.0], np.cumsum(segment_lengths(line))])


def _at_length(lengths: FloatArray, s_mm: float) -> Place:
    i = int(np.clip(np.searchsorted(lengths, s_mm, side="right") - 1, 0, len(lengths) - 2))
    return i, float(np.clip((s_mm - lengths[i]) / (lengths[i + 1] - lengths[i]), 0.0, 1.0))


def _waist_of(line: ArcPath) -> tuple[int, float] | None:
    """Return the vertex of the narrowest place between two wider ones, and its x; None where there is no waist."""
    x = line.xy_mm[:, 0]
    wide = int(np.argmax(x))
    best: tuple[int, float] | None = None
    for other in (_widest_beyond(x, wide, 1), _widest_beyond(x, wide, -1)):
        if other is None:
            continue
        low, high = sorted((wide, other))
        narrow = low + int(np.argmin(x[low : high + 1]))
        if best is None or high - low > best[0]:
            best = (narrow, float(x[narrow]))
    return best


def _widest_beyond(x: FloatArray, wide: int, step: int) -> int | None:
    """Return the widest vertex beyond a dip, seen from the widest of all in one direction; None without a dip."""
    order = np.arange(wide, len(x) if step > 0 else -1, step)
    lowest = np.minimum.accumulate(x[order])
    rise = x[order] - lowest
    top = int(np.argmax(rise))
    return int(order[top]) if rise[top] > 1.0 else None


def _bout_run(line: ArcPath, name: str, job: MoldJob) -> ArcPath:
    """Return a bout's face, upwards."""
    lengths = _vertex_lengths(line)
    waist = _waist_of(line)
    total = lengths[-1]
    middle = lengths[waist[0]] if waist else total / 2.0
    clear = job.spreaders.end_block_width_mm / 2.0 + job.spreaders.clear_mm + travel_mm(job)
    first, last = _beyond_end_blocks(line, lengths, clear)
    share = job.spreaders.shares
    if name == "lower bout":
        begin, end = first + share[0] * (middle - first), first + share[1] * (middle - first)
    else:
        begin, end = last - share[1] * (last - middle), last - share[0] * (last - middle)
    if not 0.0 <= begin < end <= total:
        raise _NoBlockError("the end block leaves no room beside it", "Check [spreaders] end_block_width and arc.")
    return stretch(line, _at_length(lengths, begin), _at_length(lengths, end))


def _beyond_end_blocks(line: ArcPath, lengths: FloatArray, x_mm: float) -> tuple[float, float]:
    """Return where along the line the tail's and the neck's end blocks end.

    Raises:
        _NoBlockError: the body is nowhere so wide.
    """
    beyond = np.flatnonzero(line.xy_mm[:, 0] >= x_mm)
    if not len(beyond):
        raise _NoBlockError("the body is nowhere wider than the end blocks", "Check [spreaders] end_block_width.")
    found = []
    for i, inner in ((beyond[0], beyond[0] - 1), (beyond[-1], beyond[-1] + 1)):
        if not 0 <= inner < len(lengths):
            raise _NoBlockError("the face begins beyond the end block", "Check [spreaders] end_block_width.")
        a, b = line.xy_mm[inner, 0], line.xy_mm[i, 0]
        found.append(float(lengths[inner] + (x_mm - a) / (b - a) * (lengths[i] - lengths[inner])))
    return found[0], found[1]


def _waist_run(line: ArcPath, job: MoldJob) -> ArcPath:
    waist = _waist_of(line)
    if waist is None:
        raise _NoBlockError("the body has no waist", "Leave it out: [spreaders] waist = false.")
    y = float(line.xy_mm[waist[0], 1])
    half = job.spreaders.waist_height_mm / 2.0
    lengths = _vertex_lengths(line)
    places = []
    for level in (y - half, y + half):
        met = level_places(line, level)
        if not len(met.one):
            raise _NoBlockError("it would reach beyond the body", "Make [spreaders] waist_height smaller.")
        s = lengths[met.one] + met.at_one * np.diff(lengths)[met.one]
        places.append(float(s[np.argmin(np.abs(s - lengths[waist[0]]))]))
    return stretch(line, _at_length(lengths, places[0]), _at_length(lengths, places[1]))


def _closed_block(name: str, run: ArcPath, ends: tuple[float, float], job: MoldJob) -> Block:
    """Return the block behind a face: straight inside, with room for the end block.

    Raises:
        _NoBlockError: the face folds back on the block, or the body is too narrow for the turnbuckle.
    """
    s = job.spreaders
    bolt_x = pressed_mm(job) / 2.0
    inner_x = max(bolt_x - BEHIND_BOLT_MM, travel_mm(job) + s.clear_mm)
    first, last = run.xy_mm[0], run.xy_mm[-1]
    corners = _inner_corners(name, first, last, inner_x, ends, job)
    edge = closed_by(run, corners)
    if crosses_itself(edge):
        raise _NoBlockError("its face folds back behind it", "Choose a shorter arc: [spreaders] arc.")
    bolt = (bolt_x, _bolt_height(edge, name, run, inner_x, s.pocket_mm))
    room = _room_round(bolt, edge)
    need = s.pocket_mm / 2.0 + s.clear_mm
    if room < need:
        raise _NoBlockError(
            f"a turnbuckle of {s.closed_mm:g} to {s.open_mm:g} mm leaves {max(room, 0.0):.0f} mm of block round its "
            f"bolt, and {need:.0f} mm are needed", "Use a shorter turnbuckle: [spreaders] closed and open.",
        )  # fmt: skip
    return Block(name, edge, bolt)


def _inner_corners(
    name: str, first: FloatArray, last: FloatArray, inner_x: float, ends: tuple[float, float], job: MoldJob
) -> list[tuple[float, float]]:
    """Return the corners from the face's upper end round the inside to its lower end."""
    if name == "waist" or inner_x >= min(first[0], last[0]):
        return [(inner_x, float(last[1])), (inner_x, float(first[1]))]
    # The end block reaches so far in from the outline; the face lies side and liner inside of that.
    deep = job.spreaders.end_block_depth_mm + job.spreaders.clear_mm
    if name == "lower bout":
        level = max(float(first[1]), ends[0]) + deep
        return [(inner_x, float(last[1])), (inner_x, level), (float(first[0]), level)]
    level = min(float(last[1]), ends[1]) - deep
    return [(float(last[0]), level), (inner_x, level), (inner_x, float(first[1]))]


def _bolt_height(edge: ArcPath, name: str, run: ArcPath, inner_x: float, pocket_mm: float) -> float:
    """Return the height of the turnbuckle: where the face bulges most, moved so that it lies in the straight inside."""
    inside = edge.xy_mm[np.abs(edge.xy_mm[:, 0] - inner_x) < 1e-9, 1]
    low, high = float(inside.min()), float(inside.max())
    x, y = run.xy_mm[:, 0], run.xy_mm[:, 1]
    wanted = float(y[np.argmin(x) if name == "waist" else np.argmax(x)])
    margin = min(pocket_mm, (high - low) / 2.0)
    return float(np.clip(wanted, low + margin, high - margin))


def _room_round(bolt: tuple[float, float], edge: ArcPath) -> float:
    """Return how much block there is round the bolt, the inner edge with the pocket's mouth left out of account."""
    polygon = shapely.Polygon(flatten(edge, FLAT_MM))
    if not polygon.contains(shapely.Point(bolt)):
        return -1.0
    left, low, _, top = polygon.bounds
    behind = shapely.box(left - 1000.0, low, left + 1e-3, top)
    return float(polygon.union(behind).exterior.distance(shapely.Point(bolt)))


def _parts(block: Block, side: str, both: bool, job: MoldJob) -> list[Part]:
    """Return the plain layers of a block and those with the pocket, placed in the middle of its height."""
    s = job.spreaders
    bolt = circle(block.bolt, s.bolt_mm)
    pocketed = min(s.layers, -int(-(s.pocket_mm / job.sheet.thickness_mm - 1e-6) // 1))
    plain = s.layers - pocketed
    stem = f"spreader-{block.name.split()[0]}" + ("" if both else f"-{side}")
    title = f"spreader, {block.name}" + ("" if both else f", {side}")
    twice = 2 if both else 1
    pocket = _pocketed(block, s.pocket_mm)
    text = _label(block)
    stuff = (job.sheet.thickness_mm, job.sheet.material)
    made = [
        Part(stem, title, block.edge, (bolt,), ((MARK, pocket),), (text,), plain * twice, *stuff, True, PLAIN_NOTE),
        Part(f"{stem}-pocket", f"{title}, with pocket", pocket, (), (), (text,), pocketed * twice, *stuff, False,
             POCKET_NOTE),
    ]  # fmt: skip
    made = [part for part in made if part.count]
    return made if side == "right" else [flipped(part) for part in made]


def _label(block: Block) -> TextMark:
    """Return the block's name, between the bolt and the face."""
    _, low, right, top = extents(block.edge)
    bare = TextMark((0.0, 0.0), TEXT_MM, block.name)
    middle = (block.bolt[0] + right) / 2.0
    return TextMark((middle - text_width(bare) / 2.0, (low + top) / 2.0), TEXT_MM, block.name)


def _pocketed(block: Block, pocket_mm: float) -> ArcPath:
    """Return a block's edge with the turnbuckle's slot in it: from the inner edge to half a pocket beyond the bolt."""
    x, y = block.bolt
    r = pocket_mm / 2.0
    inner_x = float(block.edge.xy_mm[:, 0].min())
    xy, bulge = block.edge.xy_mm, block.edge.bulge
    after = np.roll(xy, -1, axis=0)
    inside = (np.abs(xy[:, 0] - inner_x) < SAME_MM) & (np.abs(after[:, 0] - inner_x) < SAME_MM)
    i = int(np.argmax(np.where(inside, np.abs(after[:, 1] - xy[:, 1]), -1.0)))
    # Counter-clockwise, the inner edge runs down: into the slot above, round the bolt, and out below.
    slot = [(inner_x, y + r), (x, y + r), (x, y - r), (inner_x, y - r)]
    new_xy = np.concatenate([xy[: i + 1], np.array(slot), xy[i + 1 :]])
    new_bulge = np.concatenate([bulge[:i], [0.0, 0.0, -1.0, 0.0, 0.0], bulge[i + 1 :]])
    return ArcPath(frozen_floats(new_xy), frozen_floats(new_bulge), True)


def _polygon(path: ArcPath) -> shapely.Polygon:
    return shapely.Polygon(flatten(path, FLAT_MM))


def _check_room(blocks: list[Block], body: ArcPath, job: MoldJob, others: list[ArcPath]) -> None:
    """Check that a pair touches nothing where it presses and where it is slack.

    Raises:
        _NoBlockError: it touches its partner, another pair or an end block.
    """
    t, clear = travel_mm(job), job.spreaders.clear_mm - FLAT_MM
    ends = _end_blocks(body, job)
    around = [_polygon(path) for path in others]
    around += [shapely.affinity.translate(one, -t if one.centroid.x > 0 else t) for one in around]
    for inwards in (0.0, t):
        right, left = (_polygon(moved(block.edge, (-inwards, 0.0))) for block in blocks)
        left = shapely.affinity.scale(left, -1.0, 1.0, origin=(0.0, 0.0))
        if right.distance(left) < clear:
            raise _NoBlockError("its blocks would touch when the turnbuckle is closed", TOUCH)
        for block in (right, left):
            if any(block.distance(end) < clear for end in ends):
                raise _NoBlockError("it would touch an end block", TOUCH_END)
            if any(block.distance(other) < clear for other in around):
                raise _NoBlockError("it would touch another pair", TOUCH_OTHER)


def _end_blocks(body: ArcPath, job: MoldJob) -> list[shapely.Polygon]:
    run = right_run(body)
    half, deep = job.spreaders.end_block_width_mm / 2.0, job.spreaders.end_block_depth_mm
    low, top = float(run.xy_mm[0, 1]), float(run.xy_mm[-1, 1])
    return [shapely.box(-half, low, half, low + deep), shapely.box(-half, top - deep, half, top)]
