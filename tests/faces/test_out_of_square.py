"""A copy out of square, as a builder gets it: an even body of which one printed rule tells the scale, not the shear."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.command import boutline
from tests.maker import PlanSpec, RuleSpec, make_plan


@pytest.mark.parametrize(("shear_deg", "differ"), [(-0.5, False), (1.3, True)])
def test_halves_differ_only_beyond_what_the_sheets_squareness_explains(
    tmp_path: Path, shear_deg: float, differ: bool
) -> None:
    """Squareness is known to 0.29 degree (1 sigma) where only one rule is printed."""
    rules = (RuleSpec(length_mm=150.0),)
    spec = PlanSpec(name="askew", seed=21, family="small", dpi=100.0, rules=rules, specks=0, shear_deg=shear_deg)
    made = make_plan(spec, tmp_path)
    done = boutline("outline", made.path, "--out", tmp_path / "out", "--json")
    record = json.loads(done.stdout)
    codes = [one["code"] for one in record["reasons"]]
    assert "shear-assumed" in codes
    assert ("halves-differ" in codes) == differ
    found = record["symmetry"]
    assert found["max_mm"] > 0.8  # both are further apart than a drawing can be off
    assert (found["max_mm"] > found["u95_mm"]) == differ
