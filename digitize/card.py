"""A bank card lying on the sheet, in pixels and, by any map to millimetres, its sides: found by its shape alone.

An ID-1 card is a rectangle of 85.60 x 53.98 mm with corners rounded by 3.18 mm (ISO/IEC 7810, ISO/IEC 7813). Only the
proportions of the three are asked for, so that a card is found whatever the scale says, which is what it is to check.
Its tone must differ from the paper's all round; a white card on white paper is not found.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray
from calibration.standards import CARD_CORNER_MM, CARD_ID1_MM
from digitize.paged import averaged, remapped

Grey = npt.NDArray[np.uint8]
Map = Callable[[FloatArray], FloatArray]

COARSE_PX = 1000  # longer side of the picture that cards are looked for in
LEVEL_STEP = 10  # grey levels: at some level the card is one piece, apart from everything else
CLOSE_MM = 1.6  # what is written on a card is no wider
OPEN_MM = 6.0  # what touches a card is no wider, and a disc of this width gets into its corners
MOST_OFF = 2.8  # times: as far as a scale may be wrong, 1/10 in taken for 1 mm, and a little
LEAST_FILL = 0.90  # of the rectangle round it; a card fills 0.998 of it, and a bump where lines meet it adds to it
MIDDLE_SHARE, BAND_SHARE = 0.8, 0.25  # of half a side: where its middle is, and how far in it is looked for
ASPECT = CARD_ID1_MM[0] / CARD_ID1_MM[1]
# Shares: of the coarse outline, and of the measured one, in the millimetres of a plan whose copy is 2 % off each way.
ROUGH_ASPECT, ASPECT_OFF = 0.10, 0.05
SQUARE_RAD, PARALLEL_RAD = math.radians(3.0), math.radians(0.6)
# The corner's roundness shows on the diagonal: its rim is r (sqrt 2 - 1) inside of where the sides meet.
DIAGONAL_MM = CARD_CORNER_MM * (math.sqrt(2.0) - 1.0)
DIAGONAL_SHARE = (0.45, 1.8)  # of that
LEAST_ROUND = 2  # corners of four: a line may end at one, and no filled box with sharp corners has any
CORNER_SHARE = 0.09  # of a side's length, left out at both ends
# A card's sides end at its corners. Those of a mesh of a mat's grid go on: looked for this far beyond, shares of a
# side's length, and no card where more of the eight ends go on than this.
BEYOND_SHARES, MOST_GOING_ON = (0.05, 0.25), 3
GOING_ON_SURE = 10.0  # times the scatter of such a line's place is less than what is looked across
REACHES_MM = (2.2, 1.1, 0.8)  # about the expected edge
STATIONS = 45
ACROSS_PX, BESIDE_PX = 0.25, 2  # step of a profile; rows averaged to either side of a station
LEAST_STEP = 6.0  # grey levels between card and paper
LEAST_STATIONS = 0.5  # of a side's with an edge
STRAY_SIGMAS, ROUNDS = 3.0, 6
MEDIAN_TO_SIGMA = 1.4826
LEAST_SIGMA_PX = 0.05  # of a whole side: what pixels hide from all stations alike


@dataclass(frozen=True)
class Ground:
    """How the card's upper face maps to the picture."""

    to_mm: Map  # (N, 2) px -> mm on the face
    to_px: Map  # back


@dataclass(frozen=True, eq=False)
class CardSeen:
    """A card in the picture; mm are those of the map that it was measured with."""

    ring_px: FloatArray  # (4, 2) where its sides meet, in order
    middles_mm: FloatArray  # (4, 2) of the sides, the long ones first and third
    outward: FloatArray  # (4, 2) unit, across each side
    sigma_mm: FloatArray  # (4,) 1 sigma of where each side is seen
    px_mm: float  # size of a pixel there

    def length_mm(self, side: int) -> float:
        """Return the length of the long (0) or the short (1) sides: how far the two others are apart."""
        one, two = (1, 3) if side == 0 else (0, 2)
        across = self.outward[one] - self.outward[two]
        return float((self.middles_mm[one] - self.middles_mm[two]) @ across / np.hypot(*across))

    def angle_rad(self, side: int) -> float:
        """Return the direction of the long (0) or the short (1) sides, from the map's x towards its y."""
        one, two = (1, 3) if side == 0 else (0, 2)
        across = self.outward[one] - self.outward[two]
        return float(np.arctan2(across[1], across[0]))


