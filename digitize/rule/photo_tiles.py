"""Where graduations may run in a photo: neighbouring tiles of the picture in which the same stripes repeat.

Nothing straight is looked for, as the lens bends edges and the view changes the pitch: a tile's spectrum tells the
direction and the pitch of its stripes, and stripes that go on alike from tile to tile, across themselves, are a seed.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import uniform_filter
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.rule.comb import MAD_TO_SIGMA
from digitize.rule.strip import Grey

TILE_PX = 64  # ten stripes of 6 px; the rows of graduations of one edge fill a third of it
HOP_PX = 32
CYCLES = (6.0, 24.0)  # stripes in a tile: 2.7 to 11 px each
LEVELS = 3  # the picture itself, half and quarter: stripes up to 43 px
BATCH = 1024  # tiles at a time
EVEN_PX = 13  # square about a pixel over which detail is evened
EVEN_GAIN = 40.0  # grey levels for detail of the local strength
FLOOR_NOISES, LEAST_FLOOR = 2.5, 3.0  # strength that counts as none: so many times the noise, or grey levels
BAND_ROWS = 256  # rows handled as floats at a time
LEAST_SPREAD = 18.0  # of the evened picture in a tile that holds anything
NOISE_STEP = 7  # every so many rows are looked at for noise
LEAST_PEAK = 10.0  # of the mean power of the band, frequencies weighed alike
VALLEY_CYCLES = 3.3  # from the peak: stripes of one pitch hold no power there
MOST_BESIDE = 0.5  # of the peak's
ALIKE = 0.09  # relative, of the wave vectors of neighbours
ALIKE_CYCLES = 0.4  # or so much
ALONG_COS = 0.8  # a neighbour lies across the stripes, not along them
REACH_TILES = 2  # a tile may be missed
FEWEST_TILES = 4
FEWEST_LEFT = 8  # of a run, beside what was followed of it
SHORTEST_TILES = 2.9  # hops from end to end
LEAST_CLEAR = 3.0  # of a run: power at its pitch over that at slightly other ones
MOST_SEEDS = 40


@dataclass(frozen=True, eq=False)
class Stripes:
    """Tiles in which one set of stripes goes on; px of the full picture."""

    places: FloatArray  # (N, 2) middle of each tile
    waves: FloatArray  # (N, 2) stripes per px, all of one sign along the run
    power: FloatArray  # (N,)
    clear: FloatArray  # (N,) power over that at slightly other pitches

    @property
    def pitch_px(self) -> float:
        """Usual distance of two stripes."""
        return float(1.0 / np.median(np.hypot(*self.waves.T)))

    @property
    def length_px(self) -> float:
        """Extent along the run."""
        along = self.places @ self.direction
        return float(np.ptp(along))

    @property
    def direction(self) -> FloatArray:
        """Unit vector across the stripes."""
        mean = np.average(self.waves, axis=0, weights=self.power)
        return np.asarray(mean / np.hypot(*mean))

    def parts(self, which: BoolArray) -> list[Stripes]:
        """Return the given tiles as a run of their own, or nothing where they are too few to be one."""
        part = Stripes(self.places[which], self.waves[which], self.power[which], self.clear[which])
        enough = len(part.places) >= FEWEST_LEFT and part.length_px >= SHORTEST_TILES * HOP_PX
        return [part] if enough else []


def _noise(grey: Grey) -> float:
    """Return 1 sigma of one pixel's noise, grey levels."""
    part = grey[::NOISE_STEP].astype(np.int16)
    return float(np.median(np.abs(np.diff(part, axis=1)))) * MAD_TO_SIGMA / float(np.sqrt(2.0))


def evened(grey: Grey) -> Grey:
    """Return the picture's detail over its local strength, 128 where there is none: faint marks as strong as bold.

    Without this the edge of a rule's body would hide the faint graduations that stand on it.
    """
    floor = max(FLOOR_NOISES * _noise(grey), LEAST_FLOOR)
    out = np.empty_like(grey)
    for top in range(0, len(grey), BAND_ROWS):
        low, high = max(0, top - EVEN_PX), min(len(grey), top + BAND_ROWS + EVEN_PX)
        part = grey[low:high].astype(np.float32)
        detail = part - cv2.blur(part, (EVEN_PX, EVEN_PX))
        strength = np.sqrt(cv2.blur(detail * detail, (EVEN_PX, EVEN_PX)) + floor * floor)
        values = np.clip(128.0 + EVEN_GAIN * detail / strength, 0.0, 255.0)
        out[top : top + BAND_ROWS] = values[top - low : top - low + BAND_ROWS].astype(np.uint8)
    return out


