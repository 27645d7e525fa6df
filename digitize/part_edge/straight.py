"""A straight edge too faint to be followed place by place: slopes are added up along whole lines.

Along a straight edge all slopes have one sign and add up, texture's do not: over 70 places it is eight times fainter.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from calibration.frames import BoolArray, FloatArray
from calibration.solve import Calibration
from digitize.fit_shapes import HalfCurve
from digitize.part_edge.profiles import ALONG_MM, profiles, sheet_normals

# Lines are tried at every sample across, and at slants of up to this much across from end to end.
SLANT_MM, SLANTS = 1.5, 13
BESIDE_MM = (4.0, 8.0)  # beyond the line, clear of a shadow's middle and of what lies further off


def line_contrasts(
    grey: npt.NDArray[np.uint8],
    calibration: Calibration,
    line: HalfCurve,
    sheet_to_body: FloatArray,
    reach_mm: float,
    wheres: tuple[BoolArray, ...],
) -> tuple[float, ...]:
    """Return the mean slope along the clearest straight line near ``line``, for each choice of its stations.

    Args:
        grey: (H, W).
        calibration: of the picture.
        line: straight, body frame.
        sheet_to_body: (2, 3) affine.
        reach_mm: to both sides.
        wheres: (S,) masks of its stations.

    Returns:
        Grey values a pixel, + lighter along the line's normal.
    """
    to_sheet = _to_sheet(sheet_to_body)
    stations = line.xy_mm @ to_sheet[:, :2].T + to_sheet[:, 2]
    normals = sheet_normals(line.normal, to_sheet)
    seen = profiles(grey, calibration, stations, normals, reach_mm, along=ALONG_MM / line.step_mm, sharp=True)
    sample_mm = float(seen.off_mm[1] - seen.off_mm[0])
    share = (line.along_mm - line.along_mm.mean()) / float(np.ptp(line.along_mm))
    best = [0.0] * len(wheres)
    for slant in np.linspace(-SLANT_MM, SLANT_MM, SLANTS):
        shift = np.rint(slant * share / sample_mm).astype(int)
        columns = np.arange(seen.slope.shape[1])[None, :] + shift[:, None]
        inside = (columns >= 0) & (columns < seen.slope.shape[1])
        moved = np.where(inside, np.take_along_axis(seen.slope, np.where(inside, columns, 0), axis=1), 0.0)
        for number, where in enumerate(wheres):
            means = moved[where & seen.whole].mean(axis=0) if (where & seen.whole).any() else np.zeros(1)
            top = float(means[int(np.abs(means).argmax())])
            best[number] = top if abs(top) > abs(best[number]) else best[number]
    return tuple(best)


def level_beside(
    grey: npt.NDArray[np.uint8], calibration: Calibration, line: HalfCurve, sheet_to_body: FloatArray, where: BoolArray
) -> float:
    """Return the usual grey value a few millimetres beyond a line, along its normal."""
    to_sheet = _to_sheet(sheet_to_body)
    middle_mm, half_mm = sum(BESIDE_MM) / 2.0, (BESIDE_MM[1] - BESIDE_MM[0]) / 2.0
    beside = line.xy_mm[where] + middle_mm * line.normal[where]
    stations = beside @ to_sheet[:, :2].T + to_sheet[:, 2]
    seen = profiles(grey, calibration, stations, sheet_normals(line.normal[where], to_sheet), half_mm)
    return float(np.median(seen.grey[seen.whole])) if seen.whole.any() else float("nan")


def _to_sheet(sheet_to_body: FloatArray) -> FloatArray:
    linear = np.linalg.inv(sheet_to_body[:, :2])
    return np.column_stack([linear, -linear @ sheet_to_body[:, 2]])
