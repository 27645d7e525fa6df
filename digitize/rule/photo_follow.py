"""Following graduations from a seed to their ends.

The picture is straightened along what is known of their course, and what is left of bend, of phase and of lean in the
straightened strip corrects the course. In the strip the stripes have one frequency, one stripe a unit. A window of a
few graduations moved along them gives amplitude and phase of that frequency in every row (complex demodulation,
P. Bloomfield, "Fourier Analysis of Time Series", 1976): the amplitude says in which rows graduations stand, the phase
by how much they are off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.rule.photo_course import Course, Curve, fit_curve, inside_picture, straightened
from digitize.rule.photo_tiles import Stripes
from digitize.rule.strip import Grey

SAMPLES = 8  # of a graduation, along the strip, at least
WINDOW = 1.5  # graduations, 1 sigma of the window that is moved along
ROWS_SIGMA = 1.0  # rows, the same across
HIGH_ROWS = 48  # looked at on either side
BLOCK_PX, BLOCK = 60.0, (4, 12)  # length, and graduations, of which one place across is taken
MOST_SHIFT = 10  # rows a block may be off by in one round
SHOWN = 0.35  # of the usual amplitude: graduations show
NEAR_ROWS = 1.5  # of a known band
BAND = 0.45  # of the largest amplitude: rows in which all graduations stand
HIGHEST_BAND = 80.0  # rows
LONGEST_BREAK = 4.0  # graduations that do not show before a run ends, while the course is not well known
ROUNDS = 14  # at most
SAME_ENDS, SAME_OFF, SAME_ROWS = 3.0, 0.06, 1.0  # graduations, graduations, rows: nothing changes any more
GROW = 0.35  # of the length known, looked at beyond each end in one round
GROW_LEAST = 14.0  # graduations
FEWEST = 14.0  # graduations
SLANT_SIGMA = 5.0  # graduations over which the lean is taken
JUMP = 0.22  # cycles between neighbouring graduations: not one run of stripes
DEGREES = ((20.0, 1), (45.0, 2), (100.0, 3), (220.0, 4), (1e9, 5))  # of the curve, by graduations known
PLACE_FLOOR_PX = 0.05
SHIFT_FLOOR_ROWS = 1.5  # what lies farther off is new, not wrong, while a run still grows
MARGIN_PX = 2.0


@dataclass(frozen=True, eq=False)
class Wave:
    """Amplitude and phase of the stripes in a straightened strip."""

    index: FloatArray  # (C,) graduation numbers, one apart
    row: FloatArray  # (R,)
    z: npt.NDArray[np.complex64]  # (R, C)


@dataclass(frozen=True, eq=False)
class Followed:
    """A course with the part of it that graduations were seen along."""

    course: Course
    low: float
    high: float
    band: tuple[float, float]  # rows in which all graduations stand
    shown: FloatArray  # (N,) graduation numbers at which they show
    amplitude: float  # usual
    finer: bool = False  # finer graduations stand between that the pixels do not resolve


def degree_for(span: float, most: int = 9) -> int:
    """Return the degree of a curve over so many graduations."""
    return min(most, next(degree for limit, degree in DEGREES if span <= limit))


def first_course(stripes: Stripes) -> tuple[Course, float, float]:
    """Return the course that a run of tiles suggests, and its extent in graduations."""
    stripes = oriented(stripes)
    direction = _run_direction(stripes)
    origin = np.average(stripes.places, axis=0, weights=stripes.power)
    away = stripes.places - origin
    t, weight = away @ direction, np.sqrt(stripes.power)
    rate = fit_curve(t, stripes.waves @ direction, weight, 1 if np.ptp(t) > 6 * 64 else 0, 1e-4)
    table = np.linspace(t.min() - 1, t.max() + 1, 400)
    count = np.concatenate([[0.0], np.cumsum(rate((table[1:] + table[:-1]) / 2) * np.diff(table))])
    index = np.interp(t, table, count)
    degree = 2 if np.ptp(t) > 8 * 64 else 1
    x, y = (fit_curve(index, stripes.places[:, k], weight, degree, 2.0) for k in (0, 1))
    turn = np.arctan2(stripes.waves[:, 1], stripes.waves[:, 0]) - np.arctan2(y.slope(index), x.slope(index))
    lean = fit_curve(index, (turn + np.pi) % (2 * np.pi) - np.pi + np.pi / 2, weight, 0, 0.01)
    return Course(x, y, lean, stripes.pitch_px), float(index.min()), float(index.max())


def _run_direction(stripes: Stripes) -> FloatArray:
    """Return the direction that the tiles lie along; that across the stripes where they are few."""
    across = stripes.direction
    centre = np.average(stripes.places, axis=0, weights=stripes.power)
    away = (stripes.places - centre) * np.sqrt(stripes.power)[:, None]
    values, vectors = np.linalg.eigh(away.T @ away)
    along = vectors[:, 1] * np.sign(vectors[:, 1] @ across)
    slim = values[1] > 12 * values[0]
    return np.asarray(along if slim and along @ across > 0.9 else across)


def oriented(stripes: Stripes) -> Stripes:
    """Return the same tiles, their waves to the right or, where upright, down: pieces of one rule then run alike."""
    x, y = stripes.direction
    turned = x < 0 if abs(x) > 0.3 * abs(y) else y < 0
    return replace(stripes, waves=-stripes.waves) if turned else stripes


def wave_along(grey: Grey, course: Course, low: float, high: float, rows: FloatArray) -> Wave:
    """Return the stripes' amplitude and phase along a course."""
    samples = max(SAMPLES, int(np.ceil(course.pitch_px)))
    index = np.arange(np.floor(low), np.ceil(high) + 1)
    fine = index[0] - 0.5 + (np.arange(len(index) * samples) + 0.5) / samples
    strip = straightened(grey, course, fine, rows)
    strip = uniform_filter1d(strip, samples, axis=1, mode="nearest") - strip  # darkness
    turning = np.exp(-2j * np.pi * fine).astype(np.complex64)
    each = (strip * turning).reshape(len(rows), len(index), samples).mean(axis=2)
    z = gaussian_filter1d(each, WINDOW, axis=1, truncate=3.0)
    return Wave(index, rows, np.asarray(gaussian_filter1d(z, ROWS_SIGMA, axis=0), dtype=np.complex64))


