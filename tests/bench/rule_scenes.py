"""Pieces of poor and crowded sheets, each with a rule whose every graduation is known, or with none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import gcd

import cv2
import numpy as np

from calibration.frames import FloatArray
from digitize.shapes import Picture
from tests.bench.feed_shapes import Feed, fed
from tests.maker.marks import Mark, line, moved, text
from tests.maker.press import ink_page

MM_PER_INCH = 25.4
MARGIN_MM = 14.0
HIGH_MM = 46.0
BASE_MM = 20.0  # from the lower border of the piece to the line of the first rule
MM_TICKS = {10: 7.0, 5: 5.2, 1: 3.4}
HALF_MM_TICKS = {20: 7.0, 10: 5.4, 2: 4.0, 1: 2.6}
INCH_TICKS = {1: 9.0, 2: 7.2, 4: 5.8, 8: 4.6, 16: 3.5, 32: 2.6}  # whole inch, half, quarter ...


@dataclass
class Drawn:
    """A rule of a scene: graduations of ``pitch_mm`` from ``start_mm``, with the numbers of those drawn."""

    pitch_mm: float
    count: int
    start_mm: tuple[float, float] = (MARGIN_MM, BASE_MM)
    up: float = 1.0
    tall: float = 1.0  # times the usual lengths
    missing: frozenset[int] = frozenset()
    numbers_lift_mm: float = 1.3
    stands: str = "line"  # on a drawn line; "ends": none is drawn, the ends are in line; "middles": the middles are

    @property
    def unit(self) -> str:
        """Unit of the rule."""
        return "mm" if self.pitch_mm in (0.5, 1.0) else "in"

    def tick_mm(self, index: int) -> float:
        """Return the length of graduation ``index``."""
        if self.unit == "in":
            parts = round(MM_PER_INCH / self.pitch_mm)
            return self.tall * INCH_TICKS[parts // gcd(index, parts)]
        ticks = MM_TICKS if self.pitch_mm == 1.0 else HALF_MM_TICKS
        return self.tall * next(ticks[step] for step in sorted(ticks, reverse=True) if index % step == 0)

    @property
    def every(self) -> int:
        """Graduations from one number to the next."""
        return round(10 / self.pitch_mm) if self.unit == "mm" else round(MM_PER_INCH / self.pitch_mm)


@dataclass
class Scene:
    """What is drawn and how it was copied and scanned."""

    rules: list[Drawn]
    length_mm: float
    dpi: float = 300.0
    pen_mm: float = 0.18
    gain_mm: float = 0.02
    blur_px: float = 0.6
    noise: float = 3.0
    paper: float = 236.0
    ink: float = 38.0
    one_bit: bool = False
    skew_deg: float = 0.0
    copier: tuple[float, float] = (1.0, 1.0)
    high_mm: float = HIGH_MM
    extra: list[Mark] = field(default_factory=list)
    light: list[Callable[[FloatArray, Scene, np.random.Generator], FloatArray]] = field(default_factory=list)
    jpeg: int = 0
    declared: bool = True
    canvas_mm: tuple[float, float] | None = None  # of the whole sheet; the piece lies somewhere on it
    around: list[Mark] = field(default_factory=list)  # on the canvas
    feed: Feed | None = None  # along the rules

    @property
    def affine(self) -> FloatArray:
        """(2, 3) from mm of the piece, y up, to px."""
        turn = np.radians(self.skew_deg)
        rotate = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        matrix = self.dpi / MM_PER_INCH * np.diag([1.0, -1.0]) @ rotate @ np.diag(self.copier)
        middle = np.array([self.length_mm / 2 + MARGIN_MM, self.high_mm / 2])
        return np.column_stack([matrix, np.array(self.size_px) / 2 - matrix @ middle])

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        mm = self.canvas_mm or (self.length_mm + 2 * MARGIN_MM, self.high_mm)
        return round(mm[0] * self.dpi / MM_PER_INCH), round(mm[1] * self.dpi / MM_PER_INCH)


def rule_marks(scene: Scene, rule: Drawn) -> list[Mark]:
    """Return line, graduations and numbers of one rule."""
    x0, y0 = rule.start_mm
    end = x0 + (rule.count - 1) * rule.pitch_mm
    marks = [line((x0 - 2, y0), (end + 2, y0), width_mm=scene.pen_mm * 1.3)] if rule.stands == "line" else []
    for index in range(rule.count):
        if index in rule.missing:
            continue
        x, tall = x0 + index * rule.pitch_mm, rule.tick_mm(index)
        low = (rule.tick_mm(0) - tall) / 2 if rule.stands == "middles" else 0.0
        marks.append(line((x, y0 + rule.up * low), (x, y0 + rule.up * (low + tall)), width_mm=scene.pen_mm))
        if index % rule.every == 0:
            words = str(round(index * rule.pitch_mm) if rule.unit == "mm" else index // rule.every)
            low = tall + rule.numbers_lift_mm
            marks += text(words, (x, y0 + low if rule.up > 0 else y0 - low - 2.4), 2.4, middle=True)
    return marks


def render(scene: Scene, rng: np.random.Generator) -> Picture:
    """Return the scanned piece."""
    marks = [mark for rule in scene.rules for mark in rule_marks(scene, rule)] + scene.extra
    page = [moved(mark, np.array([[1.0, 0, 0], [0, 1.0, 0]])) for mark in marks]
    if scene.feed is not None:
        page = [fed(mark, scene.feed.off_mm, 0) for mark in page]
    width, height = scene.size_px
    ink = ink_page(tuple(page), scene.affine, (width, height), scene.gain_mm, scene.blur_px)
    light = np.full(ink.shape, scene.paper, dtype=np.float32)
    for shade in scene.light:
        light = shade(light, scene, rng)
    depth = scene.paper - scene.ink
    grey = light - depth * ink.astype(np.float32) / 255.0
    grey += scene.noise * rng.standard_normal(ink.shape, dtype=np.float32)
    level = scene.paper - depth / 2
    out = np.where(grey > level, 255, 0) if scene.one_bit else np.clip(np.rint(grey), 0, 255)
    values = out.astype(np.uint8)
    if scene.jpeg:
        values = cv2.imdecode(cv2.imencode(".jpg", values, [cv2.IMWRITE_JPEG_QUALITY, scene.jpeg])[1], 0)
    values.setflags(write=False)
    return Picture(values, "piece.png", "0" * 64, (scene.dpi, scene.dpi) if scene.declared else None, "scan")


def a_rule(rng: np.random.Generator, pitch_mm: float | None = None, **more: float) -> Drawn:
    """Return a rule of a usual kind, 60 to 300 mm long."""
    pitch = pitch_mm or float(rng.choice([1.0, 1.0, 1.0, 0.5, MM_PER_INCH / 8, MM_PER_INCH / 16, MM_PER_INCH / 32]))
    length = rng.uniform(80 if pitch > 2 else 60, 300)
    return Drawn(pitch, int(length / pitch) + 1, tall=float(rng.uniform(0.8, 1.3)), **more)


def start(rng: np.random.Generator, rule: Drawn | None = None) -> Scene:
    """Return an ordinary scan of a rule; kinds then make it worse."""
    drawn = rule or a_rule(rng)
    dpi = float(rng.choice([200, 300, 400]))
    if drawn.pitch_mm < 0.9:
        dpi = max(dpi, 300.0)
    scene = Scene([drawn], (drawn.count - 1) * drawn.pitch_mm, dpi)
    scene.pen_mm = float(rng.uniform(0.13, 0.22))
    scene.blur_px, scene.noise = float(rng.uniform(0.4, 0.9)), float(rng.uniform(1.5, 5))
    scene.skew_deg = float(rng.uniform(-1.5, 1.5))
    scene.copier = (float(rng.uniform(0.98, 1.02)), float(rng.uniform(0.98, 1.02)))
    return scene


def _thin(scene: Scene, rng: np.random.Generator) -> None:
    scene.dpi, scene.one_bit = 200.0, True
    scene.pen_mm, scene.gain_mm = 0.18, float(rng.uniform(-0.035, -0.01))
    scene.blur_px, scene.noise = float(rng.uniform(0.5, 0.9)), float(rng.uniform(1.5, 6))


def _one_bit(scene: Scene, rng: np.random.Generator) -> None:
    scene.one_bit = True


def _faint(scene: Scene, rng: np.random.Generator) -> None:
    scene.ink = scene.paper - float(rng.uniform(25, 60))


def _jpeg(scene: Scene, rng: np.random.Generator) -> None:
    scene.jpeg = 40


def _blueprint(scene: Scene, rng: np.random.Generator) -> None:
    """White lines on blue, turned dark on light: little contrast, blotched ground."""
    scene.paper, scene.ink = 190.0, 190.0 - float(rng.uniform(60, 110))
    scene.noise = float(rng.uniform(4, 8))

    def blotches(light: FloatArray, scene: Scene, rng: np.random.Generator) -> FloatArray:
        small = rng.standard_normal((light.shape[0] // 24 + 2, light.shape[1] // 24 + 2)).astype(np.float32)
        return light + 12 * cv2.resize(small, light.shape[::-1], interpolation=cv2.INTER_CUBIC)

    scene.light.append(blotches)


def _specks(scene: Scene, rng: np.random.Generator) -> None:
    size = np.array([scene.length_mm + 2 * MARGIN_MM, scene.high_mm])
    ring = np.stack([np.cos(np.linspace(0, 5.5, 8)), np.sin(np.linspace(0, 5.5, 8))], axis=1)
    for _ in range(int(0.06 * size[0] * size[1])):
        at, radius = rng.uniform((0, 0), size), rng.uniform(0.05, 0.25)
        scene.extra.append(Mark(at + radius * ring, closed=True, filled=True))


def _dropouts(scene: Scene, rng: np.random.Generator) -> None:
    rule = scene.rules[0]
    gone = set(rng.choice(rule.count, int(rng.uniform(0.05, 0.3) * rule.count), replace=False).tolist())
    if rule.count > 60:
        first = int(rng.integers(15, rule.count - 25))
        gone |= set(range(first, first + 10))
    rule.missing = frozenset(gone - {0, rule.count - 1})


def _crossed(scene: Scene, rng: np.random.Generator) -> None:
    for _ in range(int(scene.length_mm / 25)):
        x = rng.uniform(MARGIN_MM, MARGIN_MM + scene.length_mm)
        scene.extra.append(
            line((x, rng.uniform(2, 16)), (x + rng.uniform(-25, 25), rng.uniform(28, 44)), width_mm=0.2)
        )
    for _ in range(2):
        x = np.linspace(0, 60, 40) + rng.uniform(0, scene.length_mm)
        y = BASE_MM + 3 + 6 * np.sin(x / rng.uniform(4, 9)) + rng.normal(0, 0.3, 40)
        scene.extra.append(Mark(np.stack([x, y], axis=1), float(rng.uniform(0.3, 0.7))))


def _blur(scene: Scene, rng: np.random.Generator) -> None:
    scene.blur_px = 1.5


def _shadow(scene: Scene, rng: np.random.Generator) -> None:
    tilt, depth, wave = rng.uniform(-1, 1, 2), rng.uniform(60, 110), rng.uniform(300, 900)

    def shade(light: FloatArray, scene: Scene, rng: np.random.Generator) -> FloatArray:
        y, x = np.mgrid[: light.shape[0], : light.shape[1]].astype(np.float32)
        return light - depth * (0.5 + 0.5 * np.sin((tilt[0] * x + tilt[1] * y) / wave + 1)).astype(np.float32)

    scene.light.append(shade)


def _fold(scene: Scene, rng: np.random.Generator) -> None:
    at = rng.uniform(0.3, 0.7)

    def fold(light: FloatArray, scene: Scene, rng: np.random.Generator) -> FloatArray:
        x = np.arange(light.shape[1], dtype=np.float32)[None, :] - at * light.shape[1]
        away = x / (2.0 * scene.dpi / MM_PER_INCH)
        return light - (90 * np.exp(-np.abs(away)) * (away > 0) + 90 * np.exp(-3 * away**2) * (away <= 0))

    scene.light.append(fold)


def grid_marks(scene: Scene, step_mm: float, pen_mm: float) -> list[Mark]:
    """Return squared paper over the piece."""
    wide, high = scene.length_mm + 2 * MARGIN_MM, scene.high_mm
    marks = [line((x, 0), (x, high), width_mm=pen_mm) for x in np.arange(0.3, wide, step_mm)]
    return marks + [line((0, y), (wide, y), width_mm=pen_mm) for y in np.arange(0.7, high, step_mm)]


def _grid(scene: Scene, rng: np.random.Generator) -> None:
    """Faint squared paper: grey lines, a fifth of the ink's darkness."""
    step = float(rng.choice([2.0, 4.0, 5.0, MM_PER_INCH / 4]))
    marks = grid_marks(scene, step, 0.15)

    def grid(light: FloatArray, scene: Scene, rng: np.random.Generator) -> FloatArray:
        ink = ink_page(tuple(marks), scene.affine, scene.size_px, 0.0, scene.blur_px)
        return light - 0.25 * (scene.paper - scene.ink) * ink.astype(np.float32) / 255.0

    scene.light.append(grid)


