"""The table of difficulty levels: ``python -m tests.bench.levels --count 60 --seed 1``.

Every plan goes through the whole command with no help; those not right go again with one line in the plan
file, the one a person would write after looking at the overlay.

right            an outline was written and no place of it is more than 0.3 mm off (corners apart); where no eye
                 could tell which of two lines is meant, look or refused is right too (column "doubted rightly"),
                 but the run with help must then give the outline
wrong but sound  called sound, yet off somewhere by more than 0.3 mm; alone and helped runs both count
covered          at least 95 % of the curve lies within the claimed outline.u95_mm; of the sound answers
"""

from __future__ import annotations

import argparse
import math
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

from tabulate import tabulate

from tests.bench.accuracy import FAILURES, middle, p95
from tests.bench.level_run import LevelRow, run_level, write_failure
from tests.bench.one import Row
from tests.maker.found_bodies import missing
from tests.maker.level_spec import LEVELS, LevelSpec, level_specs

# level -> right alone %, right with one line %, median mm, 95th percentile mm
GOALS = {"ordinary": (99, 100, 0.05, 0.10), "crowded": (95, 99, 0.06, 0.15), "poor": (85, 98, 0.10, 0.25)}
HEAD = ["plans", "doubted rightly", "right %", "with one line %", "max of right: median", "p95",
        "max of all: median", "p95 all", "rms median", "sound", "look", "refused", "fault", "wrong but sound",
        "covered %", "s median"]


def answers(rows: list[LevelRow]) -> list[Row]:
    """Return every run that wrote an outline, alone or helped."""
    runs = [run for row in rows for run in (row.alone, row.helped) if run is not None]
    return [run for run in runs if run.compared is not None]


def percent(count: int, of: int) -> float:
    """Return a share in percent, nan of nothing."""
    return 100.0 * count / of if of else math.nan


def line_of(rows: list[LevelRow]) -> list[object]:
    """Return the figures of a set of plans, in the order of HEAD."""
    alone = [row.alone for row in rows]
    right = [run.compared.max_mm for run in alone if run.right and run.compared]
    every = [run.compared.max_mm for run in alone if run.compared]
    rms = [run.compared.rms_mm for run in alone if run.compared]
    verdicts = [sum(run.verdict == verdict for run in alone) for verdict in ("sound", "look", "refused", "fault")]
    sound = [run for run in answers(rows) if run.verdict == "sound"]
    return [
        len(rows), sum(row.right_alone and not row.alone.right for row in rows),
        percent(sum(row.right_alone for row in rows), len(rows)),
        percent(sum(row.right_at_last for row in rows), len(rows)),
        middle(right), p95(right), middle(every), p95(every), middle(rms), *verdicts,
        sum(run.wrong_but_sound for run in answers(rows)),
        percent(sum(run.covered for run in sound), len(sound)), middle(run.seconds for run in alone),
    ]


def table(rows: list[LevelRow], name: str, key: Callable[[LevelRow], str], order: list[str]) -> str:
    """Return one line for each value of ``key``."""
    lines = [[value, *line_of([row for row in rows if key(row) == value])] for value in order]
    form = ("g", "g", "g", ".1f", ".1f", ".3f", ".3f", ".3f", ".3f", ".4f", *["g"] * 5, ".1f", ".1f")
    return tabulate(lines, [name, *HEAD], floatfmt=form)


def family_of(row: LevelRow) -> str:
    """Return the family of a plan; everything that others drew is one."""
    return "found" if row.spec.family.startswith("found") else row.spec.family


def goal_table(rows: list[LevelRow]) -> str:
    """Return every level against what must be reached."""
    lines = []
    for level, goals in GOALS.items():
        part = [row for row in rows if row.spec.level == level]
        if not part:
            continue
        got = line_of(part)
        measured = (got[2], got[3], got[4], got[5], got[13])
        names = ("right with no help, %", "right with one line, %", "largest deviation of right ones, median mm",
                 "the same, 95th percentile mm", "wrong but sound")
        for name, value, goal in zip(names, measured, (*goals, 0), strict=True):
            up = name.endswith("%")
            met = value >= goal if up else value <= goal  # type: ignore[operator]
            form = "g" if name == "wrong but sound" else ".1f" if up else ".3f"
            lines.append([level, name, f"{value:{form}}", f"{'>=' if up else '<='} {goal}", "yes" if met else "NO"])
    return tabulate(lines, ["level", "figure", "measured", "goal", "reached"], disable_numparse=True)


def told(run: Row) -> str:
    """Return a run in a few words."""
    worst = "" if run.compared is None else f" {run.compared.max_mm:.3f} mm (u95 {run.u95_mm:.3f})"
    why = " ".join([*run.reasons, run.note]).strip()
    flag = " WRONG BUT SOUND" if run.wrong_but_sound else ""
    return f"{run.verdict}{worst}{flag} [{why}]"


def show(row: LevelRow) -> None:
    """Print one plan as soon as it is done."""
    mark = "ok  " if row.right_alone else "line" if row.right_at_last else "FAIL"
    help_told = f"\n       {row.line} -> {told(row.helped)}" if row.helped is not None else ""
    both = " ambiguous" if row.spec.ambiguous else ""
    depth = "1-bit" if row.spec.one_bit else f"{row.spec.paper}{' jpeg' if row.spec.quality else ''}"
    print(f"{mark} {row.spec.name} {row.spec.group}{both} {row.spec.dpi:.0f} dpi {depth}: {told(row.alone)} "
          f"{row.alone.seconds:.1f} s{help_told}", flush=True)


def run_levels(mix: list[LevelSpec], out: Path, jobs: int) -> Iterator[LevelRow]:
    """Yield the rows of a mix, in order."""
    if jobs == 1:
        yield from (run_level(spec, out) for spec in mix)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(partial(run_level, out=out), mix)


def chosen(levels: list[str], seed: int, count: int, only: list[int] | None) -> list[LevelSpec]:
    """Return the plans to run; those whose drawing is not on this machine are named and left out."""
    mix = [spec for level in levels for spec in level_specs(level, seed, count)]  # type: ignore[arg-type]
    mix = [spec for spec in mix if only is None or int(spec.name.rsplit("-", 1)[1]) in only]
    for spec in mix:
        if missing(spec.family):
            print(f"skip {spec.name} {spec.family}: {missing(spec.family)}", flush=True)
    return [spec for spec in mix if not missing(spec.family)]


def main() -> None:
    """Run the bench and print its tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=70, help="plans of each level")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--level", choices=LEVELS, action="append")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--only", type=int, nargs="*", help="numbers of the plans to run")
    given = parser.parse_args()
    levels = given.level or list(LEVELS)
    out = Path(tempfile.gettempdir()) / "boutline-bench" / f"levels-{given.seed}"
    rows: list[LevelRow] = []
    for row in run_levels(chosen(levels, given.seed, given.count, given.only), out, given.jobs):
        rows.append(row)
        show(row)
        if not row.right_alone or not row.right_at_last or row.alone.wrong_but_sound:
            write_failure(row, out, FAILURES)
    families = sorted({family_of(row) for row in rows})
    print("\n" + table(rows, "level", lambda row: row.spec.level, [lv for lv in LEVELS if lv in levels]))
    print("\n" + table(rows, "body", family_of, families))
    print("\nDeviations are of the runs with no help: of the right ones, and of every outline written.\n")
    print(goal_table(rows))


if __name__ == "__main__":
    main()
