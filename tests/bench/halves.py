"""The symmetry audit on points with known truth: axis, bulges found, none found where there is none.

Run from the top folder: python -m tests.bench.halves [--count 100] [--seed 1]
"""

from __future__ import annotations

import argparse

import numpy as np

from calibration.frames import FloatArray
from digitize.shapes import HalvesAudit
from digitize.symmetry import audit_halves
from digitize.symmetry.axis import own_axis
from tests.digitize.bodies import traced
from tests.digitize.halves_cases import BULGE_MM, Noise, outline, placed, with_bulge, with_gap

PLACE_MM, SIZE_PART = 10.0, 0.15
AXIS_NOISE = (Noise(0.1, 0.0), Noise(0.03, 3.0))
BULGE_NOISE = (Noise(0.1, 0.0), Noise(0.02, 2.0), Noise(0.03, 3.0), Noise(0.05, 3.0))
# Bulges are put this far from both ends, mm along the outline in steps of a quarter.
CLEAR = 200


def axis_row(name: str, xy: FloatArray, missing: bool, noise: Noise, count: int, seed: int) -> str:
    angles, offsets = [], []
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        points, (middle, tail) = placed(noise.on(with_gap(xy, rng) if missing else xy, rng), rng)
        own = own_axis(points)
        true = np.arctan2(*(middle - tail)[::-1])
        angles.append(abs(np.degrees((own.axis.angle_rad - true + np.pi / 2) % np.pi - np.pi / 2)))
        offsets.append(abs(float(own.axis.offset(middle[None])[0])))
    worst = np.quantile(angles, 0.95), np.quantile(offsets, 0.95)
    return f"{name:<28}{noise!s:<24}{worst[0]:>10.4f}{worst[1]:>10.4f}"


def audited(points: FloatArray) -> HalvesAudit:
    return audit_halves(traced(points))


def bulge_row(noise: Noise, count: int, seed: int) -> str:
    xy = outline()
    right = np.flatnonzero(xy[:, 0] > 0)
    false = found = near = size = more = 0
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        false += bool(audited(noise.on(xy, rng)).map.found)  # type: ignore[union-attr]
        start = int(np.argmin(np.abs(xy[:, 0]) + 1e3 * (xy[:, 1] > 100.0)))
        along = np.roll(np.arange(len(xy)), -start)
        index = int(along[rng.integers(CLEAR, len(right) - CLEAR)])
        index = index if rng.random() < 0.5 else int(along[len(xy) - int(np.flatnonzero(along == index)[0])])
        made = audited(noise.on(with_bulge(xy, index), rng)).map.found  # type: ignore[union-attr]
        found += bool(made)
        more += len(made) > 1
        if made:
            off = np.hypot(made[0].x_mm - xy[index, 0], made[0].y_mm - xy[index, 1])
            near += off <= PLACE_MM
            size += off <= PLACE_MM and abs(made[0].size_mm - BULGE_MM) <= SIZE_PART * BULGE_MM
    return f"{noise!s:<24}{false:>8}{found:>8}{near:>12}{size:>16}{more:>8}   of {count}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print(f"{'axis, 95th percentile':<28}{'noise':<24}{'degrees':>10}{'mm':>10}")
    for noise in AXIS_NOISE:
        print(axis_row("both halves whole", outline(), False, noise, asked.count, asked.seed), flush=True)
        print(axis_row("30 % of one side missing", outline(), True, noise, asked.count, asked.seed), flush=True)
        print(axis_row("cutaway", outline(cutaway=True), False, noise, asked.count, asked.seed), flush=True)
    head = ("bulge 0.3 mm over 50 mm", "false", "found", "in 10 mm", "and within 15 %", "more")
    print(f"\n{head[0]:<24}{head[1]:>8}{head[2]:>8}{head[3]:>12}{head[4]:>16}{head[5]:>8}")
    for noise in BULGE_NOISE:
        print(bulge_row(noise, asked.count, asked.seed), flush=True)


if __name__ == "__main__":
    main()
