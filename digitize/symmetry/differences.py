"""Where two halves really differ: bumps that stand out of the line's own unsteadiness, all along the curve at once.

The gap between the halves is compared with bumps of many lengths at every place (a matched filter: North, Proc. IEEE
51 (1963) 1016). How far noise alone would lift one is taken from the gap itself: from second differences of its means
over :data:`BLOCK_MM`, so a lasting difference does not count as noise while noise that is alike over a few mm does. The
limit is Student's t for a false alarm anywhere on the curve and at any length of one in a thousand (Bonferroni), with
as many degrees of freedom as the estimate of the noise has. What the axis, the sheet's shear or ink beside
the line may make is in the uncertainty, and nothing within its own uncertainty is real. Body frame, mm, both halves as
right halves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.special import stdtrit

from calibration.frames import BoolArray, FloatArray, IntArray
from digitize.curve import arc_length, blurred, feet, resample, right_normals, unit_tangents
from digitize.shapes import Difference, DifferenceMap, Seen
from digitize.symmetry.halves import Half

STEP_MM = 0.5
# Both halves are quietened by so much before they are compared: the nearest place of a noisy line lies too near.
QUIET_MM = 1.0
# Means over this length tell the noise; neighbouring ones that are a little alike make it look smaller, by this part.
BLOCK_MM, ALIKE = 16.0, 1.15
# Differences of more than so many robust standard deviations are no noise; each block is worth a part of a value, as
# neighbouring second differences share their means.
MAD, CLIPPED, WORTH = 1.4826, 3.5, 0.6
# Lengths of the bumps that are looked for, mm.
LENGTHS_MM = tuple(12.0 * 1.4**k for k in range(10))
FALSE_ALARM = 0.001
# A centerline that is off makes no shorter bump than this.
AXIS_LENGTH_MM = 120.0
# A bump is believed where this part of it was seen on both halves.
SEEN_PART = 0.6
MOST_FOUND = 16
# A bump beside a larger one and smaller than this part of it is what the larger one's shape leaves over.
LEFT_OVER = 0.25
# Halves that differ by more than this were drawn unlike on purpose, from where the gap falls below the second.
ON_PURPOSE_MM, PURPOSE_EDGE_MM = 8.0, 0.5
# One value of the map is a mean over this length.
MAP_MM = 10.0
COVERAGE = 1.96


@dataclass(frozen=True, eq=False)
class Gap:
    """The gap at even stations along the right half."""

    place: FloatArray  # (M,) mm along it from the tail
    xy: FloatArray  # (M, 2)
    normal: FloatArray  # (M, 2) outward
    mm: FloatArray  # (M,) mirrored left minus right; left larger positive
    seen: BoolArray  # (M,) both halves traced
    axis_u: FloatArray  # (M,) 1 sigma of it from the axis
    shear_u: FloatArray  # (M,) 1 sigma of it from how square the sheet is
    ink_u: FloatArray  # (M,) 1 sigma of it from other ink, where a half's line does not show both edges


def gap_of(right: Half, left: Half, axis_u_mm: float, axis_u_rad: float) -> Gap:
    """Return the gap of two halves, both tail to neck and on the right, of a sheet that is square.

    Args:
        right: the right half.
        left: the left half, mirrored.
        axis_u_mm: 1 sigma of the centerline's place at the middle of the body.
        axis_u_rad: 1 sigma of its direction.
    """
    one, other = (_quiet(half.xy) for half in (right, left))
    normal = right_normals(unit_tangents(one, closed=False))
    foot = feet(one, other, closed=False)
    side = np.einsum("ij,ij->i", foot.xy - one, normal)
    there = feet(one, left.xy, closed=False).segment
    here = feet(one, right.xy, closed=False).segment
    seen = (left.seen[there] > Seen.BRIDGED) & (right.seen[here] > Seen.BRIDGED)
    middle = one[:, 1] - np.ptp(one[:, 1]) / 2.0 - one[:, 1].min()
    turned = middle * normal[:, 0] - one[:, 0] * normal[:, 1]
    axis_u = 2.0 * np.hypot(axis_u_mm * normal[:, 0], axis_u_rad * turned)
    gap = np.where(side >= 0, 1.0, -1.0) * foot.distance
    ink_u = np.hypot(_ink_u(left, there), _ink_u(right, here))
    return Gap(arc_length(one, closed=False), one, normal, gap, seen, axis_u, np.zeros(len(one)), ink_u)


def _ink_u(half: Half, at: IntArray) -> FloatArray:
    """Return (M,) what a line is uncertain by at some of its points, where other ink hides an edge of it.

    That is the same all along such ink, so no mean makes it smaller; where both edges show, the gap's noise tells all.
    """
    return np.where(half.seen[at] < Seen.BOTH_EDGES, half.sigma[at], 0.0)


def _quiet(xy: FloatArray) -> FloatArray:
    fine = resample(xy, STEP_MM / 4.0, closed=False)
    return resample(blurred(fine, QUIET_MM / (STEP_MM / 4.0), closed=False), STEP_MM, closed=False)


def _on_purpose(gap: Gap) -> list[tuple[int, int]]:
    """Return the stretches (first, last station) where the halves were drawn unlike on purpose."""
    far, wide = np.abs(gap.mm) > ON_PURPOSE_MM, np.abs(gap.mm) > PURPOSE_EDGE_MM
    found: list[tuple[int, int]] = []
    for k in np.flatnonzero(far):
        if found and k <= found[-1][1]:
            continue
        low = high = int(k)
        while low > 0 and wide[low - 1]:
            low -= 1
        while high < len(wide) - 1 and wide[high + 1]:
            high += 1
        found.append((low, high))
    return found


def compared(gap: Gap) -> BoolArray:
    """Return (M,) where the halves are compared: both seen, and not drawn unlike on purpose."""
    use = gap.seen.copy()
    for low, high in _on_purpose(gap):
        use[low : high + 1] = False
    return use


def noise_density(gap: Gap, mm: FloatArray, use: BoolArray) -> tuple[float, float]:
    """Return the noise's density, mm2 per (1/mm), and the degrees of freedom with which it is known."""
    step = gap.place[1] - gap.place[0]
    size = max(round(BLOCK_MM / step), 2)
    total, count = (np.concatenate([[0.0], np.cumsum(v)]) for v in (np.where(use, mm, 0.0), use.astype(float)))
    number = count[size:] - count[:-size]
    mean = (total[size:] - total[:-size]) / np.maximum(number, 1.0)
    whole = number > 0.8 * size
    second = mean[size:-size] - (mean[: -2 * size] + mean[2 * size :]) / 2.0
    good = whole[size:-size] & whole[: -2 * size] & whole[2 * size :]
    blocks = max(float(good.sum()) / size, 1.0)
    if not good.any():
        return float(np.var(mm)) * BLOCK_MM, 3.0
    size_of = np.abs(second[good])
    usual = size_of[size_of <= CLIPPED * MAD * float(np.median(size_of))]
    return ALIKE**2 * float(np.mean(usual**2)) / 1.5 * BLOCK_MM, max(WORTH * blocks, 3.0)


