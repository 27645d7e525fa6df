"""Measuring one part of a line that has no corner: the place of every station, its sigma, and whether ink was there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_dilation, label, median_filter, uniform_filter1d
from scipy.spatial import cKDTree

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.contour.band import Band, LineEdge, look_across, normals, resample
from digitize.contour.follow import followed, quietened
from digitize.contour.jumps import leaps
from digitize.contour.others import OtherLine, not_own
from digitize.contour.sides import own_edges
from digitize.contour.thread import Led, threaded
from digitize.contour.width import own_width
from digitize.paged import values_at
from digitize.shapes import Picture, Seen

Places = tuple[tuple[float, float], ...]

# How far each side of the rough way the ink is sought, and over what length it is averaged.
LOOK_MM, AVERAGE_MM = 1.1, 0.4
WIDE = 0.8  # of a wide line's own width, where that is more: a marker's
# A longer stretch under other ink than this is threaded, where the strokes' way is no lighter than so many levels.
LOST_MM, INKED_LEVELS = 0.8, 60
# A place that the person told is missed by more than this; the stretch this near to it is then led through it.
MISSED_MM, TOLD_REACH_MM = 0.2, 8.0
# What is measured lies no further from the strokes' way than the line is wide and so much; else it is another line's,
# which left the line slowly, and so is what lies this near to there.
STRAYED_MM, STRAYED_REACH_MM = 0.25, 4.0
# Where a stretch was led counts so much against what was measured: with an edge in view, and without; and its sigma.
LED_WEIGHT, UNSEEN_WEIGHT, LED_SIGMA_MM = 0.3, 0.03, 0.06
# An ink width that differs from the usual by this part belongs to a crossing, not to the line.
ODD_WIDTH, MARGIN_MM = 0.05, 1.0
RUNNING_MM = 0.8
# 1 sigma of the middle of two edges that each lie on a whole pixel, as a part of a pixel.
GRID_U = 0.5 / 3**0.5
# The middle by one edge is believed within this of the path, beside the noise, round by round.
FAR_PX = 1.05  # and a place farther off, beside the noise, is no place of this line
ONE_EDGE_PX = (0.0, 1.6, 0.8, 0.35)
LED_EDGE_PX = (1.2, 0.8, 0.35)
EDGE_KNOWN_PX = (0.8, 0.35)
STATION_MM = 0.25


@dataclass(frozen=True, eq=False)
class Measured:
    """Stations along a line, full-resolution pixels."""

    xy: FloatArray  # (N, 2)
    sigma_px: FloatArray  # (N,)
    seen: IntArray  # (N,) as shapes.Seen says
    corners: IntArray  # (C,)
    width_px: float
    unsure: BoolArray  # (N,) another line runs along in this one, and it is not certain which edge is whose


def measure_section(
    picture: Picture,
    path: FloatArray,
    px_per_mm: float,
    line_width_px: float,
    *,
    closed: bool,
    edge: LineEdge,
    side: int,
    through_px: Places = (),
    others: tuple[OtherLine, ...] = (),
) -> Measured:
    """Measure one corner-free part in rounds, each along the curve that the last one gave.

    Where the line was lost under other ink the way is threaded through, and the rounds go on from there.

    Args:
        picture: the page.
        path: (N, 2) px, the way of the strokes.
        px_per_mm: of the picture.
        line_width_px: what lines on the page mostly are.
        closed: the path ends where it starts.
        edge: which edge of the ink is the outline.
        side: +1 when the normal points out of the body, else -1.
        through_px: places that the person said the outline passes through.
        others: the lines that cross it.
    """
    step_px = max(0.8, min(1.5, STATION_MM * px_per_mm / 2))
    view = _View(picture, px_per_mm, step_px, closed, path[[0, -1]], others)
    rough = quietened(resample(path, step_px, closed=closed), px_per_mm, view.step_mm, closed=closed)
    best = view.rounds(rough, ONE_EDGE_PX, line_width_px)
    told = np.array(through_px).reshape(-1, 2)
    lost, led = view.lost(best, rough) | view.astray(best, told), None
    lost |= view.leapt(best) | view.strayed(best, rough)
    if lost.any():
        led = threaded(picture.grey, rough, best.path, lost, best.usual, best.strength, px_per_mm, told, closed=closed)
        best = view.rounds(led.path, LED_EDGE_PX, best.usual, led)
    best, unsure = view.with_own_edges(best, led, through_px)
    unsure = unsure | view.leapt(best)
    seen, xy = best.given
    shift = {"middle": 0.0, "outer": 0.5 * best.usual * side, "inner": -0.5 * best.usual * side}[edge]
    pick = np.arange(0, len(xy), max(1, round(STATION_MM / view.step_mm)))
    if not closed and pick[-1] != len(xy) - 1:
        pick = np.append(pick, len(xy) - 1)
    none = np.array([], dtype=np.int64)
    return Measured((xy + best.across * shift)[pick], best.seen.sigma[pick], seen[pick], none, best.usual, unsure[pick])


@dataclass(frozen=True, eq=False)
class _Middles:
    """The middle of the ink at each station: offset from the path, sigma (px), weight 0..1."""

    offset: FloatArray
    sigma: FloatArray
    weight: FloatArray
    seen: IntArray
    width: FloatArray  # the line's own, px


@dataclass(frozen=True, eq=False)
class _Edges:
    """Which edge is the line's own near the stations of a path: -1 the low, +1 the high, 0 not known."""

    places: cKDTree
    side: IntArray

    def at(self, path: FloatArray) -> IntArray:
        """Return the sides along another path."""
        return np.asarray(self.side[self.places.query(path)[1]])


