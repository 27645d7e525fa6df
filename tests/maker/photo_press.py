"""From world to picture: rays through the lens, surfaces sampled where rays meet them, then optics and sensor.

Surfaces are worked out on a grid of cells of 4 x 4 px and carried to 2 x 2 samples a pixel between them; the
lens and the tilt bend so slowly that this leaves under 0.001 px.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray
from tests.maker.camera import Camera
from tests.maker.level_press import PAPERS, SHADE_STEP
from tests.maker.level_press import light as paper_tone
from tests.maker.photo_laid import Placed
from tests.maker.photo_layers import Layer, object_layers, second_layer
from tests.maker.photo_paper import Paper
from tests.maker.photo_spec import PhotoSpec
from tests.maker.photo_table import TABLE_MM, TABLE_PX_PER_MM, light, table
from tests.maker.photo_texture import HEADROOM
from tests.maker.press import PAPER, ink_page
from tests.maker.spec import MM_PER_INCH

Rgb = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]
CELL = 4  # px
OVER = 2  # samples a pixel, each way
FINE = CELL * OVER
BAND_CELLS = 24
FINER, OBJECTS_FINER = 2.3, 1.15  # the sheet is drawn this much finer than the photo's pixels, objects finer still
MEET_STEPS = 6  # rays against the lifted paper: each step gains more than a digit
SQUARES = (np.arange(256, dtype=np.float32) / 255.0) ** 2
STEPS = np.arange(65536) / 65535.0
# The sRGB curve, IEC 61966-2-1 (from memory).
CURVE = np.float32(255.0) * np.where(
    STEPS <= 0.0031308, 12.92 * STEPS, 1.055 * np.maximum(STEPS, 1e-9) ** (1 / 2.4) - 0.055).astype(np.float32)
READ_NOISE, SHOT_NOISE = 0.0016, 0.00022  # of a phone in a lit room, 1 is white: standard deviation, variance per light


def _grid(camera: Camera) -> FloatArray:
    """Return the world rays (rows, columns, 3) of the cells' middles, one cell more on every side."""
    wide, high = (extent // CELL for extent in camera.size_px)
    x = (np.arange(-1, wide + 1) + 0.5) * CELL - 0.5
    y = (np.arange(-1, high + 1) + 0.5) * CELL - 0.5
    places = np.stack(np.meshgrid(x, y), axis=-1)
    return camera.rays(places.reshape(-1, 2)).reshape(*places.shape[:2], 3)


def _fine(coarse: Floats, rows: tuple[int, int], columns: tuple[int, int]) -> Floats:
    """Return samples of cells ``rows`` x ``columns`` (from, to) from a grid that holds one cell more on every side."""
    part = np.ascontiguousarray(coarse[rows[0] : rows[1] + 2, columns[0] : columns[1] + 2])
    full = cv2.resize(part, None, fx=FINE, fy=FINE, interpolation=cv2.INTER_LINEAR)
    return full[FINE:-FINE, FINE:-FINE]


def meet_paper(paper: Paper, start: FloatArray, rays: FloatArray) -> FloatArray:
    """Return the sheet places (N, 2) where rays (N, 3) from ``start`` meet the paper."""
    height = np.zeros(len(rays))
    for _ in range(MEET_STEPS):
        places = start[:2] + rays[:, :2] * ((height - start[2]) / rays[:, 2])[:, None]
        height = paper.height_mm(places)
    return start[:2] + rays[:, :2] * ((height - start[2]) / rays[:, 2])[:, None]


def px_per_mm(camera: Camera) -> float:
    """Return the picture's scale where the camera looks."""
    return camera.f_px / float(camera.place_mm[2]) * float(np.abs(camera.rotation[2, 2]))


class Press:
    """One photo being made: surfaces as coarse grids, read band by band."""

    def __init__(
        self, spec: PhotoSpec, camera: Camera, paper: Paper, placed: list[Placed], more: tuple[Layer, ...] = ()
    ) -> None:
        self.spec, self.camera, self.paper = spec, camera, paper
        self.per_mm = float(np.clip(FINER * px_per_mm(camera), 4.0, 20.0))
        grid = _grid(camera)
        self.shape = grid.shape[:2]
        rays, start = grid.reshape(-1, 3), camera.place_mm
        self.sheet_mm = meet_paper(paper, start, rays)
        flat = start[:2] - rays[:, :2] * (start[2] / rays[:, 2])[:, None]
        self.layers = [second_layer(spec.second, self.per_mm)] if spec.second else []
        for thing in placed:
            self.layers += object_layers(thing, self.per_mm * OBJECTS_FINER, spec.lamp_deg)
        self.layers += more
        self.maps = [self._map(layer, start, rays) for layer in self.layers]
        self.ink = self._ink()
        self.table, self.table_map = table(spec.table, spec.seed), self._table_map(flat)
        self.ink_map = self._shaped(self.sheet_mm * [1.0, -1.0] * self.per_mm
                                    + [-0.5, paper.size_mm[1] * self.per_mm - 0.5])
        self.cover_map = self._cover(self.sheet_mm)
        self.tone = self._tone(self.sheet_mm)
        self.light = np.pad(light(spec, (self.shape[1] - 2, self.shape[0] - 2)), 1, mode="edge")

    def _shaped(self, values: FloatArray) -> Floats:
        return values.reshape(*self.shape, -1).astype(np.float32)

    def _ink(self) -> npt.NDArray[np.uint8]:
        wide, high = self.paper.size_mm
        affine = np.array([[self.per_mm, 0.0, -0.5], [0.0, -self.per_mm, high * self.per_mm - 0.5]])
        size = (int(np.ceil(wide * self.per_mm)), int(np.ceil(high * self.per_mm)))
        return ink_page(self.paper.marks, affine, size, over=1)

    def _table_map(self, flat: FloatArray) -> Floats:
        turn = np.random.default_rng([self.spec.seed, 22]).uniform(-0.25, 0.25)
        rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        away = (flat - self.paper.middle_mm) @ rotation + np.array(TABLE_MM) / 2
        return self._shaped(np.clip(away * TABLE_PX_PER_MM, -9000, 12000))

    def _cover(self, sheet_mm: FloatArray) -> Floats:
        """Return how far inside the sheet's nearest edge every ray meets it, in samples."""
        ring = self.paper.corners_mm
        along = np.roll(ring, -1, axis=0) - ring
        inward = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.hypot(*along.T)[:, None]
        away = np.min([(sheet_mm - corner) @ n for corner, n in zip(ring, inward, strict=True)], axis=0)
        return self._shaped(np.clip(away, -20.0, 20.0) * OVER * px_per_mm(self.camera))

    def _tone(self, sheet_mm: FloatArray) -> Floats:
        """Return the factor of the paper's own smudges and folds, and of its slope to the lamp."""
        plan, (wide, high) = self.spec.plan, self.paper.size_mm
        dots = plan.dpi / MM_PER_INCH
        shade = paper_tone(plan, (int(high * dots), int(wide * dots))) / np.float32(PAPER)
        at = (sheet_mm * [1.0, -1.0] + [0.0, high]) * (dots / SHADE_STEP)
        at = self._shaped(np.clip(at, -2, 30_000))
        tone = cv2.remap(shade, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        if self.spec.lift != "flat":
            lamp = np.radians(self.spec.lamp_deg)
            slope = self.paper.slope(sheet_mm) @ np.array([np.cos(lamp), np.sin(lamp)])
            tone = tone * np.clip(1.0 - 0.8 * slope, 0.3, 1.6).reshape(self.shape)
        return np.asarray(tone, dtype=np.float32)

    def _map(self, layer: Layer, start: FloatArray, rays: FloatArray) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """Return a layer's strip places at every cell, and which cells it touches."""
        spots = layer.meet(start, rays).reshape(*self.shape, 2)
        high, wide = layer.rgba.shape[:2]
        at = spots * layer.scale + layer.offset
        inside = (at[..., 0] > -2) & (at[..., 1] > -2) & (at[..., 0] < wide + 1) & (at[..., 1] < high + 1)
        touched = cv2.dilate(inside.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
        return spots.astype(np.float32), touched

    def band(self, top: int, end: int) -> Floats:
        """Return the light, red, green, blue, of samples of the rows of cells ``top`` to ``end``, unblurred."""
        columns = (0, self.shape[1] - 2)
        at = _fine(self.table_map, (top, end), columns)
        light_rgb = SQUARES[cv2.remap(self.table, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)]
        self._lay_sheet(light_rgb, (top, end), columns)
        for layer, (spots, touched) in zip(self.layers, self.maps, strict=True):
            across = np.flatnonzero(touched[top + 1 : end + 1, 1:-1].any(axis=0))
            if len(across):
                left, right = int(across[0]), int(across[-1]) + 1
                part = light_rgb[:, left * FINE : right * FINE]
                _over(part, layer, _fine(spots, (top, end), (left, right)))
        return light_rgb

    def _lay_sheet(self, light_rgb: Floats, rows: tuple[int, int], columns: tuple[int, int]) -> None:
        """Lay paper and ink over the table, in place."""
        paper_rgb, ink_rgb = ((np.array(part) / 255.0) ** 2.2 for part in PAPERS[self.spec.plan.paper])
        at = _fine(self.ink_map, rows, columns)
        ink = cv2.remap(self.ink, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        share = np.arange(256)[:, None] / 255.0
        value = (paper_rgb + share * (ink_rgb - paper_rgb)).astype(np.float32)[ink]
        value *= _fine(self.tone, rows, columns)[..., None]
        cover = np.clip(_fine(self.cover_map, rows, columns) + np.float32(0.5), 0.0, 1.0)
        light_rgb[:] = cv2.blendLinear(value, light_rgb, cover, 1.0 - cover)


def _over(under: Floats, layer: Layer, spots: Floats) -> None:
    """Lay one layer over what is there, in place."""
    at = spots * layer.scale.astype(np.float32) + layer.offset.astype(np.float32)
    seen = cv2.remap(layer.rgba, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(0, 0, 0, 0))
    dense = seen[..., 3].astype(np.float32) / np.float32(255.0)
    dense[(spots[..., 1] < layer.limits[0]) | (spots[..., 1] > layer.limits[1])] = 0.0
    value = (SQUARES * np.float32(HEADROOM * layer.dark))[np.ascontiguousarray(seen[..., :3])]
    under[:] = cv2.blendLinear(value, np.ascontiguousarray(under), dense, 1.0 - dense)


def _motion(long_px: float, angle_deg: float) -> Floats:
    """Return the kernel of a straight movement during the exposure."""
    half = int(np.ceil(long_px / 2)) + 1
    x, y = np.meshgrid(np.arange(-half, half + 1), np.arange(-half, half + 1))
    to = np.radians(angle_deg)
    along, across = np.abs(x * np.cos(to) + y * np.sin(to)), np.abs(-x * np.sin(to) + y * np.cos(to))
    kernel = np.clip(long_px / 2 + 0.5 - along, 0, 1) * np.clip(1.0 - across, 0, 1)
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _optics(samples: Floats, spec: PhotoSpec) -> Floats:
    """Return the pixels' light: lens blur on the samples, then pixels, then movement."""
    sigma = spec.blur_px * spec.px_scale * OVER
    blurred = cv2.GaussianBlur(samples, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE) if sigma > 0 else samples
    pixels = cv2.resize(blurred, None, fx=1 / OVER, fy=1 / OVER, interpolation=cv2.INTER_AREA)
    long = spec.motion_px * spec.px_scale
    return cv2.filter2D(pixels, -1, _motion(long, spec.motion_deg), borderType=cv2.BORDER_REPLICATE) if long else pixels


def _developed(light_rgb: Floats, spec: PhotoSpec, seed: int) -> Floats:
    """Return 8-bit values, still floats, of a sensor's light: noise, tone curve, sharpening."""
    if spec.noise:
        noise = np.random.default_rng([spec.seed, 23, seed]).standard_normal(light_rgb.shape, dtype=np.float32)
        spread = np.sqrt(READ_NOISE**2 + SHOT_NOISE * np.maximum(light_rgb, 0.0)) * np.float32(spec.noise)
        light_rgb = light_rgb + noise * spread
    toned = CURVE[(np.clip(light_rgb, 0.0, 1.0) * np.float32(65535.0) + np.float32(0.5)).astype(np.uint16)]
    if spec.sharpen:
        toned = toned + np.float32(spec.sharpen) * (toned - cv2.GaussianBlur(toned, (0, 0), 1.2))
    return np.asarray(np.clip(toned, 0.0, 255.0))


def render(
    spec: PhotoSpec, camera: Camera, paper: Paper, placed: list[Placed], more: tuple[Layer, ...] = ()
) -> Rgb:
    """Return the upright picture, (height, width, 3) red, green, blue; ``more`` layers lie over all others."""
    press = Press(spec, camera, paper, placed, more)
    cells = press.shape[0] - 2
    reach = 4.0 * spec.blur_px * spec.px_scale + spec.motion_px * spec.px_scale / 2 + 6.0
    halo = int(np.ceil(reach / CELL))
    rgb = np.empty((camera.size_px[1], camera.size_px[0], 3), dtype=np.uint8)
    white = np.array(spec.light_rgb) * spec.exposure / (PAPERS["white"][0][0] / 255.0) ** 2.2
    for top in range(0, cells, BAND_CELLS):
        end = min(top + BAND_CELLS, cells)
        low, high = max(0, top - halo), min(cells, end + halo)
        pixels = _optics(press.band(low, high), spec)
        shade = cv2.resize(press.light[low : high + 2], None, fx=CELL, fy=CELL, interpolation=cv2.INTER_LINEAR)
        pixels *= shade[CELL:-CELL, CELL:-CELL, None] * white.astype(np.float32)
        values = _developed(pixels, spec, top)
        rgb[top * CELL : end * CELL] = np.rint(values[(top - low) * CELL : (end - low) * CELL])
    return rgb
