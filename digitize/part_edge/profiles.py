"""Grey values across a curve, and the edge that runs along it: steepest place, to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

from calibration.frames import BoolArray, FloatArray, IntArray, PxPoints, SheetPoints
from calibration.solve import Calibration
from digitize.fit_shapes import EdgePlaces

# An edge is looked for by the slope of a Gaussian of this width: about that of a sharp scan's own blur.
SLOPE_PX = 1.3
STEP_PX = 0.5
# A shadow's slope goes on for many pixels; a Gaussian so many times wider sees it as well, and an edge much less:
# taking the one from the other leaves the edge.
WIDER = 3.2
# Neighbouring profiles are averaged over this much of the curve: a cut edge does not change within it.
ALONG_MM = 0.6
# The way along the curve: what it costs to change sides by this much from one station to the next, and to be far off.
JUMP_MM, JUMP_COST = 0.1, 0.06
FAR_COST = 0.35
MOST_JUMP_MM = 0.3
# The other direction of light to dark counts this much.
OTHER_WAY = 0.3
# An edge must be this part of the usual one's strength, and this many times the noise.
LEAST_STRENGTH, LEAST_OVER_NOISE = 0.22, 4.0
MAD_TO_SIGMA = 1.4826
CLIMB = 8  # samples
# Levels beside an edge are taken from here to there: beyond the width of any drawn line.
LEVEL_MM = (1.0, 2.0)


@dataclass(frozen=True, eq=False)
class Profiles:
    """Slopes of grey values across a curve."""

    slope: FloatArray  # (N, M) grey values a pixel, + lighter outwards; of a sharp edge, without what is soft
    grey: FloatArray  # (N, M)
    off_mm: FloatArray  # (M,) of the samples, + outwards
    whole: BoolArray  # (N,) the whole profile lies in the picture
    step_px: float


def profiles(
    grey: npt.NDArray[np.uint8],
    calibration: Calibration,
    places_mm: FloatArray,
    normals: FloatArray,
    reach_mm: float,
    *,
    coarse_mm: float = 0.0,
    along: float = 0.0,
    sharp: bool = False,
) -> Profiles:
    """Return slopes across a curve.

    Args:
        grey: (H, W).
        calibration: of the picture.
        places_mm: (N, 2) stations in order, sheet mm.
        normals: (N, 2) unit, outwards, sheet frame.
        reach_mm: to both sides.
        coarse_mm: width of the slope's Gaussian where it is to be wider than a sharp edge.
        along: neighbours averaged, 1 sigma, stations.
        sharp: shadows are to be told from edges.
    """
    mm_per_px = float(np.sqrt(calibration.mm_per_px_x * calibration.mm_per_px_y))
    sigma_px = max(SLOPE_PX, coarse_mm / mm_per_px)
    step_px = STEP_PX * max(1.0, sigma_px / SLOPE_PX / 2.0)
    half = int(np.ceil(reach_mm / mm_per_px / step_px))
    off_mm = np.asarray(np.arange(-half, half + 1) * step_px * mm_per_px, dtype=np.float64)
    spots = places_mm[:, None, :] + off_mm[None, :, None] * normals[:, None, :]
    px = calibration.to_px(SheetPoints(spots.reshape(-1, 2))).xy.reshape(spots.shape)
    high, wide = grey.shape
    inside = (px[..., 0] > 1) & (px[..., 0] < wide - 2) & (px[..., 1] > 1) & (px[..., 1] < high - 2)
    values = cv2.remap(
        grey, px[..., 0].astype(np.float32), px[..., 1].astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float64)  # fmt: skip
    if along > 0.0:
        values = gaussian_filter1d(values, along, axis=0, mode="nearest")
    slope = gaussian_filter1d(values, sigma_px / step_px, axis=1, order=1, mode="nearest") / step_px
    if sharp:
        slope -= gaussian_filter1d(values, WIDER * sigma_px / step_px, axis=1, order=1, mode="nearest") / step_px
    slope = np.where(inside, slope, 0.0)
    middle = inside[:, half // 2 : -(half // 2) or None].all(axis=1)
    return Profiles(np.asarray(slope, dtype=np.float64), np.asarray(values, dtype=np.float64), off_mm, middle, step_px)


def edge_way(found: Profiles, step_mm: float, usual: float = 0.0) -> tuple[IntArray, float]:
    """Return the sample (N,) at which the edge runs through each profile, and its direction of light (+1, -1).

    ``usual`` is the slope that a clear edge has, where most of the profiles may have none.
    """
    size = np.abs(found.slope)
    usual = max(float(np.median(size.max(axis=1))), usual, 1e-6)
    way = cheapest(np.minimum(size / usual, 1.0), found.off_mm, step_mm)
    rows = np.arange(len(way))
    signed = found.slope[rows, way]
    sign = 1.0 if float(np.sum(signed * np.abs(signed))) >= 0.0 else -1.0
    strength = np.maximum(sign * found.slope, OTHER_WAY * size)
    return cheapest(np.minimum(strength / usual, 1.0), found.off_mm, step_mm), sign


def cheapest(strength: FloatArray, off_mm: FloatArray, step_mm: float) -> IntArray:
    """Return the way of least cost through strengths (N, M): strong places, few jumps, near the middle."""
    sample_mm = float(off_mm[1] - off_mm[0])
    reach = float(off_mm[-1])
    most = max(1, int(MOST_JUMP_MM * max(1.0, step_mm / 0.5) / sample_mm))
    cost = 1.0 - strength + FAR_COST * (off_mm / reach) ** 2
    jumps = np.arange(-most, most + 1)
    price = JUMP_COST * (jumps * sample_mm / JUMP_MM) ** 2 / max(1.0, step_mm / 0.5)
    total, back = cost[0], np.zeros(cost.shape, dtype=np.int64)
    columns = np.arange(len(off_mm))
    for row in range(1, len(cost)):
        padded = np.pad(total, most, constant_values=np.inf)
        options = np.lib.stride_tricks.sliding_window_view(padded, 2 * most + 1) + price
        best = options.argmin(axis=1)
        back[row] = np.clip(columns + jumps[best], 0, len(off_mm) - 1)
        total = options[columns, best] + cost[row]
    way = np.empty(len(cost), dtype=np.int64)
    way[-1] = int(total.argmin())
    for row in range(len(cost) - 1, 0, -1):
        way[row - 1] = back[row, way[row]]
    return way


def steepest(found: Profiles, way: IntArray, sign: float, climb: int = CLIMB) -> IntArray:
    """Return the sample (N,) of the steepest place next to a way, uphill from it, no more than so many samples."""
    rows, last = np.arange(len(way)), found.slope.shape[1] - 2
    towards = sign * found.slope
    top = np.clip(way, 1, last)
    for _ in range(climb):
        near = np.stack([towards[rows, top - 1], towards[rows, top], towards[rows, top + 1]])
        top = np.clip(top + near.argmax(axis=0) - 1, 1, last)
    return top


def edge_places(
    found: Profiles,
    way: IntArray,
    sign: float,
    places_mm: FloatArray,
    normals: FloatArray,
    least: float = 0.0,
    over_noise: float = LEAST_OVER_NOISE,
) -> EdgePlaces:
    """Return where the edge is, to a fraction of a sample: the top of the parabola through its steepest three.

    Args:
        found: the profiles.
        way: (N,) the sample near which it runs.
        sign: of its slope.
        places_mm: (N, 2) the stations.
        normals: (N, 2).
        least: slope below which nothing is taken for it, besides what the profiles themselves ask for.
        over_noise: nor below so many times their noise.
    """
    rows, last = np.arange(len(way)), found.slope.shape[1] - 2
    towards, top = sign * found.slope, steepest(found, way, sign)
    before, here, after = towards[rows, top - 1], towards[rows, top], towards[rows, top + 1]
    bend = before - 2.0 * here + after
    part = np.where(bend < 0.0, 0.5 * (before - after) / np.where(bend < 0.0, bend, -1.0), 0.0)
    step_mm = float(found.off_mm[1] - found.off_mm[0])
    off = found.off_mm[top] + np.clip(part, -0.6, 0.6) * step_mm
    noise = MAD_TO_SIGMA * float(np.median(np.abs(found.slope)))
    strong = np.maximum(here, 0.0)
    usual = float(np.median(strong))
    clear = (here > LEAST_STRENGTH * usual) & (here > over_noise * noise) & (here > least)
    seen = clear & found.whole & (np.abs(part) <= 0.6) & (top > 2) & (top < last - 1)
    points = places_mm + off[:, None] * normals
    inner, outer = (_level(found, top, side) for side in (-1, 1))
    return EdgePlaces(np.where(seen[:, None], points, np.nan), seen, sign * here, inner, outer)


def _level(found: Profiles, top: IntArray, side: int) -> FloatArray:
    """Return the grey value beside the edge."""
    sample_mm = float(found.off_mm[1] - found.off_mm[0])
    first, last = (round(mm / sample_mm) for mm in LEVEL_MM)
    columns = np.clip(top[:, None] + side * np.arange(first, last + 1), 0, found.grey.shape[1] - 1)
    return np.asarray(np.median(np.take_along_axis(found.grey, columns, axis=1), axis=1))


def sheet_normals(normals: FloatArray, body_to_sheet: FloatArray) -> FloatArray:
    """Return unit normals of the body frame in the sheet's, turned as the rigid part of the affine does."""
    turned = normals @ body_to_sheet[:, :2].T
    return np.asarray(turned / np.hypot(*turned.T)[:, None])


def px_to_sheet(calibration: Calibration, px: FloatArray) -> FloatArray:
    """Return (N, 2) px in sheet mm."""
    return np.asarray(calibration.to_sheet(PxPoints(px)).xy)