def _bump(place: FloatArray, centre: float, length: float) -> FloatArray:
    away = np.abs(place - centre) / length
    return np.where(away < 0.5, np.cos(np.pi * np.minimum(away, 0.5)) ** 2, 0.0)


def _limit(gap: Gap, freedom: float) -> float:
    """Return how many sigmas a bump needs to stand out of the noise anywhere and at any length."""
    trials = sum(4.0 * gap.place[-1] / length for length in LENGTHS_MM)
    return float(stdtrit(freedom, 1.0 - FALSE_ALARM / trials / 2.0))


def _strongest(gap: Gap, mm: FloatArray, use: BoolArray, density: float) -> tuple[float, float, float, float]:
    """Return the bump that stands out most: its sigmas, centre, length and height."""
    step, best = gap.place[1] - gap.place[0], (0.0, 0.0, 0.0, 0.0)
    held = np.where(use, mm, 0.0)
    for length in LENGTHS_MM:
        half = int(length / 2.0 / step)
        if 2 * half + 1 > len(mm):
            break
        shape = _bump(np.arange(-half, half + 1) * step, 0.0, length)
        power = np.convolve(use.astype(float), shape**2, mode="same") * step
        height = np.convolve(held, shape, mode="same") * step / np.maximum(power, 1e-12)
        ink = np.convolve(np.where(use, gap.ink_u**2, 0.0), shape**2, mode="same") * step
        sigma = np.sqrt((density + ink) / np.maximum(power, 1e-12) + gap.shear_u**2)
        if length > AXIS_LENGTH_MM:
            sigma = np.hypot(sigma, gap.axis_u)
        sigmas = np.where(power >= SEEN_PART * 0.375 * length, np.abs(height) / sigma, 0.0)
        k = int(np.argmax(sigmas))
        if sigmas[k] > best[0]:
            best = (float(sigmas[k]), float(gap.place[k]), length, float(height[k]))
    return best


def _refined(gap: Gap, mm: FloatArray, use: BoolArray, first: tuple[float, float, float]) -> tuple[float, float, float]:
    """Return centre, length and height of a bump by least squares from a first look."""
    centre, length, height = first
    near = use & (np.abs(gap.place - centre) < length)
    place, values = gap.place[near], mm[near]

    def miss(unknown: FloatArray) -> FloatArray:
        return np.asarray(unknown[2] * _bump(place, unknown[0], unknown[1]) - values)

    low = [centre - length / 3, 0.5 * length, min(0.3 * height, 2.5 * height)]
    high = [centre + length / 3, 1.8 * length, max(0.3 * height, 2.5 * height)]
    found = least_squares(miss, [centre, length, height], bounds=(low, high), x_scale=[5.0, 10.0, abs(height)])
    return float(found.x[0]), float(found.x[1]), float(found.x[2])


