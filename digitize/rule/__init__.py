"""Graduated rules in a picture -> places in px with their known millimetres."""

from digitize.rule.marks import span_places
from digitize.rule.search import RuleSearch, find_rules

__all__ = ["RuleSearch", "find_rules", "span_places"]
