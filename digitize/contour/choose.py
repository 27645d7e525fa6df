"""Which way through the network is the body, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from shapely.geometry import Polygon

from calibration.errors import Refusal
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray
from digitize.contour.band import resample
from digitize.contour.beside import SAME_WEIGHT, beside, contained, heavier_neighbour, parts_elsewhere
from digitize.contour.boxes import closed_beyond, closed_by_its_own_pen, frames, halved, is_box, rings
from digitize.contour.elsewhere import bends, curves_elsewhere
from digitize.contour.half_ways import BEYOND_MM, StrokeEnds, closed_by_line, halves_on, is_half, one_sided, opened
from digitize.contour.lines import LongLine, long_lines, without_squares
from digitize.contour.loops import (
    FRAME_FILL,
    LEAST_BODY_MM,
    THROUGH_MM,
    Way,
    body_like,
    closed_ways,
    holds,
    rectangular,
    strokes_at,
    way_along,
)
from digitize.contour.network import Network
from digitize.shapes import Ink, OutlineHints

# A way whose doubtful turns sum to more than this is not an outline; a turn dearer than the second asks for a look.
MOST_DOUBT, DOUBTFUL_TURN = 14.0, 2.0
# A way that is not believed though none of its turns is dearer than this may be a faint or broken body for all that.
HARD_TURN = 5.0
# Doubtful turns weigh against area and weight by this scale; half the weight counts as half the area.
MERIT_DOUBT = 4.0
# A body's straight run is at most this part of its size; longer ones are centerlines and frames.
STRAIGHT_SHARE = 0.6
# A point on a line is this near it; weights of one pen differ by less than this (natural logarithm).
ON_LINE_MM, OWN_PEN = 0.6, 0.35
# Two bodies are alike when the areas agree this well.
ALIKE_AREA = 0.06
# A way that is this much of a body, the best being 1, may be it.
RIVAL_MERIT = 0.5
# Places on the outline are told to within this: a way that passes them farther off than another one is not meant.
CLICK_MM = 0.7
# Halves drawn beside each other are one body's top and back, of which one may reach a few mm farther.
ALIKE_HALVES, ALIKE_MERIT = 0.1, 0.3
# A nearly rectangular half is a border when it holds something of a size between these, as parts of its own.
LEAST_INSIDE, MOST_INSIDE = 0.1, 0.85
# ... that are not far less of a body: braces and sides close shapes in a box, by turns that no line takes.
BODY_INSIDE = 0.02
# ... or more than this of the length of all other lines.
MOST_INK = 0.8
# Lines within this of where the other half would be, together longer than this part of the half, may be it.
OTHER_ROOM_MM, OTHER_SHARE = 25.0, 0.15
# A half that shares more than this of its length with a whole body is part of it.
SHARED = 0.5
# A whole body goes on across a half's line when this part of the rest is drawn as heavily but for this (natural log.).
COMPLETED, OTHER_PEN = 0.7, 0.35


@dataclass(frozen=True, eq=False)
class Choice:
    """The outline chosen, still rough."""

    way: Way
    half: bool
    lines: tuple[LongLine, ...]
    doubts: tuple[Doubt, ...]
    evidence: tuple[str, ...]


def choose_outline(network: Network, ink: Ink, px_per_mm: float, hints: OutlineHints) -> Choice:
    """Return the way that is the body's outline.

    Raises:
        Refusal: ``no-outline`` or ``several-bodies``.
    """
    points, headings = _skeleton_points(ink, px_per_mm)
    lines = long_lines(points, headings, LEAST_BODY_MM)
    through = np.array(hints.through).reshape(-1, 2) / px_per_mm
    every = closed_ways(network, through, lambda way: is_box(way, lines))
    closed = [way for way in every if _believable(way)]
    dear = [way for way in every if not _believable(way) and way.worst_turn < HARD_TURN]
    ways = [way for way in closed if not _on_centerline(way, lines, network, through)]
    ways = [way for way in ways if not _is_border(way, ways, network)]
    said = hints.near is not None or bool(hints.through)
    settled = _settled_by_hints(ways, hints, px_per_mm) or (_settled_by_hints(dear, hints, px_per_mm) if said else [])
    ways = sorted(settled, key=_merit, reverse=True)
    if not ways and len(through) > 1:
        told = way_along(network, through)
        ways = [told] if told is not None and body_like(told) else []
    best = _best_half(network, lines, points, px_per_mm, hints, ways, closed)
    half, halves = (best[:2], best[2]) if best is not None else (None, [])
    if half is not None:
        ways = [way for way in ways if not (frames(way, half[0]) and _merit(half[0]) > BODY_INSIDE * _merit(way))]
    if half is not None and ways and _merit(ways[0]) < _merit(half[0]):
        ways = [way for way in ways if _completes(way, *half, network)][:1] or ways
    whole = _outermost(ways, px_per_mm, hints) if not _half_wins(half, ways, network) else None
    if whole is not None:
        others, larger = _near_as_good(whole, ways), _larger(whole, dear)
        text = "the largest smooth closed line on the sheet" + (f", of {len(ways)}" if len(ways) > 1 else "")
        text += "; a larger one has too many doubtful turns" if larger else ""
        near_by = beside(whole, network, px_per_mm, hints) or parts_elsewhere(whole, others, px_per_mm, hints)
        apart = _elsewhere(whole, [*others, *larger], px_per_mm, hints)
        apart = apart or curves_elsewhere(whole, network, px_per_mm, hints)
        doubts = (*near_by, *_turned(whole), *apart)
        return Choice(whole, False, _through(lines, whole), doubts, (text,))
    if half is None:
        raise Refusal("no-outline")
    way, line = half
    if hints.near is None and not hints.through:
        alike = [one for one in halves if abs(one.polygon().area / way.polygon().area - 1.0) < ALIKE_HALVES]
        _refuse_rivals([way, *alike], px_per_mm, hints)
    other = _other_half(network, way, line, px_per_mm, hints)
    rivals = [*_near_as_good(way, [*ways, *halves]), *_larger(way, dear)]
    apart = _elsewhere(way, rivals, px_per_mm, hints) or curves_elsewhere(way, network, px_per_mm, hints)
    by_own = [one for one in closed if _own_pen(one, line, network)]
    ends = (doubt("half-closed"),) if not said and closed_by_line(way, line, by_own) else ()
    doubts = (*beside(way, network, px_per_mm, hints), *_turned(way), *other, *ends, *apart)
    return Choice(way, True, (line,), doubts, ("an open line that starts and ends on one straight line",))


def _other_half(network: Network, way: Way, line: LongLine, px_per_mm: float, hints: OutlineHints) -> tuple[Doubt, ...]:
    """Doubt a half when lines as heavy as it run where its other half would be: that may be drawn, and unlike."""
    along = (line.end - line.start) / line.length_mm
    normal = np.array([-along[1], along[0]])
    mirrored = way.xy - 2 * ((way.xy - line.start) @ normal)[:, None] * normal
    area = Polygon(mirrored).buffer(OTHER_ROOM_MM)
    own = {stroke for stroke, _ in way.darts}
    side = np.sign(float(np.median((mirrored - line.start) @ normal)))
    found: list[FloatArray] = []
    for stroke, points in enumerate(network.lines):
        if stroke in own or network.weights[stroke] < SAME_WEIGHT * way.weight or not bends(points):
            continue  # borders and rules are straight
        beyond = points[(points - line.start) @ normal * side > BEYOND_MM]
        if len(beyond):
            found.append(resample(points, 1.0, closed=False))
    inside = [points[contained(area, points)] for points in found]
    if sum(len(points) for points in inside) < OTHER_SHARE * len(resample(way.xy, 1.0, closed=False)):
        return ()
    place = hints.place(np.concatenate(inside).mean(axis=0) * px_per_mm)
    return (doubt("half-doubtful", place=f"({place})"),)


def _half_wins(half: tuple[Way, LongLine] | None, ways: list[Way], network: Network) -> bool:
    """Whether a half drawing is more of a body than the best closed line on the sheet."""
    if half is None or not ways:
        return half is not None
    if _merit(half[0]) <= _merit(ways[0]):
        return False
    # Extension lines may lead from a whole body to a dimension line, which is no centerline.
    part = _is_part(half[0], ways[0], network) and ways[0].doubt <= half[0].doubt + MERIT_DOUBT
    return not part and not _completes(ways[0], *half, network)


def _completes(whole: Way, half: Way, line: LongLine, network: Network) -> bool:
    """Whether a whole body goes on from a half across its line, for nearly all of the way with the half's own pen."""
    own = {stroke for stroke, _ in half.darts}
    rest = [stroke for stroke, _ in whole.darts if stroke not in own]
    lengths = np.array([network.length_mm(stroke) for stroke in rest])
    if not _is_part(half, whole, network) or not lengths.sum():
        return False
    along = (line.end - line.start) / line.length_mm
    normal = np.array([-along[1], along[0]])
    side = np.sign(float(np.median((half.xy - line.start) @ normal)))
    beyond = np.array([float(np.mean((network.lines[n] - line.start) @ normal * side < -BEYOND_MM)) for n in rest])
    pen = np.abs(np.log(network.weights[rest] / half.weight)) < OTHER_PEN
    return bool(lengths @ (beyond * pen) > COMPLETED * lengths.sum())