def _busy(even: Grey) -> tuple[IntArray, IntArray]:
    """Return row and column, in hops, of the tiles of an evened picture that hold anything."""
    wide, high = ((size - TILE_PX) // HOP_PX + 1 for size in even.shape[::-1])
    if min(wide, high) < 1:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    cells = even[: (high + 1) * HOP_PX, : (wide + 1) * HOP_PX]
    away = cv2.absdiff(cells, np.full_like(cells[:1, :1], 128)[0, 0].item())
    power = cv2.resize(cv2.multiply(away, away, dtype=cv2.CV_16U), (wide + 1, high + 1), interpolation=cv2.INTER_AREA)
    spread = np.sqrt(np.asarray(power, dtype=np.float32))
    spread = cv2.dilate(spread, np.ones((2, 2), np.uint8), anchor=(0, 0))[:high, :wide]
    rows, columns = np.nonzero(spread > LEAST_SPREAD)
    return rows, columns


@dataclass(frozen=True, eq=False)
class _Band:
    """The frequencies of a tile's half spectrum that stripes may have."""

    window: npt.NDArray[np.float32]
    ky: FloatArray
    kx: FloatArray
    weight: npt.NDArray[np.float32]  # square of the frequency inside the band, 0 outside
    all_weight: npt.NDArray[np.float32]  # the same everywhere


def _band() -> _Band:
    hann = np.hanning(TILE_PX + 1)[:TILE_PX].astype(np.float32)
    ky, kx = fft.fftfreq(TILE_PX) * TILE_PX, np.arange(TILE_PX // 2 + 1, dtype=np.float64)
    radius = np.hypot(ky[:, None], kx[None, :])
    weight = np.where((radius >= CYCLES[0]) & (radius <= CYCLES[1]), radius**2, 0.0)
    weight[ky < 0, 0] = 0.0  # the same as the rows above
    return _Band(hann[:, None] * hann, ky, kx, weight.astype(np.float32), (radius**2).astype(np.float32))


def _peaks(tiles: npt.NDArray[np.float32], band: _Band) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return wave vector (cycles a tile), power and how far it stands out, of the strongest stripes of each tile."""
    tiles = (tiles - tiles.mean(axis=(1, 2), keepdims=True)) * band.window
    power = np.abs(fft.rfft2(tiles)) ** 2 * band.all_weight
    smooth = uniform_filter(power, (0, 3, 3), mode="wrap")
    flat = np.where(band.weight > 0, smooth, 0.0).reshape(len(tiles), -1)
    best = np.argmax(flat, axis=1)
    top = flat[np.arange(len(tiles)), best]
    stands_out = top * np.count_nonzero(band.weight) / np.maximum(flat.sum(axis=1), 1e-6)
    row, column = np.divmod(best, power.shape[2])
    wave = _centred(power, row, column, band)
    beside = _beside(smooth, wave, top)
    return wave, top, np.where((beside < MOST_BESIDE) & (stands_out > LEAST_PEAK), 1.0 / (beside + 0.03), 0.0)


def _beside(smooth: npt.NDArray[np.float32], wave: FloatArray, top: npt.NDArray[np.float32]) -> FloatArray:
    """Return the power at slightly more and fewer stripes a tile over that of the peak: little for true stripes."""
    size = np.hypot(*wave.T)[:, None]
    each, parts = np.arange(len(wave)), []
    for step in (-VALLEY_CYCLES, VALLEY_CYCLES):
        there = np.rint(wave * (1 + step / size)).astype(np.int64)
        there = np.where(there[:, :1] < 0, -there, there)
        value = smooth[each, there[:, 1] % TILE_PX, np.minimum(there[:, 0], smooth.shape[2] - 1)]
        weight = (size[:, 0] / (size[:, 0] + step)) ** 2  # as if frequencies were not weighed
        parts.append(value * weight / np.maximum(top, 1e-9))
    return np.asarray(np.mean(parts, axis=0), dtype=np.float64)


def _centred(power: npt.NDArray[np.float32], row: IntArray, column: IntArray, band: _Band) -> FloatArray:
    """Return the middle of the power in the 3 x 3 cells about a peak, (N, 2) in the order (x, y)."""
    each = np.arange(len(power))
    total, wave = np.full(len(power), 1e-9), np.zeros((len(power), 2))
    for down in (-1, 0, 1):
        for right in (-1, 0, 1):
            at = np.clip(column + right, 0, power.shape[2] - 1)
            part = power[each, (row + down) % TILE_PX, at].astype(np.float64)
            total += part
            wave += part[:, None] * np.stack([band.kx[at], band.ky[row] + down], axis=1)
    return np.asarray(wave / total[:, None])


def _tiles(grey: Grey) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return place (in hops), wave vector (cycles a tile), power and clearness of all tiles with clear stripes."""
    rows, columns = _busy(grey)
    if len(rows) == 0:
        return np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0), np.zeros(0)
    view = np.lib.stride_tricks.sliding_window_view(grey, (TILE_PX, TILE_PX))[::HOP_PX, ::HOP_PX]
    band, found = _band(), []
    for first in range(0, len(rows), BATCH):
        part = slice(first, first + BATCH)
        wave, power, stands_out = _peaks(view[rows[part], columns[part]].astype(np.float32), band)
        clear = stands_out > 0
        place = np.stack([columns[part], rows[part]], axis=1)
        found.append((place[clear].astype(np.float64), wave[clear], power[clear].astype(np.float64), stands_out[clear]))
    places, waves, powers, clears = zip(*found, strict=True)
    return np.concatenate(places), np.concatenate(waves), np.concatenate(powers), np.concatenate(clears)


def _links(place: FloatArray, wave: FloatArray) -> tuple[IntArray, IntArray]:
    """Return pairs of near tiles with the same stripes that lie across these."""
    at = place.astype(np.int64)
    number = np.full(tuple(at.max(axis=0) + 2 * REACH_TILES + 1), -1, dtype=np.int64)
    number[at[:, 0] + REACH_TILES, at[:, 1] + REACH_TILES] = np.arange(len(at))
    first, second = [], []
    for dx in range(REACH_TILES + 1):
        for dy in range(-REACH_TILES, REACH_TILES + 1):
            if dx == 0 and dy <= 0:
                continue
            other = number[at[:, 0] + REACH_TILES + dx, at[:, 1] + REACH_TILES + dy]
            one = np.nonzero(other >= 0)[0]
            linked = _alike(wave[one], wave[other[one]], np.array([dx, dy], dtype=np.float64))
            first.append(one[linked])
            second.append(other[one][linked])
    return np.concatenate(first), np.concatenate(second)


def _alike(wave: FloatArray, other: FloatArray, away: FloatArray) -> BoolArray:
    """Tell whether two tiles' waves agree and the way from one to the other leads across the stripes."""
    size = np.hypot(*wave.T)
    apart = np.minimum(np.hypot(*(wave - other).T), np.hypot(*(wave + other).T))
    along = np.abs(wave @ away) / (size * np.hypot(*away))
    return np.asarray((apart < np.maximum(ALIKE * size, ALIKE_CYCLES)) & (along > ALONG_COS))


def _runs(grey: Grey, factor: int) -> list[Stripes]:
    """Return the runs of stripes of one level; ``factor`` is how much it was reduced by."""
    place, wave, power, clear = _tiles(grey)
    if len(place) < FEWEST_TILES:
        return []
    first, second = _links(place, wave)
    graph = coo_array((np.ones(len(first)), (first, second)), shape=(len(place), len(place)))
    _, label = connected_components(graph, directed=False)
    runs = []
    for one in np.nonzero(np.bincount(label) >= FEWEST_TILES)[0]:
        mine = np.nonzero(label == one)[0]
        lead = wave[mine[np.argmax(power[mine])]]
        signs = np.where(wave[mine] @ lead >= 0, 1.0, -1.0)
        middle_px = (place[mine] * HOP_PX + (TILE_PX - 1) / 2 + 0.5) * factor - 0.5
        run = Stripes(middle_px, signs[:, None] * wave[mine] / (TILE_PX * factor), power[mine], clear[mine])
        if run.length_px >= SHORTEST_TILES * HOP_PX * factor and np.median(run.clear) > LEAST_CLEAR:
            runs.append(run)
    return runs


def find_stripes(grey: Grey) -> list[Stripes]:
    """Return the runs of stripes of a picture, the clearest and longest first, at every level they show at."""
    runs, level = [], grey
    for step in range(LEVELS):
        runs += _runs(evened(level), 2**step)
        level = np.asarray(cv2.resize(level, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    runs.sort(key=lambda run: -float(np.median(run.clear)) * float(np.sqrt(run.length_px / run.pitch_px)))
    return runs[:MOST_SEEDS]
