"""The symmetry audit and fairing on points with known truth: axis, bulges, few arcs and splines, radii.

Run from the top folder: python -m tests.bench.halves [--count 100] [--seed 1] [--seeds 3] [--only axis bulges fairing]

Beside the bulges stands what the noise itself allows: the Cramer-Rao bound of height, place and length together, and
in how many of a hundred cases an estimate that reaches it lies within 15 % of the height. A floor of 0.002 mm of white
noise keeps the smooth noise from being told apart by what no line shows.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from scipy.special import ndtr

from calibration.frames import FloatArray
from digitize.shapes import Difference
from digitize.symmetry import audit_halves
from digitize.symmetry.axis import Axis, own_axis, refined
from digitize.symmetry.differences import differences, gap_of
from digitize.symmetry.halves import Loop, split
from tests.bench.fairing import print_fairing
from tests.digitize.bodies import SPACING_MM, traced
from tests.digitize.halves_cases import BULGE_LENGTH_MM, BULGE_MM, Noise, outline, placed, with_bulge, with_gap

PLACE_MM, SIZE_PART = 10.0, 0.15
AXIS_CASES = (("both halves whole", False, False), ("30 % of one side missing", True, False), ("cutaway", False, True))
AXIS_NOISE = (Noise(0.1, 0.0), Noise(0.03, 3.0))
BULGE_NOISE = (Noise(0.1, 0.0), Noise(0.02, 2.0), Noise(0.03, 3.0), Noise(0.05, 3.0))
# Bulges are put this far from both ends, mm along the outline in steps of a quarter.
CLEAR = 200
# Where the axis is looked for if it is known to be x = 0: a little aslant.
NEARBY_RAD = np.pi / 2 + 0.002
# What the bound looks at on either side of a bulge, and the white noise that every line has besides.
ROOM_MM, FLOOR_MM = 100.0, 0.002


def axis_row(name: str, xy: FloatArray, missing: bool, noise: Noise, count: int, seed: int) -> str:
    angles, offsets, sure = [], [], []
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        points, (middle, tail) = placed(noise.on(with_gap(xy, rng) if missing else xy, rng), rng)
        own = own_axis(points)
        true = np.arctan2(*(middle - tail)[::-1])
        angles.append(abs(np.degrees((own.axis.angle_rad - true + np.pi / 2) % np.pi - np.pi / 2)))
        offsets.append(abs(float(own.axis.offset(middle[None])[0])))
        away = abs(float(Axis(tuple(middle), float(true)).offset(np.array([own.axis.at]))[0]))  # type: ignore[arg-type]
        sure.append((angles[-1] <= np.degrees(1.96 * own.angle_u_rad), away <= 1.96 * own.offset_u_mm))
    worst, within = (np.quantile(angles, 0.95), np.quantile(offsets, 0.95)), np.sum(sure, axis=0)
    told = f"{within[0]:>14}{within[1]:>8}   of {count}"
    return f"{name:<28}{noise!s:<26}{worst[0]:>10.4f}{worst[1]:>10.4f}{told}"


def least_sigmas(noise: Noise) -> FloatArray:
    """The Cramer-Rao bound: 1 sigma of a bulge's height, place and length, mm, all three unknown."""
    at = np.arange(-ROOM_MM, ROOM_MM + SPACING_MM / 2, SPACING_MM)
    apart = at[:, None] - at[None]
    alike = noise.rms_mm**2 * np.exp(-(apart**2) / (4.0 * noise.alike_mm**2)) if noise.alike_mm else 0.0 * apart
    own = FLOOR_MM if noise.alike_mm else noise.rms_mm
    covariance = 2.0 * (alike + own**2 * np.eye(len(at)))  # of both halves
    part = at / BULGE_LENGTH_MM
    inside = np.abs(part) < 0.5
    slope = np.where(inside, -np.pi * np.sin(2.0 * np.pi * part), 0.0) * BULGE_MM / BULGE_LENGTH_MM
    rows = np.column_stack([np.where(inside, np.cos(np.pi * part) ** 2, 0.0), -slope, -part * slope])
    return np.sqrt(np.diag(np.linalg.inv(rows.T @ np.linalg.solve(covariance, rows))))


