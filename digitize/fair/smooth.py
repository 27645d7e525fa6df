"""Noise out of a curve without shrinking it: penalised least squares on an even grid.

The grid's points are the unknowns, the data are read between them, and the third difference
is penalised (Whittaker, Proc. Edinburgh Math. Soc. 41 (1923) 63; Eilers, Anal. Chem. 75
(2003) 3631). The filter lets a wave of w rad/mm through as 1 / (1 + (w / w0)^6), so a circle
of radius R shrinks by R (1 / (R w0))^6 only. How smooth is smooth enough is decided place by
place: of a ladder of cut-offs w0 the lowest that agrees with all higher ones within their
noise (Lepskii, Theory Probab. Appl. 35 (1990) 454). Outliers, such as the bump where another
line crosses, lose their weight by Tukey's biweight.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.linalg import solveh_banded
from scipy.ndimage import binary_dilation, gaussian_filter1d, label, maximum_filter1d

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.curve import arc_length, blurred, right_normals, unit_tangents
from digitize.fair.near_ends import end_noise
from digitize.shapes import Seen

GRID_MM = 0.5
# Cut-offs tried, rad per mm: features of about 3 / w0 mm are kept.
LADDER = (0.18, 0.27, 0.40, 0.60, 0.85)
# One more rung for quiet lines, and for any so far from a corner, where outlines bend most sharply.
SHARP_RUNG, QUIET_MM, CORNER_REACH_MM = 1.3, 0.01, 15.0
# Two fits that differ by more than this many sigmas of the rougher one differ in shape ...
LEPSKI_SIGMAS = 2.5
# ... unless the difference is too small for anyone to mind.
MIND_MM = 0.002
# ... or too small to tell from the staircase of a 1-bit line nearly along the pixels, whose
# treads are longer than any rung's noise; as a part of the noise of the points.
MIND_NOISE = 0.6
# Bends tighter than this keep this cut-off where lower ones would cut them by more than so much, averaged over
# this length.
TIGHT_BEND_PER_MM, TIGHT_CUTOFF, TIGHT_CUT_MM, TIGHT_CUT_NOISE, TIGHT_SPREAD_MM = 1.0 / 20.0, 3.0, 0.02, 1.5, 1.0
# Nearer to a corner than this the corner's own run decides.
TIGHT_BEND_CLEAR_MM = 3.0
# A place's cut-off holds for its neighbourhood, and changes gradually.
NEIGHBOUR_MM, GRADUAL_MM = 6.0, 4.0
# The running average that gives the first arc length.
FIRST_BLUR_MM = 1.0
# The ink's own thickness rounds the last of the line before a corner.
CORNER_BLIND_MM = 0.5
# Fits run on past a corner by this much so that two neighbours cross.
RUN_ON_MM = 3.0
# A closed run is fitted with this much of itself repeated at both ends.
OVERLAP_MM = 60.0
TUKEY_SIGMAS, HUBER_SIGMAS = 4.685, 1.345
# A bump: the line, averaged over this length, leaves the fit with this cut-off by so many
# sigmas and so many mm, for no longer than this, where the curve bends no more than this.
BUMP_CUTOFF, BUMP_BLUR_MM, BUMP_SIGMAS, BUMP_LEAST_MM = 0.40, 0.4, 3.5, 0.02
# Before a corner nothing is taken out: nothing beyond would hold the curve.
BUMP_FREE_END_MM = 7.0
BUMP_MARGIN_MM, BUMP_LONGEST_MM, BUMP_BEND_PER_MM = 0.8, 5.5, 1.0 / 15.0
ROUNDS = 5
# Traced lines are never quieter than this; below it a residual is no outlier.
LEAST_NOISE_MM = 0.006
# Bridged points only keep the curve from wandering.
BRIDGED_WEIGHT = 0.02
BUMP_WEIGHT = 0.002


@dataclass(frozen=True, eq=False)
class Data:
    """One run of traced points, ready to fit."""

    xy: FloatArray  # (N, 2) mm
    at: FloatArray  # (N,) mm along the run
    weight: FloatArray  # (N,) 0..1
    sigma: FloatArray  # (N,) stated, mm
    touched: BoolArray  # (N,) other ink touched the line there
    low: float  # the grid's reach along the run, mm
    high: float


@dataclass(frozen=True, eq=False)
class Fit:
    """A smooth run: grid points evenly spaced in ``at``."""

    at: FloatArray  # (G,)
    xy: FloatArray  # (G, 2)
    noise: float  # 1 sigma of the data across the curve, mm

    def spline(self) -> CubicSpline:
        """Return the curve through the grid points."""
        return CubicSpline(self.at, self.xy)


def _penalty(strength: float, count: int) -> FloatArray:
    """Return the upper bands of the third-difference penalty, (4, count)."""
    bands = np.zeros((4, count))
    third = (-1.0, 3.0, -3.0, 1.0)
    for a in range(4):
        for b in range(a, 4):
            start = b  # entry (row k + a, column k + b) is stored under its column
            bands[3 - (b - a), start : start + count - 3] += strength * third[a] * third[b]
    return bands


def _solve(data: Data, weight: FloatArray, grid: FloatArray, cutoff: float) -> FloatArray:
    """Return the grid points (G, 2) for given weights and a cut-off."""
    count, step = len(grid), grid[1] - grid[0]
    place = np.clip((data.at - grid[0]) / step, 0.0, count - 1.000001)
    cell = place.astype(np.int64)
    part = place - cell
    per_cell = step * len(data.at) / max(float(data.at[-1] - data.at[0]), step)
    w = weight / per_cell
    bands = _penalty((cutoff * step) ** -6.0, count)
    bands[3] += np.bincount(cell, w * (1 - part) ** 2, count) + np.bincount(cell + 1, w * part**2, count)
    bands[2, 1:] += np.bincount(cell, w * part * (1 - part), count)[:-1]
    centre = data.xy.mean(axis=0)
    off = data.xy - centre
    right = np.column_stack(
        [np.bincount(cell, w * (1 - part) * v, count) + np.bincount(cell + 1, w * part * v, count) for v in off.T]
    )
    return np.asarray(solveh_banded(bands, right, lower=False) + centre)


def _across(data: Data, fit: Fit) -> FloatArray:
    """Return the data's signed distances from a fit, along its normal."""
    curve = fit.spline()
    tangent = curve(data.at, 1)
    normal = right_normals(tangent / np.hypot(*tangent.T)[:, None])
    return np.asarray(np.einsum("ij,ij->i", data.xy - curve(data.at), normal))


