"""The table of uneven feeding: ``python -m tests.bench.feeds --count 6 --seed 1``.

Plans 970 mm long go through a copier that feeds unevenly along its length (a wave, a step or a slip of up to 2 mm, or
none), and a scanner that holds them askew; then through ``outline``. left: how far places along the feed are off in
the picture that is traced, after their straight line, which is the copy's scale. The rule is 900 mm long.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from tabulate import tabulate

from calibration.frames import FloatArray
from digitize.evened import Evened
from tests.bench.compare import compare
from tests.bench.feed_shapes import Feed, fed, made_feed
from tests.bench.one import read_body
from tests.maker import MadePlan, PlanSpec, RuleSpec, describe
from tests.maker.press import ink_page, save, scan, specks
from tests.maker.spec import Family

KINDS = ("wave", "step", "slip", "wave", "step", "even")
FAMILIES: tuple[Family, ...] = ("small", "violin")
RULE_MM, EDGE_MM = 912.0, 57.0  # drawn; from the sheet's lower edge to its zero
LONG_MM = 900.0
ACROSS_MM = (40.0, 250.0)  # where the feed is looked at, besides the rule


@dataclass(frozen=True)
class Case:
    """One plan and what the copier did to it."""

    spec: PlanSpec
    feed: Feed


def case(number: int, seed: int) -> Case:
    """Return one of many plans."""
    rng = np.random.default_rng([seed, 55, number])
    kind = KINDS[number % len(KINDS)]
    size = float(rng.uniform(0.2, 2.0) * rng.choice([-1.0, 1.0]))
    unit = "in" if number % 3 == 2 else "mm"
    rules = tuple(RuleSpec(unit, 16, along, long) for along, long in (("x", 200.0), ("y", RULE_MM)))  # type: ignore[arg-type]
    spec = PlanSpec(
        name=f"feed-{seed:02d}-{number:03d}", seed=seed * 10_000 + number, family=FAMILIES[number % 2], rules=rules,
        copier_x=float(rng.uniform(0.98, 1.02)), copier_y=float(rng.uniform(0.98, 1.02)),
        dpi=(200.0, 300.0)[number % 2], skew_deg=float(rng.uniform(-0.8, 0.8)), blur_px=float(rng.uniform(0.4, 0.9)),
        noise=float(rng.uniform(1.5, 5.0)), one_bit=number % 4 == 3,
    )
    return Case(spec, made_feed(kind, size, LONG_MM, rng))


def make(one: Case, folder: Path) -> tuple[MadePlan, FloatArray]:
    """Draw and scan a plan fed unevenly along y; return its truth and sheet -> px before the feed."""
    folder.mkdir(parents=True, exist_ok=True)
    plan, sheet, affine = describe(one.spec, folder / f"{one.spec.name}{one.spec.suffix}")
    marks = tuple(fed(mark, lambda y: one.feed.off_mm(y - EDGE_MM), 1) for mark in sheet.marks)
    ink = ink_page((*marks, *specks(one.spec, sheet.size_mm)), affine, plan.size_px, 0.0, one.spec.blur_px)
    save(scan(ink, one.spec), one.spec, plan.path)
    return plan, affine


def left_mm(one: Case, affine: FloatArray, even: Evened | None) -> FloatArray:
    """Return how far places along the feed are off, in mm, in the picture that was traced."""
    y = EDGE_MM + np.arange(0.0, LONG_MM, 0.5)
    off = []
    for x in ACROSS_MM:
        sheet = np.stack([np.full_like(y, x), y + one.feed.off_mm(y - EDGE_MM)], axis=1)
        px = sheet @ affine[:, :2].T + affine[:, 2]
        px = even.to_even(px) if even is not None else px
        along = px @ (affine[:, 1] / np.hypot(*affine[:, 1])) / np.hypot(*affine[:, 1])
        off.append(along - np.polynomial.polynomial.polyval(y, np.polynomial.polynomial.polyfit(y, along, 1)))
    return np.concatenate(off)


def run(one: Case, folder: Path) -> list[object]:
    """Return the table's line of one plan."""
    from digitize import pipeline, scaled

    plan, affine = make(one, folder)
    seen: list[Evened | None] = []
    whole = scaled.evened

    def watched(*given: Any) -> Evened | None:
        seen.append(whole(*given))
        return seen[-1]

    start = time.perf_counter()
    with mock.patch.object(scaled, "evened", watched):
        outcome = pipeline.run_outline(plan.path, folder / one.spec.name, replace=True)
    took = time.perf_counter() - start
    left, before = left_mm(one, affine, seen[0] if seen else None), left_mm(one, affine, None)
    body = ["", "", ""]
    if outcome.exit_code != 4:
        found = compare(
            read_body(folder / one.spec.name / "outline.dxf"), plan.outline_mm, plan.corners_mm, plan.corners_mm
        )
        body = [f"{found.rms_mm:.4f}", f"{found.max_mm:.3f}", f"{outcome.record['outline']['u95_mm']:.3f}"]
    codes = " ".join(sorted({reason["code"] for reason in outcome.record["reasons"]}))
    kind = f"{one.feed.kind} {one.feed.size_mm:.2f} mm, {one.feed.width_mm:.0f} mm" if one.feed.size_mm else "even"
    return [
        one.spec.name, kind, f"{one.spec.dpi:.0f}{' 1-bit' if one.spec.one_bit else ''}", one.spec.rules[1].unit,
        f"{_rms(before):.3f}", "yes" if seen and seen[0] else "no", f"{_rms(left):.4f}",
        f"{np.quantile(np.abs(left), 0.95):.4f}", *body, outcome.record["verdict"], codes, f"{took:.0f}",
    ]  # fmt: skip


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def main() -> None:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=6)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int, nargs="*", help="numbers of the plans to run")
    given = parser.parse_args()
    lines = []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(given.count):
            if given.only is None or number in given.only:
                lines.append(run(case(number, given.seed), Path(folder)))
                print(*lines[-1], flush=True)
    head = ["plan", "feed", "dpi", "unit", "rms before, mm", "evened", "left rms", "left p95", "outline rms", "largest",
            "u95", "verdict", "doubts", "s"]
    print("\n" + tabulate(lines, head))


if __name__ == "__main__":
    main()
