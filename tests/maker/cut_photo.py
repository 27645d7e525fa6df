"""A cut part photographed: it lies on a blank sheet of paper with two steel rules, through the photo maker's camera.

Its face is as far above the paper as it is thick, and its walls show wherever the camera looks at them: lit by the
lamp or not, and in layers where it is plywood.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from calibration.frames import FloatArray
from tests.maker.camera import Camera
from tests.maker.cut_part import STUFFS, CutSpec, MadePart, _shape, _texture, body_of, contour
from tests.maker.level_spec import LevelSpec
from tests.maker.marks import Mark
from tests.maker.photo import STORED_TURN, _exif, hold
from tests.maker.photo_laid import put
from tests.maker.photo_layers import Layer
from tests.maker.photo_paper import Paper, lay
from tests.maker.photo_press import render
from tests.maker.photo_spec import LaidSpec, PhotoSpec, Table
from tests.maker.photo_texture import stored
from tests.maker.press import ink_page

PAPER_LINEAR = 0.83  # light of white paper, as the photo maker has it
ROOM_MM = 60.0
SHADOW_PX_PER_MM = 4.0
# How thick parts are: card and acrylic, plywood, 3/8 in templates, mold layers (common practice, no source).
THICK_MM, HOW_OFTEN = (2.0, 3.0, 6.0, 9.5, 18.0), (0.2, 0.2, 0.25, 0.2, 0.15)
# A wall's light: what it has of the room, what the lamp adds where it stands square to it; a ply's tone; how many.
WALL_ROOM, WALL_LAMP, PLY, PLIES = 0.5, 0.45, 0.8, 5
WALL_UNDER = 1.15  # walls are drawn so much higher than they are, so that no seam shows under the face's rim
SHADOW_FAR = 0.6  # of the thickness
TABLES: tuple[Table, ...] = ("wood", "dark wood", "mat", "cloth")


@dataclass(frozen=True, eq=False)
class PhotoPart(MadePart):
    """The same, photographed."""

    thickness_mm: float = 0.0  # of the part: its face is so far above the paper


def make_part_photo(spec: CutSpec, folder: Path) -> PhotoPart:
    """Photograph one part into ``folder``; the picture is named after the spec."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([spec.seed, 45])
    body = body_of(spec)
    along, half, proud, cut = contour(spec, body)
    ring = _shape(spec, cut)
    pose = _pose(spec)
    lying = ring @ pose.T
    lying = lying - lying.min(axis=0) + ROOM_MM
    thick = float(rng.choice(THICK_MM, p=HOW_OFTEN))
    size = lying.max(axis=0) + 22.0
    photo = _photo_spec(spec, rng, size)
    paper = _blank(photo, size)
    placed = [put(one, paper) for one in photo.laid]
    camera = hold(photo, paper, placed)
    rgb = render(photo, camera, paper, placed, _layers(spec, lying, thick, size, rng, photo.lamp_deg, camera))
    path = folder / f"{spec.name}.jpg"
    Image.fromarray(np.ascontiguousarray(np.rot90(rgb, STORED_TURN[photo.orientation]))).save(
        path, quality=photo.quality, exif=_exif(photo, camera)
    )
    return PhotoPart(spec, path, body, along, half, proud, np.zeros((2, 3)), thick)


def _pose(spec: CutSpec) -> FloatArray:
    turn = np.radians(spec.turn_deg)
    flip = np.diag([-1.0 if spec.face_down else 1.0, 1.0])
    return np.asarray(np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ flip)


def _photo_spec(spec: CutSpec, rng: np.random.Generator, size: FloatArray) -> PhotoSpec:
    """Return the photo: a rule below the part and one left of it, the camera nearly straight above."""
    rules = (
        LaidSpec("steel 300", (14.0, 12.0), float(rng.uniform(-1.5, 1.5)), seed=spec.seed),
        LaidSpec("steel 300", (42.0, 44.0), 90.0 + float(rng.uniform(-1.5, 1.5)), seed=spec.seed + 1),
    )
    return PhotoSpec(
        name=spec.name, seed=spec.seed, kind="part", plan=LevelSpec(rules=(), specks=0, smudges=0, fold=False),
        laid=rules, portrait=bool(size[1] > size[0]), tilt_deg=float(rng.uniform(1.0, 9.0)),
        tilt_to_deg=float(rng.uniform(0.0, 360.0)), turn_deg=float(rng.uniform(-4.0, 4.0)),
        lens=(float(rng.uniform(-0.08, 0.02)), 0.005, 0.0, 0.0), blur_px=float(rng.uniform(0.6, 1.1)),
        noise=float(rng.uniform(0.6, 1.4)), fall=float(rng.uniform(0.0, 0.25)), table=TABLES[spec.seed % len(TABLES)],
        lamp_deg=float(rng.uniform(0.0, 360.0)), long_px=spec.long_px,
    )  # fmt: skip


def _blank(photo: PhotoSpec, size: FloatArray) -> Paper:
    """Return an empty sheet, large enough for part and rules."""
    wide, high = float(max(size[0], 330.0)), float(max(size[1], 360.0))
    corners = np.array([(0.0, 0.0), (wide, 0.0), (wide, high), (0.0, high)])
    return replace(lay(photo), marks=(), size_mm=(wide, high), corners_mm=corners, middle_mm=np.array([wide, high]) / 2)