def _is_part(half: Way, whole: Way, network: Network) -> bool:
    """Whether a half shares most of its length with a whole body that is drawn as heavily."""
    own = {stroke for stroke, _ in whole.darts}
    lengths = {stroke: network.length_mm(stroke) for stroke, _ in half.darts}
    shared = sum(length for stroke, length in lengths.items() if stroke in own) / sum(lengths.values())
    return shared > SHARED and whole.weight > SAME_WEIGHT * half.weight


def _skeleton_points(ink: Ink, px_per_mm: float) -> tuple[FloatArray, FloatArray]:
    """Return all stroke points (mm, y down) with the heading of their stroke there (rad)."""
    points, headings = [], []
    for stroke in ink.strokes:
        xy = stroke.points.xy / px_per_mm
        if len(xy) < 6:
            continue
        reach = min(len(xy) - 1, 10)
        index = np.arange(len(xy))
        step = xy[np.minimum(index + reach, len(xy) - 1)] - xy[np.maximum(index - reach, 0)]
        points.append(xy)
        headings.append(np.arctan2(step[:, 1], step[:, 0]))
    if not points:
        raise Refusal("no-outline")
    return np.concatenate(points), np.concatenate(headings)


def _believable(way: Way) -> bool:
    """Whether a closed way could be one drawn line: dimension and extension lines close ways by turning corners."""
    return way.doubt < MOST_DOUBT


