"""Small photos with known truth: a drawn sheet on a table, seen by a pinhole camera with a lens that bends.

Frames: the sheet's own mm (x right, y down, its top-left corner at 0, 0) and px of the photo. Lens: Brown,
"Close-range camera calibration", Photogrammetric Engineering 37 (1971) 855, with one radial term.
"""

from __future__ import annotations

import itertools
from copy import deepcopy
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from digitize.shapes import Picture

Grey = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float64]

PX_PER_MM = 6.0  # of the table as it is painted, before the camera
LINE_MM = 0.5


@dataclass(frozen=True)
class View:
    """The camera."""

    wide: int = 2000
    high: int = 1500
    focal: float = 1500.0  # px
    k1: float = 0.0  # of the focal length's square
    tilt_deg: tuple[float, float] = (6.0, -5.0)  # about the picture's x and y
    turn_deg: float = 3.0
    away_mm: float = 400.0
    aim_mm: tuple[float, float] = (210.0, 148.0)  # of the sheet, in the picture's middle

    @property
    def middle(self) -> Floats:
        return np.array([(self.wide - 1) / 2, (self.high - 1) / 2])

    @property
    def k1_half_diagonal(self) -> float:
        """The lens's term in units of half the picture's diagonal."""
        return self.k1 * (np.hypot(self.wide, self.high) / 2 / self.focal) ** 2

    def _pose(self) -> Floats:
        """Return (3, 3): sheet mm to rays."""
        a, b, c = np.radians([*self.tilt_deg, self.turn_deg])
        about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
        about_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
        about_z = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
        turned = about_x @ about_y @ about_z
        aim = np.array([*self.aim_mm, 0.0])
        shift = np.array([0.0, 0.0, self.away_mm]) - turned @ aim
        return np.column_stack([turned[:, 0], turned[:, 1], shift])

    def to_px(self, mm: npt.ArrayLike) -> Floats:
        """Return (N, 2) px of places (N, 2) on the sheet's plane."""
        places = np.asarray(mm, float).reshape(-1, 2)
        rays = np.column_stack([places, np.ones(len(places))]) @ self._pose().T
        flat = rays[:, :2] / rays[:, 2:]
        square = (flat**2).sum(axis=1, keepdims=True)
        return np.asarray(self.middle + self.focal * flat * (1 + self.k1 * square))

    def to_mm(self, px: Floats) -> Floats:
        """Return (N, 2) places on the sheet's plane."""
        bent = (px - self.middle) / self.focal
        flat = bent.copy()
        for _ in range(30):
            flat = bent / (1 + self.k1 * (flat**2).sum(axis=1, keepdims=True))
        mm = np.column_stack([flat, np.ones(len(flat))]) @ np.linalg.inv(self._pose()).T
        return np.asarray(mm[:, :2] / mm[:, 2:])


@dataclass(frozen=True, eq=False)
class Scene:
    """A photo and what is true of it."""

    picture: Picture
    view: View
    size_mm: tuple[float, float]
    lines_mm: list[tuple[tuple[float, float], tuple[float, float]]] = field(default_factory=list)

    def corners_px(self) -> Floats:
        """Return (4, 2) the sheet's corners, from the top left on, clockwise as seen."""
        wide, high = self.size_mm
        return self.view.to_px([(0, 0), (wide, 0), (wide, high), (0, high)])

    def off_line_px(self, places: Floats, start: npt.ArrayLike, end: npt.ArrayLike) -> Floats:
        """Return (N,) how far places in the photo lie from the picture of a straight line of the sheet."""
        start, end = np.asarray(start, float), np.asarray(end, float)
        along = (end - start) / np.hypot(*(end - start))
        mm = self.view.to_mm(places)
        feet = start + ((mm - start) @ along)[:, None] * along
        # signed by the side in mm
        side = (mm - feet) @ np.array([-along[1], along[0]])
        return np.sign(side) * np.hypot(*(places - self.view.to_px(feet)).T)


def light_of(grey: npt.ArrayLike) -> npt.NDArray[np.float32]:
    """Return the light, 0 to 1, that a file keeps as a grey (IEC 61966-2-1)."""
    value = np.asarray(grey, dtype=np.float32) / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


