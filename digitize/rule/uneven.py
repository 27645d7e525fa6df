"""Rules that were fed unevenly: graduations followed one by one, laid even, and then read as those of any other rule.

Paper that slips moves neighbouring graduations together, by more than their distance over a long rule, so no even
comb fits them all. From one graduation to the next the distance still changes slowly. They are followed from a
stretch that a comb fits; the picture along the rule is resampled so that they stand evenly; there they are counted,
their lengths read and their places measured, and the places go back to the scan with what was taken out put in again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.ndimage import median_filter

from calibration.frames import FloatArray, IntArray
from digitize.paged import window
from digitize.rule.baseline import Baseline, find_baseline
from digitize.rule.candidates import Seed
from digitize.rule.comb import (
    MAD_TO_SIGMA,
    NEAR,
    PEAK_SHARE,
    START_PITCHES,
    assign,
    grow,
    peaks_of,
    run_around,
    zoom_pitch,
)
from digitize.rule.graduations import CLEAR_OF_LINE_PX, PROFILE_PX, REACH, REACH_PX, Ticks, measure
from digitize.rule.hierarchy import CLEAR_SCORE, Hierarchy, phase_scores
from digitize.rule.strip import Grey, Line, cut, reach_in_picture

FEWEST = 60  # graduations followed
PRESENT = 0.8  # of those between the ends
NEXT = (0.35, 1.7)  # of the usual distance: where the next graduation can stand
CHANGE = 0.35  # of it, from one distance to the next
MISSING = 4  # graduations in a row that may be missing
LOCAL_RMS = 0.05  # of the distance: scatter from one graduation to the next
LOCAL_RMS_PX = 0.35  # or this, for fine graduations
LEAST_UNEVEN = 0.025  # of the distance, root mean square: less is an even rule
LEAST_UNEVEN_PX = 0.35  # or this: pixels make as much
MORE = 8  # graduations that an even comb does not explain
AGREED = 0.98  # of those it does, have the same number
SHARED = 7  # graduations that move together; one that does not move with them is misplaced
STRAY_SIGMAS, STRAY = 4.0, 0.08  # of the scatter, and of the distance
ROOM_PX = 30.0  # beyond what is looked at
SAME_COUNT = 0.9  # of the graduations followed are found again
WINDOW, WINDOW_PERIODS = 24, 2.0  # graduations, and periods of the pattern, whose numbers are looked at alone
OTHER_PHASE = 0.3  # better by so much of the score, and the numbers do not go on
PAPER = 255


@dataclass(frozen=True, eq=False)
class Course:
    """Graduations followed along a line, and by how much they leave an even scale."""

    index: IntArray  # (N,) increasing
    place_px: FloatArray  # (N,) along the line
    start_px: float
    pitch_px: float
    off_px: FloatArray  # (N,) what neighbours share of the departures

    @property
    def even_px(self) -> FloatArray:
        """(N,) where they would stand."""
        return np.asarray(self.start_px + self.pitch_px * self.index)

    def shift_px(self, even_px: FloatArray) -> FloatArray:
        """Return by how much the scan shows a place farther along; beyond the ends as at them."""
        return np.interp(even_px, self.even_px, self.off_px)


def measure_uneven(grey: Grey, seed: Seed, even: Ticks | None) -> tuple[Ticks, Ticks] | None:
    """Return the graduations from a seed as they would stand evenly, and as they stand; None where they are even.

    Args:
        grey: the picture.
        seed: where something repeats beside a line.
        even: the graduations there that an even comb explains; where it explains all alike, there is nothing to do.
    """
    seed, base = _on_line(grey, seed, even)
    if not base.drawn:
        return None
    course = _followed(grey, seed, base)
    if course is None or (even is not None and _explained(even, base.line, course)):
        return None
    ends = float(course.place_px[0]), float(course.place_px[-1])
    whole = Seed(base.line, seed.side, course.pitch_px, *ends, seed.score)
    wide = find_baseline(grey, whole)
    if not wide.drawn:
        return None
    course = _followed(grey, replace(seed, line=wide.line), wide)
    if course is None:
        return None
    crop, line, corner = _laid_even(grey, wide.line, course)
    even_ends = float(course.even_px[0]), float(course.even_px[-1])
    laid = measure(crop, Seed(line, seed.side, course.pitch_px, *even_ends, seed.score))
    if laid is None or laid.count < SAME_COUNT * len(course.index):
        return None
    return laid, _as_scanned(laid, line, corner, course)


def _explained(even: Ticks, line: Line, course: Course) -> bool:
    """Tell whether an even comb holds the graduations followed, and numbers them alike.

    A slip of a whole graduation leaves both its sides in step with one comb, and the count wrong.
    """
    t = (even.places - line.origin) @ line.direction
    nearest = np.argmin(np.abs(t[:, None] - course.place_px[None, :]), axis=1)
    near = np.abs(t - course.place_px[nearest]) < NEAR * course.pitch_px
    if len(course.index) - len(np.unique(nearest[near])) >= MORE:
        return False
    way = int(np.sign(even.line.direction @ line.direction))
    apart = even.index[even.used][near] - way * course.index[nearest[near]]
    return bool(np.mean(apart == np.median(apart)) >= AGREED)


def _on_line(grey: Grey, seed: Seed, even: Ticks | None) -> tuple[Seed, Baseline]:
    """Return the seed on its drawn line; an even comb may stand on one through the other ends of the graduations."""
    if even is None:
        return seed, find_baseline(grey, seed)
    ends = float(even.t_px[0]), float(even.t_px[-1])
    seed = Seed(even.line, even.side, even.pitch_px, *ends, seed.score)
    base = find_baseline(grey, seed)
    if base.drawn:
        return seed, base
    away = even.side * float(np.median(even.lengths_px[even.used]))
    seed = replace(seed, line=even.line.moved(away, 0.0), side=-even.side)
    return seed, find_baseline(grey, seed)


def _followed(grey: Grey, seed: Seed, base: Baseline) -> Course | None:
    """Return the graduations that can be followed from the seed along its line, if they are many and uneven."""
    low, high = reach_in_picture(grey, base.line)
    near = base.half_width_px + CLEAR_OF_LINE_PX
    far = near + float(np.clip(seed.pitch_px, *PROFILE_PX))
    thin = cut(grey, base.line, (low, high), (near, far) if seed.side > 0 else (-far, -near))
    profile = thin.darkness.mean(axis=0).astype(np.float64)
    found = follow(profile, seed.pitch_px, (seed.from_px - low, seed.to_px - low))
    if found is None:
        return None
    index, place = found
    return _course(index, place + low)


def follow(profile: FloatArray, pitch_px: float, zone: tuple[float, float]) -> tuple[IntArray, FloatArray] | None:
    """Return (index, place) of graduations followed both ways from where an even comb fits best in a zone.

    Args:
        profile: darkness beside the line, samples 1 px apart.
        pitch_px: about the distance of two graduations in the zone.
        zone: samples.
    """
    first, last = max(0, int(zone[0])), min(len(profile), int(zone[1]))
    if last - first < 2 * START_PITCHES * pitch_px:
        return None
    pitch, phase = zoom_pitch(profile[first:last], pitch_px)
    place, height = peaks_of(profile, pitch)
    inside = height[(place >= first) & (place < last)]
    if len(inside) < START_PITCHES:
        return None
    place = place[height > PEAK_SHARE * np.percentile(inside, 70)]
    begin = _even_stretch(place, (first, last), phase + first, pitch)
    if begin is None:
        return None
    at, local = begin
    forth, back = _walk(place, at, local), _walk(-place[::-1], len(place) - 1 - at, local)
    index = np.concatenate([-back[0][:0:-1], forth[0]])
    where = np.concatenate([-back[1][:0:-1], forth[1]])
    mine = run_around(index, 0)
    return index[mine], where[mine]


def _even_stretch(
    place: FloatArray, zone: tuple[float, float], start: float, pitch: float
) -> tuple[int, float] | None:
    """Return the peak in the middle of the stretch of a zone that is most even, and the distance there."""
    best: tuple[float, int, float] | None = None
    for centre in np.arange(zone[0], zone[1], 2 * START_PITCHES * pitch) + START_PITCHES * pitch:
        mine = np.nonzero(np.abs(place - centre) <= START_PITCHES * pitch)[0]
        if len(mine) < START_PITCHES:
            continue
        from_px = float(place[mine[len(mine) // 2]])
        own_start, own = grow(place, from_px, pitch, from_px, 0.0)
        index, at = assign(place[mine], own_start, own)
        off = at - own_start - own * index
        spread = float(np.sqrt(np.mean(off**2))) / own if len(index) >= 1.5 * START_PITCHES else np.inf
        if abs(own / pitch - 1.0) < NEAR and (best is None or spread < best[0]):
            middle = int(np.argmin(np.abs(place - at[len(at) // 2])))
            best = (spread, middle, own)
    return None if best is None or not best[0] < LOCAL_RMS else (best[1], best[2])


def _walk(place: FloatArray, at: int, pitch: float) -> tuple[IntArray, FloatArray]:
    """Return (index, place) of the graduations met going up from peak ``at``; the first is number 0."""
    index, where, step = [0], [float(place[at])], pitch
    while True:
        met = _next(place, where[-1], step, pitch)
        if met is None:
            return np.array(index, dtype=np.int64), np.array(where)
        count, to = met
        step = (to - where[-1]) / count
        index.append(index[-1] + count)
        where.append(to)


def _next(place: FloatArray, last: float, step: float, pitch: float) -> tuple[int, float] | None:
    """Return how many graduations on the next one is that shows, and its place."""
    first, end = np.searchsorted(place, [last + NEXT[0] * pitch, last + NEXT[1] * pitch])
    for wanted in (step, pitch):
        near = place[first:end]
        if len(near):
            to = float(near[np.argmin(np.abs(near - last - wanted))])
            if abs(to - last - wanted) < CHANGE * pitch:
                return 1, to
    for count in range(2, MISSING + 2):
        to = float(place[np.argmin(np.abs(place - last - count * step))])
        if abs(to - last - count * step) < CHANGE * pitch:
            return count, to
    return None


def _course(index: IntArray, place: FloatArray) -> Course | None:
    """Return the course of graduations that are many, each with its neighbours, and not even; else nothing."""
    if len(index) < FEWEST or len(index) < PRESENT * (index[-1] - index[0] + 1):
        return None
    pitch, start = np.polyfit(index, place, 1)
    off = np.asarray(place - start - pitch * index)
    scatter = _local_scatter(index, off)
    if scatter > max(LOCAL_RMS * pitch, LOCAL_RMS_PX):
        return None
    shared = median_filter(off, SHARED, mode="nearest")
    good = np.abs(off - shared) < max(STRAY_SIGMAS * scatter, STRAY * pitch)
    if np.count_nonzero(good) < FEWEST:
        return None
    index, place = index[good], place[good]
    pitch, start = np.polyfit(index, place, 1)
    shared = median_filter(place - start - pitch * index, 3, mode="nearest")
    if np.sqrt(np.mean(shared**2)) < max(LEAST_UNEVEN * pitch, LEAST_UNEVEN_PX):
        return None
    return Course(index, place, float(start), float(pitch), shared)


def _local_scatter(index: IntArray, off: FloatArray) -> float:
    """Return 1 sigma of single graduations, from how each leaves the middle of its neighbours."""
    gap = np.diff(index)
    three = (gap[1:] == 1) & (gap[:-1] == 1)
    if np.count_nonzero(three) < FEWEST / 2:
        return float(np.inf)
    bend = (off[2:] - 2.0 * off[1:-1] + off[:-2])[three]
    return MAD_TO_SIGMA * float(np.median(np.abs(bend - np.median(bend)))) / float(np.sqrt(6.0))


def _laid_even(grey: Grey, line: Line, course: Course) -> tuple[Grey, Line, FloatArray]:
    """Return the picture along the rule with its graduations even, the line in it, and its corner in the picture."""
    across = float(np.clip(REACH * course.pitch_px, *REACH_PX)) + ROOM_PX
    along = ROOM_PX + 4.0 * course.pitch_px
    ends = min(course.even_px[0], course.place_px[0]) - along, max(course.even_px[-1], course.place_px[-1]) + along
    around = line.at(np.array([ends[0], ends[0], ends[1], ends[1]]), np.array([-1, 1, 1, -1]) * across)
    low = np.maximum(np.floor(around.min(axis=0)), 0).astype(int)
    high = np.minimum(np.ceil(around.max(axis=0)).astype(int) + 1, np.array(grey.shape[::-1]))
    x, y = np.meshgrid(np.arange(low[0], high[0], dtype=np.float64), np.arange(low[1], high[1], dtype=np.float64))
    t = (x - line.origin[0]) * line.direction[0] + (y - line.origin[1]) * line.direction[1]
    shift = course.shift_px(t)
    x, y = x + shift * line.direction[0] - low[0], y + shift * line.direction[1] - low[1]
    part = window(grey, slice(low[1], high[1]), slice(low[0], high[0]))
    crop = cv2.remap(
        part, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT,
        borderValue=(PAPER,),
    )  # fmt: skip
    return np.asarray(crop, dtype=np.uint8), replace(line, origin=line.origin - low), low.astype(np.float64)


def _as_scanned(even: Ticks, line: Line, corner: FloatArray, course: Course) -> Ticks:
    """Return the graduations where they stand in the scan; ``line`` is the one that the picture was laid even along."""
    at = even.line.at(even.t_px)
    moved = at + course.shift_px((at - line.origin) @ line.direction)[:, None] * line.direction
    t = np.asarray((moved - even.line.origin) @ even.line.direction)
    pitch, start = np.polyfit(even.index[even.used], t[even.used], 1)
    rms = float(np.sqrt(np.mean((t - start - pitch * even.index)[even.used] ** 2)))
    own = replace(even.line, origin=even.line.origin + corner)
    return replace(even, line=own, t_px=t, start_px=float(start), pitch_px=float(pitch), rms_px=rms)


def numbers_go_on(ticks: Ticks, found: Hierarchy) -> bool:
    """Tell whether the lengths everywhere along a rule fit the same numbers: none was skipped or counted twice."""
    known = np.nonzero(ticks.used & ticks.sure & (ticks.lengths_px > 0))[0]
    index, length = ticks.index[known], ticks.lengths_px[known]
    size = int(max(WINDOW, WINDOW_PERIODS * found.period))
    if found.period == 0 or len(known) < size:
        return False
    phase = int(np.argmax(phase_scores(found, index, length)))
    for first in range(0, len(known) - size + 1, size // 2):
        scores = phase_scores(found, index[first : first + size], length[first : first + size])
        if scores.max() >= CLEAR_SCORE and scores[phase] < scores.max() - OTHER_PHASE:
            return False
    return True
