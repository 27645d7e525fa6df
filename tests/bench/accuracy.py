"""The accuracy table: ``python -m tests.bench.accuracy --count 60 --seed 1``.

Every plan is made by tests/maker with its truth kept, goes through the whole command with no help, and
its outline.dxf is compared with the truth by the distance between curves, both ways.

right            an outline was written and no place of it is more than 0.3 mm off (corners apart)
wrong but sound  called sound, yet off somewhere by more than 0.3 mm
covered          at least 95 % of the curve lies within the claimed outline.u95_mm
"""

from __future__ import annotations

import argparse
import math
import tempfile
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
from tabulate import tabulate

from tests.bench.one import Row, run_one
from tests.bench.pictures import write_worst
from tests.maker import PlanSpec, specs

FAILURES = Path(__file__).resolve().parents[2] / "failures"
PICTURES = 5  # worst plans drawn


def middle(values: Iterable[float]) -> float:
    """Return the median, nan of nothing."""
    kept = [v for v in values if not math.isnan(v)]
    return float(np.median(kept)) if kept else float("nan")


def p95(values: Iterable[float]) -> float:
    """Return the 95th percentile, the next higher value; inf stays inf, nan of nothing."""
    kept = [v for v in values if not math.isnan(v)]
    return float(np.percentile(kept, 95, method="higher")) if kept else float("nan")


def figures(rows: list[Row]) -> dict[str, list[float]]:
    """Return every measured figure of the plans that gave an outline, sign dropped."""
    done = [row for row in rows if row.compared is not None]
    held = [row.compared for row in done if row.compared is not None]
    return {
        "scale": [100 * abs(v) for row in done for v in (row.scale_x, row.scale_y)],
        "rms": [c.rms_mm for c in held],
        "max": [c.max_mm for c in held],
        "corner": [c.corner_mm for c in held],
        "length": [100 * abs(row.length) for row in done],
        "width": [100 * abs(row.width) for row in done],
        "x0": [row.frame[0] for row in done],
        "angle": [row.frame[1] for row in done],
        "y0": [row.frame[2] for row in done],
    }


# figure, unit, statistic, its name, limit of the issue
GOALS: tuple[tuple[str, str, Callable[[Iterable[float]], float], str, float], ...] = (
    ("scale", "% per axis", middle, "median", 0.005),
    ("scale", "% per axis", p95, "95th percentile", 0.02),
    ("rms", "mm after rigid fit", middle, "median", 0.02),
    ("max", "mm after rigid fit", p95, "95th percentile", 0.10),
    ("corner", "mm", p95, "95th percentile", 0.2),
    ("length", "%", p95, "95th percentile", 0.02),
    ("width", "%", p95, "95th percentile", 0.02),
    ("x0", "mm from the true centerline", p95, "95th percentile", 0.03),
    ("angle", "degrees", p95, "95th percentile", 0.01),
    ("y0", "mm from the tail", p95, "95th percentile", 0.05),
)


def share(rows: list[Row], test: Callable[[Row], bool]) -> float:
    """Return the percentage of rows that pass."""
    return 100 * sum(test(row) for row in rows) / len(rows) if rows else float("nan")


def plan_table(rows: list[Row]) -> str:
    """Return one line a plan."""
    head = ["plan", "kind", "turn", "dpi", "bit", "verdict", "rms", "max", "corner", "u95", "scale x %", "scale y %",
            "length %", "width %", "x0", "deg", "y0", "s", "reasons"]
    lines = []
    for row in rows:
        s, c = row.spec, row.compared
        kind = [s.name, s.group, s.turn * 90, int(s.dpi), 1 if s.one_bit else 8, row.verdict]
        why = " ".join(row.reasons) + (f" {row.note}" if row.note else "")
        if c is None:
            lines.append([*kind, *[""] * 11, row.seconds, why])
            continue
        scale = [100 * row.scale_x, 100 * row.scale_y, 100 * row.length, 100 * row.width]
        lines.append([*kind, c.rms_mm, c.max_mm, c.corner_mm, row.u95_mm, *scale, *row.frame, row.seconds, why])
    return tabulate(lines, head, floatfmt=(*["g"] * 6, *[".3f"] * 4, *[".4f"] * 4, ".3f", ".4f", ".3f", ".1f"))