@dataclass(frozen=True, eq=False)
class _Round:
    """What one round saw along its path, and the curve it gave."""

    path: FloatArray
    across: FloatArray
    band: Band
    seen: _Middles
    place: FloatArray
    curve: FloatArray
    usual: float  # width of the line, px
    strength: float  # of its ink against paper, grey levels
    told: BoolArray  # (N,) a crossing line's edge shows there, and which one it is

    @property
    def given(self) -> tuple[IntArray, FloatArray]:
        """What was seen at each station, and (N, 2) its place.

        One that ink did not give, however much ink was near, is bridged: it lies on the curve through the others.
        """
        seen = np.where(self.band.seen, self.seen.seen, Seen.BRIDGED)
        return seen, np.where((seen > Seen.BRIDGED)[:, None], self.place, self.curve)


@dataclass(frozen=True, eq=False)
class _View:
    """How a part is looked at."""

    picture: Picture
    px_per_mm: float
    step_px: float
    closed: bool
    ends: FloatArray
    others: tuple[OtherLine, ...]

    @property
    def step_mm(self) -> float:
        """Distance of the stations."""
        return self.step_px / self.px_per_mm

    def rounds(
        self,
        path: FloatArray,
        near_px: tuple[float, ...],
        usual: float,
        led: Led | None = None,
        edges: _Edges | None = None,
    ) -> _Round:
        """Look once for each of ``near_px``, along the curve that the last look gave; return the last.

        Stretches that were ``led`` keep to that where nothing nearer to it is seen; those whose own edge is known
        are measured by that.
        """
        for number, near in enumerate(near_px):
            last = self._look(resample(path, self.step_px, closed=self.closed), usual, near, led, edges)
            usual = last.usual
            if number < len(near_px) - 1:
                path = last.curve if self.closed else last.curve[_between(last.curve, self.ends)]
        return last

    def _look(self, path: FloatArray, usual: float, near_px: float, led: Led | None, edges: _Edges | None) -> _Round:
        """Measure along a path and draw the curve through what was seen."""
        across = normals(path, closed=self.closed)
        average = max(1, round(AVERAGE_MM / self.step_mm)) | 1
        reach = max(LOOK_MM * self.px_per_mm, WIDE * usual)
        band = look_across(self.picture.grey, path, across, reach, usual, average=average, closed=self.closed)
        usual = float(np.nanmedian(band.high - band.low))
        grid = _grid_px(path, RUNNING_MM * self.px_per_mm) if self.picture.two_level else np.zeros(len(path))
        side = np.zeros(len(path), dtype=np.int64) if edges is None else edges.at(path)
        spoiled = not_own(band.low, band.high, path, across, usual, self.others)
        rises = self.picture.captured == "photo"
        own = own_width(band.high - band.low, path, usual, self.step_mm, rises=rises)
        seen = _middles(band.low, band.high, own, usual, grid, near_px, side, spoiled, self.step_mm)
        if led is not None:
            seen = _led(seen, path, across, led, side == 0, LED_SIGMA_MM * self.px_per_mm)
        place = path + across * seen.offset[:, None]
        curve = followed(place, seen.weight, self.px_per_mm, self.step_mm, closed=self.closed)
        strength = float(np.median(band.strength))
        return _Round(path, across, band, seen, place, curve, usual, strength, spoiled[0] | spoiled[1])

    def with_own_edges(self, one: _Round, led: Led | None, through_px: Places) -> tuple[_Round, BoolArray]:
        """Return the round, taken again where another line runs along in this one, and where the edge is unsure."""
        clear = one.seen.seen == Seen.BOTH_EDGES
        told = tuple(place for point in through_px if (place := self._place_of(one, np.array(point))) is not None)
        side, unsure = own_edges(
            one.band.low, one.band.high, one.seen.width, clear, one.told, self.step_mm, self.px_per_mm, told
        )
        if not side.any():
            return one, unsure
        again = self.rounds(one.path, EDGE_KNOWN_PX, one.usual, led, _Edges(cKDTree(one.path), side))
        return again, unsure[cKDTree(one.path).query(again.path)[1]]

    def _place_of(self, one: _Round, point: FloatArray) -> tuple[int, float] | None:
        """Return the station that a place (px) lies across from, and how far off; None when that is too far."""
        away = point - one.path
        station = int(np.argmin(np.hypot(*away.T)))
        near = np.hypot(*away[station]) < LOOK_MM * self.px_per_mm
        return (station, float(away[station] @ one.across[station])) if near else None

    def astray(self, one: _Round, told: FloatArray) -> BoolArray:
        """Mark the stations around places that the person told and the round missed: it followed another line there."""
        away = np.hypot(*(told[:, None] - one.path).transpose(2, 0, 1)) / self.px_per_mm  # (T, N)
        marks = np.zeros(len(one.path), dtype=bool)
        for gaps in away:
            missed = MISSED_MM < gaps.min() < LOOK_MM
            marks |= missed & (gaps < TOLD_REACH_MM)
        return marks

    def strayed(self, one: _Round, rough: FloatArray) -> BoolArray:
        """Mark the stations about which ink was measured that is not on the strokes' way."""
        seen, places = one.given
        away = cKDTree(rough).query(places)[0]
        reach = round(STRAYED_REACH_MM / self.step_mm)
        off = (away > one.usual + STRAYED_MM * self.px_per_mm) & (seen > Seen.BRIDGED)
        return np.asarray(binary_dilation(off, iterations=reach), dtype=np.bool_) if off.any() else off

    def leapt(self, one: _Round) -> BoolArray:
        """Mark the stations about which the places leap to another line and back."""
        noise_px = float(np.median(one.seen.sigma))
        return leaps(one.given[1], self.px_per_mm, self.step_mm, noise_px, closed=self.closed)

    def lost(self, one: _Round, rough: FloatArray) -> BoolArray:
        """Mark the stations of stretches where there is ink but the line was not told from it."""
        grey = self.picture.grey
        x, y = np.rint(np.clip(rough, 0, np.array(grey.shape[::-1]) - 1)).astype(np.int64).T
        dark = values_at(grey, x, y)
        inked = rough[dark < np.median(dark) + INKED_LEVELS]
        hidden = (one.seen.weight == 0.0) & (cKDTree(inked).query(one.path)[0] < LOOK_MM * self.px_per_mm)
        runs, count = label(hidden)
        sizes = np.bincount(runs.ravel(), minlength=count + 1)
        sizes[0] = 0
        return np.asarray(sizes[runs] > LOST_MM / self.step_mm)


