"""How much smaller things look further away in a photo, by what graduations of even pitch show of it.

In a perspective view of a plane the inverse of the depth, how near a place is, is linear in the picture (Hartley and
Zisserman, Multiple View Geometry, 2nd ed. 2004, section 8.6, on vanishing lines). What lies across the view looks as
large as it is near, and the pitch along any line goes as the square of that. So each graduated edge tells the slope
along itself, and two that are not parallel tell all of it, whatever their graduations are worth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.frames import FloatArray
from digitize.rule.photo_edge import GraduatedEdge

# Of the picture's long side, as most telephones' and cameras' usual lenses have it (common practice, no source): only
# how much shorter things look along the view depends on it.
FOCAL_SHARE = 0.8
UNTOLD = 0.1  # of what edges tell together at best: what is told by less than that is taken for level
LEAST_NEAR = 0.2  # of how near the middle of the edges is; what is further away is no sheet


@dataclass(frozen=True, eq=False)
class View:
    """How near a plane is to the camera: 1 + slope @ (place - middle)."""

    middle: FloatArray  # (2,) px
    slope: FloatArray  # (2,) 1/px
    long_px: float

    def size(self, edge: GraduatedEdge) -> float:
        """Return how large a length along an edge looks at its middle, relative to one across the view's middle."""
        place, run = _middle(edge)
        near = max(1.0 + float(self.slope @ (place - self.middle)), LEAST_NEAR)
        steep = float(np.hypot(*self.slope)) * FOCAL_SHARE * self.long_px  # tangent of the tilt
        if steep == 0.0:
            return 1.0
        along = float((run @ self.slope) ** 2 / ((run @ run) * (self.slope @ self.slope)))
        return float(near ** (1.0 + along) * (1.0 + steep**2) ** (-along / 2.0))


def view_of(edges: Sequence[GraduatedEdge], long_px: float) -> View:
    """Return how a plane is seen by the graduated edges on it; what they do not tell is taken for level.

    Args:
        edges: on the sheet.
        long_px: the long side of the picture.
    """
    places, runs = (np.array(each) for each in zip(*(_middle(edge) for edge in edges), strict=True))
    middle = places.mean(axis=0)
    grows = np.array([_growth(edge) for edge in edges])
    length = np.hypot(*runs.T)
    # nearness at one end less that at the other, over that between: one equation an edge, linear in the slope
    rows = (runs - grows[:, None] * (places - middle)) / length[:, None]
    slope = np.linalg.lstsq(rows, grows / length, rcond=UNTOLD)[0]
    return View(middle, np.asarray(slope), long_px)


def _middle(edge: GraduatedEdge) -> tuple[FloatArray, FloatArray]:
    """Return the place (2,) between an edge's ends and the way (2,) from one to the other, px."""
    ends = edge.course.px(edge.at[[0, -1]], np.full(2, edge.base_row))
    return ends.mean(axis=0), ends[1] - ends[0]


def _growth(edge: GraduatedEdge) -> float:
    """Return by how much nearer an edge comes from one end to the other, relative to between them."""
    first, last = (float(np.sqrt(edge.course.pitch(number))) for number in edge.at[[0, -1]])
    return 2.0 * (last - first) / (last + first)