def find_card(grey: Grey, ground: Ground, near: tuple[float, float] | None) -> CardSeen | None:
    """Return the card at a place, or the only one in the picture; None where there is none, or are several.

    Args:
        grey: the picture.
        ground: its map; the scale may be wrong.
        near: any px on it, if told.
    """
    found = [seen for ring in _candidates(grey, ground, near) if (seen := _measured(grey, ground, ring)) is not None]
    apart = _different(found)
    return apart[0] if len(apart) == 1 or (apart and near is not None) else None


def _different(found: list[CardSeen]) -> list[CardSeen]:
    """Return one of each card that was found at several grey levels: the one whose sides are seen best."""
    kept: list[CardSeen] = []
    for one in sorted(found, key=lambda seen: float(seen.sigma_mm.max())):
        middle = one.middles_mm.mean(axis=0)
        if all(np.hypot(*(middle - other.middles_mm.mean(axis=0))) > other.length_mm(1) / 2.0 for other in kept):
            kept.append(one)
    return kept


def _candidates(grey: Grey, ground: Ground, near: tuple[float, float] | None) -> list[FloatArray]:
    """Return (4, 2) mm rectangles, long side first, that pieces of one tone fill with a card's proportions."""
    step = max(1, math.ceil(max(grey.shape) / COARSE_PX))
    height, width = grey.shape[0] // step, grey.shape[1] // step
    coarse = averaged(grey, step)
    about = (width * step / 2.0, height * step / 2.0) if near is None else near
    px_per_mm = 1.0 / (_px_mm(ground, np.array(about)) * step)
    usual = CARD_ID1_MM[0] * CARD_ID1_MM[1] * px_per_mm**2
    rings = []
    for level in range(LEVEL_STEP, 256 - LEVEL_STEP, LEVEL_STEP):
        for mask in (coarse < level, coarse >= level):
            whole = _one_piece(mask.astype(np.uint8), px_per_mm)
            for piece in cv2.findContours(whole, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)[0]:
                if not usual / MOST_OFF**2 < cv2.contourArea(piece) < usual * MOST_OFF**2:
                    continue
                px = (piece[:, 0].astype(np.float64) + 0.5) * step - 0.5
                if near is not None and cv2.pointPolygonTest(px.astype(np.float32), near, False) < 0:
                    continue
                ring = _rectangle(ground, px)
                rings += [] if ring is None else [ring]
    return _once(rings)


def _one_piece(mask: Grey, px_per_mm: float) -> Grey:
    """Return a mask with what is written on things filled, and without the lines that touch them."""
    for kind, mm in ((cv2.MORPH_CLOSE, CLOSE_MM), (cv2.MORPH_OPEN, OPEN_MM)):
        size = max(3, round(mm * px_per_mm) // 2 * 2 + 1)
        mask = cv2.morphologyEx(mask, kind, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    return mask


def _once(rings: list[FloatArray]) -> list[FloatArray]:
    """Return a few of the rectangles that many grey levels give alike."""
    kept: list[FloatArray] = []
    for ring in rings:
        alike = sum(bool(np.abs(ring.mean(axis=0) - other.mean(axis=0)).max() < OPEN_MM) for other in kept)
        kept += [ring] if alike < 3 else []
    return kept


def _px_mm(ground: Ground, at_px: FloatArray) -> float:
    corners = ground.to_mm(at_px + np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)]))
    return float(np.sqrt(abs(np.linalg.det(corners[1:] - corners[0]))))


def _rectangle(ground: Ground, outline_px: FloatArray) -> FloatArray | None:
    """Return the corners of the least rectangle round an outline, the first side a long one; None if it is no card."""
    try:
        outline_mm = ground.to_mm(outline_px)
    except ValueError:  # partly past the sheet's horizon, or beyond the lens model
        return None
    points = outline_mm - outline_mm.mean(axis=0)
    middle, (one, two), turn_deg = cv2.minAreaRect(points.astype(np.float32))
    if min(one, two) <= 0.0 or cv2.contourArea(points.astype(np.float32)) < LEAST_FILL * one * two:
        return None
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    frame = np.array([[c, s], [-s, c]])  # rows: along the first and the second side
    sides = _sides((points - middle) @ frame.T, np.array([one, two]) / 2.0)
    if sides is None:
        return None
    (left, right), (low, high) = sides
    long, short = max(right - left, high - low), min(right - left, high - low)
    if abs(long / short / ASPECT - 1.0) > ROUGH_ASPECT:
        return None
    about = middle + outline_mm.mean(axis=0)
    corners = np.asarray(np.array([(left, low), (right, low), (right, high), (left, high)]) @ frame + about)
    return corners if right - left > high - low else np.roll(corners, -1, axis=0)