def group_table(rows: list[Row]) -> str:
    """Return one line a kind of body, and one for all."""
    head = ["kind", "plans", "right %", "sound", "look", "refused", "fault", "wrong but sound", "covered %",
            "rms median", "max p95", "scale % median", "scale % p95", "s median"]
    lines = []
    groups = sorted({row.spec.group for row in rows})
    for name in [*groups, "all"]:
        part = [row for row in rows if name in ("all", row.spec.group)]
        got = figures(part)
        counts = [sum(row.verdict == verdict for row in part) for verdict in ("sound", "look", "refused", "fault")]
        wrong = sum(row.wrong_but_sound for row in part)
        done = [row for row in part if row.compared is not None]
        lines.append([
            name, len(part), share(part, lambda r: r.right), *counts, wrong, share(done, lambda r: r.covered),
            middle(got["rms"]), p95(got["max"]), middle(got["scale"]), p95(got["scale"]),
            middle(row.seconds for row in part),
        ])
    return tabulate(lines, head, floatfmt=("g", "g", ".1f", *["g"] * 5, ".1f", ".4f", ".3f", ".4f", ".4f", ".1f"))


def goal_table(rows: list[Row]) -> str:
    """Return the figures against what must be reached."""
    got = figures(rows)
    right, wrong = share(rows, lambda r: r.right), sum(row.wrong_but_sound for row in rows)
    lines = [
        ["right outline", "% of plans", "", f"{right:.1f}", ">= 95", "yes" if right >= 95 else "NO"],
        ["wrong but sound", "plans", "", str(wrong), "0", "yes" if wrong == 0 else "NO"],
    ]
    for name, unit, statistic, called, limit in GOALS:
        value = statistic(got[name])
        lines.append([name, unit, called, f"{value:.4f}", f"<= {limit}", "yes" if value <= limit else "NO"])
    return tabulate(lines, ["figure", "unit", "statistic", "measured", "goal", "reached"], disable_numparse=True)


def run_all(mix: list[PlanSpec], out: Path, jobs: int) -> list[Row]:
    """Return the rows of a mix, in order."""
    rows = []
    with ProcessPoolExecutor(jobs) as pool:
        for row in pool.map(partial(run_one, out=out), mix):
            rows.append(row)
            worst = f"{row.compared.max_mm:.3f} mm" if row.compared else " ".join([*row.reasons, row.note])
            print(f"{row.spec.name} {row.spec.group}: {row.verdict}, {worst}, {row.seconds:.1f} s", flush=True)
    return rows


def main() -> None:
    """Run the bench and print its tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--only", type=int, nargs="*", help="numbers of the plans to run")
    given = parser.parse_args()
    mix = specs(given.seed, given.count)
    if given.only:
        mix = [mix[number] for number in given.only]
    out = Path(tempfile.gettempdir()) / "boutline-bench" / f"answers-{given.seed}"
    rows = run_all(mix, out, given.jobs)
    print("\n" + plan_table(rows) + "\n\n" + group_table(rows) + "\n\n" + goal_table(rows))
    sound = [row for row in rows if row.verdict == "sound"]
    print(f"\nclaim covered: {share(sound, lambda r: r.covered):.1f} % of {len(sound)} sound plans")
    poor = sorted((row for row in rows if row.compared), key=lambda row: -row.compared.max_mm)  # type: ignore[union-attr]
    for row in poor[:PICTURES]:
        write_worst(row, out, FAILURES)


if __name__ == "__main__":
    main()
