"""The centerline of an uneven body among the other lines that run right through it."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from calibration.frames import FloatArray
from digitize.shapes import SheetLine
from digitize.symmetry.centerline import drawn_through

Ends = tuple[tuple[float, float], tuple[float, float]]
CENTERLINE: Ends = ((0.0, -12.0), (0.0, 430.0))
ACROSS: Ends = ((-190.0, 200.0), (210.0, 200.0))  # on and out, as near the middle as the centerline
EXTENSION: Ends = ((-190.0, 100.0), (400.0, 101.0))


def uneven() -> FloatArray:
    """Return a closed body, 420 mm long, whose upper part leans aside."""
    turn = np.linspace(0.0, 2.0 * np.pi, 2000, endpoint=False)
    y = 210.0 - 210.0 * np.cos(turn)
    x = 150.0 * np.sin(turn) * (1.0 - 0.25 * (y / 420.0)) + 25.0 * np.sin(np.pi * y / 420.0) * (y / 420.0)
    return np.column_stack([x, y])


def dimension(y: float) -> Ends:
    """Return a line across the body with its arrows on the outline."""
    across = shapely.Polygon(uneven()).intersection(shapely.LineString([(-300.0, y), (300.0, y)]))
    (x0, _), (x1, _) = across.coords
    return (x0, y), (x1, y)


def line(ends: Ends) -> SheetLine:
    return SheetLine(*ends, 1.0, 0.01, 1e-5)


@pytest.mark.parametrize(
    ("ends", "found"),
    [
        ([CENTERLINE], CENTERLINE),
        ([CENTERLINE, dimension(205.0)], CENTERLINE),
        ([EXTENSION, CENTERLINE], CENTERLINE),
        ([CENTERLINE, ACROSS], None),
        ([], None),
    ],
    ids=["alone", "a dimension line", "an extension line", "a line across as even", "none"],
)
def test_the_centerline_among_lines_that_run_through_a_body(ends: list[Ends], found: Ends | None) -> None:
    seen = drawn_through(uneven(), [line(one) for one in ends])
    assert (seen and (seen.line.start, seen.line.end)) == found
