"""Smooth in the boatbuilder's sense: noise out, corners kept, arcs that meet tangentially."""

from digitize.fair.few_arcs import few_arcs
from digitize.fair.measures import measure
from digitize.fair.outline import fair_outline
from digitize.fair.spline import fair_spline

__all__ = ["fair_outline", "fair_spline", "few_arcs", "measure"]
