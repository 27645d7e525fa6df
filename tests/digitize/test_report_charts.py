"""Charts: values land where the axes say, nothing breaks on one point or on a perfect rule."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from digitize.report import charts


@pytest.mark.parametrize(
    ("low", "high", "ticks"), [(0, 250, [0, 50, 100, 150, 200, 250]), (-0.06, 0.06, [-0.05, 0.0, 0.05])]
)
def test_ticks_are_round(low, high, ticks):
    found = charts.nice_ticks(low, high, about=5)
    assert set(np.round(ticks, 6)) <= set(np.round(found, 6))
    assert 3 <= len(found) <= 8


def test_axes_put_the_limits_on_the_corners():
    axes = charts.Axes((0.0, 10.0), (-1.0, 1.0))
    assert axes.px(0.0, -1.0) == (charts.LEFT, charts.HEIGHT - charts.BOTTOM)
    assert axes.px(10.0, 1.0) == (charts.WIDTH - charts.RIGHT, charts.TOP)


def test_gap_chart_rings_the_widest_gap():
    y = np.linspace(0.0, 400.0, 81)
    gap = np.where(y == 100.0, -0.9, 0.1)
    drawn = str(charts.gap_chart(y[::-1], gap[::-1], 0.2))
    assert "0.90 mm, 100 mm from the tail" in drawn
    ring = re.search(r'class="ring" cx="([\d.]+)" cy="([\d.]+)"', drawn)
    line = re.search(r'class="line" d="M([^"]+)"', drawn)
    assert ring and line
    places = np.array([place.split() for place in line[1].split("L")], dtype=float)
    lowest = places[np.argmax(places[:, 1])]  # SVG y runs down: the right half is larger
    assert (float(ring[1]), float(ring[2])) == pytest.approx(tuple(lowest), abs=0.06)


def test_residual_chart_has_a_dot_per_graduation_and_is_xml():
    drawn = str(charts.residual_chart(np.arange(30.0), np.zeros(30), 0.0))
    root = ElementTree.fromstring(drawn)
    assert len([one for one in root.iter() if one.get("class") == "dot"]) == 30


def test_texts_are_escaped():
    assert "<b>" not in charts.text(0, 0, "<b>")
    assert "&lt;b&gt;" in charts.text(0, 0, "<b>")


def test_body_drawing_puts_the_tail_below_and_the_right_side_right():
    xy = np.array([[0.0, 0.0], [100.0, 50.0], [0.0, 400.0], [-50.0, 200.0]])
    drawn = str(charts.body_drawing(xy, [], "400.0 mm"))
    path = re.search(r'class="body" d="M([^"]+)Z"', drawn)
    assert path
    places = np.array([place.split() for place in path[1].split("L")], dtype=float)
    assert places[0, 1] > places[2, 1]
    assert places[1, 0] > places[0, 0] > places[3, 0]
    assert places[0, 1] - places[2, 1] == pytest.approx(charts.BODY_HEIGHT, abs=0.2)
