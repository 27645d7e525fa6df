"""Places where something repeats beside a line: where graduations may be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from calibration.frames import FloatArray
from digitize.paged import bands
from digitize.rule.comb import MAD_TO_SIGMA
from digitize.rule.lines import drawn_lines, end_lines
from digitize.rule.strip import Grey, Line, reach_in_picture, warp

# Rows from the line, both sides, averaged over each band: thin lines of a 1-bit picture do not show in every row.
PROBE_BANDS_PX = ((5, 6), (8, 10), (12, 15), (18, 22))
WINDOW_PX = 1024  # long enough for ten graduations of 75 px
HOP_PX = 512
PITCH_PX = (2.6, 110.0)
FEWEST_PULSES = 10  # dark pulses in a window
REPEAT_SCORE = 0.42  # normalised autocorrelation at the pitch
REPEAT_DIP = 0.3  # least fall of the autocorrelation between graduations
SMOOTH_PX = 0.8  # ticks one pixel wide repeat badly at a pitch that is no whole number
SAME_PEAK = 0.75  # of the best peak; the shortest such lag is the pitch
MOST_PARTS = 10
PART_POWER = 3.0  # times the power at the pitch itself
SAME_PITCH = 0.03  # relative, of windows that belong together
LEAST_CONTRAST = 10.0  # grey levels between ink and paper
CONTRAST_SIGMAS = 3.0  # of the noise of one pixel; less is noise
CONTRAST_SHARE = 0.25  # of the darkness of the page's ink
INK_PERCENTILE = 0.5  # of a page: as much is ink at least
MOST_CONTRAST = 40.0  # so much is enough on any page
NOISE_STEP = 7  # every so many rows are looked at for noise and ink
SHORTEST_PX = 120.0  # of a line worth probing
MANY_REPEATS = 150.0


@dataclass(frozen=True, eq=False)
class Seed:
    """Something repeats with ``pitch_px`` on one side of a line between two t."""

    line: Line
    side: int  # +1 or -1, sign of h
    pitch_px: float
    from_px: float
    to_px: float
    score: float
    run_px: float = 0.0  # length over which the same repeat is seen

    @property
    def merit(self) -> float:
        """What to try first: many clear repeats."""
        return float(self.score**3 * np.sqrt(min(self.run_px / self.pitch_px, MANY_REPEATS)))


def _autocorrelation(rows: npt.NDArray[np.float32]) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Return the normalised autocorrelation of each row, corrected for overlap, and its power spectrum."""
    count = rows.shape[1]
    rows = gaussian_filter1d(rows, SMOOTH_PX, axis=1)
    level = uniform_filter1d(rows, 2 * int(PITCH_PX[1]) + 1, axis=1)
    power = np.abs(fft.rfft(rows - level, 2 * WINDOW_PX, axis=1)) ** 2
    curve = fft.irfft(power, axis=1)[:, : min(count // 3, int(3 * PITCH_PX[1]))]
    overlap = count / (count - np.arange(curve.shape[1]))
    return np.asarray(curve / np.maximum(curve[:, :1], 1e-6) * overlap, dtype=np.float32), power


def _undivided(pitch_px: float, power: npt.NDArray[np.float32]) -> float:
    """Return the pitch, or the part of it that carries far more power: fine ticks repeat best at whole pixels."""
    parts = np.arange(1, 1 + int(np.clip(pitch_px / PITCH_PX[0], 1, MOST_PARTS)))
    bins = np.rint(2 * WINDOW_PX * parts / pitch_px).astype(np.int64)
    near = np.max([power[np.clip(bins + shift, 0, len(power) - 1)] for shift in (-2, -1, 0, 1, 2)], axis=0)
    best = int(np.argmax(near))
    return pitch_px / float(parts[best]) if near[best] > PART_POWER * near[0] else pitch_px


def _parabola(values: npt.NDArray[np.float32], index: int) -> float:
    """Return the place of a peak to a fraction of a sample."""
    left, middle, right = (float(v) for v in values[index - 1 : index + 2])
    bend = left - 2 * middle + right
    return index + (0.5 * (left - right) / bend if bend < 0 else 0.0)


def _pitch(curve: npt.NDArray[np.float32], power: npt.NDArray[np.float32]) -> tuple[float, float] | None:
    """Return (pitch_px, score) of one autocorrelation, or nothing."""
    inner = curve[1:-1]
    peaks = np.nonzero((inner > curve[:-2]) & (inner >= curve[2:]) & (inner > REPEAT_SCORE))[0] + 1
    peaks = peaks[(peaks >= PITCH_PX[0]) & (peaks <= PITCH_PX[1])]
    # A line that bends through the rows leaves a broad slope; the ripple of the pixels on it is no repeat.
    peaks = peaks[curve[peaks] - np.minimum.accumulate(curve)[peaks] > REPEAT_DIP]
    if len(peaks) == 0:
        return None
    best = float(curve[peaks].max())
    first = int(peaks[np.nonzero(curve[peaks] >= SAME_PEAK * best)[0][0]])
    return _undivided(_parabola(curve, first), power), float(curve[first])


def least_contrast(grey: Grey) -> float:
    """Return the grey levels that tell ink from the noise of the paper; fewer on a faint page.

    Noise is taken from neighbouring pixels: their differences have sqrt(2) times its sigma.
    """
    steps, levels = np.zeros(256, dtype=np.int64), np.zeros(256, dtype=np.int64)
    for band in bands(grey, NOISE_STEP):
        rows = band[::NOISE_STEP]
        steps += _counts(cv2.absdiff(rows[:, 1:], rows[:, :-1]))
        levels += _counts(np.ascontiguousarray(rows[:, ::NOISE_STEP]))
    sigma = _counted(steps, 50.0) * MAD_TO_SIGMA / float(np.sqrt(2.0))
    ink, paper = _counted(levels, INK_PERCENTILE), _counted(levels, 50.0)
    return float(np.clip(max(CONTRAST_SIGMAS * sigma, CONTRAST_SHARE * (paper - ink)), LEAST_CONTRAST, MOST_CONTRAST))


def _counts(values: npt.NDArray[np.uint8] | cv2.typing.MatLike) -> npt.NDArray[np.int64]:
    return np.asarray(cv2.calcHist([values], [0], None, [256], [0, 256]).ravel().astype(np.int64))


def _counted(counts: npt.NDArray[np.int64], percent: float) -> float:
    """Return a percentile of bytes, from how often each one occurs; between two of them by proportion."""
    upto = np.cumsum(counts)
    at = (int(upto[-1]) - 1) * percent / 100.0
    low, high = (int(np.searchsorted(upto, place, side="right")) for place in (int(at), min(int(at) + 1, upto[-1] - 1)))
    return low + (high - low) * (at - int(at))


def _probe(grey: Grey, line: Line, t_px: tuple[float, float], side: int) -> npt.NDArray[np.float32]:
    """Return one row for each band beside the line."""
    first, last = PROBE_BANDS_PX[0][0], PROBE_BANDS_PX[-1][1]
    ends = (first, last + 0.4) if side > 0 else (-last, -first + 0.4)
    rows = warp(grey, line, t_px, ends)[::side].astype(np.float32)
    return np.stack([rows[low - first : high - first + 1].mean(axis=0) for low, high in PROBE_BANDS_PX])


def _busy(rows: npt.NDArray[np.float32], contrast: float) -> npt.NDArray[np.bool_]:
    """Tell which rows hold enough dark pulses with contrast."""
    part = rows[:, ::4]
    places = [part.shape[1] // 50, part.shape[1] - 1 - part.shape[1] // 30]
    ink, paper = np.partition(part, places, axis=1)[:, places].T
    dark = rows < ((ink + paper) / 2)[:, None]
    pulses = np.count_nonzero(dark[:, 1:] & ~dark[:, :-1], axis=1)
    return np.asarray((pulses >= FEWEST_PULSES) & (paper - ink > contrast))


def _windows(count: int) -> list[tuple[int, int]]:
    """Return (first, last) columns of overlapping windows."""
    if count <= WINDOW_PX:
        return [(0, count)]
    starts = [*range(0, count - WINDOW_PX, HOP_PX), count - WINDOW_PX]
    return [(start, start + WINDOW_PX) for start in starts]


def _window_seeds(
    rows: npt.NDArray[np.float32], line: Line, side: int, t0: float, contrast: float
) -> list[Seed]:
    """Return the repeats of all windows on one side of a line."""
    found = []
    for first, last in _windows(rows.shape[1]):
        part = rows[:, first:last]
        part = part[_busy(part, contrast)]
        if len(part) == 0:
            continue
        pairs = [pair for pair in map(_pitch, *_autocorrelation(part)) if pair is not None]
        if pairs:
            best = max(score for _, score in pairs)
            pitch, score = min(pair for pair in pairs if pair[1] >= SAME_PEAK * best)
            found.append(Seed(line, side, pitch, t0 + first, t0 + last, score))
    return found


def _join(seeds: list[Seed]) -> list[Seed]:
    """Keep the best window of each run of windows with one pitch, with the run's extent."""
    runs: list[list[Seed]] = []
    for seed in seeds:
        if (
            runs
            and abs(seed.pitch_px / runs[-1][-1].pitch_px - 1) < SAME_PITCH
            and seed.from_px <= runs[-1][-1].to_px
        ):
            runs[-1].append(seed)
        else:
            runs.append([seed])
    best = [max(run, key=lambda seed: seed.score) for run in runs]
    return [replace(one, run_px=run[-1].to_px - run[0].from_px) for one, run in zip(best, runs, strict=True)]


def _line_seeds(grey: Grey, line: Line, contrast: float) -> list[Seed]:
    """Return what repeats beside one line."""
    low, high = reach_in_picture(grey, line)
    spare = 0.1 * line.length_px + 20.0
    t_from, t_to = max(low, line.from_px - spare), min(high, line.to_px + spare)
    if t_to - t_from < SHORTEST_PX:
        return []
    seeds = []
    for side in (1, -1):
        rows = _probe(grey, line, (t_from, t_to), side)
        seeds += _join(_window_seeds(rows, line, side, t_from, contrast))
    return seeds


def find_seeds(grey: Grey, detected: tuple[FloatArray, float]) -> list[Seed]:
    """Return the places of the picture where something repeats beside a line, best first.

    ``detected`` are its segments, as :func:`digitize.rule.lines.segments` gives them.
    """
    found, factor = detected
    if len(found) == 0:
        return []
    return seeds_beside(grey, drawn_lines(found, factor) + end_lines(found, factor))


def seeds_beside(grey: Grey, lines: Sequence[Line]) -> list[Seed]:
    """Return the places where something repeats beside lines, best first."""
    contrast = least_contrast(grey)
    # One after another down the page, so that one in a file is read once; in the end they stand as they came.
    down = sorted(range(len(lines)), key=lambda which: float(lines[which].at(lines[which].length_px / 2)[1]))
    by_line = {which: _line_seeds(grey, lines[which], contrast) for which in down}
    seeds = [seed for which in range(len(lines)) for seed in by_line[which]]
    seeds.sort(key=lambda seed: -seed.merit)
    return seeds
