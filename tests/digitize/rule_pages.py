"""A small renderer of rules for the tests: rectangles by 8 x 8 samples a pixel, blur, noise, threshold."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from digitize.shapes import Picture

SUB = 8


def _half_planes(corners, x, y):
    inside = np.ones(np.broadcast_shapes(x.shape, y.shape), dtype=bool)
    sign = np.sign(_area(corners))
    for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        inside &= sign * ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) >= 0
    return inside


def _area(c):
    n = np.roll(c, -1, axis=0)
    return float(np.sum(c[:, 0] * n[:, 1] - c[:, 1] * n[:, 0]) / 2)


def stamp(ink, corners):
    """Cover of a convex polygon (px corners), painted over ``ink`` (0 paper .. 1 ink)."""
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 1, 0)
    high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 2, [ink.shape[1], ink.shape[0]])
    if np.any(high <= low):
        return
    width, height = high - low
    x = low[0] + (np.arange(width * SUB) + 0.5) / SUB - 0.5
    y = low[1] + (np.arange(height * SUB) + 0.5) / SUB - 0.5
    cover = _half_planes(corners, x[None, :], y[:, None]).reshape(height, SUB, width, SUB).mean(axis=(1, 3))
    part = ink[low[1] : high[1], low[0] : high[0]]
    np.copyto(part, 1 - (1 - part) * (1 - cover))


def stroke(ink, start, end, width_px):
    """A straight line with square ends, in pieces so that slanted ones stay cheap."""
    start, end = np.asarray(start, float), np.asarray(end, float)
    length = np.hypot(*(end - start))
    pieces = max(1, int(np.ceil(length / 60)))
    u = (end - start) / length
    n = np.array([-u[1], u[0]]) * width_px / 2
    for i in range(pieces):
        a, b = start + (end - start) * i / pieces, start + (end - start) * (i + 1) / pieces
        stamp(ink, np.array([a - n, b - n, b + n, a + n]))


MM_LEVELS = {10: 5.0, 5: 4.0, 1: 2.8}
HALF_LEVELS = {20: 6.0, 10: 5.0, 2: 3.6, 1: 2.4}


def level_length(k, levels):
    """Length of graduation ``k``: that of the largest divisor listed."""
    for step in sorted(levels, reverse=True):
        if k % step == 0:
            return levels[step]
    raise ValueError(k)


def inch_levels(n):
    """Lengths of an inch rule in n-ths, mm."""
    steps, length, out = n, 7.0, {}
    while steps >= 1:
        out[steps] = length
        steps //= 2
        length *= 0.82
    return out


@dataclass
class DrawnRule:
    start_mm: tuple[float, float]
    angle_deg: float
    pitch_mm: float
    count: int
    levels: dict
    side: int = 1
    line_mm: float = 0.15
    baseline: bool = True
    centred: bool = False  # the middles of its graduations are in line, not their ends
    missing: tuple = ()
    numbers: bool = True
    first: int = 0


@dataclass
class Page:
    dpi: float = 300.0
    width_mm: float = 250.0
    height_mm: float = 60.0
    fx: float = 1.0
    fy: float = 1.0
    skew_deg: float = 0.0
    blur_px: float = 0.6
    noise: float = 4.0
    one_bit: bool = False
    declared: bool = True
    rules: list = field(default_factory=list)
    strokes_mm: list = field(default_factory=list)
    texts_mm: list = field(default_factory=list)
    seed: int = 1

    @property
    def to_px(self):
        """(2, 3) mm (x right, y down) to px."""
        s = self.dpi / 25.4
        c, d = np.cos(np.deg2rad(self.skew_deg)), np.sin(np.deg2rad(self.skew_deg))
        m = np.array([[c, -d], [d, c]]) @ np.diag([self.fx * s, self.fy * s])
        mid = np.array([self.width_mm, self.height_mm]) / 2
        return np.column_stack([m, mid * s - m @ mid])

    def px(self, xy):
        m = self.to_px
        return np.asarray(xy, float) @ m[:, :2].T + m[:, 2]

    def picture(self):
        s = self.dpi / 25.4
        ink = np.zeros((int(self.height_mm * s), int(self.width_mm * s)), np.float32)
        for rule in self.rules:
            self._rule(ink, rule)
        for a, b, w in self.strokes_mm:
            stroke(ink, self.px(a), self.px(b), w * s)
        for xy, text, h in self.texts_mm:
            self._text(ink, xy, text, h)
        rng = np.random.default_rng(self.seed)
        grey = 245.0 - 215.0 * ink
        if self.blur_px:
            grey = cv2.GaussianBlur(grey, (0, 0), self.blur_px)
        if self.noise:
            grey = grey + rng.normal(0, self.noise, grey.shape).astype(np.float32)
        grey = np.where(grey < 137, 0, 255) if self.one_bit else np.clip(np.rint(grey), 0, 255)
        out = grey.astype(np.uint8)
        out.setflags(write=False)
        return Picture(out, "page.png", "0" * 64, (self.dpi, self.dpi) if self.declared else None, "scan")

    def _rule(self, ink, rule):
        s = self.dpi / 25.4
        a = np.deg2rad(rule.angle_deg)
        u = np.array([np.cos(a), np.sin(a)])
        n = np.array([-u[1], u[0]]) * rule.side
        start = np.array(rule.start_mm)
        w = rule.line_mm * s
        last = start + u * rule.pitch_mm * (rule.count - 1)
        if rule.baseline:
            stroke(ink, self.px(start - u * rule.line_mm / 2), self.px(last + u * rule.line_mm / 2), w)
        for k in range(rule.count):
            if k in rule.missing:
                continue
            at = start + u * rule.pitch_mm * k
            length = level_length(k + rule.first, rule.levels)
            top = max(rule.levels)
            foot = (level_length(0, rule.levels) - length) / 2 if rule.centred else 0.0
            stroke(ink, self.px(at + n * foot), self.px(at + n * (foot + length)), w)
            if rule.numbers and (k + rule.first) % top == 0:
                self._text(ink, at + n * (length + 3.0), str((k + rule.first) // top), 2.2)

    def _text(self, ink, xy, text, h_mm):
        s = self.dpi / 25.4
        scale = h_mm * s / 22.0
        mask = np.zeros(ink.shape, np.uint8)
        x, y = self.px(xy)
        cv2.putText(mask, text, (int(x - 8 * scale * len(text)), int(y + 11 * scale)), cv2.FONT_HERSHEY_SIMPLEX,
                    scale, 255, max(1, round(0.2 * s)), cv2.LINE_AA)
        np.maximum(ink, mask / np.float32(255), out=ink)
