"""Graduated rules in a picture -> places in px with their known millimetres."""

from digitize.rule.search import RuleSearch, find_rules

__all__ = ["RuleSearch", "find_rules"]
