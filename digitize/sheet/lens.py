"""How far the lens bends straight things, from straight things alone: plumb lines.

Method: Brown, "Close-range camera calibration", Photogrammetric Engineering 37 (1971) 855; for lines that are found
and not known beforehand, Devernay and Faugeras, "Straight lines have to be straight", Machine Vision and
Applications 13 (2001) 14. Lengths are in units of half the picture's diagonal from its middle: a place at u of an
ideal picture is seen at u (1 + k1 r^2 + k2 r^4) plus the decentring terms p1, p2 in their usual order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from calibration.frames import FloatArray, IntArray

# Beyond this a phone's picture would be folded over in its corners.
MOST_K1 = 0.13
K1_STEP = 0.005
STRAIGHTEN_ROUNDS = 10
# What is known before any line is seen (standard deviations): phones bend little, and mostly by k1.
PRIOR = np.array([0.10, 0.02, 0.001, 0.001])
REACH = np.array([MOST_K1, 0.1, 0.01, 0.01])
LEAST_START = 1e-2
VOTE_SIGMA = 0.12  # so rare are strong lenses that more lines must speak for them
SOFT_SIGMAS = 3.0  # beyond, a residual pulls ever less
SAMPLES_A_LINE = 17


@dataclass(frozen=True, eq=False)
class Lens:
    """Roughly what the lens does; places (N, 2) px."""

    middle_px: FloatArray  # (2,)
    half_px: float  # half the diagonal
    terms: FloatArray  # (4,) k1, k2, p1, p2

    @classmethod
    def plain(cls, shape: tuple[int, ...]) -> Lens:
        """Return the lens that bends nothing, for a picture of (rows, columns)."""
        middle = (np.array(shape[1::-1], dtype=np.float64) - 1) / 2
        return cls(middle, float(np.hypot(shape[0], shape[1])) / 2, np.zeros(4))

    @property
    def k1(self) -> float:
        """The first radial term."""
        return float(self.terms[0])

    def bend(self, ideal: FloatArray) -> FloatArray:
        """Return where places of the ideal picture are seen."""
        return self.middle_px + self.half_px * _bent((ideal - self.middle_px) / self.half_px, self.terms)

    def straighten(self, seen: FloatArray) -> FloatArray:
        """Return where places would be seen by a lens that does not bend, by the fixed point of the error."""
        goal = (seen - self.middle_px) / self.half_px
        place = goal.copy()
        for _ in range(STRAIGHTEN_ROUNDS):
            r2 = np.minimum((place**2).sum(axis=1, keepdims=True), 4.0)
            place = place + (goal - _bent(place, self.terms)) / np.maximum(1 + 2.5 * self.terms[0] * r2, 0.3)
        return np.asarray(self.middle_px + self.half_px * place)

    def reduced(self, factor: int) -> Lens:
        """Return the same lens for a copy of the picture reduced by averaging ``factor`` x ``factor`` pixels."""
        return Lens((self.middle_px - (factor - 1) / 2) / factor, self.half_px / factor, self.terms)


def _bent(u: FloatArray, terms: FloatArray) -> FloatArray:
    k1, k2, p1, p2 = terms
    x, y = u[:, 0], u[:, 1]
    r2 = np.minimum(x * x + y * y, 4.0)
    radial = 1 + r2 * (k1 + r2 * k2)
    return np.stack(
        [x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x), y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y],
        axis=1,
    )


@dataclass(frozen=True, eq=False)
class Together:
    """The places of many lines in one array, so that all are judged at once."""

    places: FloatArray  # (N, 2)
    starts: IntArray  # (L,) first row of each line
    counts: IntArray  # (L,)

    @classmethod
    def of(cls, lines: Sequence[FloatArray]) -> Together:
        """Join lines, each (N, 2)."""
        counts = np.array([len(line) for line in lines], dtype=np.int64)
        return cls(np.vstack(lines), np.concatenate([[0], np.cumsum(counts)[:-1]]), counts)

    def off_straight(self, lens: Lens) -> FloatArray:
        """Return (N,) how far each place lies from its line's best straight line, after straightening, signed."""
        places = lens.straighten(self.places)
        away = places - np.repeat(np.add.reduceat(places, self.starts) / self.counts[:, None], self.counts, axis=0)
        x, y = away.T
        xx, yy, xy = (np.add.reduceat(v, self.starts) for v in (x * x, y * y, x * y))
        angle = 0.5 * np.arctan2(2 * xy, xx - yy)  # of the line itself, either way round
        run = places[self.starts + self.counts - 1] - places[self.starts]
        way = np.where(run[:, 0] * np.cos(angle) + run[:, 1] * np.sin(angle) < 0, -1.0, 1.0)
        cos, sin = (np.repeat(way * v, self.counts) for v in (np.cos(angle), np.sin(angle)))
        return np.asarray(y * cos - x * sin)

    def rms(self, lens: Lens) -> FloatArray:
        """Return (L,) the root mean square of that for each line."""
        return np.asarray(np.sqrt(np.add.reduceat(self.off_straight(lens) ** 2, self.starts) / self.counts))


