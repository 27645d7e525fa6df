"""A half, cut out: its picture -> the outline of its edge, as that of a half drawn on paper.

The part is the largest piece of one tone that lies free in the picture (Otsu's thresholds, IEEE Trans. Syst. Man
Cybern. 9, 1979, also within either half of the tones: steel rules are a third). The longest straight side of a solid
half is the centerline; a template's two feet end on it, and its inner edge is the outline. Along the rim the edge is
placed as that of any part (``part_walls``), which sees through shadows and, in a photo, past walls.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from calibration.errors import Refusal
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray, PxPoints, SheetPoints, frozen_floats
from calibration.part_runs import straight_fit
from calibration.solve import Calibration
from digitize.curve import blurred, resample, right_normals, unit_tangents
from digitize.fit_shapes import EdgePlaces, HalfCurve
from digitize.part_view import PartView, part_scaled
from digitize.part_walls import seen_edge, wall_mm
from digitize.pipeline import trace_placed
from digitize.settings import PlanSettings
from digitize.shapes import Seen, SheetLine, TracedOutline
from digitize.traced import Clock, Traced

# The part: at least so much of the picture, tones smoothed by so much, nothing thinner than twice this with it.
LEAST_PIECE, SMOOTH_MM, THIN_MM = 0.04, 0.3, 2.0
# In a photo, paper is made this tone, and is what is no darker than a share of its own.
PAPER_TONE, SHADE, DARKER, MOST_BOX, EVENED_CELLS = 220.0, 0.9, 0.8, 0.8, 400
STATION_MM, SMOOTH_STATIONS, REACH_MM, ROUNDS = 0.25, 8.0, 3.0, 2  # ROUNDS: of the light
# A side of the rim is straight where it keeps this near to its line; near the corners nothing is sure.
STRAIGHT_MM, NEAR_END_MM, ALIKE = 1.2, 3.0, 8.0
LEAST_SEEN, MOST_UNSEEN_MM = 0.9, 12.0
LEAST_BY_ROUND = (0.6, 0.8, LEAST_SEEN)
FOOT_MM, LEAST_DEEP = 15.0, 0.15  # a template's foot is longer; its half outline goes so deep, as a share of its length
EDGE_U_PX = 0.12  # what an edge's place is off by over longer stretches, 1 sigma (``part_fitted``)
CORNER_DEG, CORNER_MM = 30.0, 3.0
BOWED_MM = 0.25  # of the flipped width: half a pencil line, as for a part held against its outline
HERE = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


@dataclass(frozen=True, eq=False)
class Sides:
    """A piece's straight side and the edge that is the half outline, in the ring's order: material to the left."""

    straight: FloatArray  # (2, 2) ends
    curve: FloatArray  # (N, 2)
    feet: tuple[tuple[float, float], ...]  # from, to along the straight side, mm: where the piece has it
    hollow: bool  # a template


def trace_cut_half(plan: PlanSettings, thickness_mm: float | None, clock: Clock) -> Traced:
    """Return a half traced along its edge, with what its straight edge is like.

    Args:
        plan: of its picture; every rule in it is taken for a real one.
        thickness_mm: of the part, for a photo.
        clock: of the stages.

    Raises:
        Refusal: ``cut-photo``, ``cut-not-half``; nothing fixes the scale.
    """
    view, scaled = part_scaled(plan, thickness_mm, clock)
    grey, calibration = scaled.picture.grey, scaled.calibration
    with clock("edge"):
        px_per_mm = 2.0 / (calibration.mm_per_px_x + calibration.mm_per_px_y)
        photo = view.stand_mm is not None
        piece = free_piece(evened_paper(grey) if photo else grey, px_per_mm, dark=photo)
        if piece is None:
            raise _none("nothing of one tone lies free in it")
        found = sides(_rim(piece, calibration))
        line, told = _line(view, found)
        on_sheet = _half(view, found, line)
    traced = trace_placed(scaled, on_sheet, plan, clock)
    kept = tuple(one for one in traced.doubts if one.code != "copy-unchecked")
    kind = (doubt("cut-is-template"),) if found.hollow else ()
    return replace(traced, doubts=(*kept, *kind, told))


def _none(why: str) -> Refusal:
    return Refusal("cut-not-half", why=why)


def evened_paper(grey: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Return a photo of something darker on paper, the light on the paper made even: a quadratic in x and y."""
    every = max(1, max(grey.shape) // EVENED_CELLS)
    small = grey[::every, ::every]
    y, x = (axis / max(grey.shape) for axis in np.mgrid[: grey.shape[0] : every, : grey.shape[1] : every])
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=2)
    paper = small > _otsu(small.ravel())
    for _ in range(ROUNDS):  # what is a little darker than the paper should be is a shadow
        factors = np.linalg.lstsq(terms[paper], small[paper].astype(np.float64), rcond=None)[0]
        paper = small > SHADE * (terms @ factors)
    light = cv2.resize(np.maximum(terms @ factors, 1.0), grey.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.clip(PAPER_TONE * grey / light, 0, 255), dtype=np.uint8)