def _layers(
    spec: CutSpec, ring: FloatArray, thick: float, size: FloatArray, rng: np.random.Generator, lamp_deg: float,
    camera: Camera,
) -> tuple[Layer, Layer, Layer]:  # fmt: skip
    """Return the part's soft shadow on the paper, its walls as the camera sees them, and its face at its height."""
    per_mm = 12.0
    wide, high = (int(np.ceil(extent * per_mm)) for extent in size)
    affine = np.array([[per_mm, 0.0, -0.5], [0.0, -per_mm, size[1] * per_mm - 0.5]])
    cover = ink_page((Mark(ring, closed=True, filled=True),), affine, (wide, high), over=2)
    level, rough = STUFFS["mdf" if spec.stuff == "paper" else spec.stuff]
    tone = _texture((wide, high), level, rough, spec.stuff == "plywood", rng)
    rgba = _coloured(spec, PAPER_LINEAR * (np.clip(tone, 0, 255) / 236.0) ** 2.2, cover)
    frame = np.eye(3)
    limits = (-1.0, float(size[1]) + 1.0)
    top = Layer(rgba, np.zeros(3), frame, affine[[0, 1], [0, 1]], affine[:, 2], limits, rise_mm=thick)
    lamp = np.array([np.cos(np.radians(lamp_deg)), np.sin(np.radians(lamp_deg))])
    light, shown = _walls(spec, ring, thick, camera.place_mm, lamp, affine, (wide, high))
    walls = replace(top, rgba=_coloured(spec, PAPER_LINEAR * (level / 236.0) ** 2.2 * light, shown), rise_mm=0.0)
    return _shadow(top, cover, thick, per_mm, lamp), walls, top


def _coloured(spec: CutSpec, light: FloatArray, cover: np.ndarray) -> np.ndarray:
    """Return a stuff's picture, (H, W, 4), from its light (H, W) and how much of each place it covers."""
    rgba = np.zeros((*cover.shape, 4), dtype=np.uint8)
    for band, share in enumerate((1.0, 0.86, 0.68) if spec.stuff in ("mdf", "plywood", "paper") else (1.0, 1.0, 1.0)):
        rgba[..., band] = np.rint(stored(light * share))
    rgba[..., 3] = cover
    return rgba


def _walls(
    spec: CutSpec, ring: FloatArray, thick: float, eye_mm: FloatArray, lamp: FloatArray, affine: FloatArray,
    size: tuple[int, int],
) -> tuple[FloatArray, np.ndarray]:  # fmt: skip
    """Return the walls' light as a share of the face's, and their cover, (H, W) both, as seen on the paper's plane.

    A place so far above the paper is seen on it further from the point under the eye.
    """
    ring = ring if cv2.contourArea(ring.astype(np.float32), True) > 0 else ring[::-1]
    after = np.roll(ring, -1, axis=0)
    out = np.column_stack([(after - ring)[:, 1], -(after - ring)[:, 0]])
    out /= np.maximum(np.hypot(*out.T), 1e-9)[:, None]
    shown = np.einsum("ni,ni->n", eye_mm[:2] - (ring + after) / 2.0, out) > 0.0
    shares = WALL_ROOM + WALL_LAMP * np.maximum(out @ lamp, 0.0)
    canvas = np.zeros((2 * size[1], 2 * size[0]), dtype=np.uint8)
    bands = PLIES if spec.stuff == "plywood" else 1
    heights = thick * np.linspace(0.0, 1.0, bands + 1)
    heights[-1] *= WALL_UNDER
    grown = [eye_mm[:2] + (eye_mm[2] / (eye_mm[2] - one)) * (ring - eye_mm[:2]) for one in heights]
    px = [np.rint(16.0 * (2.0 * (one @ affine[:, :2].T + affine[:, 2]) + 0.5)).astype(np.int32) for one in grown]
    for band in range(bands):
        tone = PLY if band % 2 else 1.0
        low, high = px[band], px[band + 1]
        for k in np.flatnonzero(shown):
            quad = np.array([low[k], low[(k + 1) % len(ring)], high[(k + 1) % len(ring)], high[k]])
            cv2.fillPoly(canvas, [quad], round(200.0 * tone * shares[k]), cv2.LINE_8, 4)
    cover = cv2.resize((canvas > 0).astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA)
    light = cv2.resize(canvas, size, interpolation=cv2.INTER_AREA).astype(np.float64)
    return light * 255.0 / np.maximum(cover, 1) / 200.0, cover


def _shadow(top: Layer, cover: np.ndarray, thick: float, per_mm: float, lamp: FloatArray) -> Layer:
    small = cv2.resize(
        cover, None, fx=SHADOW_PX_PER_MM / per_mm, fy=SHADOW_PX_PER_MM / per_mm, interpolation=cv2.INTER_AREA
    )
    away = -SHADOW_FAR * thick * SHADOW_PX_PER_MM * lamp
    shift = np.float32([[1, 0, away[0]], [0, 1, -away[1]]])
    moved = cv2.warpAffine(small, shift, (small.shape[1], small.shape[0])).astype(np.float32)
    soft = cv2.GaussianBlur(moved, (0, 0), (0.4 + 0.4 * thick) * SHADOW_PX_PER_MM)
    rgba = np.zeros((*small.shape, 4), dtype=np.uint8)
    rgba[..., 3] = np.rint(0.4 * soft)
    scale = top.scale * SHADOW_PX_PER_MM / per_mm
    offset = (top.offset + 0.5) * SHADOW_PX_PER_MM / per_mm - 0.5
    return replace(top, rgba=rgba, scale=scale, offset=offset, rise_mm=0.0)
