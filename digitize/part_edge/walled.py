"""The rim of a part's face in a photo, where its wall shows beside it: two edges, a known way apart.

The camera looks at a wall wherever the part's outside turns towards the point under it. The wall then lies between the
face's rim and its foot on the paper, as wide as the part's thickness and the camera's place make it. Both edges are
looked for together: a rim alone may be faint (the wall has the face's tone), a foot alone is a wall's width off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from calibration.frames import BoolArray, FloatArray, IntArray
from calibration.solve import Calibration
from digitize.fit_shapes import EdgePlaces, HalfCurve
from digitize.part_edge.profiles import (
    ALONG_MM,
    MAD_TO_SIGMA,
    OTHER_WAY,
    SLOPE_PX,
    Profiles,
    cheapest,
    edge_places,
    profiles,
    sheet_normals,
    steepest,
)
from digitize.part_edge.step import steps_at
from digitize.part_edge.wall_steps import LEAST_WIDE, Apart, apart, likeliest_tones, smoothed, together

# A wall narrower than the first changes nothing; from the second on its two edges are placed each for itself.
SEEN_PX, APART_PX = 0.7, 7.0
# How much the rim's edge counts on the way, the foot's the rest: where one shows it is the foot, for a wall has the
# face's tone rather than the paper's.
RIM_SAYS = 0.35
# 1 sigma of the rim's share in the whole step where a wall is narrow; the share and its sigma where nothing tells it.
TONE_U, USUAL_TONE, USUAL_TONE_U, LEAST_TONES = 0.25, 0.3, 0.4, 12
NEIGHBOURS_MM, LEAST_TOLD = 12.0, 0.3  # so near, this share of the places must show both edges
CLIMB = 4  # samples from the way to the steepest place near it, no more: grain may be steeper
STRAY_OF_MM, STRAY_MM, STRAY_SIGMAS = 15.0, 0.1, 5.0
MEDIAN_OF = 12  # neighbours to both sides
THICKNESS_U, SQUARE_U = 0.15, 0.009  # mm; mm for each mm of thickness: half a degree off square


@dataclass(frozen=True, eq=False)
class Wall:
    """How a part's wall shows along a curve."""

    wide_mm: FloatArray  # (N,) how far beyond the rim its foot is seen; 0 where the face hides it
    out: float  # +1 where the curve's normals point away from the material, -1 into it
    thick_mm: float


def follow_walled(
    grey: npt.NDArray[np.uint8], calibration: Calibration, curve: HalfCurve, sheet_to_body: FloatArray, wall: Wall,
    reach_mm: float, usual: float = 0.0,
) -> tuple[EdgePlaces, FloatArray]:  # fmt: skip
    """Return where the rim of a part's face runs along a curve, and what its wall makes of that: 1 sigma (N,), mm.

    Args:
        grey: (H, W).
        calibration: of the picture, in the plane of the face.
        curve: in the body frame.
        sheet_to_body: (2, 3) affine, good to a millimetre.
        wall: beside it.
        reach_mm: to both sides of the curve.
        usual: slope, grey values a pixel, that a clear edge has, where most of the curve may have none.
    """
    linear = np.linalg.inv(sheet_to_body[:, :2])
    stations = (curve.xy_mm - sheet_to_body[:, 2]) @ linear.T
    normals = sheet_normals(wall.out * curve.normal, np.column_stack([linear, np.zeros(2)]))
    wide_mm = wall.wide_mm
    reach = reach_mm + float(wide_mm.max())
    seen = profiles(grey, calibration, stations, normals, reach, along=ALONG_MM / curve.step_mm, sharp=True)
    mm = float(seen.off_mm[1] - seen.off_mm[0])
    wide_px = wide_mm / mm * seen.step_px
    way, foot, sign = _way(seen, wide_mm, curve.step_mm, usual, reach_mm)
    walls, broad = wide_px > SEEN_PX, wide_px >= APART_PX
    plain, at_foot = (edge_places(seen, where, sign, stations, normals) for where in (way, foot))
    off, found, blur = _bare(seen, way, sign, ~walls)
    found &= plain.seen
    wide = apart(_some(seen, broad), way[broad], foot[broad], sign, wide_mm[broad])
    off[broad], found[broad] = wide.off_mm, wide.seen
    narrow = walls & ~broad
    share, tone_u = _share(seen, way, wide_px, wide, broad, narrow, blur)
    if narrow.any():
        steps, _ = together(_some(seen, narrow), way[narrow], wide_px[narrow], share[narrow], blur)
        off[narrow] = seen.off_mm[way[narrow]] + steps.off_px * mm / seen.step_px
        found[narrow] = steps.clear & (sign * steps.height > 0.0) & seen.whole[narrow]
    found &= ~_strays(off, found, curve.step_mm)
    points = np.where(found[:, None], stations + off[:, None] * normals, np.nan)
    inner, outer = plain.inner, np.where(walls, at_foot.outer, plain.outer)
    rise = wall.out * np.where(walls, at_foot.rise, plain.rise)
    edge = EdgePlaces(points, found, rise, inner, outer)
    edge = edge if wall.out > 0 else replace(edge, inner=outer, outer=inner)
    return edge, _u_mm(wall, wide, broad, np.where(narrow, tone_u, 0.0), curve.step_mm)


def _some(found: Profiles, chosen: BoolArray) -> Profiles:
    return replace(found, slope=found.slope[chosen], grey=found.grey[chosen], whole=found.whole[chosen])