def free_piece(
    grey: npt.NDArray[np.uint8], px_per_mm: float, *, dark: bool = False
) -> npt.NDArray[np.uint8] | None:
    """Return the largest piece of one tone that does not touch the picture's border, (H, W) 0 or 255.

    With ``dark`` it is darker than paper of the usual tone, and smaller than what frames the whole: a photo's sheet
    and table may lie free too.
    """
    soft = cv2.GaussianBlur(grey, (0, 0), SMOOTH_MM * px_per_mm)
    middle = _otsu(soft.ravel())
    levels = {int(DARKER * PAPER_TONE)} if dark else {middle, _otsu(soft[soft <= middle]), _otsu(soft[soft > middle])}
    best, most = None, LEAST_PIECE * soft.size
    for level in levels:
        for mask in (soft <= level,) if dark else (soft > level, soft <= level):
            whole = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, _disc(THIN_MM * px_per_mm))
            count, labels, stats, _ = cv2.connectedComponentsWithStats(whole)
            for one in range(1, count):
                left, top, wide, high, area = stats[one]
                free = left > 0 and top > 0 and left + wide < grey.shape[1] and top + high < grey.shape[0]
                if free and area > most and (not dark or wide * high < MOST_BOX * soft.size):
                    best, most = np.asarray(labels == one, dtype=np.uint8) * 255, float(area)
    return best


def _otsu(values: npt.NDArray[np.uint8]) -> int:
    if values.size == 0:
        return 0
    level, _ = cv2.threshold(values.reshape(1, -1), 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return int(level)


def _disc(radius_px: float) -> npt.NDArray[np.uint8]:
    size = 2 * max(1, round(radius_px)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), dtype=np.uint8)