class Painter:
    """A table with a sheet, seen from straight above, as light."""

    def __init__(self, table: Grey, origin_mm: tuple[float, float]) -> None:
        self.values = light_of(np.arange(256))[table]
        self.origin = np.array(origin_mm)

    def _grid(self, low: Floats, high: Floats) -> tuple[slice, slice, Floats]:
        """Return the rows, the columns and the mm (h, w, 2) of a box of mm."""
        rows, columns, x, y = self._axes(low, high)
        return rows, columns, np.dstack(np.meshgrid(x, y))

    def _axes(self, low: Floats, high: Floats) -> tuple[slice, slice, Floats, Floats]:
        """Return the rows, the columns and the mm of each column (w,) and row (h,) of a box of mm."""
        first = np.clip(np.floor((low - self.origin) * PX_PER_MM).astype(int), 0, None)
        last = np.ceil((high - self.origin) * PX_PER_MM).astype(int) + 1
        last = np.clip(last, first, self.values.shape[::-1])
        x = self.origin[0] + np.arange(first[0], last[0]) / PX_PER_MM
        y = self.origin[1] + np.arange(first[1], last[1]) / PX_PER_MM
        return slice(first[1], last[1]), slice(first[0], last[0]), x, y

    def box(self, corner: tuple[float, float], size: tuple[float, float], grey: float, turn_deg: float = 0.0) -> None:
        """Fill a rectangle with its first corner there, turned about it."""
        if not turn_deg:
            self._upright_box(corner, size, grey)
            return
        c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
        turned = np.array([[c, -s], [s, c]])
        corners = np.array(corner) + np.array([(0, 0), (size[0], 0), size, (0, size[1])]) @ turned.T
        rows, columns, mm = self._grid(corners.min(axis=0) - 1, corners.max(axis=0) + 1)
        own = (mm - np.array(corner)) @ turned
        inside = np.minimum(
            np.minimum(own[..., 0], size[0] - own[..., 0]), np.minimum(own[..., 1], size[1] - own[..., 1])
        )
        self._cover(rows, columns, inside * PX_PER_MM + 0.5, grey)

    def _upright_box(self, corner: tuple[float, float], size: tuple[float, float], grey: float) -> None:
        """Fill a rectangle that is not turned, by its sides alone: sheets are large."""
        low = np.array(corner)
        rows, columns, x, y = self._axes(low - 1, low + size + 1)
        x, y = x - low[0], y - low[1]
        inside = np.minimum(np.minimum(x, size[0] - x), np.minimum(y, size[1] - y)[:, None])
        self._cover(rows, columns, inside * PX_PER_MM + 0.5, grey)

    def line(
        self, start: tuple[float, float], end: tuple[float, float], grey: float = 40.0, wide_mm: float = LINE_MM
    ) -> None:
        """Draw a straight line."""
        a, b = np.array(start), np.array(end)
        along = (b - a) / np.hypot(*(b - a))
        rows, columns, mm = self._grid(np.minimum(a, b) - 1, np.maximum(a, b) + 1)
        t, h = (mm - a) @ along, (mm - a) @ np.array([-along[1], along[0]])
        inside = np.minimum(wide_mm / 2 - np.abs(h), np.minimum(t, np.hypot(*(b - a)) - t))
        self._cover(rows, columns, inside * PX_PER_MM + 0.5, grey)

    def curve(self, points: Floats, grey: float = 40.0, wide_mm: float = LINE_MM) -> None:
        """Draw a polyline through (N, 2) mm."""
        for a, b in itertools.pairwise(points):
            if np.hypot(*(b - a)) > 1e-6:
                self.line(tuple(a), tuple(b), grey, wide_mm)

    def _cover(self, rows: slice, columns: slice, inside_px: Floats, grey: float) -> None:
        part = np.clip(inside_px, 0, 1).astype(np.float32)
        under = self.values[rows, columns]
        self.values[rows, columns] = np.where(part > 0, under + part * (light_of(grey) - under), under)


