"""Curvature as combs: of the outline as it is, and of the few arcs and the spline that stand for it, side by side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from calibration.frames import FloatArray
from digitize import arcs, bsplines
from digitize.curve import arc_length, resample, right_normals, unit_tangents
from digitize.report import charts
from digitize.shapes import ArcPath, FairSpline

# Pictures are this high.
HEIGHT_PX, MARGIN_PX = 640.0, 170.0
COMB_STEP_MM, COMB_BLUR_MM, COMB_PX = 4.0, 3.0, 80.0
SAMPLE_MM = 0.5
# The comb's longest hair stands for the curvature that all but this part of the outline keep below.
USUAL_PART = 0.97


@dataclass(frozen=True)
class _Sheet:
    """From body mm to a picture, neck up."""

    low: FloatArray
    high: FloatArray

    @property
    def factor(self) -> float:
        return HEIGHT_PX / max(float(self.high[1] - self.low[1]), 1e-9)

    @property
    def size(self) -> tuple[float, float]:
        width = float(self.high[0] - self.low[0]) * self.factor
        return width + 2 * MARGIN_PX, HEIGHT_PX + 2 * MARGIN_PX

    def px(self, xy: FloatArray) -> FloatArray:
        x, y = (xy[:, 0] - self.low[0]) * self.factor, (self.high[1] - xy[:, 1]) * self.factor
        return np.column_stack([x, y]) + MARGIN_PX

    def hairs(self, kind: str, xy: FloatArray, normal: FloatArray, length_px: FloatArray) -> list[str]:
        """Return lines from places along their outward normals."""
        start = self.px(xy)
        end = start + length_px[:, None] * normal * (1.0, -1.0)
        return [
            f'<line class="{kind}" x1="{a:.1f}" y1="{b:.1f}" x2="{c:.1f}" y2="{d:.1f}"/>'
            for (a, b), (c, d) in zip(start, end, strict=True)
        ]


def _path(kind: str, px: FloatArray, close: str = "") -> str:
    return f'<path class="{kind}" d="M' + "L".join(f"{x:.1f} {y:.1f}" for x, y in px) + f'{close}"/>'


def comb_picture(body: FloatArray) -> Markup:
    """Return the outline with a hair for its curvature at every few mm: outward where it bulges."""
    xy = resample(body, 0.5, closed=True)
    reach = round(COMB_BLUR_MM / 0.5)
    ahead, back = np.roll(xy, -reach, axis=0) - xy, xy - np.roll(xy, reach, axis=0)
    turn = np.arctan2(ahead[:, 1] * back[:, 0] - ahead[:, 0] * back[:, 1], np.einsum("ij,ij->i", ahead, back))
    bend = turn / (arc_length(xy, closed=True)[-1] / len(xy) * reach)
    sheet = _Sheet(xy.min(axis=0), xy.max(axis=0))
    usual = max(float(np.quantile(np.abs(bend), 0.97)), 1e-6)
    length = np.clip(bend / usual, -1.2, 1.2) * COMB_PX
    normal = right_normals(unit_tangents(xy, closed=True))
    some = slice(None, None, round(COMB_STEP_MM / 0.5))
    tips = sheet.px(xy) + length[:, None] * normal * (1.0, -1.0)
    parts = [
        _path("body", sheet.px(xy[some]), "Z"),
        *sheet.hairs("tick", xy[some], normal[some], length[some]),
        _path("line", tips[some], "Z"),
    ]
    return charts.figure("The outline's curvature as a comb", parts, sheet.size)


def arcs_comb(path: ArcPath) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return places (N, 2), outward normals (N, 2) and curvature (N,) along arcs; it jumps where two of them meet."""
    starts, ends, bulge = arcs.segments(path)
    _, radius = arcs.centres(path)
    bend = np.where(np.isfinite(radius), np.sign(bulge) / np.where(np.isfinite(radius), radius, 1.0), 0.0)
    chord = ends - starts
    heading, half = np.arctan2(chord[:, 1], chord[:, 0]), 2.0 * np.arctan(bulge)
    counts = np.maximum(np.ceil(arcs.segment_lengths(path) / SAMPLE_MM), 1.0).astype(np.int64)
    rows = []
    for k, count in enumerate(counts):
        part = np.linspace(0.0, 1.0, count + 1)
        toward = heading[k] + half[k] * (2.0 * part - 1.0)
        places = arcs.point_on(starts[k], ends[k], bulge[k], part)
        rows.append((places, np.column_stack([np.cos(toward), np.sin(toward)]), np.full(count + 1, bend[k])))
    xy, tangent, curvature = (np.concatenate(column) for column in zip(*rows, strict=True))
    return xy, right_normals(tangent), curvature


def spline_comb(spline: FairSpline) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return places (N, 2), outward normals (N, 2) and curvature (N,) along splines."""
    rows = []
    for curve in spline.curves:
        at = bsplines.spread(curve, SAMPLE_MM)
        slope = bsplines.values(curve, at, 1)
        normal = right_normals(slope / np.hypot(*slope.T)[:, None])
        rows.append((bsplines.values(curve, at), normal, bsplines.curvature(curve, at)))
    xy, normal, bend = (np.concatenate(column) for column in zip(*rows, strict=True))
    return xy, normal, bend


def both_combs(path: ArcPath, spline: FairSpline) -> Markup:
    """Return the combs of arcs and spline in one picture: steps against an even line."""
    xy, normal, bend = spline_comb(spline)
    sheet = _Sheet(xy.min(axis=0), xy.max(axis=0))
    usual = max(float(np.quantile(np.abs(bend), USUAL_PART)), 1e-6)

    def tips(at: FloatArray, out: FloatArray, curvature: FloatArray) -> tuple[FloatArray, FloatArray]:
        length = np.clip(curvature / usual, -1.2, 1.2) * COMB_PX
        return length, sheet.px(at) + length[:, None] * out * (1.0, -1.0)

    length, even = tips(xy, normal, bend)
    _, steps = tips(*arcs_comb(path))
    some = slice(None, None, round(COMB_STEP_MM / SAMPLE_MM))
    parts = [
        _path("body", sheet.px(xy[some]), "Z"),
        *sheet.hairs("tick", xy[some], normal[some], length[some]),
        _path("copied", steps, "Z"),
        _path("line", even, "Z"),
    ]
    return charts.figure("The curvature of the few arcs and of the spline as combs", parts, sheet.size)


def largest_jump(path: ArcPath) -> float:
    """Return by how much the curvature of arcs jumps at most where two meet without a corner, 1/mm."""
    starts, ends, bulge = arcs.segments(path)
    _, radius = arcs.centres(path)
    bend = np.where(np.isfinite(radius), np.sign(bulge) / np.where(np.isfinite(radius), radius, 1.0), 0.0)
    chord = ends - starts
    heading, half = np.arctan2(chord[:, 1], chord[:, 0]), 2.0 * np.arctan(bulge)
    turn = (heading - half - np.roll(heading + half, 1) + np.pi) % (2.0 * np.pi) - np.pi
    jump = np.abs(bend - np.roll(bend, 1))
    return float(jump[np.abs(turn) < np.radians(0.1)].max(initial=0.0))
