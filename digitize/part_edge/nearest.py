"""The nearest places of a half outline, with its outward normals there."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calibration.frames import FloatArray
from digitize.curve import feet
from digitize.fit_shapes import HalfCurve


def nearest_on(curve: HalfCurve) -> Callable[[FloatArray], tuple[FloatArray, FloatArray]]:
    """Return what gives feet (N, 2) and unit normals (N, 2) of places (N, 2), body mm.

    Stations are so near each other that chords leave the arcs by less than 0.001 mm at a radius of 30 mm.
    """

    def nearest(places: FloatArray) -> tuple[FloatArray, FloatArray]:
        found = feet(places, curve.xy_mm, closed=False)
        after = np.minimum(found.segment + 1, len(curve.xy_mm) - 1)
        part = found.fraction[:, None]
        normal = (1.0 - part) * curve.normal[found.segment] + part * curve.normal[after]
        return found.xy, normal / np.hypot(*normal.T)[:, None]

    return nearest