def _rim(piece: npt.NDArray[np.uint8], calibration: Calibration) -> FloatArray:
    """Return a piece's outer rim as a ring, counter-clockwise on the sheet, sheet mm."""
    rings, _ = cv2.findContours(piece, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = max(rings, key=len)[:, 0, :].astype(np.float64)
    xy = np.asarray(calibration.to_sheet(PxPoints(ring)).xy)
    xy = xy if cv2.contourArea(xy.astype(np.float32), True) > 0 else xy[::-1]
    return resample(xy, STATION_MM, closed=True)


def sides(ring: FloatArray) -> Sides:
    """Return the sides of a piece whose rim is a ring, counter-clockwise.

    Raises:
        Refusal: ``cut-not-half``.
    """
    hull = cv2.convexHull(ring.astype(np.float32))
    corners = cv2.approxPolyDP(hull, STRAIGHT_MM, True)[:, 0, :].astype(np.float64)
    lengths = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    k = int(lengths.argmax())
    first, second = corners[k], corners[(k + 1) % len(corners)]
    along = (second - first) / lengths[k]
    off = np.abs((ring - first) @ np.array([-along[1], along[0]]))
    if np.mean(off <= STRAIGHT_MM) * len(ring) * STATION_MM < 0.95 * lengths[k]:
        return _feet(ring, first, second)
    far = np.roll(ring, -int(np.argmin(np.hypot(*(ring - (first + second) / 2.0).T))), axis=0)
    off = np.abs((far - first) @ np.array([-along[1], along[0]]))
    rest = np.flatnonzero(off > STRAIGHT_MM)
    curve = far[rest[0] : rest[-1] + 1]
    if np.hypot(*(curve[0] - second)) > np.hypot(*(curve[0] - first)):
        first, second = second, first
    return Sides(np.array([first, second]), curve, ((0.0, float(lengths[k])),), hollow=False)


def _feet(ring: FloatArray, first: FloatArray, second: FloatArray) -> Sides:
    """Return the sides of a template: two feet on one line, the inner edge between them.

    Raises:
        Refusal: ``cut-not-half``.
    """
    length = float(np.hypot(*(second - first)))
    along = (second - first) / length
    normal = np.array([-along[1], along[0]])
    start = int(np.argmax(np.abs((ring - first) @ normal)))
    ring = np.roll(ring, -start, axis=0)  # begins far from the line, so that no foot is cut in two
    on = np.abs((ring - first) @ normal) <= STRAIGHT_MM
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    runs = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if (b - a) * STATION_MM > FOOT_MM]
    if len(runs) != 2:
        raise _none("its longest side is not straight, nor does it end in two feet on one line")
    inner, (one, other) = ring[runs[0][1] : runs[1][0]], runs
    if len(inner) * STATION_MM < length / 2.0 or np.abs((inner - first) @ normal).max() < LEAST_DEEP * length:
        raise _none("between its two feet no half outline runs")
    if (ring[one[0]] - first) @ along > length / 2.0:
        first, second, along = second, first, -along
    feet = tuple((float((ring[a] - first) @ along), float((ring[b - 1] - first) @ along)) for a, b in (one, other))
    return Sides(np.array([first, second]), inner, feet, hollow=True)


def _line(view: PartView, found: Sides) -> tuple[SheetLine, Doubt]:
    """Return the straight side as a line, and how straight it is.

    Raises:
        Refusal: ``cut-not-half`` where no edge runs along most of it.
    """
    first, second = found.straight
    away = second - first
    length = float(np.hypot(*away))
    along = away / length
    across = np.array([along[1], -along[0]])
    at = np.arange(NEAR_END_MM, length - NEAR_END_MM, STATION_MM)
    seen = _seen(view, _curve(first + at[:, None] * along))
    on = np.zeros(len(at), dtype=bool)
    for low, high in found.feet:
        on |= (at > low + NEAR_END_MM) & (at < high - NEAR_END_MM)
    used = seen.seen & on
    rotation = np.array([across, along])
    fitted = straight_fit((seen.points_mm[used] - first) @ rotation.T, ALIKE)
    share = float(used.sum() / max(1, on.sum()))
    if fitted is None or share < LEAST_SEEN:
        raise _none(f"an edge shows along {100 * share:.0f} % of its straight side")
    xy = np.array([[fitted.offset_mm + fitted.slope * (y - fitted.middle_mm), y] for y in (0.0, length)])
    start, end = (first + xy @ rotation).tolist()
    bias = EDGE_U_PX * max(view.calibration.mm_per_px_x, view.calibration.mm_per_px_y)
    line = SheetLine(
        tuple(start), tuple(end), 1.0, float(np.hypot(fitted.offset_u_mm, bias)),
        float(np.hypot(fitted.slope_u, bias * np.sqrt(12.0) / length)),
    )  # fmt: skip
    bow, width = f"{fitted.bow_mm:.2f}", f"{2.0 * fitted.bow_mm:.2f}"
    crooked = 2.0 * fitted.bow_mm > BOWED_MM
    return line, doubt("part-edge-bowed" if crooked else "cut-edge-straight", bow_mm=bow, width_mm=width)


def _seen(view: PartView, curve: HalfCurve) -> EdgePlaces:
    """Return where the edge runs along a curve whose normals point away from the material."""
    reach = REACH_MM + float(wall_mm(view, curve, HERE, 1.0).max())
    return seen_edge(view, curve, HERE, 1.0, reach)[0]


