"""Photos of sheets with rules on them, every graduation's place known; and such photos with none.

Shapes are drawn in mm on the sheet, each corner taken through a pinhole camera and its radial distortion, and the
picture is averaged from finer pixels. Everything lies in the plane of the paper: how high a rule lies does not matter.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from math import gcd

import cv2
import numpy as np
import pyvips

from calibration.frames import FloatArray
from digitize.shapes import Picture
from tests.maker.lettering import letter_strokes

MM_PER_INCH = 25.4
OVER = 2  # finer pixels along each side
PIECE_MM = 4.0  # long edges are bent by the lens; they are drawn in pieces of this
MM_MARKS = {10: 6.0, 5: 4.6, 1: 3.2}
HALF_MARKS = {20: 6.5, 10: 5.2, 2: 3.8, 1: 2.6}
INCH_MARKS = {1: 9.0, 2: 7.2, 4: 5.8, 8: 4.6, 16: 3.6, 32: 2.7, 64: 2.0}  # whole inch, half, quarter ...
PITCHES_MM = {"1 mm": 1.0, "0.5 mm": 0.5, **{f"1/{n} in": MM_PER_INCH / n for n in (8, 16, 32, 64)}}


@dataclass(frozen=True)
class Tone:
    """Grey values of a rule: its body, its graduations, the line around its body."""

    body: float
    ink: float
    rim: float
    see_through: float = 0.0  # share of what lies under it that shows


TONES = {
    "steel": Tone(168, 52, 110),
    "bright steel": Tone(205, 60, 120),
    "wood": Tone(186, 58, 120),
    "white plastic": Tone(241, 45, 170),
    "yellow": Tone(196, 40, 140),
    "clear": Tone(222, 40, 200, 0.8),
    "black": Tone(42, 215, 25),
    "grey with white": Tone(110, 228, 80),
}


@dataclass
class Edge:
    """Graduations along one edge of a rule: of ``name`` from ``start_mm`` along ``along``, leaning to ``into``."""

    name: str
    count: int
    start_mm: FloatArray
    along: FloatArray  # unit vectors in mm, y down
    into: FloatArray
    tall: float = 1.0

    @property
    def pitch_mm(self) -> float:
        """Distance of two graduations."""
        return PITCHES_MM[self.name]

    @property
    def unit(self) -> str:
        """Unit of the graduations."""
        return "mm" if self.name.endswith("mm") else "in"

    @property
    def every(self) -> int:
        """Graduations from one number to the next."""
        return round((10.0 if self.unit == "mm" else MM_PER_INCH) / self.pitch_mm)

    def mark_mm(self, index: int) -> float:
        """Return how long graduation ``index`` is."""
        if self.unit == "in":
            parts = self.every
            return self.tall * INCH_MARKS[parts // gcd(index, parts)]
        marks = MM_MARKS if self.pitch_mm == 1.0 else HALF_MARKS
        return self.tall * next(marks[step] for step in sorted(marks, reverse=True) if index % step == 0)

    def foot_mm(self) -> FloatArray:
        """(count, 2) where the graduations stand on the edge."""
        return np.asarray(self.start_mm + np.outer(np.arange(self.count) * self.pitch_mm, self.along))


@dataclass
class Body:
    """A laid rule, or one arm of a square: where it lies, what it looks like, its graduated edges."""

    edges: list[Edge]
    outline_mm: FloatArray  # (N, 2) corners; empty for a drawn rule
    tone: Tone
    pen_mm: float = 0.16
    numbers_mm: float = 2.6
    square: int = -1  # arms of one square share a number


@dataclass
class Camera:
    """From mm on the sheet (y down) to px of the photo."""

    pose: FloatArray  # (3, 3) from mm to the unit focal plane
    focal_px: float
    middle_px: FloatArray
    k1: float
    k2: float

    def px(self, xy_mm: FloatArray) -> FloatArray:
        """Return (N, 2) px of sheet places (Brown 1966, radial terms)."""
        ray = np.column_stack([xy_mm, np.ones(len(xy_mm))]) @ self.pose.T
        flat = ray[:, :2] / ray[:, 2:]
        r2 = np.sum(flat**2, axis=1, keepdims=True)
        return np.asarray(self.focal_px * flat * (1 + self.k1 * r2 + self.k2 * r2**2) + self.middle_px)


@dataclass
class PhotoScene:
    """What lies there and how it was taken."""

    camera: Camera
    size_px: tuple[int, int]
    bodies: list[Body] = field(default_factory=list)
    lines_mm: list[tuple[FloatArray, float]] = field(default_factory=list)  # drawn on the paper: points, width
    over_mm: list[tuple[FloatArray, float]] = field(default_factory=list)  # shapes laid over the rules, with their grey
    glare_px: list[tuple[float, float, float, float]] = field(default_factory=list)  # x, y, radius, strength
    blur_px: float = 0.8
    noise: float = 3.0
    jpeg: int = 90
    paper: float = 228.0
    ink: float = 60.0
    light: tuple[float, float] = (0.0, 0.0)


def camera_for(
    field_mm: tuple[float, float], size_px: tuple[int, int], tilt_deg: float, toward_deg: float, roll_deg: float,
    px_per_mm: float, k1: float = 0.0, k2: float = 0.0, focal: float = 0.8,
) -> Camera:  # fmt: skip
    """Return a camera over the middle of the field, tilted by ``tilt_deg``; ``focal`` in picture widths."""
    focal_px = focal * size_px[0]
    away_mm = focal_px / px_per_mm
    tilt, toward, roll = np.radians([tilt_deg, toward_deg, roll_deg])
    axis = np.array([np.cos(toward), np.sin(toward), 0.0]) * tilt
    turn = cv2.Rodrigues(axis)[0] @ cv2.Rodrigues(np.array([0.0, 0.0, roll]))[0]
    middle = np.array([field_mm[0] / 2, field_mm[1] / 2, 0.0])
    shift = np.array([0.0, 0.0, away_mm]) - turn @ middle
    pose = np.column_stack([turn[:, 0], turn[:, 1], shift])
    return Camera(pose, focal_px, (np.array(size_px) - 1) / 2.0, k1, k2)


def _fine(points: FloatArray, closed: bool) -> FloatArray:
    """Return a polyline with its long pieces divided."""
    ends = np.vstack([points, points[:1]]) if closed else points
    out = []
    for a, b in itertools.pairwise(ends):
        steps = max(1, int(np.ceil(np.hypot(*(b - a)) / PIECE_MM)))
        out.append(a + (b - a) * np.arange(steps)[:, None] / steps)
    return np.vstack([*out, ends[-1:]]) if not closed else np.vstack(out)


def _bar(start: FloatArray, end: FloatArray, width: float) -> FloatArray:
    """Return the corners of a straight stroke."""
    along = (end - start) / np.hypot(*(end - start))
    side = np.array([-along[1], along[0]]) * width / 2
    return np.array([start - side, end - side, end + side, start + side])


class _Page:
    """Shapes for one picture, as SVG in finer pixels."""

    def __init__(self, scene: PhotoScene) -> None:
        self.scene, self.parts = scene, []

    def _d(self, points_mm: FloatArray, closed: bool) -> str:
        px = (self.scene.camera.px(_fine(points_mm, closed)) + 0.5) * OVER
        return "M" + " ".join(f"{x:.3f},{y:.3f}" for x, y in px) + ("Z" if closed else "")

    def fill(self, points_mm: FloatArray, grey: float, opaque: float = 1.0) -> None:
        level = round(grey)
        self.parts.append(
            f'<path d="{self._d(points_mm, True)}" fill="rgb({level},{level},{level})" fill-opacity="{opaque:.3f}"/>'
        )

    def stroke(self, points_mm: FloatArray, width_mm: float, grey: float, opaque: float = 1.0) -> None:
        level = round(grey)
        scale = np.hypot(*np.diff(self.scene.camera.px(points_mm[:1] + np.array([[0.0, 0.0], [1.0, 0.0]])), axis=0)[0])
        self.parts.append(
            f'<path d="{self._d(points_mm, False)}" fill="none" stroke="rgb({level},{level},{level})" '
            f'stroke-opacity="{opaque:.3f}" stroke-width="{width_mm * scale * OVER:.3f}"/>'
        )

    def image(self) -> pyvips.Image:
        wide, high = (one * OVER for one in self.scene.size_px)
        paper = round(self.scene.paper)
        head = f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide}" height="{high}" viewBox="0 0 {wide} {high}">'
        ground = f'<rect width="{wide}" height="{high}" fill="rgb({paper},{paper},{paper})"/>'
        svg = f"{head}{ground}{''.join(self.parts)}</svg>".encode()
        return pyvips.Image.svgload_buffer(svg, unlimited=True).extract_band(1)


def _draw_body(page: _Page, body: Body) -> None:
    tone = body.tone
    if len(body.outline_mm):
        page.fill(body.outline_mm, tone.body, 1.0 - tone.see_through)
        rim = np.vstack([body.outline_mm, body.outline_mm[:1]])
        page.stroke(rim, 0.25, tone.rim, 0.9)
    for edge in body.edges:
        for index, foot in enumerate(edge.foot_mm()):
            tall = edge.mark_mm(index)
            page.fill(_bar(foot, foot + tall * edge.into, body.pen_mm), tone.ink)
            if index % edge.every == 0 and body.numbers_mm > 0:
                number = str(index // edge.every if edge.unit == "in" else round(index * edge.pitch_mm / 10))
                _number(page, number, foot + (tall + 0.8) * edge.into, edge, body)
        if not len(body.outline_mm) and body.square < 0:
            page.stroke(edge.foot_mm()[[0, -1]], 1.2 * body.pen_mm, tone.ink)


def _number(page: _Page, words: str, at: FloatArray, edge: Edge, body: Body) -> None:
    """Write a number beside a graduation, upright to its edge."""
    for stroke in letter_strokes(words, (0.0, 0.0), body.numbers_mm, 0.0, True):
        page.stroke(at + np.outer(stroke[:, 0], edge.along) + np.outer(stroke[:, 1], edge.into), 0.3, body.tone.ink)


def render(scene: PhotoScene, rng: np.random.Generator) -> Picture:
    """Return the photo."""
    page = _Page(scene)
    for points, width in scene.lines_mm:
        page.stroke(points, width, scene.ink)
    for body in scene.bodies:
        _draw_body(page, body)
    for points, grey in scene.over_mm:
        page.fill(points, grey)
    image = page.image().gaussblur(scene.blur_px * OVER, min_ampl=0.02).shrink(OVER, OVER).cast("uchar")
    grey = np.asarray(image.numpy(), dtype=np.uint8).reshape(scene.size_px[1], scene.size_px[0]).astype(np.float32)
    y, x = np.mgrid[: grey.shape[0], : grey.shape[1]].astype(np.float32)
    grey *= 1 + scene.light[0] * (x / grey.shape[1] - 0.5) + scene.light[1] * (y / grey.shape[0] - 0.5)
    for gx, gy, radius, strength in scene.glare_px:
        bright = strength * np.exp(-((x - gx) ** 2 + (y - gy) ** 2) / (2 * radius**2))
        grey = grey + (255 - grey) * np.minimum(bright, 1.0)
    grey += scene.noise * rng.standard_normal(grey.shape, dtype=np.float32)
    values = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
    if scene.jpeg:
        values = cv2.imdecode(cv2.imencode(".jpg", values, [cv2.IMWRITE_JPEG_QUALITY, scene.jpeg])[1], 0)
    values.setflags(write=False)
    return Picture(values, "photo.jpg", "0" * 64, None, "photo")


def _turned(angle_deg: float) -> tuple[FloatArray, FloatArray]:
    a = np.radians(angle_deg)
    return np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])


def laid_rule(
    at_mm: FloatArray, angle_deg: float, length_mm: float, width_mm: float, names: tuple[str, str], tone: Tone,
    tall: float = 1.0,
) -> Body:  # fmt: skip
    """Return a rule with graduations along its two edges; an empty name is a bare edge."""
    along, across = _turned(angle_deg)
    over = 4.0  # the body goes on beyond its graduations
    corners = [at_mm - over * along, at_mm + (length_mm + over) * along]
    outline = np.array([*corners, corners[1] + width_mm * across, corners[0] + width_mm * across])
    starts = ((at_mm, across), (at_mm + width_mm * across, -across))
    edges = [
        Edge(name, int(length_mm / PITCHES_MM[name]) + 1, start, along, into, tall)
        for name, (start, into) in zip(names, starts, strict=True) if name
    ]  # fmt: skip
    return Body(edges, outline, tone)


def square(
    at_mm: FloatArray, angle_deg: float, arms_mm: tuple[float, float], width_mm: float, names: tuple[str, str],
    tone: Tone, number: int = 0, tall: float = 1.0,
) -> list[Body]:  # fmt: skip
    """Return the two arms of a square with its outer corner at ``at_mm``; inner edges count from the inner corner."""
    u, v = _turned(angle_deg)
    a, b = arms_mm
    w = width_mm
    outline = at_mm + np.array([0 * u, a * u, a * u + w * v, w * u + w * v, w * u + b * v, b * v])
    bodies = []
    for along, into, length, corners in ((u, v, a, outline), (v, u, b, np.zeros((0, 2)))):
        edges = []
        for name, from_mm, start, lean in (
            (names[0], 0.0, at_mm, into), (names[1], w, at_mm + w * along + w * into, -into)
        ):  # fmt: skip
            if name:
                edges.append(Edge(name, int((length - from_mm - 2) / PITCHES_MM[name]) + 1, start, along, lean, tall))
        # the corner itself would hold marks of both arms: leave one inch of the outer edges bare
        for edge in edges[:1]:
            bare = int(np.ceil((w * 0.6) / (edge.every * edge.pitch_mm))) * edge.every
            edge.start_mm = edge.start_mm + bare * edge.pitch_mm * along
            edge.count -= bare
        bodies.append(Body(edges, corners, tone, square=number))
    return bodies


def drawn_rule(at_mm: FloatArray, angle_deg: float, length_mm: float, name: str, up: float = 1.0) -> Body:
    """Return a rule that is part of the drawing."""
    along, across = _turned(angle_deg)
    edge = Edge(name, int(length_mm / PITCHES_MM[name]) + 1, at_mm, along, -up * across)
    return Body([edge], np.zeros((0, 2)), Tone(228, 60, 60))
