"""Half outlines: open ways that leave a straight line, stay on one side of it and come back to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree
from shapely.geometry import Polygon

from calibration.frames import FloatArray
from digitize.contour.lines import LongLine
from digitize.contour.loops import LEAST_BODY_MM, SLENDEREST, Way, body_like, ways_between, ways_through
from digitize.contour.network import Arm, Network

# A half whose doubtful turns sum to more than this is not an outline.
MOST_HALF_DOUBT = 8.0
# A half outline reaches this far from its centerline, as a part of its length.
HALF_REACH = (SLENDEREST / 2.0, 0.8)
# Horns may reach beyond a half's ends, which are at least this part of its length apart.
LEAST_CHORD = 0.6
# A half outline ends at most this far from its centerline, and is followed so far from there, or across a gap from a
# piece of so much.
HALF_END_MM = 2.0
LEAST_END_MM, LEAST_DASH_MM = 8.0, 1.2
# A line that goes on this far beyond the centerline at less than this cost is the same line.
BEYOND_MM, ONE_LINE_COST = 3.0, 1.0
# A closed way looks just like a half with its centerline where its straight run is this much of its length, leaves both
# ends of it at about a right angle, and its two ends are unlike: this part of it is not covered by its mirror image.
WHOLE_RUN, SQUARE_DEG, UNLIKE = 0.9, 25.0, 0.06
ON_LINE_MM, LEAVES_MM = 0.8, (2.0, 10.0)
# If this part of the mirrored half shows ink, the drawing was whole after all.
MIRROR_INKED = 0.35
# Ink this near to it shows it.
NEAR_INK_MM = 0.8


@dataclass(frozen=True, eq=False)
class StrokeEnds:
    """Every end of every stroke that ends somewhere, and where, mm."""

    arms: tuple[Arm, ...]
    places: FloatArray  # (N, 2)

    @classmethod
    def of(cls, network: Network) -> StrokeEnds:
        """Return those of a network as it is now, in the order of its nodes."""
        arms = tuple(arm for some in network.arms.values() for arm in some)
        return cls(arms, np.array([network.end_point(arm) for arm in arms]).reshape(-1, 2))


def halves_on(network: Network, ends: StrokeEnds, line: LongLine, told: list[int]) -> list[Way]:
    """Return ways that leave a straight line, stay on one side of it and come back to it.

    They are sought from the line, and from strokes that the outline is ``told`` to run along.
    """
    along = (line.end - line.start) / line.length_mm
    normal = np.array([-along[1], along[0]])
    goals: dict[int, FloatArray] = {}
    starts: list[Arm] = []
    off, place = (ends.places - line.start) @ normal, (ends.places - line.start) @ along
    for number in np.flatnonzero((np.abs(off) <= HALF_END_MM) & (place >= -5) & (place <= line.length_mm + 5)):
        arm, end = ends.arms[number], ends.places[number]
        away = network.reach(arm)
        far = away[min(len(away) - 1, 40)]
        long = np.hypot(*(away[-1] - end)) > LEAST_END_MM or _leads_on(network, arm)
        if abs((far - end) @ normal) > 0.6 * np.hypot(*(far - end)) and long:
            goals[arm.node] = end
            starts.append(arm)
    ways = ways_between(network, starts, goals, LEAST_BODY_MM) + ways_through(network, told, goals, LEAST_BODY_MM)
    return [way for way in ways if _leaves(way, line, normal) and body_like(way) and _stops(network, way, line)]


def _leads_on(network: Network, arm: Arm) -> bool:
    """Whether a stroke, a dash or one beside a break, goes on across a gap at its far end."""
    far = network.ends[arm.stroke][1 if arm.start else 0]
    return far in network.gaps and network.length_mm(arm.stroke) > LEAST_DASH_MM


def is_half(way: Way, line: LongLine) -> bool:
    """Whether a closed way looks just like a half with its centerline: of guitars and their like, not of boxes."""
    place, off = _along(way, line)
    on = np.abs(off) < ON_LINE_MM
    if not on.any() or np.ptp(place[on]) < WHOLE_RUN * np.ptp(place):
        return False
    low, high = float(place[on].min()), float(place[on].max())
    near, far = LEAVES_MM
    for end in (low, high):
        leaving = (np.abs(off) > near) & (np.abs(off) < far) & (np.abs(place - end) < far)
        if not leaving.any() or np.ptp(place[leaving]) > np.tan(np.radians(SQUARE_DEG)) * np.ptp(off[leaving]):
            return False
    region = Polygon(np.column_stack([place, off])).buffer(0.0)
    mirrored = Polygon(np.column_stack([low + high - place, off])).buffer(0.0)
    return bool(region.difference(mirrored).area > UNLIKE * region.area)


def opened(way: Way, line: LongLine) -> Way:
    """Return a closed way that :func:`is_half` without its straight run: it may be one stroke that ends nowhere."""
    place, off = _along(way, line)
    on = np.abs(off) < ON_LINE_MM
    middle = (place[on].min() + place[on].max()) / 2.0
    start = int(np.argmin(np.where(on, np.abs(place - middle), np.inf)))
    order = (np.arange(len(on)) + start) % len(on)
    away = np.flatnonzero(~on[order])
    rest = order[away[0] : away[-1] + 1]
    return replace(way, xy=way.xy[rest], inked=way.inked[rest], closed=False)


def _along(way: Way, line: LongLine) -> tuple[FloatArray, FloatArray]:
    """Return how far along a line and how far beside it (N,) a way's points lie, mm."""
    along = (line.end - line.start) / line.length_mm
    place, off = ((way.xy - line.start) @ np.column_stack([along, [-along[1], along[0]]])).T
    return place, off