@lru_cache(maxsize=2)
def _noise(shape: tuple[int, int], seed: int) -> tuple[npt.NDArray[np.float32], np.random.Generator]:
    """Return a table's grain and what makes the next of it; most tables of these scenes are as large."""
    rng = np.random.default_rng(seed)
    return cv2.GaussianBlur(rng.normal(0, 1, shape).astype(np.float32), (0, 0), 1.5) * 5, rng


@lru_cache(maxsize=3)
def table_of(kind: str, size_mm: tuple[float, float], seed: int) -> Grey:
    """Return a table seen from above: wood, mat, dark, light, alike or plain."""
    high, wide = (round(side * PX_PER_MM) for side in size_mm[::-1])
    noise, rng = _noise((high, wide), seed)
    rng = deepcopy(rng)
    if kind == "wood":
        grain = cv2.GaussianBlur(rng.normal(0, 1, (high, 1)).astype(np.float32), (1, 0), 3, sigmaY=4) * 4
        coarse = cv2.resize(rng.normal(0, 1, (12, 6)).astype(np.float32), (wide, high), interpolation=cv2.INTER_CUBIC)
        y = np.arange(high, dtype=np.float32)[:, None] + coarse * 25
        rings = np.interp(y.ravel() % high, np.arange(high), grain.ravel()).reshape(high, wide)
        return np.clip(120 + 20 * rings + 2 * noise, 0, 255).astype(np.uint8)
    if kind == "mat":
        table = np.full((high, wide), 60.0) + noise
        step = round(10 * PX_PER_MM)
        for at in range(0, max(high, wide), step):
            table[at : at + 3], table[:, at : at + 3] = 190, 190
        return np.clip(table, 0, 255).astype(np.uint8)
    level, grain = {"dark": (45, 3), "light": (185, 3), "alike": (219, 1), "plain": (120, 0.5)}[kind]
    return np.clip(level + grain * noise, 0, 255).astype(np.uint8)


SHEET = (420.0, 297.0)
BORDER = 15.0


def body_curve(middle: tuple[float, float], long_mm: float) -> Floats:
    """Return a closed waisted curve, (N, 2) mm (a Cassini oval)."""
    c = long_mm / 2 / np.hypot(1, 1.09)
    b = 1.09 * c
    angle = np.linspace(0, 2 * np.pi, 721)
    square = c**2 * np.cos(2 * angle) + np.sqrt(np.maximum(b**4 - (c**2 * np.sin(2 * angle)) ** 2, 0))
    radius = np.sqrt(square)
    return np.column_stack([middle[0] + radius * np.cos(angle), middle[1] + radius * np.sin(angle)])


