"""Circle fits whose answers are known.

Coope's eight places (J. Optim. Theory Appl. 76, 1993, 381; attribution from memory, data as in public scripts) and the
six of Gander, Golub and Strebel (BIT 34, 1994, 558; from memory), a short arc. The geometric answers were worked
out again independently, to the digits given; the algebraic ones show how far off a radius can be.
"""

from __future__ import annotations

import numpy as np
import pytest

from calibration.circle_fit import fit_circle

COOPE = np.array([(0.7, 4.0), (3.3, 4.7), (5.6, 4.0), (7.5, 1.3), (6.4, -1.1), (4.4, -3.0), (0.3, -2.5), (-1.1, 1.3)])
SHORT = np.array([(1.0, 7.0), (2.0, 6.0), (5.0, 8.0), (7.0, 7.0), (9.0, 5.0), (3.0, 7.0)])


@pytest.mark.parametrize(
    ("points", "centre", "radius", "norm"),
    [(COOPE, (3.04324, 0.74568), 4.10586, 0.544011), (SHORT, (4.7398, 2.9835), 4.7142, 1.10797)],
)
def test_the_nearest_circle_is_the_published_one(points, centre, radius, norm):
    digits = 6e-6 if points is COOPE else 6e-5
    for scale, shift in ((1.0, 0.0), (25.4, 500.0)):
        found = fit_circle(scale * points + shift)
        assert found.centre == pytest.approx(scale * np.array(centre) + shift, abs=scale * digits)
        assert found.radius == pytest.approx(scale * radius, abs=scale * digits)
        assert np.sqrt(np.sum(found.off**2)) == pytest.approx(scale * norm, abs=scale * 6e-6)


def test_an_algebraic_radius_is_no_substitute():
    """Kasa's radius of the short arc is 13 % off; the nearest circle is nearer by its own measure."""
    design = np.column_stack([2.0 * SHORT, np.ones(len(SHORT))])
    x, y, c = np.linalg.lstsq(design, np.sum(SHORT**2, axis=1), rcond=None)[0]
    radius = np.sqrt(c + x * x + y * y)
    assert (x, y, radius) == pytest.approx((4.7423, 3.8351, 4.1088), abs=6e-5)
    found = fit_circle(SHORT)
    assert abs(radius / found.radius - 1.0) > 0.1
    assert np.sum(found.off**2) < np.sum((np.hypot(*(SHORT - (x, y)).T) - radius) ** 2)


def test_its_covariance_is_that_of_many_trials():
    rng = np.random.default_rng(8)
    at = np.linspace(0.0, 2.0, 60)
    circle = np.column_stack([30.0 + 4.0 * np.cos(at), 4.0 * np.sin(at)])
    fits = [fit_circle(circle + rng.normal(0.0, 0.02, circle.shape)) for _ in range(300)]
    found = np.array([[*one.centre, one.radius] for one in fits])
    claimed = np.sqrt(np.mean([np.diag(one.covariance) for one in fits], axis=0))
    assert found.std(axis=0) / claimed == pytest.approx(np.ones(3), abs=0.15)


def test_places_on_a_line_have_none():
    line = np.column_stack([np.arange(5.0), 2.0 * np.arange(5.0)])
    assert fit_circle(line) is None
    with pytest.raises(ValueError, match="four"):
        fit_circle(line[:3])