def closed_by_line(half: Way, line: LongLine, whole: Sequence[Way]) -> bool:
    """Whether a half's line ends where it does, so that one of the closed ways may be all that is meant to be drawn."""
    along = (line.end - line.start) / line.length_mm
    low, high = sorted(float((end - line.start) @ along) for end in (half.xy[0], half.xy[-1]))
    beyond = max(low, line.length_mm - high) > BEYOND_MM
    return not beyond and any(is_half(way, line) for way in whole)


def _stops(network: Network, way: Way, line: LongLine) -> bool:
    """Whether a half ends on its centerline: a whole body's line would go on smoothly beyond it."""
    along = (line.end - line.start) / line.length_mm
    normal = np.array([-along[1], along[0]])
    side = np.sign(float(np.median((way.xy - line.start) @ normal)))
    for stroke, from_start in (way.darts[0], (way.darts[-1][0], not way.darts[-1][1])):
        arm = Arm(stroke, network.ends[stroke][0 if from_start else 1], from_start)
        for other in network.around(arm):
            beyond = -side * float((network.reach(other)[-1] - line.start) @ normal)
            if other != arm and beyond > BEYOND_MM and network.smooth_cost(arm, other) < ONE_LINE_COST:
                return False
    return True


def _leaves(way: Way, line: LongLine, normal: FloatArray) -> bool:
    """Whether a way stays on one side of the line, reaches well away from it, and spans it end to end."""
    along = np.array([normal[1], -normal[0]])
    off, place = (way.xy - line.start) @ normal, way.xy @ along
    side = np.sign(off[np.abs(off).argmax()])
    chord = abs(place[-1] - place[0])
    low, high = HALF_REACH
    return bool(
        (side * off > -3.0).all()
        and low * chord < np.abs(off).max() < high * chord
        and chord > LEAST_CHORD * np.ptp(place)
        and way.doubt < MOST_HALF_DOUBT
    )


def one_sided(way: Way, line: LongLine, inked: cKDTree) -> bool:
    """Whether the other side of the line is free of the mirrored outline; ``inked`` holds all points of strokes."""
    along = (line.end - line.start) / line.length_mm
    normal = np.array([-along[1], along[0]])
    off = (way.xy - line.start) @ normal
    mirrored = (way.xy - 2 * off[:, None] * normal)[np.abs(off) > 10.0]
    distance, _ = inked.query(mirrored, distance_upper_bound=NEAR_INK_MM)
    return bool((distance < NEAR_INK_MM).mean() < MIRROR_INKED)