def thinned(lines: Sequence[FloatArray]) -> list[FloatArray]:
    """Return the lines with at most a few places each, spread over them."""
    return [line[np.unique(np.linspace(0, len(line) - 1, SAMPLES_A_LINE).astype(int))] for line in lines]


def rough_lens(lens: Lens, lines: Sequence[FloatArray], tolerance_px: float) -> Lens:
    """Return the lens of one term that makes the greatest length of line straight within the tolerance.

    Lines that are not straight vote for no term together; those through the middle for all alike.
    """
    if not lines:
        return lens
    few = Together.of(thinned(lines))
    weight = np.array([float(np.hypot(*(line[-1] - line[0]))) for line in lines])
    count = round(MOST_K1 / K1_STEP)
    terms = K1_STEP * np.arange(-count, count + 1)
    trials = [replace(lens, terms=np.array([k1, 0.0, 0.0, 0.0])) for k1 in terms]
    votes = np.array([weight @ np.exp(-0.5 * (few.rms(trial) / tolerance_px) ** 2) for trial in trials])
    return trials[int(np.argmax(votes * np.exp(-0.5 * (terms / VOTE_SIGMA) ** 2)))]


def fitted_lens(lens: Lens, lines: Sequence[FloatArray], sigma_px: FloatArray) -> Lens:
    """Return the lens that makes the lines straight together; one that is not straight pulls little.

    Args:
        lens: to start from.
        lines: places (N, 2) of each, px.
        sigma_px: one standard deviation of each line's places.
    """
    if not lines:
        return lens
    few = Together.of(thinned(lines))
    sigma = np.repeat(sigma_px, few.counts)

    def misfit(scaled: FloatArray) -> FloatArray:
        off = few.off_straight(replace(lens, terms=scaled * PRIOR))
        return np.concatenate([_soft(off / sigma), scaled])

    start = np.clip(lens.terms, -0.99 * REACH, 0.99 * REACH) / PRIOR
    if np.linalg.norm(start) < LEAST_START:  # the solver's first step is as long as the start is far from nothing
        start = np.zeros_like(start)
    bounds = (-REACH / PRIOR, REACH / PRIOR)
    found = least_squares(misfit, start, jac="3-point", bounds=bounds, xtol=1e-6, max_nfev=30)
    return replace(lens, terms=np.asarray(found.x) * PRIOR)


def _soft(scaled: FloatArray) -> FloatArray:
    """Return residuals whose squares level off (Geman and McClure's function, Bull. ISI 52 (1987) 5)."""
    return np.asarray(scaled / np.sqrt(1 + (scaled / SOFT_SIGMAS) ** 2))