def _robust(data: Data, grid: FloatArray, cutoff: float, known: float | None = None) -> Fit:
    """Return the reweighted fit at a cut-off; its noise is ``known`` or comes from the residuals."""
    weight = data.weight
    noise = LEAST_NOISE_MM
    used = data.weight > BRIDGED_WEIGHT
    for _ in range(ROUNDS):
        fit = Fit(grid, _solve(data, weight, grid, cutoff), noise)
        off = _across(data, fit)
        spread = 1.4826 * float(np.median(np.abs(off[used]))) if used.any() else 0.0
        noise = known or max(spread, LEAST_NOISE_MM)
        weight = data.weight * _believed(off / np.maximum(noise, data.sigma), data.touched)
    return Fit(grid, fit.xy, noise)


def _believed(sigmas: FloatArray, touched: BoolArray) -> FloatArray:
    """Return the weights of residuals in sigmas: Tukey's where other ink touched the line, else Huber's.

    Where nothing but the line itself was seen, a large residual is a bend that the fit does not follow yet.
    """
    part = sigmas / TUKEY_SIGMAS
    tukey = np.where(np.abs(part) < 1, (1 - part**2) ** 2, 0.0)
    huber = HUBER_SIGMAS / np.maximum(np.abs(sigmas), HUBER_SIGMAS)
    return np.asarray(np.maximum(np.where(touched, tukey, huber), 1e-3))


