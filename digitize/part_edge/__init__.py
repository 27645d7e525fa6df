"""The edge of a cut part in a picture: where it lies, and its contour to a fraction of a pixel."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray
from calibration.solve import Calibration
from digitize.fit_shapes import EdgePlaces, HalfCurve
from digitize.part_edge.line import follow_line as follow_line
from digitize.part_edge.nearest import nearest_on as nearest_on
from digitize.part_edge.place import rough_places as rough_places
from digitize.part_edge.profiles import ALONG_MM, edge_places, edge_way, profiles, sheet_normals, steepest
from digitize.part_edge.step import steps_at
from digitize.part_edge.straight import level_beside as level_beside
from digitize.part_edge.straight import line_contrasts as line_contrasts
from digitize.part_edge.walled import Wall as Wall
from digitize.part_edge.walled import follow_walled as follow_walled

# How far from the outline the part's edge may be: a part further off is not this outline's.
REACH_MM = 6.0
# The straight edge is looked for this near to the centerline.
STRAIGHT_REACH_MM = 3.0
CLEAR_SHARE = 0.3  # of the usual slope: what still counts as edge


def follow(
    grey: npt.NDArray[np.uint8],
    calibration: Calibration,
    curve: HalfCurve,
    sheet_to_body: FloatArray,
    reach_mm: float = REACH_MM,
    usual: float = 0.0,
) -> EdgePlaces:
    """Return where a part's edge runs along a curve.

    Args:
        grey: (H, W).
        calibration: of the picture.
        curve: in the body frame.
        sheet_to_body: (2, 3) affine, good to a millimetre.
        reach_mm: to both sides of the curve.
        usual: slope, grey values a pixel, that a clear edge has, where most of the curve may have none.
    """
    linear = np.linalg.inv(sheet_to_body[:, :2])
    to_sheet = np.column_stack([linear, -linear @ sheet_to_body[:, 2]])
    stations = curve.xy_mm @ to_sheet[:, :2].T + to_sheet[:, 2]
    normals = sheet_normals(curve.normal, to_sheet)
    seen = profiles(grey, calibration, stations, normals, reach_mm, along=ALONG_MM / curve.step_mm, sharp=True)
    way, sign = edge_way(seen, curve.step_mm, usual)
    rough = edge_places(seen, way, sign, stations, normals, CLEAR_SHARE * usual)
    top = steepest(seen, way, sign)
    steps = steps_at(seen, top)
    mm_per_px = float(seen.off_mm[1] - seen.off_mm[0]) / seen.step_px
    found = rough.seen & steps.clear & (sign * steps.height > 0.0)
    places = stations + (seen.off_mm[top] + steps.off_px * mm_per_px)[:, None] * normals
    return EdgePlaces(np.where(found[:, None], places, np.nan), found, rough.rise, rough.inner, rough.outer)