def _numbers(scene: Scene, rng: np.random.Generator) -> None:
    scene.rules[0].numbers_lift_mm = float(rng.uniform(-1.2, 0.0))


def _both_edges(scene: Scene, rng: np.random.Generator) -> None:
    first = scene.rules[0]
    pitch = MM_PER_INCH / 16 if first.unit == "mm" else 1.0
    lift = float(rng.choice([0.0, 18.0, 27.0]))
    scene.high_mm = HIGH_MM + lift
    if lift:
        other = Drawn(pitch, int(scene.length_mm / pitch) + 1, (MARGIN_MM, BASE_MM + lift), -1.0)
        first.tall = min(first.tall, 0.9)
        other.tall = 0.9
    else:
        other = Drawn(pitch, int(scene.length_mm / pitch) + 1, (MARGIN_MM, BASE_MM), -1.0)
    scene.rules.append(other)


def _border(scene: Scene, rng: np.random.Generator) -> None:
    rule = scene.rules[0]
    rule.up = 1.0
    rule.start_mm = (MARGIN_MM, float(rng.uniform(1.0, 2.5)))
    scene.skew_deg *= 0.2
    wide = scene.length_mm + 2 * MARGIN_MM
    scene.extra.append(line((2, 0.4), (wide - 2, 0.4), width_mm=0.3))


