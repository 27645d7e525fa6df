"""Cut parts on a scanner or under a camera: filled shapes of wood or plastic with a known contour, rules beside them.

The part's own frame is the body's (mm, centerline x = 0, tail y = 0), right half. ``proud`` pushes the contour out of
the material's line where wood was left standing (+) or taken off too far (-); ``wobble_mm`` is the saw's and the
sander's own unsteadiness. Everything else happens to the picture only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import pyvips
from scipy.ndimage import gaussian_filter1d

from calibration.frames import FloatArray
from tests.maker.bodies import Body, make_body
from tests.maker.marks import Mark, moved
from tests.maker.press import ink_page
from tests.maker.rules import draw_rule
from tests.maker.sheet import right_half
from tests.maker.spec import MM_PER_INCH, PlanSpec, RuleSpec

Kind = Literal["body", "template", "line"]  # a line: half the body with its centerline, drawn on paper
Stuff = Literal["mdf", "plywood", "dark", "paper"]
Ground = Literal["lid", "black", "bench"]
# Grey values of the bare stuff, and how strong its texture is.
STUFFS: dict[Stuff, tuple[float, float]] = {
    "mdf": (148.0, 3.0),
    "plywood": (188.0, 7.0),
    "dark": (52.0, 4.0),
    "paper": (236.0, 1.5),
}
GROUNDS: dict[Ground, tuple[float, float]] = {"lid": (240.0, 1.0), "black": (24.0, 1.0), "bench": (116.0, 9.0)}
FITTING: dict[Stuff, tuple[Ground, ...]] = {
    "mdf": ("lid", "black"),
    "plywood": ("black", "bench"),
    "dark": ("lid", "bench"),
    "paper": ("black", "bench"),
}
WALL_MM, TAB_MM = 28.0, 22.0
STEEL, TICK = 176.0, 34.0
PENCIL, PENCIL_MM = 84.0, 0.5
MARGIN_MM = 14.0
LEAST_RULE_MM = 200.0


@dataclass(frozen=True)
class CutSpec:
    """One cut part and how it lies."""

    name: str = "part"
    seed: int = 0
    family: str = "small"
    kind: Kind = "body"
    stuff: Stuff = "mdf"
    ground: Ground = "lid"
    face_down: bool = False
    turn_deg: float = 3.0
    proud_mm: float = 0.0  # at the middle of the stretch
    proud_long_mm: float = 40.0
    proud_at: float = 0.4  # share of the half outline from the tail
    wobble_mm: float = 0.025  # rms
    edge_off_mm: float = 0.0  # the straight edge stands off the centerline: + beyond it
    scale: float = 1.0  # the whole part is so many times too large
    rules: bool = True
    dpi: float = 300.0
    blur_px: float = 0.8
    noise: float = 3.0
    shadow: float = 0.35  # depth of the soft shadow on one side
    long_px: int = 4000  # of a photo
    hidden: tuple[float, float] | None = None  # a cloth over so much of the half outline, shares


@dataclass(frozen=True, eq=False)
class MadePart:
    """The picture and what is true of it."""

    spec: CutSpec
    path: Path
    body: Body
    along_mm: FloatArray  # (N,) along the true half outline from the tail
    half_mm: FloatArray  # (N, 2) the outline as it should be, body frame
    proud_mm: FloatArray  # (N,) how far material stands beyond it
    part_to_px: FloatArray  # (2, 3)


def body_of(spec: CutSpec) -> Body:
    """Return the body that the part is cut for."""
    return make_body(PlanSpec(seed=spec.seed, family=spec.family))  # type: ignore[arg-type]


def contour(spec: CutSpec, body: Body) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return along (N,), the right half (N, 2), material beyond it (N,) and the cut line (N, 2)."""
    half = right_half(body)
    half = half if half[len(half) // 2, 0] > 0 else half * [-1.0, 1.0]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(half, axis=0).T))])
    rng = np.random.default_rng([spec.seed, 41])
    step = along[-1] / len(along)
    wave = gaussian_filter1d(rng.standard_normal(len(along)), 4.0 / step, mode="nearest")
    away = (along - spec.proud_at * along[-1]) / spec.proud_long_mm
    bump = np.where(np.abs(away) < 0.5, np.minimum(1.0, 4.0 * (0.5 - np.abs(away))), 0.0)
    proud = spec.wobble_mm * wave / wave.std() + spec.proud_mm * bump
    tangent = np.gradient(half, axis=0)
    tangent /= np.hypot(*tangent.T)[:, None]
    outward = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    sign = -1.0 if spec.kind == "template" else 1.0
    return along, half, proud, (half + (sign * proud)[:, None] * outward) * spec.scale


def _shape(spec: CutSpec, cut: FloatArray) -> FloatArray:
    """Return the part as a closed ring, body frame."""
    off = -spec.edge_off_mm
    if spec.kind != "template":
        ends = np.array([(off, cut[-1, 1]), (off, cut[0, 1])])
        return np.vstack([cut, ends])
    import shapely

    both = np.vstack([cut, cut[::-1] * [-1.0, 1.0]])
    solid = shapely.Polygon(both).buffer(0)
    outer = solid.buffer(WALL_MM).union(
        shapely.box(-40.0, cut[0, 1] - WALL_MM - TAB_MM, 40.0, cut[-1, 1] + WALL_MM + TAB_MM)
    )
    kept = outer.difference(solid).intersection(shapely.box(off, -1e3, 1e3, 1e3))
    piece = max(getattr(kept, "geoms", [kept]), key=lambda one: one.area)
    return np.asarray(piece.exterior.coords)[:-1]


def _texture(size: tuple[int, int], level: float, rough: float, grain: bool, rng: np.random.Generator) -> FloatArray:
    """Return a tone with specks, and with long streaks where it is grained."""
    wide, high = size
    fine = cv2.GaussianBlur(rng.standard_normal((high, wide), dtype=np.float32), (0, 0), 1.6)
    value = level + rough * fine / fine.std()
    if grain:
        streak = rng.standard_normal((high // 4 + 1, wide // 40 + 1), dtype=np.float32)
        streak = cv2.resize(streak, (wide, high), interpolation=cv2.INTER_CUBIC)
        value += rough * streak
    return np.asarray(value, dtype=np.float32)


def _rules(spec: CutSpec, low: FloatArray, high: FloatArray) -> list[tuple[FloatArray, list[Mark]]]:
    """Return two steel rules, below and left of the part: each strip's ring and its marks."""
    rng = np.random.default_rng([spec.seed, 43])
    made = []
    for along, room in (("x", high[0] - low[0]), ("y", high[1] - low[1])):
        long = max(LEAST_RULE_MM, float(np.floor((room - 6.0) / 10.0) * 10.0))
        rule = RuleSpec(along=along, length_mm=long)  # type: ignore[arg-type]
        angle = np.radians(rng.uniform(-0.6, 0.6))
        corner = low + np.array((0.0, -22.0) if along == "x" else (-8.0, 0.0))
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        marks = [mark for one in draw_rule(rule, (0.0, 0.0), rng) for mark in one.marks[:-1]]
        strip = np.array([(-4.0, 0.0), (long + 6.0, 0.0), (long + 6.0, 19.0), (-4.0, 19.0)])
        if along == "y":
            strip = np.column_stack([-strip[:, 1], strip[:, 0]])
        place = np.column_stack([turn, corner])
        marks = [mark for mark in marks if _inside(mark, along)]
        made.append((strip @ turn.T + corner, [moved(mark, place) for mark in marks]))
    return made


def _inside(mark: Mark, along: str) -> bool:
    """Leave out what stands beside the strip: the words under a drawn rule."""
    across = mark.points[:, 1] if along == "x" else -mark.points[:, 0]
    return bool(across.min() > -0.5)


def make_part(spec: CutSpec, folder: Path) -> MadePart:
    """Draw one part into ``folder``; the picture is named after the spec."""
    folder.mkdir(parents=True, exist_ok=True)
    body = body_of(spec)
    along, half, proud, cut = contour(spec, body)
    ring = _shape(spec, cut)
    flip = np.diag([-1.0 if spec.face_down else 1.0, 1.0])
    turn = np.radians(spec.turn_deg)
    pose = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ flip
    lying = ring @ pose.T
    low, high = lying.min(axis=0) - 6.0, lying.max(axis=0) + 6.0
    rules = _rules(spec, low, high) if spec.rules else []
    every = np.vstack([lying, *(strip for strip, _ in rules)])
    low, high = every.min(axis=0) - MARGIN_MM, every.max(axis=0) + MARGIN_MM
    scale = spec.dpi / MM_PER_INCH
    to_px = np.array([[scale, 0.0, -low[0] * scale - 0.5], [0.0, -scale, high[1] * scale - 0.5]])
    size = (int(np.ceil((high[0] - low[0]) * scale)), int(np.ceil((high[1] - low[1]) * scale)))
    grey = _scanned(spec, lying, rules, to_px, size)
    if spec.hidden:
        _cover(grey, spec, along, half @ pose.T, to_px)
    path = folder / f"{spec.name}.png"
    image = pyvips.Image.new_from_array(grey).copy(interpretation="b-w", xres=scale, yres=scale)
    image.pngsave(str(path), compression=1)
    matrix = np.column_stack([to_px[:, :2] @ pose, to_px[:, 2]])
    return MadePart(spec, path, body, along, half, proud, matrix)


def _scanned(
    spec: CutSpec,
    ring: FloatArray,
    rules: list[tuple[FloatArray, list[Mark]]],
    to_px: FloatArray,
    size: tuple[int, int],
) -> np.ndarray:
    rng = np.random.default_rng([spec.seed, 42])

    def cover(marks: tuple[Mark, ...]) -> np.ndarray:
        return ink_page(marks, to_px, size, 0.0, spec.blur_px, over=2).astype(np.float32) / 255.0

    ground = _texture(size, *GROUNDS[spec.ground], spec.ground == "bench", rng)
    solids = [Mark(ring, closed=True, filled=True), *(Mark(strip, closed=True, filled=True) for strip, _ in rules)]
    part = cover((solids[0],))
    if spec.kind == "line":  # the ring begins with the cut line; its last side is the centerline
        solids[0] = Mark(ring, PENCIL_MM, closed=True)
        part = cover((solids[0],))
    if spec.shadow and spec.kind != "line":
        px_per_mm = spec.dpi / MM_PER_INCH
        shift = np.float32([[1, 0, 0.5 * px_per_mm], [0, 1, 0.9 * px_per_mm]])
        dark = cv2.GaussianBlur(cv2.warpAffine(part, shift, size), (0, 0), 0.8 * px_per_mm)
        ground *= 1.0 - spec.shadow * dark
    stuff = (PENCIL, 6.0, False) if spec.kind == "line" else (*STUFFS[spec.stuff], spec.stuff == "plywood")
    grey = ground + (_texture(size, *stuff, rng) - ground) * part
    if rules:
        strips = cover(tuple(solids[1:]))
        grey += (_texture(size, STEEL, 3.0, False, rng) - grey) * strips
        grey += (TICK - grey) * cover(tuple(mark for _, marks in rules for mark in marks))
    grey += spec.noise * rng.standard_normal(grey.shape, dtype=np.float32)
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)


def _cover(grey: np.ndarray, spec: CutSpec, along: FloatArray, half: FloatArray, to_px: FloatArray) -> None:
    """Lay a cloth over a stretch of the outline."""
    first, last = (share * along[-1] for share in spec.hidden or (0.0, 0.0))
    some = half[(along >= first) & (along <= last)] @ to_px[:, :2].T + to_px[:, 2]
    cv2.polylines(grey, [np.rint(some).astype(np.int32)], False, 90, int(16.0 * spec.dpi / MM_PER_INCH))


def part_specs(seed: int, count: int, proud_mm: float) -> list[CutSpec]:
    """Return parts of every kind; the same seed gives the same parts. ``proud_mm`` of 0: true parts."""
    rng = np.random.default_rng([seed, 44])
    stuffs: list[Stuff] = list(STUFFS)
    made = []
    for index in range(count):
        stuff = stuffs[index % len(stuffs)]
        spec = CutSpec(
            name=f"part-{seed}-{index:03d}",
            seed=seed * 1000 + index,
            kind="body" if index % 3 else "template",
            family="violin" if index % 5 == 4 else "small",
            stuff=stuff,
            ground=str(rng.choice(FITTING[stuff])),  # type: ignore[arg-type]
            face_down=bool(rng.random() < 0.3),
            turn_deg=float(rng.uniform(-8, 8)) + 90.0 * float(rng.integers(0, 4)),
            proud_at=float(rng.uniform(0.15, 0.85)),
            wobble_mm=float(rng.uniform(0.0, 0.035)),
            blur_px=float(rng.uniform(0.5, 1.2)),
            noise=float(rng.uniform(1.5, 5.0)),
            shadow=float(rng.uniform(0.0, 0.5)),
        )
        made.append(replace(spec, proud_mm=proud_mm))
    return made