def _merit(way: Way) -> float:
    """Return how much a way looks like the body: large, heavy, and without doubtful turns."""
    return float(way.polygon().area * way.weight * np.exp(-way.doubt / MERIT_DOUBT))


def _near_as_good(best: Way, ways: list[Way]) -> list[Way]:
    """Return the other ways that are nearly as much of a body as the best."""
    least = RIVAL_MERIT * _merit(best)
    return [way for way in ways if way is not best and _merit(way) > least]


def _larger(best: Way, ways: list[Way]) -> list[Way]:
    """Return the ways that are larger than the best."""
    return [way for way in ways if way.polygon().area > best.polygon().area]


def _turned(way: Way) -> tuple[Doubt, ...]:
    """Doubt a way that takes a turn which good continuation does not explain."""
    return (doubt("uncertain-turn", cost=f"{way.worst_turn:.1f}"),) if way.worst_turn > DOUBTFUL_TURN else ()


def _on_centerline(way: Way, lines: list[LongLine], network: Network, told: FloatArray) -> bool:
    """Whether a closed way runs along one straight line, drawn lighter or heavier, for most of its size.

    Such a way is a half and its centerline. A straight side drawn with the outline's own pen is a side, if the way does
    not look just as halves do, or a line through it halves it. Nor is it one if somebody ``told`` (N, 2) that the
    outline runs along it.
    """
    size = float(np.ptp(way.xy, axis=0).max())
    whole: bool | None = None
    for line in lines:
        along = (line.end - line.start) / line.length_mm
        normal = np.array([-along[1], along[0]])
        near = (way.xy[np.abs((way.xy - line.start) @ normal) < ON_LINE_MM] - line.start) @ along
        if len(np.unique(near.astype(int))) <= STRAIGHT_SHARE * size:
            continue
        if (np.abs((told - line.start) @ normal) < CLICK_MM).any():
            continue
        if not _own_pen(way, line, network):
            return True
        if is_half(way, line):  # only then does it matter whether a line halves it
            whole = halved(way, lines) if whole is None else whole
            if not whole:
                return True
    return False