def paint_plan(painter: Painter, size: tuple[float, float]) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Draw a border, a title box, a centerline, dimension lines and a body; return the long straight lines."""
    wide, high = size
    left, top, right, low = BORDER, BORDER, wide - BORDER, high - BORDER
    lines = [
        ((left, top), (right, top)),
        ((right, top), (right, low)),
        ((right, low), (left, low)),
        ((left, low), (left, top)),
        ((left + 10, high / 2), (right - 10, high / 2 + 1.5)),
        ((left + 60, top + 12), (right - 70, top + 12)),
        ((right - 90, low - 25), (right, low - 25)),
    ]
    for start, end in lines:
        painter.line(start, end)
    painter.curve(body_curve((wide / 2, high / 2), 0.72 * wide))
    return lines


def make_scene(
    view: View | None = None,
    table: str = "wood",
    *,
    size_mm: tuple[float, float] = SHEET,
    paper: float = 228.0,
    seed: int = 1,
    rules: tuple[tuple[tuple[float, float], float, float], ...] = (),
    sheets: tuple[tuple[tuple[float, float], tuple[float, float], float], ...] = (),
    bows: tuple[tuple[float, float, float, float], ...] = (),
    shadow: bool = False,
    drop_mm: float = 0.6,
    noise: float = 2.0,
    sharpen: float = 0.0,
) -> Scene:
    """Return a photo of a drawn sheet.

    Args:
        view: the camera.
        table: its kind.
        size_mm: of the sheet.
        paper: its grey.
        seed: of the table's grain and the noise.
        rules: laid on top: corner mm, turn in degrees, grey.
        sheets: further ones on the table: corner mm, size mm, turn in degrees.
        bows: arcs drawn along x: start x and y, chord and height, mm.
        shadow: of something beside the picture, soft, over a part of it.
        drop_mm: width of the shadow that the sheet itself throws to the right and down.
        noise: standard deviation of the sensor's, grey levels.
        sharpen: how much of what is finer than a pixel's blur the camera adds.
    """
    view = view or View()
    frame = np.array([(-0.5, -0.5), (view.wide, -0.5), (view.wide, view.high), (-0.5, view.high)])
    seen = view.to_mm(frame)
    low, high = seen.min(axis=0) - 5, seen.max(axis=0) + 5
    seen_table = table_of(table, tuple(high - low), seed)
    painter = Painter(seen_table, tuple(low))
    for corner, size, turn in sheets:
        painter.box(corner, size, paper, turn)
    if drop_mm:
        painter.box((drop_mm, drop_mm), size_mm, 0.55 * float(np.median(seen_table)))
    painter.box((0.0, 0.0), size_mm, paper)
    lines = paint_plan(painter, size_mm)
    for x, y, chord, rise in bows:
        t = np.linspace(-1, 1, 41)
        painter.curve(np.column_stack([x + chord * (t + 1) / 2, y + rise * (1 - t**2)]))
    for corner, turn, grey in rules:
        painter.box(corner, (200.0, 28.0), grey, turn)
    grey = _taken(painter, view, shadow, (noise, sharpen), np.random.default_rng(seed + 100))
    grey.setflags(write=False)
    return Scene(Picture(grey, "photo.jpg", "0" * 64, None, "photo"), view, size_mm, lines)


def _taken(
    painter: Painter, view: View, shadow: bool, noise_sharpen: tuple[float, float], rng: np.random.Generator
) -> Grey:
    """Return the photo: each pixel the mean of 2 x 2 places, then the lens's blur, the light and the noise."""
    # where the table's places are seen changes smoothly: every eighth sample, and straight between them
    x, y = np.meshgrid(np.arange(0, 2 * view.wide + 8, 8) / 2 - 0.25, np.arange(0, 2 * view.high + 8, 8) / 2 - 0.25)
    mm = view.to_mm(np.column_stack([x.ravel(), y.ravel()]))
    coarse = ((mm - painter.origin) * PX_PER_MM).astype(np.float32).reshape(*x.shape, 2)
    columns = np.arange(2 * view.wide, dtype=np.float32) / 8
    rows = []
    for part in np.array_split(np.arange(2 * view.high, dtype=np.float32) / 8, 8):
        at = cv2.remap(coarse, *np.meshgrid(columns, part), cv2.INTER_LINEAR)
        rows.append(cv2.remap(painter.values, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    # lens and sensor add up light
    fine = cv2.GaussianBlur(np.vstack(rows), (0, 0), 1.6)
    light = cv2.resize(fine, (view.wide, view.high), interpolation=cv2.INTER_AREA) * _lamp(view, shadow)
    kept = 255.0 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0) ** (1 / 2.4) - 0.055)
    noise, sharpen = noise_sharpen
    kept += rng.normal(0, noise, kept.shape)
    kept += sharpen * (kept - cv2.GaussianBlur(kept, (0, 0), 1.2))
    return np.clip(np.rint(kept), 0, 255).astype(np.uint8)


@lru_cache(maxsize=4)
def _lamp(view: View, shadow: bool) -> Floats:
    """Return how much light falls on each pixel, 0 to 1."""
    across, down = np.meshgrid(np.linspace(-1, 1, view.wide), np.linspace(-1, 1, view.high))
    light = 1.0 - 0.30 * across + 0.08 * down - 0.15 * (across**2 + down**2)
    if shadow:
        light *= 1 - 0.6 / (1 + np.exp((across + 0.6 * down - 0.15) / 0.05))
    return np.asarray(light / light.max())