def _curve(xy: FloatArray) -> HalfCurve:
    """Return places in order as a curve, its normals to the right of it: out of a ring that goes counter-clockwise."""
    normals = right_normals(unit_tangents(xy, closed=False))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    return HalfCurve(frozen_floats(xy), normals, frozen_floats(along), np.zeros(len(xy), dtype=bool))


def _half(view: PartView, found: Sides, line: SheetLine) -> TracedOutline:
    """Return the rest of the edge as a half outline, its ends carried on to the straight side.

    Raises:
        Refusal: ``cut-not-half``: it has corners, or cannot be followed.
    """
    xy = blurred(found.curve, SMOOTH_STATIONS, closed=False)
    seen = np.zeros(0, dtype=bool)
    for least in LEAST_BY_ROUND:  # the rim of a mask is rough
        xy = resample(xy, STATION_MM, closed=False)
        edge = _seen(view, _curve(xy))
        seen = edge.seen
        at = np.flatnonzero(seen)
        gaps = np.diff(at) * STATION_MM
        if edge.share < least or (least == LEAST_SEEN and gaps.max(initial=0.0) > MOST_UNSEEN_MM):
            raise _none(f"its edge could be followed along {100 * edge.share:.0f} % only")
        xy = np.column_stack([np.interp(np.arange(len(xy)), at, edge.points_mm[at, k]) for k in (0, 1)])
        xy = blurred(xy, 2.0, closed=False)
    if (turns := _sharpest_deg(xy)) > CORNER_DEG:
        raise _none(f"its edge has a corner of {turns:.0f} degrees; hold it against its outline with 'boutline fit'")
    cut = round(NEAR_END_MM / STATION_MM)
    inner, inner_seen = xy[cut:-cut], seen[cut:-cut]
    if found.hollow:  # round the body, as a solid half's edge goes
        inner, inner_seen = inner[::-1], inner_seen[::-1]
    head, tail = _carried(inner[::-1], line)[::-1], _carried(inner, line)
    points = np.vstack([head, inner, tail])
    state = np.full(len(points), int(Seen.BRIDGED))
    state[len(head) : len(head) + len(inner)] = np.where(inner_seen, int(Seen.BOTH_EDGES), int(Seen.BRIDGED))
    u = EDGE_U_PX * max(view.calibration.mm_per_px_x, view.calibration.mm_per_px_y)
    return TracedOutline(
        SheetPoints(points), np.full(len(points), u), state, np.zeros(0, dtype=np.int64), True, (line,), 0.0,
        (), ("the edge of a cut part",),
    )  # fmt: skip


def _sharpest_deg(xy: FloatArray) -> float:
    reach = round(CORNER_MM / STATION_MM)
    ahead, back = xy[2 * reach :] - xy[reach:-reach], xy[reach:-reach] - xy[: -2 * reach]
    cross = back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0]
    return float(np.degrees(np.abs(np.arctan2(cross, np.einsum("ni,ni->n", back, ahead))).max()))


def _carried(xy: FloatArray, line: SheetLine) -> FloatArray:
    """Return places (K, 2) that carry the end of a curve on to a line, with the bend of its last 15 mm."""
    last = xy[-round(15.0 / STATION_MM) :]
    s = STATION_MM * np.arange(-len(last) + 1, 1)
    terms = [np.polynomial.Polynomial.fit(s, last[:, k], 2).convert() for k in (0, 1)]
    start, end = np.array(line.start), np.array(line.end)
    normal = np.array([-(end - start)[1], (end - start)[0]]) / np.hypot(*(end - start))
    at = STATION_MM * np.arange(1, round(4.0 * NEAR_END_MM / STATION_MM))
    on = np.column_stack([term(at) for term in terms])
    side = (on - start) @ normal
    beyond = np.flatnonzero(np.sign(side) != np.sign((xy[-1] - start) @ normal))
    if not len(beyond):
        raise _none("its edge does not come to its straight side")
    return np.asarray(on[: max(int(beyond[0]), 1)])
