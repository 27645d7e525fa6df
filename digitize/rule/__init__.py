"""Graduated rules in a picture -> places in px with their known millimetres."""

from digitize.rule.marks import span_places
from digitize.rule.photo_lift import with_lifts, with_walls
from digitize.rule.photo_records import PhotoRule, PhotoRuleSearch
from digitize.rule.photo_search import find_photo_rules
from digitize.rule.search import RuleSearch, begin_rules, find_rules

__all__ = [
    "PhotoRule",
    "PhotoRuleSearch",
    "RuleSearch",
    "begin_rules",
    "find_photo_rules",
    "find_rules",
    "span_places",
    "with_lifts",
    "with_walls",
]