def _aligned(size: FloatArray, known: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return (blocks,) shifts in rows that lay the amplitude profiles of all blocks on one another, and the profile.

    ``size`` is (R, blocks), ``known`` the blocks that belong to the run for certain.
    """
    norm = size / np.maximum(size.max(axis=0, keepdims=True), 1e-6)
    template = np.median(norm[:, known], axis=1)
    shift = np.zeros(size.shape[1])
    for _ in range(2):
        shift = _best_shifts(norm, template)
        moved = np.stack([_moved(norm[:, b], -shift[b]) for b in np.nonzero(known)[0]], axis=1)
        template = np.median(moved, axis=1)
    return shift, template


def _moved(profile: FloatArray, rows: float) -> FloatArray:
    at = np.arange(len(profile), dtype=np.float64)
    return np.interp(at - rows, at, profile, left=0.0, right=0.0)


def _best_shifts(profiles: FloatArray, template: FloatArray) -> FloatArray:
    """Return (B,) by how many rows each profile of (R, B) lies beyond the template."""
    lags = np.arange(-MOST_SHIFT, MOST_SHIFT + 1)
    padded = np.pad(template, MOST_SHIFT)
    moved = np.stack([padded[MOST_SHIFT - lag : MOST_SHIFT - lag + len(template)] for lag in lags])
    score = moved @ profiles
    best = np.clip(np.argmax(score, axis=0), 1, len(lags) - 2)
    each = np.arange(score.shape[1])
    left, middle, right = score[best - 1, each], score[best, each], score[best + 1, each]
    part = 0.5 * (left - right) / np.minimum(left - 2 * middle + right, -1e-9)
    return np.asarray(lags[best] + np.clip(part, -1.0, 1.0))


def _band_of(template: FloatArray, row: FloatArray) -> tuple[float, float]:
    """Return the rows about the largest amplitude in which the graduations stand."""
    top = int(np.argmax(template))
    low = high = top
    while low > 0 and template[low - 1] > BAND * template[top]:
        low -= 1
    while high < len(template) - 1 and template[high + 1] > BAND * template[top]:
        high += 1
    return float(row[low]), float(row[high])


def _run_about(shown: BoolArray, sure: BoolArray, longest_break: float) -> list[IntArray]:
    """Return the samples of the run of shown graduations about the known part, in pieces between longer breaks.

    Breaks up to ``longest_break`` are allowed where both sides are known, short ones everywhere.
    """
    at = np.nonzero(shown)[0]
    if len(at) == 0:
        return []
    centre = int(np.median(np.nonzero(sure)[0]))
    cuts = np.nonzero(np.diff(at) > LONGEST_BREAK + 1)[0]
    pieces = np.split(at, cuts + 1)
    main = min(range(len(pieces)), key=lambda n: _away(pieces[n], centre))
    kept = [main]
    for step in (1, -1):
        n = main + step
        while 0 <= n < len(pieces):
            ends = (pieces[n - step][-1], pieces[n][0]) if step > 0 else (pieces[n][-1], pieces[n - step][0])
            if ends[1] - ends[0] > longest_break + 1 or not (sure[ends[0]] and sure[ends[1]]):
                break
            kept.append(n)
            n += step
    return [pieces[n] for n in sorted(kept)]


def _away(piece: IntArray, centre: int) -> int:
    """Return how far a piece is from a place; 0 when that is in it."""
    return 0 if piece[0] <= centre <= piece[-1] else int(min(abs(piece[0] - centre), abs(piece[-1] - centre)))


@dataclass(frozen=True, eq=False)
class _Seen:
    """What one look at the strip gave."""

    index: FloatArray  # (N,) coordinate in the strip
    off: FloatArray  # (N,) graduations by which those there are beyond their number
    shift: FloatArray  # (N,) rows
    slant: FloatArray  # (N,) graduations per row
    weight: FloatArray
    band: tuple[float, float]
    amplitude: float


def _look(
    grey: Grey, course: Course, ends: tuple[float, float], known: tuple[float, float], rows: float,
    near: tuple[float, float] | None, longest_break: float,
) -> _Seen | None:  # fmt: skip
    """Return what is left to correct along a course; ``near`` are the rows in which its band is known to lie."""
    wave = wave_along(grey, course, *ends, np.arange(-rows, rows + 1))
    size = np.abs(wave.z)
    sure = (wave.index >= known[0]) & (wave.index <= known[1])
    block = int(np.clip(round(BLOCK_PX / course.pitch_px), *BLOCK))
    edges = np.arange(0, len(wave.index) + 1, block)
    if len(edges) < 2 or not sure.any():
        return None
    blocks = np.stack([size[:, a : a + block].mean(axis=1) for a in edges[:-1]], axis=1)
    in_run = np.array([sure[a : a + block].mean() > 0.5 for a in edges[:-1]])
    if not in_run.any():
        in_run[np.argmax([sure[a : a + block].mean() for a in edges[:-1]])] = True
    shift, template = _aligned(blocks.astype(np.float64), in_run)
    shift = np.clip(shift, -MOST_SHIFT, MOST_SHIFT)
    moved = _between(wave.index, wave.index[edges[:-1]] + (block - 1) / 2, shift)
    if near is not None:
        template = np.where((wave.row > near[0] - NEAR_ROWS) & (wave.row < near[1] + NEAR_ROWS), template, 0.0)
    band = _band_of(template, wave.row)
    if band[1] - band[0] > HIGHEST_BAND:
        return None  # the stripes have no ends: a grid, a grain
    return _samples(wave, moved, band, sure, longest_break)


def _between(at: FloatArray, middles: FloatArray, shift: FloatArray) -> FloatArray:
    """Return the shifts between the middles of blocks; beyond the outer ones they go on straight."""
    if len(middles) < 2:
        return np.full(len(at), float(shift[0]))
    low = (shift[1] - shift[0]) / (middles[1] - middles[0])
    high = (shift[-1] - shift[-2]) / (middles[-1] - middles[-2])
    inner = np.interp(at, middles, shift)
    return np.asarray(inner + low * np.minimum(at - middles[0], 0.0) + high * np.maximum(at - middles[-1], 0.0))


def _samples(
    wave: Wave, moved: FloatArray, band: tuple[float, float], sure: BoolArray, longest_break: float
) -> _Seen | None:
    """Return the phase in the band at every graduation of the run about the known part."""
    height = max(2, int(band[1] - band[0]) + 1)
    first = np.rint(band[0] - wave.row[0] + moved).astype(int)
    at = np.clip(first[None] + np.arange(height)[:, None], 0, len(wave.row) - 1)
    part = np.take_along_axis(wave.z, at, axis=0)
    turn = np.sum(part[1:] * np.conj(part[:-1]), axis=0)
    turn = gaussian_filter1d(turn, SLANT_SIGMA)
    slant = -np.angle(turn) / (2 * np.pi)
    level = np.arange(height) - (height - 1) / 2
    total = np.mean(part * np.exp(2j * np.pi * slant[None] * level[:, None]), axis=0)
    usual = float(np.median(np.abs(total[sure])))
    shown = np.abs(total) > SHOWN * usual
    off = -np.angle(total) / (2 * np.pi)
    step = (np.diff(off) + 0.5) % 1.0 - 0.5
    jump = np.abs(step) > JUMP
    shown[1:] &= ~jump
    pieces = _run_about(np.asarray(shown), sure, longest_break)
    if sum(len(piece) for piece in pieces) < FEWEST:
        return None
    run = np.concatenate(pieces)
    index, off = wave.index[run], np.concatenate([_whole(off[piece], sure[piece]) for piece in pieces])
    return _Seen(index, off, moved[run], slant[run], np.minimum(np.abs(total[run]) / usual, 1.0), band, usual)


def _whole(off: FloatArray, sure: BoolArray) -> FloatArray:
    """Return the phases of one piece without jumps, nearest to 0 where the piece is known."""
    smooth = np.unwrap(off, period=1.0)
    known = smooth[sure] if sure.any() else smooth
    return np.asarray(smooth - np.rint(np.median(known)))


def _corrected(course: Course, seen: _Seen) -> tuple[Course, float, float]:
    """Return the course moved to what was seen, with its new extent."""
    middle = (seen.band[0] + seen.band[1]) / 2
    number = seen.index - seen.off
    degree = degree_for(float(np.ptp(number)))
    shift = fit_curve(seen.index, seen.shift, seen.weight, min(degree, 4), SHIFT_FLOOR_ROWS)
    at = course.px(seen.index, middle + shift(seen.index))
    x, y = (fit_curve(number, at[:, k], seen.weight, degree, PLACE_FLOOR_PX) for k in (0, 1))
    slant = fit_curve(number, seen.slant, seen.weight, min(2, degree - 1), 0.002)
    knots = np.linspace(number.min(), number.max(), 24)
    run, step = course.run(knots), course.step(knots)
    ahead = step + slant(knots)[:, None] * run
    new_run = np.stack([x.slope(knots), y.slope(knots)], axis=-1)
    turn = np.arctan2(ahead[:, 1], ahead[:, 0]) - np.arctan2(new_run[:, 1], new_run[:, 0])
    lean = fit_curve(knots, np.unwrap(turn), np.ones(24), min(2, degree), 1e-3, robust=False)
    pitch = float(np.median(np.hypot(*new_run.T)))
    return Course(x, y, lean, pitch), float(number.min()), float(number.max())


def refined(
    grey: Grey, course: Course, low: float, high: float, rounds: int, band: tuple[float, float] | None = None,
    longest_break: float = LONGEST_BREAK,
) -> Followed | None:  # fmt: skip
    """Return a course corrected round by round, its ends followed outwards; None where the stripes do not go on.

    ``band`` are the rows of the course in which the graduations stand, where that is known; ``longest_break`` is
    how many may be missing in a row.
    """
    seen = None
    for number in range(rounds):
        more = max(GROW * (high - low), GROW_LEAST) if number > 0 else GROW_LEAST
        ends = inside_picture(grey, course, low - more, high + more, MARGIN_PX)
        if ends[1] - ends[0] < FEWEST:
            return None
        rows = HIGH_ROWS if number < 2 else HIGH_ROWS - 16
        seen = _look(grey, course, ends, (low, high), rows, band, longest_break)
        if seen is None:
            return None
        known = low, high
        course, low, high = _corrected(course, seen)
        half = (seen.band[1] - seen.band[0]) / 2
        band = (-half, half) if band is not None else None
        if high - low < FEWEST:
            return None
        if number > 0 and _settled(seen, known):
            break
    assert seen is not None
    half = (seen.band[1] - seen.band[0]) / 2
    return Followed(course, low, high, (-half, half), seen.index, seen.amplitude)


def _settled(seen: _Seen, known: tuple[float, float]) -> bool:
    """Tell whether a look changed little: neither the ends nor the course."""
    ends = abs(seen.index[0] - known[0]) + abs(seen.index[-1] - known[1])
    off = np.percentile(np.abs(seen.off), 97)
    return bool(ends < SAME_ENDS and off < SAME_OFF and np.percentile(np.abs(seen.shift), 97) < SAME_ROWS)


__all__ = ["Curve", "Followed", "Wave", "degree_for", "first_course", "refined", "wave_along"]