def _way(
    seen: Profiles, wide_mm: FloatArray, step_mm: float, usual: float, reach_mm: float
) -> tuple[IntArray, IntArray, float]:
    """Return the samples (N,) at which the rim and the wall's foot run, both at edges, and the foot's direction."""
    size = np.abs(seen.slope)
    usual = max(float(np.median(size.max(axis=1))), usual, 1e-6)
    sample_mm, last = float(seen.off_mm[1] - seen.off_mm[0]), size.shape[1] - 1
    shift = np.rint(wide_mm / sample_mm).astype(int)
    kept = np.flatnonzero(np.abs(seen.off_mm) <= reach_mm)
    columns = np.minimum(np.arange(last + 1)[None, :] + shift[:, None], last)
    at_foot = np.take_along_axis(seen.slope, columns, axis=1)
    wall = (shift * seen.step_px > SEEN_PX)[:, None]
    # No shadow lies on the face, and taking soft slopes out leaves some beside every edge, a narrow wall's width away.
    rim = np.abs(gaussian_filter1d(seen.grey, SLOPE_PX / seen.step_px, axis=1, order=1, mode="nearest")) / seen.step_px
    rim = np.minimum(rim / usual, 1.0)

    def best(plain: FloatArray, foot: FloatArray) -> IntArray:
        strength = np.where(wall, RIM_SAYS * rim + (1.0 - RIM_SAYS) * foot, plain)
        return np.asarray(cheapest(strength[:, kept], seen.off_mm[kept], step_mm) + kept[0])

    rows = np.arange(len(size))
    way = best(np.minimum(size / usual, 1.0), np.minimum(np.abs(at_foot) / usual, 1.0))
    signed = np.where(wall[:, 0], at_foot[rows, way], seen.slope[rows, way])
    sign = 1.0 if float(np.sum(signed * np.abs(signed))) >= 0.0 else -1.0
    one, foot = (
        np.minimum(np.maximum(sign * slope, OTHER_WAY * np.abs(slope)) / usual, 1.0) for slope in (seen.slope, at_foot)
    )
    way = best(one, foot)
    return way, np.minimum(way + shift, last), sign


def _strays(off: FloatArray, found: BoolArray, step_mm: float) -> BoolArray:
    """Return the places (N,) that leave the median of their neighbours: grain, beside a faint edge."""
    strays, known = np.zeros(len(off), dtype=bool), np.flatnonzero(found)
    half = round(STRAY_OF_MM / step_mm / 2.0)
    if len(known) > 2 * half:
        away = np.abs(off[known] - smoothed(off[known], half))
        strays[known] = away > max(STRAY_MM, STRAY_SIGMAS * MAD_TO_SIGMA * float(np.median(away)))
    return strays


def _bare(seen: Profiles, way: IntArray, sign: float, bare: BoolArray) -> tuple[FloatArray, BoolArray, float]:
    """Return the edge (N,) where no wall shows, whether it is clear, and the picture's blur in px by those."""
    off, clear = np.zeros(len(way)), np.zeros(len(way), dtype=bool)
    use = bare if bare.sum() > LEAST_WIDE else np.ones(len(way), dtype=bool)
    part = _some(seen, use)
    top = steepest(part, way[use], sign, CLIMB)
    steps = steps_at(part, top)
    mm_per_px = float(seen.off_mm[1] - seen.off_mm[0]) / seen.step_px
    off[use] = seen.off_mm[top] + steps.off_px * mm_per_px
    clear[use] = steps.clear & (sign * steps.height > 0.0)
    return off, clear, steps.blur_px


def _share(
    seen: Profiles, way: IntArray, wide_px: FloatArray, wide: Apart, broad: BoolArray, narrow: BoolArray, blur_px: float
) -> tuple[FloatArray, float]:
    """Return the rim's step as a share (N,) of the whole, and 1 sigma of that.

    It is as wide walls have it, and as narrow ones look like it.
    """
    share = np.full(len(way), np.nan)
    share[broad] = wide.share
    some = narrow & (wide_px > APART_PX / 3.0)
    if some.sum() >= LEAST_TONES:
        share[some] = likeliest_tones(_some(seen, some), way[some], wide_px[some], blur_px)
    known = np.flatnonzero(np.isfinite(share))
    if len(known) < LEAST_TONES:
        return np.full(len(way), USUAL_TONE), USUAL_TONE_U
    smooth = smoothed(share[known], min(MEDIAN_OF, len(known) // 2))
    return np.clip(np.interp(np.arange(len(way)), known, smooth), -1.0, 2.0), TONE_U


def _u_mm(wall: Wall, wide: Apart, broad: BoolArray, tone_u: FloatArray, step_mm: float) -> FloatArray:
    """Return 1 sigma (N,) of the rim's place by what its wall leaves open."""
    u = tone_u * wall.wide_mm
    by_foot, both = np.zeros(len(u), dtype=bool), np.zeros(len(u))
    both[broad], by_foot[broad] = wide.both, ~wide.by_rim
    near = 2 * max(1, round(NEIGHBOURS_MM / step_mm)) + 1
    told = uniform_filter1d(both, near) > LEAST_TOLD * uniform_filter1d(broad.astype(np.float64), near)
    by_thickness = np.hypot(THICKNESS_U / max(wall.thick_mm, 0.5) * wall.wide_mm, SQUARE_U * wall.thick_mm)
    u = np.where(by_foot, by_thickness, u)
    return np.asarray(np.where(broad & ~told, wall.wide_mm / np.sqrt(3.0), u))
