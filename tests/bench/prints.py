"""The table of the print check: ``python -m tests.bench.prints --count 60 --seed 1``.

Made copies with drawn rules and real rules laid beside them go through the reading, the finding of the rules and the
comparison; what comes out is set against what the made copier did.

--points    hundreds of copies of every kind of evidence, as places with errors of the claimed kind and no pictures:
            tests what the intervals say, not how rules are found
--own       what the laid rules are: certified (DIN 866 form A), class I or II of the EU directive; their own error is
            drawn within these limits, and the plan file says only the limits
called      the 95 % interval leaves 100 % out; counted where an axis is off by 0.1 % or more
"""

from __future__ import annotations

import argparse
import hashlib
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from tabulate import tabulate

from calibration.print_factors import PrintFactors
from tests.bench.one import SOURCE
from tests.bench.print_points import KINDS, point_case
from tests.maker.print_press import MadePrint, describe_print, make_print
from tests.maker.print_spec import LEAST_CALLED, PrintSpec, print_specs

GOALS = {"median": 0.01, "p95": 0.03, "covered": (93.0, 97.0), "called": 99.0}  # percent


@dataclass(frozen=True)
class Axis:
    """One factor against the truth, relative."""

    kind: str
    true: float
    found: float
    u95: float

    @property
    def error(self) -> float:
        return self.found - self.true

    @property
    def covered(self) -> bool:
        return abs(self.error) <= self.u95

    @property
    def called(self) -> bool:
        return abs(self.found - 1.0) > self.u95

    @property
    def rightly(self) -> bool:
        """What is called too large is too large, and so is what is called too small."""
        return not self.called or (self.found > 1.0) == (self.true > 1.0)


def cached_print(spec: PrintSpec) -> MadePrint:
    """Return the copy, made once for as long as the maker stays as it is."""
    key = hashlib.sha256(SOURCE + repr(spec).encode()).hexdigest()[:16]
    folder = Path(tempfile.gettempdir()) / "boutline-bench" / key
    made, _, _ = describe_print(spec, folder)
    return made if made.plan_path.exists() else make_print(spec, folder)


def measured(made: MadePrint) -> PrintFactors:
    """Return the factors as the command finds them, the body left alone."""
    from digitize.print_evidence import copy_factors
    from digitize.settings import load_plan
    from digitize.traced import Clock

    return copy_factors(load_plan(made.plan_path), Clock()).factors


def axes_of(kind: str, found: PrintFactors, true: tuple[float, float]) -> list[Axis]:
    """Return both axes of one copy."""
    return [Axis(kind, t, e.value, e.u95) for t, e in zip(true, (found.x, found.y), strict=True)]


def line_of(kind: str, axes: list[Axis]) -> list[object]:
    """Return the figures of a set of axes, in percent."""
    errors = 100.0 * np.abs([axis.error for axis in axes])
    off = [axis for axis in axes if abs(axis.true - 1.0) >= LEAST_CALLED - 1e-9]
    return [
        kind, len(axes), float(np.median(errors)), float(np.percentile(errors, 95)), float(errors.max()),
        100.0 * float(np.median([axis.u95 for axis in axes])), 100.0 * float(np.mean([a.covered for a in axes])),
        100.0 * float(np.mean([a.called for a in off])) if off else float("nan"),
        sum(not axis.rightly for axis in axes),
    ]


HEAD = ["evidence", "axes", "error, median %", "p95 %", "largest %", "claimed u95, median %", "covered %",
        "0.1 % called, %", "called wrongly"]
FORM = ("g", "g", ".4f", ".4f", ".4f", ".4f", ".1f", ".1f", "g")


def from_pictures(specs: list[PrintSpec]) -> list[Axis]:
    """Run made copies, telling each as soon as it is done."""
    axes: list[Axis] = []
    for spec in specs:
        made = cached_print(spec)
        start = time.perf_counter()
        try:
            both = axes_of(spec.own, measured(made), (made.x, made.y))
        except Exception as fault:
            print(f"FAIL {spec.name}: {type(fault).__name__}: {fault}", flush=True)
            continue
        axes += both
        told = "; ".join(f"{100 * a.true:.3f} found {100 * a.found:.4f} +- {100 * a.u95:.4f} %"
                         f"{'' if a.covered else ' OUTSIDE'}" for a in both)
        print(f"{spec.name} {spec.family} {spec.dpi:.0f} dpi: {told}, {time.perf_counter() - start:.1f} s", flush=True)
    return axes


def goals(line: list[object]) -> str:
    """Return the figures against what must be reached."""
    median, p95, covered, called = (float(line[index]) for index in (2, 3, 6, 7))  # type: ignore[arg-type]
    low, high = GOALS["covered"]  # type: ignore[misc]
    rows = [
        ["factor, median error", f"{median:.4f} %", f"<= {GOALS['median']} %", median <= GOALS["median"]],
        ["factor, 95th percentile", f"{p95:.4f} %", f"<= {GOALS['p95']} %", p95 <= GOALS["p95"]],
        ["95 % intervals that hold the truth", f"{covered:.1f} %", f"{low:.0f}-{high:.0f} %", low <= covered <= high],
        ["0.1 % called", f"{called:.1f} %", f">= {GOALS['called']:.0f} %", called >= GOALS["called"]],
    ]
    return tabulate([[*row[:3], "yes" if row[3] else "NO"] for row in rows], ["figure", "measured", "goal", "reached"])


def main() -> None:
    """Run the bench and print its tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--own", choices=("certified", "I", "II"), default="certified")
    parser.add_argument("--points", action="store_true")
    parser.add_argument("--only", type=int, nargs="*", help="numbers of the copies to run")
    given = parser.parse_args()
    if given.points:
        lines = []
        for kind in KINDS:
            axes = []
            for number in range(given.count):
                found, true = point_case(kind, np.random.default_rng([given.seed, KINDS.index(kind), number]))
                both = zip(axes_of(kind, found, true), (found.x, found.y), strict=True)
                axes += [axis for axis, estimate in both if estimate.measured]
            lines.append(line_of(kind, axes))
        print(tabulate(lines, HEAD, floatfmt=FORM))
        return
    every = enumerate(print_specs(given.seed, given.count, given.own))
    specs = [spec for index, spec in every if given.only is None or index in given.only]
    line = line_of(given.own, from_pictures(specs))
    print("\n" + tabulate([line], HEAD, floatfmt=FORM) + "\n\n" + goals(line))


if __name__ == "__main__":
    main()
