"""What is not known of a scan beyond the ends of its rules: there no graduation shows how evenly it was fed.

A rule fixes the scale where it lies, on average over its length; feeding that is proven uneven along it is taken out
(``evened``). Further on the scale is carried over, and copiers and scanners keep it to a tenth of a percent or so.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.budget import Term
from calibration.controls import Control
from calibration.frames import FloatArray, SheetPoints
from calibration.solve import Calibration

# 1 sigma of a length beyond a rule, the rule's own scale carried on: data sheets of scanners and plotters commonly
# state +-0.1 % for a line (from memory, not found in print), taken as limits.
FEED_U = 1e-3 / np.sqrt(3.0)
ALONG = float(np.cos(np.radians(45.0)))


def beyond_terms(controls: Sequence[Control], calibration: Calibration, points: SheetPoints) -> tuple[Term, ...]:
    """Return the uncertainty across an outline by what lies beyond the known lengths, or nothing.

    A direction without any known length is the calibration's own affair.

    Args:
        controls: the known lengths, in the picture.
        calibration: of these.
        points: (N, 2) of the outline, closed, in order, sheet mm.
    """
    ends = _ends(controls, calibration)
    off = np.array([_beyond(ends, points.xy, axis) for axis in (0, 1)])
    step = np.roll(points.xy, -1, axis=0) - np.roll(points.xy, 1, axis=0)
    across = np.stack([step[:, 1], step[:, 0]]) / np.maximum(np.hypot(*step.T), 1e-9)  # sizes of the normal's parts
    u_mm = FEED_U * float(np.sqrt(np.mean(np.sum((off * across) ** 2, axis=0))))
    if u_mm <= 0.0:
        return ()
    how = f"the outline goes on for up to {off.max():.0f} mm; {100 * FEED_U:.2f} % of that, 1 sigma"
    return (Term("uneven feeding beyond the ends of the known lengths", u_mm, how),)


def beyond_length_u(controls: Sequence[Control], calibration: Calibration, ends: SheetPoints) -> float:
    """Return 1 sigma, mm, of the distance of two places by what lies beyond the known lengths.

    Args:
        controls: the known lengths, in the picture.
        calibration: of these.
        ends: (2, 2) the places, sheet mm.
    """
    known = _ends(controls, calibration)
    off = np.stack([_beyond(known, ends.xy, axis) for axis in (0, 1)], axis=1)
    way = ends.xy[1] - ends.xy[0]
    return float(FEED_U * np.linalg.norm(off * way / max(float(np.hypot(*way)), 1e-9)))


def _ends(controls: Sequence[Control], calibration: Calibration) -> list[FloatArray]:
    """Return where each known length starts and ends, (2, 2) sheet mm."""
    return [calibration.to_sheet(control.places).xy[[0, -1]] for control in controls if control.source != "dpi"]


def _beyond(ends: Sequence[FloatArray], xy: FloatArray, axis: int) -> FloatArray:
    """Return (N,) how far places lie beyond all known lengths along an axis, mm."""
    along = [
        pair[:, axis]
        for pair in ends
        if abs(pair[1, axis] - pair[0, axis]) > ALONG * np.hypot(*(pair[1] - pair[0]))
    ]
    if not along:
        return np.zeros(len(xy))
    low, high = float(np.min(along)), float(np.max(along))
    return np.asarray(np.maximum(0.0, np.maximum(low - xy[:, axis], xy[:, axis] - high)))