def _own_pen(way: Way, line: LongLine, network: Network) -> bool:
    """Whether the part of a way that lies on a line is as heavy as the rest of the way."""
    along = (line.end - line.start) / line.length_mm
    normal = np.array([-along[1], along[0]])
    weights: dict[bool, list[float]] = {True: [], False: []}
    for stroke, _ in way.darts:
        points = network.lines[stroke]
        on = float(np.median(np.abs((points - line.start) @ normal))) < ON_LINE_MM
        weights[on] += [float(network.weights[stroke])] * max(1, round(network.length_mm(stroke)))
    if not weights[True] or not weights[False]:
        return True
    return bool(abs(np.log(np.median(weights[True]) / np.median(weights[False]))) < OWN_PEN)


def _settled_by_hints(ways: list[Way], hints: OutlineHints, px_per_mm: float) -> list[Way]:
    """Return the ways that agree with what the person said."""
    if hints.near is not None:
        place = np.array(hints.near) / px_per_mm
        ways = [way for way in ways if holds(way, place)]
    if hints.through:
        points = np.array(hints.through) / px_per_mm
        off = np.array([cKDTree(way.xy).query(points)[0].max() for way in ways])
        most = min(THROUGH_MM, off.min(initial=np.inf) + CLICK_MM)
        ways = [way for way, one in zip(ways, off, strict=True) if one < most]
    return ways


def _outermost(ways: list[Way], px_per_mm: float, hints: OutlineHints) -> Way | None:
    """Return the largest way; refuse when another one of the same size stands beside it."""
    if not ways:
        return None
    first = heavier_neighbour(ways)
    region = first.polygon()
    rivals = [
        way
        for way in ways
        if way is not first
        and abs(way.polygon().area / region.area - 1) < ALIKE_AREA
        and not way.polygon().intersects(first.core)
    ]
    if hints.near is None:
        _refuse_rivals([first, *rivals], px_per_mm, hints)
    return first


def _refuse_rivals(bodies: list[Way], px_per_mm: float, hints: OutlineHints) -> None:
    """Refuse a sheet with several drawings that are alike: which is meant, only a person can say.

    Raises:
        Refusal: ``several-bodies``.
    """
    if len(bodies) < 2:
        return
    centres = [way.polygon().centroid for way in bodies]
    places = ", ".join(f"({hints.place((c.x * px_per_mm, c.y * px_per_mm))})" for c in centres)
    raise Refusal("several-bodies", count=len(bodies), places=places)


def _through(lines: list[LongLine], way: Way) -> tuple[LongLine, ...]:
    """Return the lines that run right through a body: in and out, and at least as long as most of it."""
    region = way.polygon()
    return tuple(line for line in lines if _inside_part(line, region) > 0.55 * _chord(line, region))


def _inside_part(line: LongLine, region: Polygon) -> float:
    share = np.linspace(0.0, 1.0, 200)[:, None]
    points = line.start + share * (line.end - line.start)
    return float(contained(region, points).mean() * line.length_mm)


def _chord(line: LongLine, region: Polygon) -> float:
    """Return how far the region reaches along the line's direction."""
    along = (line.end - line.start) / line.length_mm
    place = np.asarray(region.exterior.coords) @ along
    return float(np.ptp(place))


