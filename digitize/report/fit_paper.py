"""fit.pdf: the half outline at true size with the part's proud and hollow places enlarged beside it; body frame."""

from __future__ import annotations

import numpy as np

from calibration.frames import FloatArray, frozen_floats
from calibration.part_runs import OffMap
from digitize.arcs import polygon
from digitize.fit_shapes import HalfCurve, Run
from digitize.shapes import ArcPath, Drawing, TextMark, Unit

TIMES = 20.0  # the map is drawn so many times larger than life
MOST_MM = 12.0  # and no further out than this
TEXT_MM, ROOM_MM, OVERRUN_MM = 4.0, 5.0, 15.0
LETTER_WIDTH = 0.6  # of a text's height, about
BRACKET_MM = 3.0


def fit_drawing(
    curve: HalfCurve, found: OffMap, runs: tuple[Run, ...], title: str, unit: Unit, *, out: float, left: bool,
    size_out: bool = False,
) -> Drawing:  # fmt: skip
    """Return the page to lay under the part.

    Args:
        curve: the half, as the right one.
        found: its map.
        runs: the real stretches.
        title: of the pages.
        unit: of sizes, for people.
        out: +1 where material is inside the outline, so that proud is drawn outwards; -1 where it is outside.
        left: draw it as the left half.
        size_out: the whole part is off in size, and that is taken out of its map.
    """
    flip = np.array([-1.0 if left else 1.0, 1.0])
    lines = [
        ("OUTLINE", _line(curve.xy_mm, flip)),
        *(("MAP", _line(part, flip)) for part in _map_lines(curve, found, out)),
    ]
    lines += [("MAP", _line(_bracket(curve, run, out), flip)) for run in runs]
    low, high = float(curve.xy_mm[0, 1]), float(curve.xy_mm[-1, 1])
    lines.append(("CENTERLINE", _line(np.array([(0.0, low - OVERRUN_MM), (0.0, high + OVERRUN_MM)]), flip)))
    texts = [("MAP", _label(curve, run, out, left, sand=not size_out)) for run in runs]
    notes = [
        ("NOTES", TextMark((0.0, 0.0), TEXT_MM, title)),
        ("NOTES", TextMark((0.0, 0.0), TEXT_MM, f"the thin line shows proud and hollow {TIMES:g} times enlarged")),
        ("NOTES", TextMark((0.0, 0.0), TEXT_MM, "the straight edge belongs on the broken line")),
    ]
    if size_out:
        notes.append(("NOTES", TextMark((0.0, 0.0), TEXT_MM, "the wrong size of the whole part is left out of it")))
    return Drawing(tuple(lines), (*texts, *notes), title, unit, {})


def _line(xy: FloatArray, flip: FloatArray) -> ArcPath:
    return polygon(frozen_floats(xy * flip), closed=False)


def _map_lines(curve: HalfCurve, found: OffMap, out: float) -> list[FloatArray]:
    """Return the enlarged map as lines, broken where nothing is known."""
    off = np.clip(TIMES * found.mean_mm, -MOST_MM, MOST_MM) * out
    xy = curve.xy_mm + off[:, None] * curve.normal
    known = np.isfinite(off)
    starts = np.flatnonzero(known & ~np.concatenate([[False], known[:-1]]))
    ends = np.flatnonzero(known & ~np.concatenate([known[1:], [False]])) + 1
    return [xy[a:b] for a, b in zip(starts, ends, strict=True) if b - a > 2]


def _bracket(curve: HalfCurve, run: Run, out: float) -> FloatArray:
    """Return a line along a stretch, on the side where there is wood, with a tick at both ends."""
    some = (curve.along_mm >= run.from_mm) & (curve.along_mm <= run.to_mm)
    side = -out * (MOST_MM + BRACKET_MM)
    line = curve.xy_mm[some] + side * curve.normal[some]
    tick = out * BRACKET_MM
    first, last = (line[i] + tick * curve.normal[some][i] for i in (0, -1))
    return np.vstack([first, line, last])


def _label(curve: HalfCurve, run: Run, out: float, left: bool, *, sand: bool) -> TextMark:
    """Return a stretch's size beside its bracket."""
    at = int(np.argmin(np.abs(curve.along_mm - (run.from_mm + run.to_mm) / 2.0)))
    words = f"{abs(run.size_mm):.2f} mm {'proud' if run.size_mm > 0 else 'hollow'}"
    words += ": sand" if sand and run.size_mm > 0 else ""
    x, y = curve.xy_mm[at] - out * (MOST_MM + BRACKET_MM + ROOM_MM) * curve.normal[at]
    x = -x if left else x
    inward = -out * curve.normal[at, 0] * (-1.0 if left else 1.0)
    wide = LETTER_WIDTH * TEXT_MM * len(words)
    return TextMark((float(x) - (wide if inward < 0.0 else 0.0), float(y) - TEXT_MM / 2.0), TEXT_MM, words)