def _slanted(scene: Scene, rng: np.random.Generator) -> None:
    scene.skew_deg = float(rng.choice([-1, 1]) * rng.uniform(1.5, 3.0))
    scene.high_mm = HIGH_MM + 0.06 * scene.length_mm


def _ends_in_line(scene: Scene, rng: np.random.Generator) -> None:
    scene.rules[0].stands = "ends"


def _middles_in_line(scene: Scene, rng: np.random.Generator) -> None:
    scene.rules[0].stands = "middles"


def _half_mm(scene: Scene, rng: np.random.Generator) -> None:
    scene.dpi = 200.0
    scene.pen_mm = min(scene.pen_mm, 0.15)


def _on_sheet(scene: Scene, rng: np.random.Generator) -> None:
    """Put the piece on a sheet of 25 to 35 megapixels, with curves and a frame around it."""
    area = rng.uniform(25e6, 35e6) * (MM_PER_INCH / scene.dpi) ** 2
    wide = max(np.sqrt(area * 1.4), scene.length_mm + 2 * MARGIN_MM + 10)
    scene.canvas_mm = (float(wide), float(area / wide))
    turn = np.linspace(0, 2 * np.pi, 900)
    for size in (0.95, 0.9, 0.5):
        high = 0.2 * area / wide * (1 + 0.2 * np.cos(2 * turn))
        shape = np.stack([0.4 * wide * np.cos(turn), high * np.sin(turn)], axis=1)
        middle = (scene.length_mm / 2 + MARGIN_MM, scene.high_mm / 2 + 0.27 * area / wide)
        scene.extra.append(Mark(size * shape + middle, 0.4, closed=True))


