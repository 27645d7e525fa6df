"""How thick a laid rule is, by its wall: the camera sees the side that faces the point below it.

Between the rule's face and the paper lies a narrow band of another tone, as wide as the camera sees of the thickness.
The band's two edges are placed on the light across the rule, pooled along it, by least squares: three tones and a
ramp (what shadow there is on the paper), blurred alike. The tones are linear in the model and taken out of it (variable
projection; Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.optimize import least_squares
from scipy.special import ndtr

from calibration.frames import FloatArray, PxPoints
from digitize.rule.photo_heights import Height
from digitize.rule.photo_records import PhotoRule
from digitize.rule.strip import Grey

PIECES = 8  # along an edge, each with its own answer
LEAST_PIECES = 4
INSIDE_PX, OUTSIDE_PX, STEP_PX = 16.0, 26.0, 0.5  # across an edge, from the feet of its graduations
COLUMN_PX = 1.0  # along it
FACE_PX = 8.0  # further in than this there is nothing but the face
RIMS_TRIED = 2  # to lighter and to darker each
OTHER_FACE = 0.5  # of the wall's depth
FEET_MM = 1.5  # from the feet of the graduations to the rim, at most
NEAR_PX = (6.0, 7.0)  # what the model is held against, beyond the band to both sides
WIDE_PX = np.geomspace(0.7, 14.0, 12)  # widths that are tried to begin with
MOST_MM = 5.0
LEAST_SEEN = 1.2  # px of a mm's height: narrower bands cannot be told from the shadow at their foot
BLUR_PX = (0.4, 0.9, 2.5)  # least, start, most; 1 sigma
GAMMA = 2.2  # light is blurred, not grey values: without that a dark band comes out too narrow
LEAST_DEPTH = 0.04  # of full light, by which a wall is darker, or lighter, than what lies to both sides
MISFIT_SHARE, MISFIT_FLOOR = 0.08, 0.004  # of the depth, and of full light: a model further off is another thing
LEAST_SEEN_PX = 0.7  # a narrower band's tone and width cannot be told apart
# The upper edge of no rule is sharp: where it rounds off it has turned half way to the wall, 0.3 radii inside the rim.
# The radius is taken for 0.1 mm, and the 1 sigma covers a sharp edge and one of 0.2 mm (common practice, no source).
ROUND_MM, EDGE_U_MM = 0.03, 0.035
SHADED = 1.5  # by how many times that more where the wall's foot lies in a shadow as deep as the wall is dark
# 1 sigma of a band of 1 px by the shadow that lies closest and by sharpening, less the wider it is; measured on made
# photos, whose edges are rounded by 0.05 to 0.2 mm
NARROW_U_PX = 0.6
MUCH_LESS_CLEAR = 2.0  # a piece's sigma over the best one's, and it does not count beside enough better ones
ALIKE = 2.0  # neighbouring places across an edge share their errors: their number counts by its square root over this
MAD_TO_SIGMA = 1.4826

RisePx = Callable[[PxPoints], FloatArray]  # (N, 2) px that a place moves by for every mm above the paper


@dataclass(frozen=True, eq=False)
class _Piece:
    """The light across one piece of an edge, and how much of a mm's height is seen there."""

    at_px: FloatArray  # (K,) outwards
    light: FloatArray  # (K,) 0 to 1
    seen_px_per_mm: float
    px_per_mm: float


def wall_of(grey: Grey, rule: PhotoRule, rise_px: RisePx) -> Height | None:
    """Return the height of a graduated edge's upper rim by its wall, or None where no wall shows.

    Args:
        grey: (H, W) the photo.
        rule: the edge, with the body that it belongs to.
        rise_px: how places move in the picture as they rise; of a camera that is known roughly.
    """
    heights = [found for piece in _pieces(grey, rule, rise_px) if (found := _height(piece)) is not None]
    if len(heights) < LEAST_PIECES:
        return None
    found, u = np.array(heights).T
    clear = u <= max(MUCH_LESS_CLEAR * u.min(), np.sort(u)[LEAST_PIECES - 1])  # one may look clear by chance
    found, u = found[clear], u[clear]
    middle = float(np.median(found))
    spread = MAD_TO_SIGMA * float(np.median(np.abs(found - middle))) / np.sqrt(len(found))
    return Height(middle, float(np.hypot(spread, np.median(u))))


def _pieces(grey: Grey, rule: PhotoRule, rise_px: RisePx) -> list[_Piece]:
    """Return the pieces of an edge whose wall faces the camera."""
    feet = rule.rule.control.places.xy
    centre = rule.polygon.xy.mean(axis=0)
    at_px = np.arange(-INSIDE_PX, OUTSIDE_PX + STEP_PX / 2, STEP_PX)
    pieces = []
    for part in np.array_split(feet, PIECES):
        if len(part) < 2:
            continue
        run = part[-1] - part[0]
        length = float(np.hypot(*run))
        out = np.array([-run[1], run[0]]) / length
        out = out if out @ (part.mean(axis=0) - centre) > 0.0 else -out
        seen = float(-rise_px(PxPoints(part.mean(axis=0)[None]))[0] @ out)
        if seen > LEAST_SEEN:
            columns = part[0] + np.linspace(0.0, 1.0, max(2, round(length / COLUMN_PX)))[:, None] * run
            px_per_mm = rule.rule.pitch_px / rule.rule.pitch_mm
            pieces.append(_Piece(at_px, _across(grey, columns, out, at_px), seen, px_per_mm))
    return pieces