def found_in(points: FloatArray, whole: bool) -> tuple[Difference, ...]:
    """What the audit calls real: by all of it, or with the axis, which lies on x = 0, looked for from nearby only."""
    if whole:
        return audit_halves(traced(points)).map.found  # type: ignore[union-attr]
    one = traced(points)
    loop = Loop(points, one.sigma_mm, one.seen, one.corners).counter_clockwise()
    own, _ = refined(Axis((0.0, float(np.mean(np.ptp(points[:, 1])) / 2.0)), NEARBY_RAD), points)
    turn = np.vstack([-own.axis.across, own.axis.along])
    right, left = split(replace(loop, xy=(points - np.array(own.axis.at)) @ turn.T))
    tail = np.array([0.0, right.xy[0, 1]])
    right, left = (replace(half, xy=half.xy - tail) for half in (right, left))
    length = float(np.ptp(points[:, 1]))
    u_mm = float(np.hypot(own.offset_u_mm, own.angle_u_rad * length / np.sqrt(12.0)))
    return differences(gap_of(right, left, u_mm, own.angle_u_rad)).found


def bulge_row(noise: Noise, count: int, seed: int, whole: bool) -> str:
    xy = outline()
    right = np.flatnonzero(xy[:, 0] > 0)
    false = found = near = size = more = 0
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        false += bool(found_in(noise.on(xy, rng), whole))
        start = int(np.argmin(np.abs(xy[:, 0]) + 1e3 * (xy[:, 1] > 100.0)))
        along = np.roll(np.arange(len(xy)), -start)
        index = int(along[rng.integers(CLEAR, len(right) - CLEAR)])
        index = index if rng.random() < 0.5 else int(along[len(xy) - int(np.flatnonzero(along == index)[0])])
        made = found_in(noise.on(with_bulge(xy, index), rng), whole)
        found += bool(made)
        more += len(made) > 1
        if made:
            off = np.hypot(made[0].x_mm - xy[index, 0], made[0].y_mm - xy[index, 1])
            near += off <= PLACE_MM
            size += off <= PLACE_MM and abs(made[0].size_mm - BULGE_MM) <= SIZE_PART * BULGE_MM
    height, place, _ = least_sigmas(noise)
    at_best = 100.0 * (2.0 * ndtr(SIZE_PART * BULGE_MM / height) - 1.0)
    told = f"{100 * height / BULGE_MM:>12.1f} %{place:>9.2f}{at_best:>10.0f} %"
    return f"{noise!s:<26}{false:>8}{found:>8}{near:>12}{size:>16}{more:>8}   of {count}{told}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seeds", type=int, default=3, help="bodies of each family")
    parser.add_argument("--whole", action="store_true", help="bulges by the whole audit, which takes six times as long")
    parser.add_argument("--only", nargs="*", default=["axis", "bulges", "fairing"])
    asked = parser.parse_args()
    if "axis" in asked.only:
        print(f"{'axis, 95th percentile':<28}{'noise':<26}{'degrees':>10}{'mm':>10}{'in 95 %: deg':>14}{'mm':>8}")
        for noise in AXIS_NOISE:
            for name, missing, cutaway in AXIS_CASES:
                xy = outline(cutaway)
                print(axis_row(name, xy, missing, noise, asked.count, asked.seed), flush=True)
    if "bulges" in asked.only:
        head = ("bulge 0.3 mm over 50 mm", "false", "found", "in 10 mm", "and within 15 %", "more")
        best = f"{'':>10}{'bound: size':>14}{'place':>9}{'in 15 %':>12}"
        print(f"\n{head[0]:<26}{head[1]:>8}{head[2]:>8}{head[3]:>12}{head[4]:>16}{head[5]:>8}{best}")
        for noise in BULGE_NOISE:
            print(bulge_row(noise, asked.count, asked.seed, asked.whole), flush=True)
    if "fairing" in asked.only:
        print_fairing(asked.seeds)


if __name__ == "__main__":
    main()