def _led(seen: _Middles, path: FloatArray, across: FloatArray, led: Led, free: BoolArray, sigma_px: float) -> _Middles:
    """Return the middles with those of led stretches where nothing was seen near to where they were led."""
    _, nearest = cKDTree(led.path).query(path)
    offset = ((led.path[nearest] - path) * across).sum(axis=1)
    use = free & led.led[nearest] & ((seen.weight == 0.0) | (np.abs(seen.offset - offset) > 2.0 * sigma_px))
    weight = np.where(led.seen[nearest], LED_WEIGHT, UNSEEN_WEIGHT)
    level = np.where(led.seen[nearest], Seen.THREADED, Seen.BRIDGED)
    return _Middles(
        np.where(use, offset, seen.offset),
        np.where(use, sigma_px, seen.sigma),
        np.where(use, weight, seen.weight),
        np.where(use, level, seen.seen),
        seen.width,
    )


def _between(curve: FloatArray, ends: FloatArray) -> slice:
    """Return the part of an open curve between the places nearest to two ends."""
    first, last = (int(np.argmin(np.hypot(*(curve - end).T))) for end in ends)
    return slice(first, last + 1) if last - first >= 8 else slice(None)


def _grid_px(path: FloatArray, window_px: float) -> FloatArray:
    """Return how far a 1-bit picture's grid can change the width of a line, averaged over ``window_px``.

    Each edge lies on whole pixels. A line that leans through pixels within the window averages
    that out; one nearly along them keeps a width a whole pixel off for as long as a tread.
    """
    run = np.abs(np.gradient(path, axis=0))
    lean = run.min(axis=1) / np.maximum(run.max(axis=1), 1e-9)
    return np.asarray(1.0 / np.maximum(1.0, lean * window_px))


