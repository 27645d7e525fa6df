"""How far a laid rule's graduations are above the paper: nearer to the camera, they look larger than what lies on it.

One millimetre at half a metre is 0.2 % of every length, and nothing in one photo shows it: it has to be known. What
is not told is taken from what such rules usually are (common practice, no source, from memory): short steel rules are
half a millimetre thick, long ones one millimetre, squares nearly two; plastic and wooden rulers have a bevel that
brings their graduations down to the paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from calibration.frames import FloatArray
from digitize.rule.photo_records import PhotoRule, PhotoRuleSearch
from digitize.rule.strip import Grey

if TYPE_CHECKING:
    from digitize.settings import RuleHint

TOLD_U_MM = 0.05  # a thickness measured by the person, 1 sigma
SQUARE_MM = (1.8, 0.4)  # usual height and 1 sigma
SHORT_STEEL_MM, LONG_STEEL_MM = (0.5, 0.15), (1.0, 0.2)
SHORT_MM = 200.0  # a short steel rule is no longer than this
BEVEL_MM = (0.5, 0.25)
# What looks drawn may be a clear rule laid on the sheet, unless it is as certain as this.
CLEAR_MM, CERTAIN = (0.25, 0.25), 0.95
# Metal, bare or black, is darker than the paper round it by this part; plastic and wood are not.
DARKER = 0.12
CLEAR_PX, BESIDE_PX = 5, 25  # from where to where round the body the paper is looked up
SAMPLES = 4000
NEAR_HINT_PX = 60.0  # a pixel "on" a rule may be this far beside it


def lift_mm(
    grey: Grey, polygon_px: FloatArray, length_mm: float, *, square: bool, hint: RuleHint | None
) -> tuple[float, float]:
    """Return the height of a laid rule's graduations above the paper and its 1 sigma, mm.

    Args:
        grey: (H, W) the photo.
        polygon_px: (V, 2) round the rule's body.
        length_mm: of its graduations.
        square: it is an arm of a square.
        hint: what the person said of it.
    """
    if hint is not None and hint.thickness_mm is not None:
        return hint.thickness_mm, TOLD_U_MM
    if square:
        return SQUARE_MM
    if not _is_metal(grey, polygon_px):
        return BEVEL_MM
    return SHORT_STEEL_MM if length_mm <= SHORT_MM else LONG_STEEL_MM


def with_lifts(grey: Grey, search: PhotoRuleSearch, hints: Sequence[RuleHint]) -> PhotoRuleSearch:
    """Return the rules of a search, the laid ones with the height of their graduations."""
    arms = {name for angle in search.angles for name in (angle.first, angle.second)}
    squares = {one.body for one in search.rules if one.rule.control.name in arms}
    rules = []
    for one in search.rules:
        control = one.rule.control
        if one.rule.role == "laid":
            square, told = one.body in squares, _hint_on(one, hints)
            length = float(np.ptp(control.at_mm))
            lift, u = lift_mm(grey, one.polygon.xy, length, square=square, hint=told)
            one = replace(one, rule=replace(one.rule, control=replace(control, lift_mm=lift, lift_u_mm=u)))
        elif one.role_sure < CERTAIN:
            control = replace(control, lift_mm=CLEAR_MM[0], lift_u_mm=CLEAR_MM[1])
            one = replace(one, rule=replace(one.rule, control=control))
        rules.append(one)
    return replace(search, rules=tuple(rules))


def _hint_on(one: PhotoRule, hints: Sequence[RuleHint]) -> RuleHint | None:
    """Return the hint that points at a rule; one without a place is meant for every rule."""
    ring = one.polygon.xy.astype(np.float32)
    for hint in hints:
        if hint.near is None or cv2.pointPolygonTest(ring, hint.near, True) > -NEAR_HINT_PX:
            return hint
    return None


def _is_metal(grey: Grey, polygon_px: FloatArray) -> bool:
    """Whether a body is clearly darker than what lies round it; glare and marks are too small a part to matter."""
    low = np.maximum(np.floor(polygon_px.min(axis=0)).astype(int) - BESIDE_PX, 0)
    high = np.ceil(polygon_px.max(axis=0)).astype(int) + BESIDE_PX + 1
    window = grey[low[1] : high[1], low[0] : high[0]]
    body = np.zeros(window.shape, dtype=np.uint8)
    cv2.fillPoly(body, [np.rint(polygon_px - low).astype(np.int32)], 1)
    near, far = (cv2.dilate(body, np.ones((2 * reach + 1,) * 2, np.uint8)) for reach in (CLEAR_PX, BESIDE_PX))
    inside, outside = (_usual(window[mask > 0]) for mask in (body, far - near))
    return inside < (1.0 - DARKER) * outside


def _usual(values: Grey) -> float:
    """Return the usual light grey: marks and drawn lines are darker and fewer."""
    return float(np.percentile(values[:: max(1, len(values) // SAMPLES)], 65)) if len(values) else 0.0
