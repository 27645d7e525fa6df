"""Smooth in the boatbuilder's sense: noise out, corners kept, arcs that meet tangentially."""

from digitize.fair.few_arcs import few_arcs
from digitize.fair.measures import measure
from digitize.fair.outline import fair_outline

__all__ = ["fair_outline", "few_arcs", "measure"]