def _middles(
    low: FloatArray,
    high: FloatArray,
    local: FloatArray,
    usual: float,
    grid_px: FloatArray,
    near_px: float,
    side: IntArray,
    spoiled: tuple[BoolArray, BoolArray],
    step_mm: float,
) -> _Middles:
    """Take the middle of both edges where the ink has its ``local`` width.

    Where something touches the line it widens the ink on one side only: there, once the
    path is smooth, the edge that agrees with it within ``near_px``, beside the noise, and
    half the usual width give the middle. 0 leaves such places out. Where ``side`` tells which
    edge it is, that one is taken; an edge that is ``spoiled`` by a crossing line (low, high) is not.
    """
    middle, width = (low + high) / 2, high - low
    with np.errstate(invalid="ignore"):
        scatter = 1.4826 * float(np.nanmedian(np.abs(width - local)))
        allowed = max(ODD_WIDTH * usual, min(3 * scatter, 0.25 * usual)) + grid_px
        odd = ~(np.abs(_running(width, step_mm) - local) < allowed)
    good = ~binary_dilation(odd, iterations=max(1, int(MARGIN_MM / step_mm))) & np.isfinite(middle)
    good &= ~(spoiled[0] | spoiled[1])
    if good.sum() < 8:
        found = np.isfinite(middle)
        return _Middles(
            np.nan_to_num(middle), np.full(len(low), usual), found.astype(float), found * int(Seen.ONE_EDGE), local
        )
    noise = _noise(middle, good)
    weight, offset = good.astype(float), np.where(good, middle, 0.0)
    if near_px > 0.0:
        by_low = np.where(spoiled[0], np.nan, low + local / 2)
        by_high = np.where(spoiled[1], np.nan, high - local / 2)
        single = _one_edge(by_low, by_high, 4 * noise + near_px)
        use = ~good & np.isfinite(single)
        weight[use], offset[use] = 0.5, single[use]
        weight[np.abs(offset) > 6 * noise + max(FAR_PX, near_px)] = 0.0
        told = np.where(side < 0, by_low, by_high)
        use = ~good & (side != 0) & np.isfinite(told)
        weight[use], offset[use] = 0.5, told[use]
    own = np.hypot(noise, GRID_U * grid_px)
    sigma = np.where(weight == 1.0, own, np.where(weight > 0, 2 * own + 0.05, 0.35))
    level = np.where(weight == 1.0, Seen.BOTH_EDGES, np.where(weight > 0.0, Seen.ONE_EDGE, Seen.BRIDGED))
    return _Middles(offset, sigma, weight, level, local)


def _running(width: FloatArray, step_mm: float) -> FloatArray:
    """Return the width averaged over about a millimetre; nan where not measured."""
    window = max(1, round(RUNNING_MM / step_mm)) | 1
    known = np.isfinite(width)
    total = uniform_filter1d(np.where(known, width, 0.0), window, mode="nearest")
    share = uniform_filter1d(known.astype(float), window, mode="nearest")
    return np.where(known, total / np.maximum(share, 1e-9), np.nan)


def _noise(middle: FloatArray, good: BoolArray) -> float:
    """Return the scatter of the measured middles about their own running median, px."""
    value = np.interp(np.arange(len(middle)), np.nonzero(good)[0], middle[good])
    rest = (value - median_filter(value, 41, mode="nearest"))[good]
    return float(max(0.02, 1.4826 * np.median(np.abs(rest))))


def _one_edge(by_low: FloatArray, by_high: FloatArray, near: float) -> FloatArray:
    """Return the middle by the edge nearer to the path, or nan where neither is near."""
    both = np.stack([by_low, by_high])
    off = np.where(np.isfinite(both), np.abs(both), np.inf)
    value = np.where(off[0] <= off[1], by_low, by_high)
    return np.where(off.min(axis=0) < near, value, np.nan)