def _without_bumps(data: Data, grid: FloatArray) -> Data:
    """Return the data with short bumps weighted down: they are crossing lines, not the body's shape.

    Where the curve is gentle, a hole of a few mm is bridged by the penalty to within microns,
    so a real feature taken for a bump loses nothing.
    """
    fit = _robust(data, grid, BUMP_CUTOFF)
    off = gaussian_filter1d(_across(data, fit), BUMP_BLUR_MM / _spacing(data), mode="nearest")
    used = data.weight > BRIDGED_WEIGHT
    if not used.any():
        return data
    least = max(BUMP_SIGMAS * 1.4826 * float(np.median(np.abs(off[used]))), BUMP_LEAST_MM)
    # Stated sigmas count against one another only: what all places share, such as a doubt of the pen, makes no bump.
    limit = least * np.maximum(data.sigma / float(np.median(data.sigma[used])), 1.0)
    first, second = fit.spline()(data.at, 1), fit.spline()(data.at, 2)
    bend = np.abs(first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / np.hypot(*first.T) ** 3
    margin = max(round(BUMP_MARGIN_MM / _spacing(data)), 1)
    bumps, count = label(binary_dilation((np.abs(off) > limit) & (bend < BUMP_BEND_PER_MM), iterations=margin))
    lengths = np.bincount(bumps.ravel(), minlength=count + 1) * _spacing(data)
    inner = (data.at > data.low + BUMP_FREE_END_MM) & (data.at < data.high - BUMP_FREE_END_MM)
    ends = np.unique(bumps[~inner])
    # Where nothing else touched the line a bump is the body's own.
    touched = np.unique(bumps[data.touched])
    short = (bumps > 0) & (lengths[bumps] <= BUMP_LONGEST_MM) & ~np.isin(bumps, ends) & np.isin(bumps, touched)
    return replace(data, weight=np.where(short, np.minimum(data.weight, BUMP_WEIGHT), data.weight))


def _spacing(data: Data) -> float:
    """Return the data's mean distance along the run, mm."""
    return float(data.at[-1] - data.at[0]) / max(len(data.at) - 1, 1)


def _noise_power(low: float, high: float | None) -> float:
    """Return the variance of white noise of unit density passed by a filter, or by the difference of two."""
    w = np.linspace(0.0, 6.0 * (high or low), 4000)
    passed = 1.0 / (1.0 + (w / low) ** 6)
    if high is not None:
        passed = 1.0 / (1.0 + (w / high) ** 6) - passed
    return float(np.trapezoid(passed**2, w))


def _apart(one: Fit, other: Fit) -> FloatArray:
    """Return the signed distance of two fits on the same grid, along the normal."""
    normal = right_normals(unit_tangents(other.xy, closed=False))
    return np.asarray(np.einsum("ij,ij->i", one.xy - other.xy, normal))


def _cutoffs(fits: list[Fit], ladder: tuple[float, ...], into_mm: FloatArray | None) -> FloatArray:
    """Return the cut-off for each grid point: the lowest that agrees with all higher ones.

    ``into_mm`` tells how far inside the data each grid point lies; None where data go all the way round.
    """
    top = _apart(fits[-2], fits[-1])
    density = (1.4826 * float(np.median(np.abs(top)))) ** 2 / _noise_power(ladder[-2], ladder[-1])
    mind_mm = max(MIND_MM, MIND_NOISE * fits[-1].noise)
    chosen = np.full(len(top), ladder[-1])
    fine = np.ones(len(top), dtype=bool)
    for k in range(len(fits) - 2, -1, -1):
        for j in range(k + 1, len(fits)):
            sigma = np.sqrt(density * _noise_power(ladder[j], None))
            if into_mm is not None:
                sigma = sigma * end_noise(into_mm, ladder[j])
            fine &= np.abs(_apart(fits[k], fits[j])) <= LEPSKI_SIGMAS * sigma + mind_mm
        chosen[fine] = ladder[k]
    at = fits[0].at
    if fits[-1].noise > QUIET_MM:
        gentle = (at > at[0] + CORNER_REACH_MM) & (at < at[-1] - CORNER_REACH_MM)
        chosen[gentle] = np.minimum(chosen[gentle], LADDER[-1])
    step = float(fits[0].at[1] - fits[0].at[0])
    wide = maximum_filter1d(np.log(chosen), 2 * round(NEIGHBOUR_MM / step) + 1, mode="nearest")
    return np.asarray(np.exp(gaussian_filter1d(wide, GRADUAL_MM / step, mode="nearest")))


def _into(data: Data, grid: FloatArray) -> FloatArray:
    """Return how far each grid point lies inside the data that count, mm; below zero beyond them."""
    held = data.at[data.weight > 0]
    return np.asarray(np.minimum(grid - held[0], held[-1] - grid))


def _blended(fits: list[Fit], cutoff: FloatArray, ladder: tuple[float, ...]) -> Fit:
    """Return the curve that follows, at each grid point, the fits next to its cut-off.

    One fit with a cut-off that varies would bend mostly where it is free to: around a freer
    stretch the stiffer ones on both sides put their own error into it.
    """
    place = np.clip(np.interp(np.log(cutoff), np.log(ladder), np.arange(len(ladder))), 0, len(ladder) - 1 - 1e-9)
    rung = place.astype(np.int64)
    part = (place - rung)[:, None]
    xy, at = np.array([fit.xy for fit in fits]), np.arange(len(cutoff))
    return Fit(fits[-1].at, xy[rung, at] * (1 - part) + xy[rung + 1, at] * part, fits[-1].noise)


def _with_tight_bends(fit: Fit, bent: BoolArray, into_mm: FloatArray | None, data: Data) -> Fit:
    """Return the fit, brought to the data where they bend more tightly than it can follow."""
    if into_mm is not None:
        bent &= into_mm > TIGHT_BEND_CLEAR_MM
    if not bent.any():
        return fit
    # not reweighted: to a fit that starts out cutting the bend, the bend is the outlier
    close = Fit(fit.at, _solve(data, data.weight, fit.at, TIGHT_CUTOFF), fit.noise)
    cut = np.abs(gaussian_filter1d(_apart(close, fit) * bent, TIGHT_SPREAD_MM / GRID_MM))
    reach = 2 * round(NEIGHBOUR_MM / GRID_MM) + 1
    least_mm = max(TIGHT_CUT_MM, TIGHT_CUT_NOISE * fit.noise)
    tight = maximum_filter1d((cut > least_mm).astype(np.float64), reach, mode="nearest")
    part = gaussian_filter1d(tight, TIGHT_SPREAD_MM / GRID_MM, mode="nearest")[:, None]
    return Fit(fit.at, fit.xy + part * (close.xy - fit.xy), fit.noise)


def _bend(fit: Fit) -> FloatArray:
    """Return the curvature at the grid points, per mm."""
    first, second = fit.spline()(fit.at, 1), fit.spline()(fit.at, 2)
    return np.asarray(np.abs(first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / np.hypot(*first.T) ** 3)


def _grid(data: Data, whole: float | None) -> FloatArray:
    """Return the grid; a closed run's grid divides its length ``whole`` evenly."""
    if whole is None:
        count = max(round((data.high - data.low) / GRID_MM), 8)
        return np.asarray(np.linspace(data.low, data.high, count + 1))
    step = whole / max(round(whole / GRID_MM), 8)
    reach = round(OVERLAP_MM / step)
    return np.asarray(step * np.arange(-reach, round(whole / step) + reach + 1))


def _along(xy: FloatArray, closed: bool) -> FloatArray:
    """Return the arc length of the quietened points."""
    step = arc_length(xy, closed)[-1] / len(xy)
    return arc_length(blurred(xy, FIRST_BLUR_MM / step, closed), closed)


def _weights(sigma: FloatArray, traced: BoolArray) -> FloatArray:
    """Return the data's weights: by their stated sigmas, bridged points nearly none."""
    typical = float(np.median(sigma[traced])) if traced.any() else 1.0
    relative = np.clip((typical / np.maximum(sigma, 1e-6)) ** 2, 0.1, 4.0) if typical > 0 else np.ones(len(sigma))
    return np.where(traced, relative, BRIDGED_WEIGHT)


def closed_data(xy: FloatArray, sigma: FloatArray, seen: IntArray) -> tuple[Data, float]:
    """Return a closed curve's data with its ends repeated, and its length.

    Args:
        xy: (N, 2) closed polyline in mm.
        sigma: (N,) stated noise, mm.
        seen: (N,) what was seen of the line, as shapes.Seen says.
    """
    at = _along(xy, closed=True)
    whole = float(at[-1])
    reach = min(OVERLAP_MM + 5.0, 0.45 * whole)
    head, tail = at[:-1] > whole - reach, at[:-1] < reach
    order = np.concatenate([np.flatnonzero(head), np.arange(len(xy)), np.flatnonzero(tail)])
    place = np.concatenate([at[:-1][head] - whole, at[:-1], at[:-1][tail] + whole])
    weight = _weights(sigma, seen != Seen.BRIDGED)[order]
    touched = seen[order] < Seen.BOTH_EDGES
    return Data(xy[order], place, weight, sigma[order], touched, float(place[0]), float(place[-1])), whole


def open_data(xy: FloatArray, sigma: FloatArray, seen: IntArray) -> Data:
    """Return the data of a run from corner to corner, its rounded ends given no weight.

    Args:
        xy: (N, 2) open polyline in mm, corners included.
        sigma: (N,) stated noise, mm.
        seen: (N,) what was seen of the line, as shapes.Seen says.
    """
    at = _along(xy, closed=False)
    blind = min(CORNER_BLIND_MM, at[-1] / 5.0)
    clear = (at >= blind) & (at <= at[-1] - blind)
    weight = np.where(clear, _weights(sigma, seen != Seen.BRIDGED), 0.0)
    return Data(xy, at, weight, sigma, seen < Seen.BOTH_EDGES, -RUN_ON_MM, float(at[-1]) + RUN_ON_MM)


def smooth(data: Data, whole: float | None = None) -> Fit:
    """Return the smooth curve through a run of noisy points.

    Args:
        data: the run.
        whole: its length in mm if it is a closed curve with its ends repeated.

    Returns:
        The fit; for a closed curve only the part 0 .. ``whole``, for an open run with
        both ends carried on by :data:`RUN_ON_MM`.
    """
    grid = _grid(data, whole)
    data = _without_bumps(data, grid)
    ladder: tuple[float, ...] = (*LADDER, SHARP_RUNG)
    top = _robust(data, grid, ladder[-1])
    if whole is not None and top.noise > QUIET_MM:
        ladder = LADDER
        top = _robust(data, grid, ladder[-1])
    lower = [_robust(data, grid, w, top.noise) for w in ladder[:-1]]
    fits = [*lower, top]
    into_mm = _into(data, grid) if whole is None else None
    fit = _blended(fits, _cutoffs(fits, ladder, into_mm), ladder)
    fit = _with_tight_bends(fit, _bend(top) > TIGHT_BEND_PER_MM, into_mm, data)
    if whole is None:
        return fit
    inside = (fit.at > -1e-6) & (fit.at < whole + 1e-6)
    return Fit(fit.at[inside], fit.xy[inside], fit.noise)
