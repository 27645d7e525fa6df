"""Small charts as inline SVG: no library, no script, readable in light, dark and on paper.

Colours come from the page's style by class; the words and the line styles carry the meaning as well.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from markupsafe import Markup

from calibration.frames import FloatArray

WIDTH = 520.0
HEIGHT = 240.0
LEFT, RIGHT, TOP, BOTTOM = 58.0, 14.0, 30.0, 42.0
TICKS = 5  # about this many numbers on an axis
HEADROOM = 1.25  # the axis reaches this much beyond the largest value
NARROWEST_AXIS_MM = 0.05  # a perfect rule still gets an axis that reads in hundredths


@dataclass(frozen=True)
class Axes:
    """A plot area: values to places."""

    x: tuple[float, float]
    y: tuple[float, float]

    def px(self, x: float, y: float) -> tuple[float, float]:
        """Return the place of one value in the drawing."""
        across = (x - self.x[0]) / max(self.x[1] - self.x[0], 1e-9)
        up = (y - self.y[0]) / max(self.y[1] - self.y[0], 1e-9)
        return LEFT + across * (WIDTH - LEFT - RIGHT), HEIGHT - BOTTOM - up * (HEIGHT - TOP - BOTTOM)

    def path(self, x: FloatArray, y: FloatArray) -> str:
        """Return SVG path data through the values."""
        places = (self.px(float(one), float(two)) for one, two in zip(x, y, strict=True))
        return "M" + "L".join(f"{left:.1f} {top:.1f}" for left, top in places)


def nice_ticks(low: float, high: float, about: int = TICKS) -> list[float]:
    """Return round numbers within low..high, in steps of 1, 2 or 5 times a power of ten."""
    raw = max(high - low, 1e-9) / about
    power = 10.0 ** np.floor(np.log10(raw))
    step = float(power * next(factor for factor in (1, 2, 5, 10) if factor * power >= raw * (1 - 1e-9)))
    first, last = int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9))
    return [round(index * step, 9) for index in range(first, last + 1)]


def text(x: float, y: float, words: str, anchor: str = "middle", kind: str = "") -> str:
    """Return one line of text; ``words`` are escaped."""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" class="{kind}">{escape(words)}</text>'


def figure(title: str, parts: Iterable[str], size: tuple[float, float] = (WIDTH, HEIGHT)) -> Markup:
    """Return a whole SVG with a title for those who hear the page; ``parts`` are escaped already."""
    head = f'<svg class="chart" viewBox="0 0 {size[0]:.0f} {size[1]:.0f}" role="img" aria-label="{escape(title)}">'
    return Markup(head + "".join(parts) + "</svg>")


def _frame(axes: Axes, x_words: str, y_words: str) -> list[str]:
    ticks_y = nice_ticks(*axes.y)
    parts = []
    for value in ticks_y:
        left, top = axes.px(axes.x[0], value)
        kind = "zero" if value == 0 else "grid"
        parts.append(f'<line class="{kind}" x1="{left:.1f}" y1="{top:.1f}" x2="{WIDTH - RIGHT:.1f}" y2="{top:.1f}"/>')
        parts.append(text(left - 7, top + 4.5, signed(value) if min(ticks_y) < 0 else f"{value:g}", "end"))
    for value in nice_ticks(*axes.x):
        left, top = axes.px(value, axes.y[0])
        parts.append(f'<line class="tick" x1="{left:.1f}" y1="{top:.1f}" x2="{left:.1f}" y2="{top + 5:.1f}"/>')
        parts.append(text(left, top + 19, f"{value:g}"))
    parts.append(text((LEFT + WIDTH - RIGHT) / 2, HEIGHT - 5, x_words, kind="axis"))
    parts.append(text(6, 16, y_words, "start", "axis"))
    return parts


def signed(value: float) -> str:
    """Return a number with its sign; zero without."""
    return f"{value:+g}".replace("-", "−") if value else "0"


def residual_chart(at_mm: FloatArray, residual_mm: FloatArray, rms_mm: float | None) -> Markup:
    """Return how far each graduation lies from the fitted scale, along one rule, in mm."""
    reach = HEADROOM * max(NARROWEST_AXIS_MM, float(np.max(np.abs(residual_mm), initial=0.0)))
    axes = Axes((float(at_mm.min()), float(at_mm.max())), (-reach, reach))
    parts = [] if rms_mm is None else [_band(axes, min(2 * rms_mm, reach))]
    parts += _frame(axes, "along the rule, mm", "off the scale, mm")
    parts.append(f'<path class="thin" d="{axes.path(at_mm, residual_mm)}"/>')
    for x, y in zip(at_mm, residual_mm, strict=True):
        left, top = axes.px(float(x), float(y))
        parts.append(f'<circle class="dot" cx="{left:.1f}" cy="{top:.1f}" r="2.2"/>')
    worst = float(np.max(np.abs(residual_mm), initial=0.0))
    return figure(f"Graduations against the scale: at most {worst:.2f} mm off", parts)


def _band(axes: Axes, half: float) -> str:
    (left, top), (right, bottom) = axes.px(axes.x[0], half), axes.px(axes.x[1], -half)
    return f'<rect class="band" x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{bottom - top:.1f}"/>'


def gap_chart(y_mm: FloatArray, gap_mm: FloatArray, u95_mm: float) -> Markup:
    """Return the gap between the halves along the body, tail at the left, with the band that drawing explains."""
    order = np.argsort(y_mm)
    y_mm, gap_mm = y_mm[order], gap_mm[order]
    reach = HEADROOM * max(NARROWEST_AXIS_MM, u95_mm, float(np.max(np.abs(gap_mm), initial=0.0)))
    axes = Axes((float(y_mm.min()), float(y_mm.max())), (-reach, reach))
    parts = [_band(axes, u95_mm), *_frame(axes, "from the tail towards the neck, mm", "gap, mm")]
    parts.append(f'<path class="line" d="{axes.path(y_mm, gap_mm)}"/>')
    parts.append(text(WIDTH - RIGHT - 4, TOP + 4, "left larger ↑", "end", "hint"))
    parts.append(text(WIDTH - RIGHT - 4, HEIGHT - BOTTOM - 7, "right larger ↓", "end", "hint"))
    worst = int(np.argmax(np.abs(gap_mm)))
    left, top = axes.px(float(y_mm[worst]), float(gap_mm[worst]))
    parts.append(f'<circle class="ring" cx="{left:.1f}" cy="{top:.1f}" r="5"/>')
    title = f"Left against right: the widest gap is {abs(gap_mm[worst]):.2f} mm, {y_mm[worst]:.0f} mm from the tail"
    return figure(title, parts)


def bar(share: float) -> Markup:
    """Return one bar of a table, its length ``share`` of the cell (0..1)."""
    width = 100.0 * min(1.0, max(0.0, share))
    return Markup(
        '<svg class="bar" viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true">'
        f'<rect class="track" width="100" height="10"/><rect class="fill" width="{width:.1f}" height="10"/></svg>'
    )


@dataclass(frozen=True)
class Size:
    """One dimension across the body for its drawing."""

    y_mm: float
    words: str


# The drawing of the body: its own height in the page's units, room for the dimensions beside and below it.
BODY_HEIGHT, BODY_MARGIN_X, BODY_MARGIN_Y, LENGTH_OFFSET = 360.0, 62.0, 16.0, 30.0
BODY_POINTS = 400  # more cannot be seen


def band_chart(
    place_mm: FloatArray,
    gap_mm: FloatArray,
    u95_mm: FloatArray,
    told: str = "gap, mm",
    ways: tuple[str, str] = ("left reaches further", "right reaches further"),
) -> Markup:
    """Return the gap between the halves along the outline, tail at the left, with its own uncertainty as a band."""
    reach = HEADROOM * max(NARROWEST_AXIS_MM, float(np.max(np.abs(gap_mm))), float(np.max(u95_mm)))
    axes = Axes((float(place_mm.min()), float(place_mm.max())), (-reach, reach))
    both = axes.path(np.append(place_mm, place_mm[::-1]), np.append(u95_mm, -u95_mm[::-1]))
    parts = [f'<path class="band" d="{both}Z"/>', *_frame(axes, "along the half outline from the tail, mm", told)]
    step = float(np.median(np.diff(place_mm)))
    breaks = np.flatnonzero(np.diff(place_mm) > 3.0 * step) + 1
    for run in np.split(np.arange(len(place_mm)), breaks):
        parts.append(f'<path class="line" d="{axes.path(place_mm[run], gap_mm[run])}"/>')
    parts.append(text(WIDTH - RIGHT - 4, TOP + 4, f"{ways[0]} ↑", "end", "hint"))
    parts.append(text(WIDTH - RIGHT - 4, HEIGHT - BOTTOM - 7, f"{ways[1]} ↓", "end", "hint"))
    return figure(f"{told}: at most {np.max(np.abs(gap_mm)):.2f}", parts)


def body_drawing(xy_mm: FloatArray, widths: Sequence[Size], length_words: str) -> Markup:
    """Return the body with its length and widths as a builder would mark them, neck up."""
    step = max(1, len(xy_mm) // BODY_POINTS)
    low, high = xy_mm.min(axis=0), xy_mm.max(axis=0)
    factor = BODY_HEIGHT / max(high[1] - low[1], 1e-9)
    size = ((high[0] - low[0]) * factor + 2 * BODY_MARGIN_X, BODY_HEIGHT + 2 * BODY_MARGIN_Y)

    def place(xy: FloatArray) -> FloatArray:
        return np.column_stack(
            [(xy[:, 0] - low[0]) * factor + BODY_MARGIN_X, (high[1] - xy[:, 1]) * factor + BODY_MARGIN_Y]
        )

    loop = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in place(xy_mm[::step])) + "Z"
    top, bottom = place(np.array([[0.0, high[1]], [0.0, low[1]]]))
    parts = [f'<path class="body" d="{loop}"/>', _line("axisline", top[0], top[1] - 10, bottom[0], bottom[1] + 10)]
    for width in widths:
        parts += _width_marks(xy_mm, width, place)
    x = size[0] - BODY_MARGIN_X + LENGTH_OFFSET
    parts += [_arrows(x, top[1], x, bottom[1]), _upright(x + 17, (top[1] + bottom[1]) / 2, length_words)]
    return figure(f"The body: {length_words} long, " + ", ".join(f"{one.words} wide" for one in widths), parts, size)


def _width_marks(xy_mm: FloatArray, width: Size, place: object) -> list[str]:
    near = np.abs(xy_mm[:, 1] - width.y_mm) <= max(1.0, 0.002 * float(np.ptp(xy_mm[:, 1])))
    if not near.any() or not callable(place):
        return []
    x = xy_mm[near, 0]
    (left, y), (right, _) = place(np.array([[x.min(), width.y_mm], [x.max(), width.y_mm]]))
    middle = (left + right) / 2
    half = 4.4 * len(width.words) + 6
    label = f'<rect class="plate" x="{middle - half:.1f}" y="{y - 12:.1f}" width="{2 * half:.1f}" height="22"/>'
    return [_arrows(left, y, right, y), label, text(middle, y + 5, width.words, kind="size")]


def _line(kind: str, x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line class="{kind}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def _arrows(x1: float, y1: float, x2: float, y2: float) -> str:
    """Return a dimension line with a short tick across each end."""
    dx, dy = (0.0, 6.0) if y1 == y2 else (6.0, 0.0)
    ends = "".join(_line("dim", x - dx, y - dy, x + dx, y + dy) for x, y in ((x1, y1), (x2, y2)))
    return _line("dim", x1, y1, x2, y2) + ends


def _upright(x: float, y: float, words: str) -> str:
    turned = text(x, y, words, kind="size")
    return f'<g transform="rotate(-90 {x:.1f} {y:.1f})">{turned}</g>'