def _across(grey: Grey, columns: FloatArray, out: FloatArray, at_px: FloatArray) -> FloatArray:
    """Return the usual light at each distance, 0 to 1; graduations and drawn lines cover less than half of an edge."""
    places = (columns[:, None] + at_px[None, :, None] * out).astype(np.float32)
    values = cv2.remap(grey, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray((np.median(values, axis=0) / 255.0) ** GAMMA, dtype=np.float64)


def _height(piece: _Piece) -> tuple[float, float] | None:
    """Return the height by one piece and its 1 sigma, mm, or None."""
    fits = [found for rim in _rims(piece) if (found := _fitted(piece, rim)) is not None]
    if not fits:
        return None
    _, wide, u = min(fits)
    if wide < LEAST_SEEN_PX:
        return None
    return wide / piece.seen_px_per_mm, u / piece.seen_px_per_mm


def _rims(piece: _Piece) -> list[float]:
    """Return where the body may end: at the steepest changes to lighter, and to darker, as near as a rim can be.

    There are several, as a line drawn beside the rule changes more than a wall.
    """
    near = piece.at_px < FEET_MM * piece.px_per_mm + MOST_MM * piece.seen_px_per_mm
    slope = np.gradient(cv2.GaussianBlur(piece.light[None], (0, 0), 1.0 / STEP_PX)[0])
    rims = []
    for steep in (slope, -slope):
        tops = np.flatnonzero((steep[1:-1] > steep[:-2]) & (steep[1:-1] >= steep[2:]) & near[1:-1]) + 1
        rims += [float(piece.at_px[k]) for k in tops[np.argsort(-steep[tops])][:RIMS_TRIED]]
    return rims


def _fitted(piece: _Piece, foot: float) -> tuple[float, float, float] | None:
    """Return (misfit, width, its sigma; px) of the band that ends about there, or None where it is no wall."""
    most = MOST_MM * piece.seen_px_per_mm
    widths = WIDE_PX[most > WIDE_PX]
    at, light = _window(piece, foot, float(widths[-1]))  # all widths are tried on the same places
    wide = min(widths, key=lambda width: _rms(_misfit(np.array([foot, width, BLUR_PX[1]]), at, light)[0]))
    at, light = _window(piece, foot, wide)
    low, high = np.array([foot - NEAR_PX[0], 0.05, BLUR_PX[0]]), np.array([foot + NEAR_PX[1], most, BLUR_PX[2]])
    found = least_squares(lambda x: _misfit(x, at, light)[0], [foot, wide, BLUR_PX[1]], bounds=(low, high),
                          x_scale=[1.0, 1.0, 0.3])  # fmt: skip
    off, (face, wall, paper, *ramp) = _misfit(found.x, at, light)
    depth, rms = min(abs(wall - face), abs(wall - paper)), _rms(off)
    between = (wall - face) * (wall - paper) <= 0.0
    off_feet = abs(found.x[0] - found.x[1]) > FEET_MM * piece.px_per_mm
    elsewhere = off_feet or abs(face - _face(piece)) > OTHER_FACE * depth  # a line drawn beside the rule
    unlike = between or depth < LEAST_DEPTH or rms > max(MISFIT_FLOOR, MISFIT_SHARE * depth)
    if elsewhere or unlike or _at_bound(found.x, low, high):
        return None
    spread = np.linalg.pinv(found.jac.T @ found.jac)[1, 1]
    lit = paper + sum(ramp)  # beyond the shadow
    shaded = min(1.0, abs(lit - paper) / max(abs(lit - wall), LEAST_DEPTH))
    wide = float(found.x[1]) - ROUND_MM * piece.px_per_mm
    edges_u = EDGE_U_MM * piece.px_per_mm * (1.0 + SHADED * shaded)
    parts = [edges_u, NARROW_U_PX / max(wide, LEAST_SEEN_PX), ALIKE * rms * np.sqrt(spread)]
    return rms, wide, float(np.hypot.reduce(parts))


def _face(piece: _Piece) -> float:
    """Return the light of the rule's face, as it is well inside the feet of the graduations."""
    return float(np.median(piece.light[piece.at_px < -FACE_PX]))


def _window(piece: _Piece, foot: float, wide: float) -> tuple[FloatArray, FloatArray]:
    """Return the places and the light that a band is held against."""
    near = (piece.at_px > foot - wide - NEAR_PX[0]) & (piece.at_px < min(foot + NEAR_PX[1], _line_beside(piece, foot)))
    return piece.at_px[near], piece.light[near]


def _line_beside(piece: _Piece, foot: float) -> float:
    """Return where a drawn line begins beside the wall, inf where none does.

    Beyond the foot there is only more light, as the shadow ends; what is darker again is drawn.
    """
    beyond = piece.at_px > foot
    light = piece.light[beyond]
    darker = np.flatnonzero(np.maximum.accumulate(light) - light > LEAST_DEPTH)
    return float(piece.at_px[beyond][np.argmax(light[: darker[0]])]) if len(darker) else np.inf


def _rms(off: FloatArray) -> float:
    return float(np.sqrt(np.mean(off**2)))


def _at_bound(x: FloatArray, low: FloatArray, high: FloatArray) -> bool:
    near = 1e-3 * (high - low)
    return bool(np.any(x < low + near) or np.any(x > high - near))


def _misfit(x: FloatArray, at: FloatArray, light: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (K,) model - light with the tones that fit best, and the tones: face, wall, paper, and the ramp."""
    foot, wide, blur = x
    on_wall, on_paper = ndtr((at - foot + wide) / blur), ndtr((at - foot) / blur)
    beyond = np.maximum(at - foot, 0.0) / NEAR_PX[1]
    design = np.column_stack([1.0 - on_wall, on_wall - on_paper, on_paper, beyond, beyond**2])
    tones = np.linalg.lstsq(design, light, rcond=None)[0]
    return design @ tones - light, tones
