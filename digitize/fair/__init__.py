"""Smooth in the boatbuilder's sense: noise out, corners kept, arcs that meet tangentially."""

from digitize.fair.measures import measure
from digitize.fair.outline import fair_outline

__all__ = ["fair_outline", "measure"]
