"""The stretches of the record: they cover the outline once, in order, and say what was seen."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from digitize.curve import arc_length
from digitize.evidence import stretches
from digitize.shapes import Seen
from digitize.symmetry import place_body
from tests.digitize.bodies import body, spaced, traced


def test_stretches_cover_the_outline_once_in_order() -> None:
    tracing = traced(spaced(body())[0])
    seen = np.full(len(tracing.seen), Seen.BOTH_EDGES)
    seen[100:200], seen[400:420] = Seen.ONE_EDGE, Seen.BRIDGED
    trace = place_body(replace(tracing, seen=seen), "as drawn")
    found = stretches(trace)
    assert {part["seen"] for part in found} == {"both edges", "one edge", "bridged"}
    assert found[0]["from_mm"] == 0.0
    assert all(one["to_mm"] == other["from_mm"] for one, other in itertools.pairwise(found))
    assert found[-1]["to_mm"] == pytest.approx(arc_length(trace.points.xy, closed=True)[-1])


def test_a_speck_of_clear_line_counts_with_its_neighbours() -> None:
    tracing = traced(spaced(body())[0])
    seen = np.full(len(tracing.seen), Seen.BOTH_EDGES)
    seen[100:140] = Seen.BRIDGED
    seen[120] = Seen.BOTH_EDGES
    found = stretches(place_body(replace(tracing, seen=seen), "as drawn"))
    assert [part["seen"] for part in found].count("bridged") == 1
