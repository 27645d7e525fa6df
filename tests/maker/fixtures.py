"""Make the pictures in fixtures/ again: ``python -m tests.maker.fixtures``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from tests.maker import PlanSpec, RuleSpec, make_plan, truth_json

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
DEMO = PlanSpec(
    name="plover", seed=7, family="guitar", title="PLOVER", one_bit=True, dpi=200.0, skew_deg=0.6, copier_x=1.013,
    copier_y=0.996, gain_mm=0.03, blur_px=0.7, noise=4.0, specks=120,
    rules=(RuleSpec("mm", along="x", length_mm=250.0), RuleSpec("mm", along="y", length_mm=250.0, missing=2)),
)
BASE = PlanSpec(one_bit=True, dpi=200.0, gain_mm=0.03, blur_px=0.6, noise=3.0, specks=80, smudges=2)
SMALL = (
    replace(
        BASE, name="half", seed=21, half=True, turn=1, skew_deg=-0.4, copier_x=0.991, copier_y=1.006,
        title="PLOVER HALF",
        rules=(RuleSpec(length_mm=200.0), RuleSpec(along="y", length_mm=150.0)),
    ),
    replace(
        BASE, name="cornered", seed=22, family="violin", skew_deg=0.9, copier_x=1.004, copier_y=0.989,
        title="SANDPIPER",
        rules=(RuleSpec("in", 16, "x", 152.4), RuleSpec("in", 32, "y", 203.2)),
    ),
    replace(
        BASE, name="cassini", seed=23, family="cassini", skew_deg=0.25, copier_x=1.01, copier_y=1.01, title="TEST OVAL",
        rules=(RuleSpec(length_mm=180.0), RuleSpec(along="y", length_mm=250.0)),
    ),
)


def make_fixtures(folder: Path = FIXTURES) -> None:
    """Write the demo plan and the three small plans with their truth under ``folder``."""
    for place, spec in [("demo", DEMO), *(("small", spec) for spec in SMALL)]:
        plan = make_plan(spec, folder / place)
        (folder / place / f"{spec.name}_truth.json").write_text(truth_json(plan) + "\n", encoding="utf-8")
        size = plan.path.stat().st_size / 1000
        print(f"{place}/{plan.path.name}: {size:.0f} kB, {plan.size_px[0]} x {plan.size_px[1]} px")


if __name__ == "__main__":
    make_fixtures()
