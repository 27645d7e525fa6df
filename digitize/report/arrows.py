"""The sheet with arrows from where its points should be to where the copier put them, drawn too long to be seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from calibration.frames import FloatArray
from digitize.report.charts import figure
from digitize.report.overlay import reduced
from digitize.report.pictures import as_uri
from digitize.shapes import Picture

SIDE_PX = 1100  # of the scan under the arrows
GRID = 7  # arrows along the longer side
LONGEST_SHARE = 0.07  # of the longer side: the longest arrow
TIMES = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)
HEAD_PX = 7.0
OUTLINE_POINTS = 400


@dataclass(frozen=True, eq=False)
class ErrorMap:
    """How far points are moved: off . (place - middle of the sheet), both in picture px."""

    off: FloatArray  # (2, 2)
    mm_per_px: float  # of the plan, roughly; for the caption

    def moved(self, xy: FloatArray, middle: FloatArray) -> FloatArray:
        """Return (N, 2) by how much each place is off."""
        return np.asarray((xy - middle) @ self.off.T)


@dataclass(frozen=True)
class ErrorPicture:
    """The drawing and what its arrows are worth."""

    svg: Markup
    scale: str


def error_picture(picture: Picture, errors: ErrorMap, outline_px: FloatArray | None) -> ErrorPicture:
    """Return the scan, faint, with arrows and, where it is known, the body as planned and as copied."""
    image, factor = reduced(picture, SIDE_PX)
    size = np.array([image.shape[1], image.shape[0]], dtype=np.float64)
    middle = size / 2.0
    places = _grid(size)
    away = errors.moved(places, middle)
    longest = float(np.max(np.hypot(*away.T)))
    times = _times(longest, float(size.max()))
    parts = [f'<image href="{as_uri(image)}" width="{size[0]:.0f}" height="{size[1]:.0f}" opacity="0.8"/>']
    if outline_px is not None:
        step = max(1, len(outline_px) // OUTLINE_POINTS)
        copied = outline_px[::step] * factor
        planned = copied - errors.moved(copied, middle)
        parts += [_loop(planned, "planned"), _loop(planned + times * errors.moved(planned, middle), "copied")]
    parts += [_arrow(place, place + times * move) for place, move in zip(places, away, strict=True)]
    mm = longest / factor * errors.mm_per_px
    scale = f"arrows are drawn {times} times too long; the longest stands for {mm:.1f} mm"
    title = f"Where the copier moved the points of the sheet: {scale}"
    return ErrorPicture(figure(title, parts, (size[0], size[1])), scale)


def _grid(size: FloatArray) -> FloatArray:
    step = float(size.max()) / GRID
    counts = np.maximum(np.round(size / step), 2).astype(int)
    x, y = ((np.arange(count) + 0.5) * extent / count for count, extent in zip(counts, size, strict=True))
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def _times(longest: float, side: float) -> int:
    """Return a round exaggeration that makes the longest arrow a good part of the sheet, never past it."""
    wanted = LONGEST_SHARE * side / max(longest, 1e-9)
    return max((times for times in TIMES if times <= wanted), default=1)


def _loop(points: FloatArray, kind: str) -> str:
    path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + "Z"
    return f'<path class="{kind}" d="{path}"/>'


def _arrow(start: FloatArray, end: FloatArray) -> str:
    along = end - start
    length = float(np.hypot(*along))
    if length < 1.0:
        return f'<circle class="arrowhead" cx="{start[0]:.1f}" cy="{start[1]:.1f}" r="2"/>'
    unit = along / length
    side = np.array([-unit[1], unit[0]])
    head = min(HEAD_PX, 0.6 * length)
    back = end - head * unit
    corners = " ".join(f"{x:.1f},{y:.1f}" for x, y in (end, back + 0.5 * head * side, back - 0.5 * head * side))
    return (
        f'<line class="arrow" x1="{start[0]:.1f}" y1="{start[1]:.1f}" x2="{back[0]:.1f}" y2="{back[1]:.1f}"/>'
        f'<polygon class="arrowhead" points="{corners}"/>'
    )