def _best_half(
    network: Network,
    lines: list[LongLine],
    points: FloatArray,
    px_per_mm: float,
    hints: OutlineHints,
    ways: list[Way],
    closed: list[Way],
) -> tuple[Way, LongLine, list[Way]] | None:
    """Return the half outline that is most of a body, its centerline, and others like it.

    ``ways`` are whole bodies; ``closed`` are all closed ways, halves closed by their centerlines among them.
    """
    told = strokes_at(network, np.array(hints.through).reshape(-1, 2) / px_per_mm)
    ends, lines = StrokeEnds.of(network), without_squares(lines)
    found = [(way, line) for line in lines for way in halves_on(network, ends, line, told)]
    shut = [(opened(way, line), line) for line in lines for way in closed if way not in ways and is_half(way, line)]
    found += [(way, line) for way, line in shut if not any(line is other for _, other in found)]
    inked = cKDTree(points)
    borders = [way for way in closed if way not in ways and rectangular(way)]
    others = [*ways, *borders, *(way for way, _ in found if _believable(way))]

    def whole_half(way: Way, line: LongLine) -> bool:
        rectangle = closed_by_its_own_pen(way, line, lines, network)
        shut = rectangle or closed_beyond(way, line, lines, inked)
        return not shut and one_sided(way, line, inked) and not _is_border(way, others, network)

    if hints.near is not None or hints.through:
        # of the halves that pass the places told, only those count that pass them nearest
        found = [(way, line) for way, line in found if _settled_by_hints([way], hints, px_per_mm)]
        found = [(way, line) for way, line in found if whole_half(way, line)]
        settled = {id(way) for way in _settled_by_hints([way for way, _ in found], hints, px_per_mm)}
        found = [(way, line) for way, line in found if id(way) in settled]
    best: tuple[Way, LongLine] | None = None
    rivals: list[Way] = []
    for way, line in sorted(found, key=lambda pair: -_merit(pair[0])):
        if best is not None and not (_stands_apart(way, [best[0], *rivals]) and _may_be_meant(best[0], way)):
            continue
        if not whole_half(way, line):
            continue
        if best is None:
            best = way, line
        else:
            rivals.append(way)
    return None if best is None else (*best, rivals)


def _may_be_meant(best: Way, other: Way) -> bool:
    """Whether another half is nearly as much of a body, or as large and not much less: top and back are drawn so."""
    alike = abs(other.polygon().area / best.polygon().area - 1.0) < ALIKE_HALVES
    return _merit(other) > (ALIKE_MERIT if alike else RIVAL_MERIT) * _merit(best)


def _stands_apart(way: Way, bodies: list[Way]) -> bool:
    """Whether a way is drawn elsewhere than others."""
    region = way.polygon()
    return not any(region.intersects(body.core) for body in bodies)


def _elsewhere(best: Way, others: list[Way], px_per_mm: float, hints: OutlineHints) -> tuple[Doubt, ...]:
    """Doubt which drawing is meant where another one, nearly as much of a body, stands beside it."""
    if hints.near is not None or hints.through:
        return ()
    apart = [way for way in others if _stands_apart(way, [best])]
    if not apart:
        return ()
    centre = apart[0].polygon().centroid
    percent = 100.0 * apart[0].polygon().area / best.polygon().area
    place = hints.place((centre.x * px_per_mm, centre.y * px_per_mm))
    return (doubt("other-body", place=place, percent=f"{percent:.0f}"),)


def _is_border(way: Way, others: list[Way], network: Network) -> bool:
    """Whether a way is nearly a rectangle that holds other bodies or halves, or nearly all that is drawn.

    A box, or half of one, holds only small things, and the rules and notes of its sheet lie outside it. The outer line
    of a double border is not a thing outside.
    """
    region = way.polygon()
    if region.area / region.minimum_rotated_rectangle.area < FRAME_FILL:
        return False
    room = region.buffer(1.0)
    bodies = (other for other in others if other is not way and _merit(other) > BODY_INSIDE * _merit(way))
    shapes = (other.polygon() for other in bodies)
    if any(LEAST_INSIDE < shape.area / region.area < MOST_INSIDE and room.contains(shape) for shape in shapes):
        return True
    own = {stroke for one in (way, *rings(way, others)) for stroke, _ in one.darts}
    rest = [stroke for stroke in range(len(network.lines)) if stroke not in own]
    lengths = np.array([network.length_mm(stroke) for stroke in rest])
    inside = np.array([float(contained(region, network.lines[stroke]).mean()) for stroke in rest])
    return bool(lengths @ inside > MOST_INK * lengths.sum())
