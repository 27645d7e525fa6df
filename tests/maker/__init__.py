"""The maker of plans: vector plan -> simulated copier -> simulated scanner, with the truth kept."""

from tests.maker.spec import PlanSpec, RuleSpec, plain, specs
from tests.maker.truth import MadePlan, describe, make_plan, measure, truth_json

__all__ = ["PlanSpec", "RuleSpec", "plain", "specs", "MadePlan", "describe", "make_plan", "measure", "truth_json"]