def _sides(points: FloatArray, half: FloatArray) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Return where most of an outline (N, 2) runs on the left and right, and below and above; a bump moves nothing."""
    found = []
    for axis in (0, 1):
        inner = np.abs(points[:, 1 - axis]) < MIDDLE_SHARE * half[1 - axis]
        for way in (-1.0, 1.0):
            near = points[inner & (way * points[:, axis] > (1.0 - BAND_SHARE) * half[axis]), axis]
            if len(near) == 0:
                return None
            found.append(float(np.median(near)))
    return (found[0], found[1]), (found[2], found[3])


def _measured(grey: Grey, ground: Ground, ring_mm: FloatArray) -> CardSeen | None:
    """Return the card that a rough rectangle is, its sides measured; None where they are not a card's."""
    scale = float(np.hypot(*(ring_mm[1] - ring_mm[0]))) / CARD_ID1_MM[0]
    px_mm = _px_mm(ground, ground.to_px(ring_mm.mean(axis=0)[None])[0])
    sides: list[tuple[FloatArray, FloatArray, float]] = []
    for reach in REACHES_MM:
        looked = [_side(grey, ground, ring_mm, k, (reach * scale, px_mm)) for k in range(4)]
        sides = [side for side in looked if side is not None]
        met = [_meet(sides[k - 1], sides[k]) for k in range(4)] if len(sides) == 4 else []
        corners = [corner for corner in met if corner is not None]
        if len(corners) < 4:
            return None
        ring_mm = np.array(corners)
    middles, outward, sigma = (np.array(part) for part in zip(*sides, strict=True))
    seen = CardSeen(ground.to_px(ring_mm), middles, outward, sigma, px_mm)
    if not _is_card(seen) or not _inside(grey, seen.ring_px, REACHES_MM[-1] * scale / px_mm):
        return None
    whole = _rounded(grey, ground, ring_mm, scale, px_mm) and not _goes_on(grey, ground, ring_mm, scale, px_mm)
    return seen if whole else None


def _inside(grey: Grey, ring_px: FloatArray, room_px: float) -> bool:
    """Whether all of a card is in the picture: the picture's own rim is no card's edge."""
    height, width = grey.shape
    return bool((ring_px >= room_px).all() and (ring_px <= (width - 1 - room_px, height - 1 - room_px)).all())


def _is_card(seen: CardSeen) -> bool:
    """Whether the four sides are a rectangle with a card's proportions."""
    turn = np.arctan2(seen.outward[:, 1], seen.outward[:, 0])
    opposite = [abs(math.remainder(turn[k] - turn[k + 2] - math.pi, 2 * math.pi)) for k in (0, 1)]
    square = [abs(math.remainder(turn[k] - turn[k - 1], math.pi)) for k in range(4)]
    if max(opposite) > PARALLEL_RAD or any(abs(one - math.pi / 2) > SQUARE_RAD for one in square):
        return False
    return abs(seen.length_mm(0) / seen.length_mm(1) / ASPECT - 1.0) <= ASPECT_OFF


def _meet(one: tuple[FloatArray, FloatArray, float], two: tuple[FloatArray, FloatArray, float]) -> FloatArray | None:
    """Return where two sides meet."""
    both = np.array([one[1], two[1]])
    if abs(np.linalg.det(both)) < 0.5:
        return None
    return np.asarray(np.linalg.solve(both, np.array([one[1] @ one[0], two[1] @ two[0]])))


def _side(
    grey: Grey, ground: Ground, ring_mm: FloatArray, k: int, look: tuple[float, float]
) -> tuple[FloatArray, FloatArray, float] | None:
    """Return (a place in the middle, the direction outward, 1 sigma mm) of a side, from corner k to the next."""
    start, end = ring_mm[k], ring_mm[(k + 1) % 4]
    length, along, out = _axes(ring_mm, k)
    share = np.linspace(CORNER_SHARE, 1.0 - CORNER_SHARE, STATIONS) - 0.5
    at = (start + end) / 2.0 + share[:, None] * (end - start)
    h, tone = _profiles(grey, ground, at, along, out, look)
    place = _steps(h, tone)
    line = _line(share * length, place)
    if line is None:
        return None
    offset, lean, sigma = line
    turned = out - lean * along
    sigma = math.hypot(sigma, LEAST_SIGMA_PX * look[1])
    return (start + end) / 2.0 + offset * out, turned / np.hypot(*turned), sigma


def _axes(ring_mm: FloatArray, k: int) -> tuple[float, FloatArray, FloatArray]:
    """Return the length of a side, from corner k to the next, its direction and the one outward."""
    start, end = ring_mm[k], ring_mm[(k + 1) % 4]
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    out = np.array([along[1], -along[0]])
    return length, along, -out if (ring_mm.mean(axis=0) - start) @ out > 0.0 else out


