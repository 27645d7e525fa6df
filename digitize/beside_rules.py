"""What a photo shows of its sheet, once it is known where the rules on it lie.

A rule or a square that hides the sheet's edge has a long edge of its own, with paper on one side and a table on the
other. Taken for the sheet's it would be said to be cut square, and stand a millimetre above the paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.controls import StraightLine
from calibration.frames import BoolArray, FloatArray
from calibration.odd_angles import without_line
from calibration.standards import CARD_ID1_MM
from digitize.rule import PhotoRule
from digitize.shapes import Gap, GapPlace, SheetView

# Nearer than this to the outline of a rule it is the rule's own edge, or under it: how far its wall and rim lie outside
# of its graduations is seen no better.
AT_BODY_MM = 2.5
LEAST_AT_BODY = 0.5  # of an edge's places
LEAST_HANGING = 0.4  # of a side of the sheet: it was found by the edge of what lies over it
LEAST_FREE = 0.4  # of a gap in the sheet: the rest may lie under a rule
GAP_ROOM_MM = 3.0
WALL_ROOM_MM = 8.0
# The back edge of a rule as light as paper runs along its graduations, this near to them, as long to within so much.
BACK_MM, BACK_ENDS_MM, BACK_DEG = 60.0, 8.0, 2.0
CARD_ACROSS_MM = float(np.hypot(*CARD_ID1_MM)) + 4.0  # its wall and its shadow look like the table, too


@dataclass(frozen=True, eq=False)
class Laid:
    """Where a rule's body lies in a photo."""

    ring_px: FloatArray  # (N, 2) round it
    px_per_mm: float

    @classmethod
    def of(cls, rule: PhotoRule) -> Laid:
        """Return the body of a rule that was found."""
        return cls(rule.polygon.xy, rule.rule.pitch_px / rule.rule.pitch_mm)

    def has_back(self, line: StraightLine) -> bool:
        """Tell whether a line may be its back edge, which its outline does not reach where it is as light as paper."""
        around = self.ring_px - self.ring_px.mean(axis=0)
        along = np.linalg.eigh(around.T @ around)[1][:, 1]
        frame = np.array([along, [-along[1], along[0]]]) / self.px_per_mm
        ends = (line.places.xy[[0, -1]] - self.ring_px.mean(axis=0)) @ frame.T
        own = around @ frame.T
        apart = np.sort(ends[:, 0]) - [own[:, 0].min(), own[:, 0].max()]
        aside = float(np.abs(ends[:, 1]).max() - np.abs(own[:, 1]).max())
        turn = np.degrees(np.arctan2(abs(ends[1, 1] - ends[0, 1]), abs(ends[1, 0] - ends[0, 0])))
        return bool(np.abs(apart).max() < BACK_ENDS_MM and aside < BACK_MM and turn < BACK_DEG)

    def inside_mm(self, places_px: FloatArray) -> FloatArray:
        """Return (N,) how far places lie inside of its outline, negative outside."""
        hull = cv2.convexHull(self.ring_px.astype(np.float32))
        found = [cv2.pointPolygonTest(hull, (float(x), float(y)), measureDist=True) for x, y in places_px]
        return np.array(found) / self.px_per_mm


def own_edges(view: SheetView, bodies: Sequence[Laid]) -> SheetView:
    """Return what is seen of a sheet without the lines that are edges of things lying on it, and their angles.

    Such an edge may seem to be the sheet's, or a line drawn on it, as a side of its border.
    """
    false = _false(view, bodies)
    if not false:
        return view
    angles = list(view.angles)
    for name in sorted(false):
        angles = without_line(name, angles)
    edges, lines = (tuple(one for one in some if one.name not in false) for some in (view.edges, view.lines))
    return replace(view, edges=edges, lines=lines, angles=tuple(angles))


def clear_of(bodies: Sequence[Laid], places_px: FloatArray) -> BoolArray:
    """Return (N,) which places are not under a rule, nor beside it where its wall and its shadow are."""
    free: BoolArray = np.ones(len(places_px), dtype=np.bool_)
    for body in bodies:
        free &= body.inside_mm(places_px) < -WALL_ROOM_MM
    return free


def _false(view: SheetView, bodies: Sequence[Laid]) -> set[str]:
    """Return the names of edges and lines that are of things lying on the sheet."""
    seen = (*view.edges, *view.lines)
    return {edge.name for edge in seen if any(_at_body(edge, body) for body in bodies)}


def _at_body(edge: StraightLine, body: Laid) -> bool:
    return body.has_back(edge) or bool(np.mean(body.inside_mm(edge.places.xy) > -AT_BODY_MM) > LEAST_AT_BODY)


def gap_in_sheet(view: SheetView, bodies: Sequence[Laid]) -> GapPlace | None:
    """Return where table shows inside the paper's outline and under no rule; None where it does not.

    Of several places the largest that is no bank card. Along a side that is an edge of a thing, which may lie askew
    over the sheet's own, there is table between the two.
    """
    false = _false(view, bodies)
    gaps = [gap for gap in view.gaps if _side_of(gap, view.edges) not in false and not _hangs_over(gap, bodies)]
    found = [place for gap in gaps if (place := _free_of(gap, bodies)) is not None]
    return min(found, key=lambda place: place.small, default=None)


def _side_of(gap: Gap, edges: Sequence[StraightLine]) -> str:
    """Return the name of the edge of the sheet that a gap lies along."""
    off = {edge.name: float(np.median(_beside_px(edge.places.xy, gap.places_px))) for edge in edges}
    return min(off, key=lambda name: off[name], default="")


def _hangs_over(gap: Gap, bodies: Sequence[Laid]) -> bool:
    """Tell whether the side that a gap lies along was found by the edge of a thing."""
    at = [np.mean(body.inside_mm(gap.side_px) > -AT_BODY_MM) for body in bodies if len(gap.side_px)]
    return bool(max(at, default=0.0) > LEAST_HANGING)


def _beside_px(line: FloatArray, places: FloatArray) -> FloatArray:
    """Return (N,) how far places are from a line carried on."""
    run = line[-1] - line[0]
    return np.asarray(np.abs((places - line[0]) @ np.array([-run[1], run[0]])) / np.hypot(*run))


def _free_of(gap: Gap, bodies: Sequence[Laid]) -> GapPlace | None:
    """Return where a gap is, None where most of it may be a rule."""
    if not (bodies or gap.wide):  # a rule that was not found may look like the table
        return None
    free = np.ones(len(gap.places_px), dtype=np.bool_)
    for body in bodies:
        free &= body.inside_mm(gap.places_px) < -GAP_ROOM_MM
    if free.mean() < LEAST_FREE:
        return None
    places = gap.places_px[free]
    x, y = np.median(places, axis=0)
    least_px_mm = min((body.px_per_mm for body in bodies), default=np.inf)
    across_px = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1)).max()
    small = bool(bodies) and float(across_px) < CARD_ACROSS_MM * least_px_mm
    return GapPlace((float(x), float(y)), small)