def _bumps(gap: Gap, use: BoolArray) -> tuple[list[tuple[float, float, float]], float]:
    """Return the bumps (centre, length, height) that stand out of the noise, and the noise's density."""
    left, found = gap.mm.copy(), []
    clear = use.copy()
    for _ in range(MOST_FOUND):
        density, freedom = noise_density(gap, left, clear)
        sigmas, *first = _strongest(gap, left, use, density)
        if sigmas < _limit(gap, freedom):
            break
        bump = _refined(gap, left, use, (first[0], first[1], first[2]))
        left = left - bump[2] * _bump(gap.place, bump[0], bump[1])
        found.append(bump)
    return found, noise_density(gap, left, clear)[0]


def _grouped(gap: Gap, bumps: list[tuple[float, float, float]], density: float) -> list[Difference]:
    """Return the differences: bumps of one sign that overlap are one; small ones beside a larger one are left out."""
    ordered = sorted(bumps, key=lambda b: -abs(b[2]))
    groups: list[list[tuple[float, float, float]]] = []
    for bump in ordered:
        beside = [g for g in groups if any(abs(b[0] - bump[0]) < (b[1] + bump[1]) / 2.0 for b in g)]
        if beside and (np.sign(beside[0][0][2]) != np.sign(bump[2]) or abs(bump[2]) < LEFT_OVER * abs(beside[0][0][2])):
            if abs(bump[2]) >= LEFT_OVER * abs(beside[0][0][2]):
                groups.append([bump])
            continue
        if beside:
            beside[0].append(bump)
        else:
            groups.append([bump])
    return [_difference(gap, group, density) for group in groups]


def _difference(gap: Gap, group: list[tuple[float, float, float]], density: float) -> Difference:
    model = np.sum([h * _bump(gap.place, c, n) for c, n, h in group], axis=0)
    k = int(np.argmax(np.abs(model)))
    low, high = min(c - n / 2 for c, n, _ in group), max(c + n / 2 for c, n, _ in group)
    length = max(n for _, n, _ in group)
    ink = float(np.average(gap.ink_u**2, weights=model**2))
    u = float(np.sqrt(density / (0.375 * length) + gap.axis_u[k] ** 2 + gap.shear_u[k] ** 2 + ink))
    return _at(gap, k, float(model[k]), COVERAGE * u, max(low, 0.0), min(high, float(gap.place[-1])), purpose=False)


def _at(gap: Gap, k: int, mm: float, u95: float, low: float, high: float, purpose: bool) -> Difference:
    """Return a difference at a station; the place on the half that reaches further out."""
    x, y = gap.xy[k] + max(mm, 0.0) * gap.normal[k]
    side = "left" if mm > 0 else "right"
    return Difference(
        side="left" if mm > 0 else "right",
        x_mm=float(-x if side == "left" else x),
        y_mm=float(y),
        place_mm=float(gap.place[k]),
        size_mm=abs(mm),
        u95_mm=u95,
        from_mm=low,
        to_mm=high,
        on_purpose=purpose,
    )


def differences(gap: Gap) -> DifferenceMap:
    """Return the map of a gap: its values over :data:`MAP_MM`, their uncertainty, and which differences are real."""
    bumps, density = _bumps(gap, compared(gap))
    found = [one for one in _grouped(gap, bumps, density) if round(one.size_mm, 2) > round(one.u95_mm, 2)]
    for low, high in _on_purpose(gap):
        k = low + int(np.argmax(np.abs(gap.mm[low : high + 1])))
        place = gap.place[low], gap.place[high]
        found.append(_at(gap, k, float(gap.mm[k]), 0.0, float(place[0]), float(place[1]), purpose=True))
    size = max(round(MAP_MM / (gap.place[1] - gap.place[0])) | 1, 3)
    kernel = np.ones(size)
    weight = np.convolve(gap.seen.astype(float), kernel, mode="same")
    mean = np.convolve(np.where(gap.seen, gap.mm, 0.0), kernel, mode="same") / np.maximum(weight, 1.0)
    ink = np.convolve(np.where(gap.seen, gap.ink_u**2, 0.0), kernel, mode="same")
    noise = (density / MAP_MM * size + ink) / np.maximum(weight, 1.0)
    u95 = COVERAGE * np.sqrt(noise + gap.axis_u**2 + gap.shear_u**2)
    ordered = tuple(sorted(found, key=lambda one: -one.size_mm))
    known = weight > 0
    return DifferenceMap(gap.place, gap.xy, np.where(known, mean, np.nan), np.where(known, u95, np.nan), ordered)