KINDS: dict[str, tuple[Callable[[Scene, np.random.Generator], None], ...]] = {
    "ordinary": (),
    "thin 1-bit 200 dpi": (_thin,),
    "1-bit": (_one_bit,),
    "faint": (_faint,),
    "JPEG 40": (_jpeg,),
    "JPEG 40, faint": (_jpeg, _faint),
    "blueprint": (_blueprint,),
    "specks": (_specks,),
    "specks, 1-bit": (_specks, _one_bit),
    "dropouts": (_dropouts,),
    "dropouts, 1-bit": (_dropouts, _one_bit),
    "crossed": (_crossed,),
    "crossed, thin 1-bit": (_crossed, _thin),
    "blur 1.5 px": (_blur,),
    "shadow": (_shadow,),
    "fold across": (_fold,),
    "squared paper under it": (_grid,),
    "numbers touching": (_numbers,),
    "both edges": (_both_edges,),
    "near the border": (_border,),
    "slanted 1.5-3 deg": (_slanted,),
    "slanted, thin 1-bit": (_slanted, _thin),
    "half mm at 200 dpi": (_half_mm,),
    "no line, ends in line": (_ends_in_line,),
    "no line, middles in line": (_middles_in_line,),
    "no line, middles in line, 1-bit": (_middles_in_line, _one_bit),
    "no line, middles, on a large sheet": (_middles_in_line, _on_sheet),
    "thin 1-bit on a large sheet": (_thin, _on_sheet),
    "faint on a large sheet": (_faint, _on_sheet),
    "dropouts on a large sheet": (_dropouts, _on_sheet),
}


def made(kind: str, rng: np.random.Generator) -> Scene:
    """Return a scene of a kind."""
    pitch = None
    if "half mm" in kind:
        pitch = 0.5
    elif "thin 1-bit" in kind:
        pitch = float(rng.choice([1.0, 1.0, MM_PER_INCH / 8, MM_PER_INCH / 16]))
    scene = start(rng, a_rule(rng, pitch))
    for worsen in KINDS[kind]:
        worsen(scene, rng)
    return scene
