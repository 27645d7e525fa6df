"""Directions of graduations along a course that bends a little."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from digitize.rule.photo_course import Course, fit_curve

COUNT = 300.0
PITCH_PX = 5.0


def course_of(bend_px: float, heading: float, lean: float) -> Course:
    """A course in a direction, that leaves its line as a polynomial of the fourth degree does."""
    at = np.linspace(0.0, COUNT, 200)
    t = at / COUNT * 2.0 - 1.0
    aside = bend_px * (t**4 - t**2)
    along = np.array([np.cos(heading), np.sin(heading)])
    xy = PITCH_PX * at[:, None] * along + aside[:, None] * np.array([-along[1], along[0]])
    x, y = (fit_curve(at, xy[:, k], np.ones(len(at)), 5, 1e-6, robust=False) for k in (0, 1))
    return Course(x, y, fit_curve(at, np.full(len(at), lean), np.ones(len(at)), 0, 1e-6), PITCH_PX)


@given(st.floats(-20.0, 20.0), st.floats(-3.1, 3.1), st.floats(1.0, 2.1), st.floats(-0.02, 0.02))
def test_graduations_run_in_the_directions_that_they_are_given(bend_px, heading, lean, turn):
    """Whatever the course itself does: at the foot of a mark a direction that is off moves the place along it."""
    course = course_of(bend_px, heading, lean)
    at = np.linspace(0.0, COUNT, 50)
    wanted = fit_curve(at, heading + lean + turn * at / COUNT, np.ones(len(at)), 1, 1e-6, robust=False)
    directed = course.directed(wanted)
    inner = np.linspace(0.0, COUNT, 301)
    off = np.angle(np.exp(1j * (directed.angle(inner) - wanted(inner))))
    assert np.abs(off).max() < 2e-4
    assert np.allclose(directed.foot(inner), course.foot(inner))
