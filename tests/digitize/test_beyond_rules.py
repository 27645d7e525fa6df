"""What an outline beyond the ends of its rules adds to the uncertainty, against feeds that are drawn at random."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.controls import Control
from calibration.frames import PxPoints, SheetPoints
from calibration.solve import solve
from digitize.beyond_rules import FEED_U, beyond_length_u, beyond_terms

PX = 10.0  # a millimetre


def rule(name: str, start: tuple[float, float], end: tuple[float, float]) -> Control:
    at = np.linspace(0.0, 1.0, 50)[:, None]
    places = (np.array(start) + at * np.subtract(end, start)) * PX
    length = float(np.hypot(*np.subtract(end, start)))
    return Control(name, "drawn rule", PxPoints(places), at[:, 0] * length, np.full(50, 0.1), 0.1)


def body(long_mm: float) -> SheetPoints:
    turn = np.linspace(0.0, 2 * np.pi, 400, endpoint=False)
    return SheetPoints(np.column_stack([120.0 + 100.0 * np.cos(turn), -250.0 + long_mm / 2 * np.sin(turn)]))


def controls(long_mm: float) -> list[Control]:
    half = long_mm / 2
    return [rule("across", (10.0, 20.0), (240.0, 20.0)), rule("along", (5.0, 250.0 - half), (5.0, 250.0 + half))]


def test_nothing_where_the_rules_are_as_long_as_the_body() -> None:
    known = controls(460.0)
    assert beyond_terms(known, solve(known), body(440.0)) == ()


def test_it_grows_with_what_lies_beyond() -> None:
    known = controls(200.0)
    calibration = solve(known)
    near, far = (beyond_terms(known, calibration, body(long))[0].u_mm for long in (300.0, 500.0))
    assert 0.0 < 2.0 * near < far


def test_it_is_what_feeds_do_on_average() -> None:
    """Beyond each end the feed is off by a share of its own; across the outline the places are off by so much, rms."""
    known, outline = controls(200.0), body(460.0)
    turn = np.linspace(0.0, 2 * np.pi, 400, endpoint=False)
    normal = np.column_stack([np.cos(turn) / 100.0, np.sin(turn) / 230.0])  # of an ellipse
    normal /= np.hypot(*normal.T)[:, None]
    y = outline.xy[:, 1]
    above, below = np.maximum(0.0, y + 150.0), np.maximum(0.0, -350.0 - y)
    feeds = np.random.default_rng(8).normal(0.0, FEED_U, (4000, 2))
    across = (feeds @ np.stack([above, -below])) * normal[:, 1]
    (term,) = beyond_terms(known, solve(known), outline)
    assert float(np.sqrt(np.mean(across**2))) == pytest.approx(term.u_mm, rel=0.03)


def test_a_direction_without_any_known_length_is_left_to_the_scale() -> None:
    known = controls(460.0)[:1]
    assert beyond_terms(known, solve(known), body(440.0)) == ()


def test_a_length_beyond_both_ends_is_known_as_both_are() -> None:
    known = controls(200.0)
    ends = SheetPoints(np.array([(120.0, -480.0), (120.0, -120.0)]))  # 130 and 30 mm beyond
    u_mm = beyond_length_u(known, solve(known), ends)
    assert u_mm == pytest.approx(FEED_U * np.hypot(130.0, 30.0), rel=1e-3)
