"""A part's edge in its picture: as a scanner sees it, or with the walls that a camera sees beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.frames import FloatArray
from digitize.fit_shapes import EdgePlaces, HalfCurve
from digitize.part_edge import Wall, follow, follow_line, follow_walled
from digitize.part_view import PartView


def seen_edge(
    view: PartView, curve: HalfCurve, sheet_to_body: FloatArray, out: float, reach_mm: float, usual: float = 0.0
) -> tuple[EdgePlaces, FloatArray]:
    """Return where a part's edge runs along a curve, and 1 sigma (N,) of what its wall makes of that, mm.

    Args:
        view: the part's picture.
        curve: in the body frame.
        sheet_to_body: (2, 3) affine, good to a millimetre.
        out: +1 where the curve's normals point away from the material, -1 into it.
        reach_mm: to both sides of the curve.
        usual: slope, grey values a pixel, that a clear edge has, where most of the curve may have none.
    """
    if view.drawn:
        ink = view.ink if curve.xy_mm[:, 0].any() else "middle"  # a centerline is meant as it is
        picture = (view.picture.grey, view.calibration)
        edge, _ = follow_line(*picture, curve, sheet_to_body, reach_mm, ink, usual)
        return edge, np.zeros(len(curve.xy_mm))
    if view.stand_mm is None:
        edge = follow(view.picture.grey, view.calibration, curve, sheet_to_body, reach_mm, usual)
        return edge, np.zeros(len(curve.xy_mm))
    wall = Wall(wall_mm(view, curve, sheet_to_body, out), out, view.thickness_mm)
    edge, u = follow_walled(view.picture.grey, view.calibration, curve, sheet_to_body, wall, reach_mm, usual)
    if view.thickness_told:
        return edge, u
    untold = replace(view, thickness_mm=view.thickness_u_mm)
    return edge, np.hypot(u, wall_mm(untold, curve, sheet_to_body, out))


def wall_mm(view: PartView, curve: HalfCurve, sheet_to_body: FloatArray, out: float) -> FloatArray:
    """Return how far beyond the rim of the face the wall's foot shows (N,), across the curve; 0 where it does not.

    Seen from the camera, the foot of a wall lies on the rim drawn nearer to the point under the camera, by the part's
    thickness as a share of the camera's height.
    """
    share = view.thickness_mm / view.stand_mm if view.stand_mm else 0.0
    if share <= 0.0 or view.foot_mm is None:
        return np.zeros(len(curve.xy_mm))
    under = sheet_to_body[:, :2] @ view.foot_mm + sheet_to_body[:, 2]
    moved = share * (under - curve.xy_mm)
    plain = out * np.einsum("ni,ni->n", moved, curve.normal)
    reach = int(np.ceil(np.hypot(*moved.T).max() / curve.step_mm)) + 2
    at = np.arange(len(curve.xy_mm))[:, None] + np.arange(-reach, reach + 1)[None, :]
    whole = (at >= 0) & (at < len(curve.xy_mm))
    at = np.clip(at, 0, len(curve.xy_mm) - 1)
    away = curve.xy_mm[at] + moved[at] - curve.xy_mm[:, None, :]
    tangent = np.column_stack([-curve.normal[:, 1], curve.normal[:, 0]])
    along = np.einsum("nki,ni->nk", away, tangent)
    across = out * np.einsum("nki,ni->nk", away, curve.normal)
    crossed = whole[:, :-1] & whole[:, 1:] & (along[:, :-1] * along[:, 1:] <= 0.0)
    middle = np.abs(np.arange(2 * reach) - reach + 0.5)
    first = np.where(crossed, middle, np.inf).argmin(axis=1)
    rows = np.arange(len(plain))
    a, b = along[rows, first], along[rows, first + 1]
    part = np.where(a == b, 0.0, a / np.where(a == b, 1.0, a - b))
    met = (1.0 - part) * across[rows, first] + part * across[rows, first + 1]
    return np.asarray(np.maximum(np.where(crossed.any(axis=1), met, plain), 0.0))