def _profiles(
    grey: Grey, ground: Ground, at: FloatArray, along: FloatArray, out: FloatArray, look: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Return h (M,) mm outward and the grey (S, M) across a side at stations (S, 2) mm."""
    reach, px_mm = look
    h = np.arange(-reach, reach, ACROSS_PX * px_mm)
    total = np.zeros((len(at), len(h)))
    beside = np.arange(-BESIDE_PX, BESIDE_PX + 1)
    for step in beside * px_mm:
        places = (at + step * along)[:, None] + h[:, None] * out
        px = ground.to_px(places.reshape(-1, 2)).reshape(places.shape).astype(np.float32)
        total += remapped(grey, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return h, total / len(beside)


def _steps(h: FloatArray, tone: FloatArray) -> FloatArray:
    """Return (S,) where the tone changes the most, in the way in which it does along most of the side; else nan."""
    slope = np.gradient(tone, axis=1)
    slope = cv2.GaussianBlur(slope, (0, 0), sigmaX=1.0 / ACROSS_PX, sigmaY=0.01, borderType=cv2.BORDER_REPLICATE)
    edge = tone.shape[1] // 5
    step = np.median(tone[:, -edge:], axis=1) - np.median(tone[:, :edge], axis=1)
    sign = np.sign(np.median(step))
    peak = np.clip(np.argmax(sign * slope, axis=1), 1, tone.shape[1] - 2)
    each = np.arange(len(tone))
    before, top, after = (sign * slope[each, peak + d] for d in (-1, 0, 1))
    bend = np.minimum(before - 2.0 * top + after, -1e-9)
    place = h[peak] + 0.5 * (before - after) / bend * (h[1] - h[0])
    inner = (peak > 1) & (peak < tone.shape[1] - 3)
    return np.where(inner & (sign * step > LEAST_STEP), place, np.nan)


def _line(along: FloatArray, place: FloatArray) -> tuple[float, float, float] | None:
    """Return (offset, lean, 1 sigma of the offset) of a line through places, strays left out; None with too few."""
    used = np.isfinite(place)
    if used.sum() < LEAST_STATIONS * len(place):
        return None
    offset, lean = float(np.median(place[used])), 0.0
    sigma = MEDIAN_TO_SIGMA * float(np.median(np.abs(place[used] - offset))) + 1e-9
    for _ in range(ROUNDS):
        near = used & (np.abs(np.nan_to_num(place, nan=1e9) - offset - lean * along) < STRAY_SIGMAS * sigma)
        if near.sum() < LEAST_STATIONS * len(place):
            return None
        lean, offset = (float(value) for value in np.polyfit(along[near], place[near], 1))
        sigma = MEDIAN_TO_SIGMA * float(np.median(np.abs(place[near] - offset - lean * along[near]))) + 1e-9
    return offset, lean, sigma / math.sqrt(near.sum() / 3.0)  # neighbours share what the paper and the print do


def _goes_on(grey: Grey, ground: Ground, ring_mm: FloatArray, scale: float, px_mm: float) -> bool:
    """Whether most of what the sides lie on goes on beyond the corners."""
    look, count = (REACHES_MM[-1] * scale, px_mm), 0
    for k in range(4):
        length, along, out = _axes(ring_mm, k)
        share = np.linspace(*BEYOND_SHARES, STATIONS // 3)
        for corner, way in ((ring_mm[(k + 1) % 4], 1.0), (ring_mm[k], -1.0)):
            at = corner + (way * length * share)[:, None] * along
            h, tone = _profiles(grey, ground, at, along, out, look)
            line = _line(share * length, _steps(h, tone))
            count += line is not None and abs(line[0]) < look[0] / 2.0 and line[2] * GOING_ON_SURE < look[0]
    return count > MOST_GOING_ON


def _rounded(grey: Grey, ground: Ground, ring_mm: FloatArray, scale: float, px_mm: float) -> bool:
    """Whether the corners are rounded as a card's are: seen along their diagonals."""
    count = 0
    for k in range(4):
        legs = [(ring_mm[(k + d) % 4] - ring_mm[k]) for d in (1, -1)]
        inward = sum(leg / np.hypot(*leg) for leg in legs) / math.sqrt(2.0)
        middle = ring_mm[k] + DIAGONAL_MM * scale * inward
        sideways = np.array([inward[1], -inward[0]])
        h, tone = _profiles(grey, ground, middle[None], sideways, -inward, (2.0 * DIAGONAL_MM * scale, px_mm))
        place = _steps(h, np.repeat(tone, 3, axis=0))[0]
        gap = 1.0 - place / (DIAGONAL_MM * scale)
        count += bool(DIAGONAL_SHARE[0] <= gap <= DIAGONAL_SHARE[1])
    return count >= LEAST_ROUND
