"""Simulated copier and scanner: affine applied to the geometry, then ink to pixels, then dirt.

A copier's and a scanner's distortion act on coordinates, so the truth stays exact; blur, noise and
dirt act on pixels and move no line on average.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyvips

from calibration.frames import FloatArray
from tests.maker.marks import Mark
from tests.maker.spec import MM_PER_INCH, PlanSpec

Grey = npt.NDArray[np.uint8]
OVER = 3  # the page is drawn this many times finer, then averaged down
HALF_PX = 0.5  # SVG's origin is the corner of the first pixel, the px frame's is its centre
PAPER, INK = 236.0, 38.0  # grey values
BAND_PX = 512  # rows handled as floats at a time
MARGIN_MM = 3.0  # scanned beyond the paper


def sheet_to_px(spec: PlanSpec, size_mm: tuple[float, float]) -> tuple[FloatArray, tuple[int, int]]:
    """Return the (2, 3) affine from sheet mm to the px frame, and the picture's (width, height) px."""
    copier = np.array([[spec.copier_x, np.tan(np.radians(spec.shear_deg))], [0.0, spec.copier_y]])
    skew = np.radians(spec.skew_deg)
    turn = np.array([[np.cos(skew), -np.sin(skew)], [np.sin(skew), np.cos(skew)]])
    matrix = spec.dpi / MM_PER_INCH * np.diag([1.0, -1.0]) @ turn @ copier
    corners = np.array([(0, 0), (size_mm[0], 0), size_mm, (0, size_mm[1])], dtype=float) @ matrix.T
    margin = MARGIN_MM * spec.dpi / MM_PER_INCH
    low, high = corners.min(axis=0) - margin, corners.max(axis=0) + margin
    width, height = (int(np.ceil(extent)) for extent in high - low)
    return np.column_stack([matrix, -low - HALF_PX]), (width, height)


def _path(mark: Mark, affine: FloatArray, px_per_mm: float, gain_mm: float, over: int) -> str:
    """Return one SVG path in the fine picture's pixels."""
    points = (mark.points @ affine[:, :2].T + affine[:, 2] + HALF_PX) * over
    steps = " ".join(f"{x:.3f},{y:.3f}" for x, y in points)
    shape = f'd="M{steps}{"Z" if mark.closed else ""}"'
    if mark.ink < 1.0:
        shape += f' {"fill" if mark.filled else "stroke"}-opacity="{mark.ink:.3f}"'
    if mark.filled:
        return f'<path {shape} fill="#000" stroke="none"/>'
    width = max(mark.width_mm + gain_mm, 0.08) * px_per_mm * over
    dash = ",".join(f"{part * px_per_mm * over:.3f}" for part in mark.dash_mm)
    return f'<path {shape} stroke-width="{width:.3f}"' + (f' stroke-dasharray="{dash}"/>' if dash else "/>")


def _svg(marks: tuple[Mark, ...], affine: FloatArray, size_px: tuple[int, int], gain_mm: float, over: int) -> bytes:
    """Return the page as SVG, one user unit a fine pixel."""
    px_per_mm = float(np.sqrt(abs(np.linalg.det(affine[:, :2]))))
    paths = "\n".join(_path(mark, affine, px_per_mm, gain_mm, over) for mark in marks)
    wide, high = size_px[0] * over, size_px[1] * over
    head = f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide}" height="{high}" viewBox="0 0 {wide} {high}">'
    style = '<g fill="none" stroke="#000" stroke-linecap="butt" stroke-linejoin="miter" stroke-miterlimit="6">'
    return f"{head}{style}{paths}</g></svg>".encode()


def ink_page(
    marks: tuple[Mark, ...], affine: FloatArray, size_px: tuple[int, int], gain_mm: float = 0.0, blur_px: float = 0.0,
    over: int = OVER,
) -> Grey:
    """Return the share of ink in every pixel, 0 paper to 255 full ink.

    The scanner's optics blur before its pixels average: blurring the pixels instead would leave the
    middle of a narrow upright line wrong by up to an eighth of a pixel over its width.
    """
    page = pyvips.Image.svgload_buffer(_svg(marks, affine, size_px, gain_mm, over), unlimited=True).extract_band(3)
    if blur_px > 0:
        page = page.gaussblur(blur_px * over, min_ampl=0.02)
    share = page.shrink(over, over).cast("uchar")
    return np.asarray(share.numpy(), dtype=np.uint8).reshape(size_px[1], size_px[0])


def specks(spec: PlanSpec, size_mm: tuple[float, float]) -> tuple[Mark, ...]:
    """Return toner specks of 0.1 to 0.4 mm, strewn over the sheet."""
    rng = np.random.default_rng([spec.seed, 3])
    at = np.linspace(0.0, 2 * np.pi, 8, endpoint=False)
    ring = np.stack([np.cos(at), np.sin(at)], axis=1)
    places = rng.uniform((0.0, 0.0), size_mm, (spec.specks, 2))
    sizes = rng.uniform(0.05, 0.2, spec.specks)
    return tuple(Mark(place + size * ring, closed=True, filled=True) for place, size in zip(places, sizes, strict=True))


def _shade(spec: PlanSpec, shape: tuple[int, int], rng: np.random.Generator) -> list[tuple[float, ...]]:
    """Return smudges as (x, y, sigma px, depth in grey values)."""
    px_per_mm = spec.dpi / MM_PER_INCH
    return [
        (rng.uniform(0, shape[1]), rng.uniform(0, shape[0]), rng.uniform(4, 14) * px_per_mm, rng.uniform(8, 26))
        for _ in range(spec.smudges)
    ]


def _band(ink: Grey, top: int, spec: PlanSpec, smudges: list[tuple[float, ...]], fold: tuple[float, float]) -> Grey:
    """Return scanned grey values of one band of rows that starts at row ``top``."""
    rows = np.arange(top, top + len(ink), dtype=np.float32)[:, None]
    columns = np.arange(ink.shape[1], dtype=np.float32)[None, :]
    light = np.full(ink.shape, PAPER, dtype=np.float32)
    for x, y, sigma, depth in smudges:
        if abs(top + len(ink) / 2 - y) < len(ink) / 2 + 4 * sigma:
            along, down = ((columns - x) / sigma) ** 2, ((rows - y) / sigma) ** 2
            light -= depth * np.exp(-along / 2) * np.exp(-down / 2)
    if spec.fold:
        away = (rows - fold[0] - fold[1] * columns) / (2.5 * spec.dpi / MM_PER_INCH)
        light -= 30.0 * np.exp(-np.abs(away)) * (away > 0) + 30.0 * np.exp(-(away**2) * 3) * (away <= 0)
    grey = light + (INK - light) * (ink.astype(np.float32) / 255.0)
    noise = np.random.default_rng([spec.seed, 4, top]).standard_normal(ink.shape, dtype=np.float32)
    return np.clip(np.rint(grey + spec.noise * noise), 0, 255).astype(np.uint8)


def scan(ink: Grey, spec: PlanSpec) -> Grey:
    """Return the page as the scanner gives it, 8-bit grey: paper, smudges, a fold's shadow, noise."""
    rng = np.random.default_rng([spec.seed, 5])
    smudges = _shade(spec, ink.shape, rng)
    fold = (float(rng.uniform(0.3, 0.7)) * ink.shape[0], float(rng.uniform(-0.01, 0.01)))
    grey = np.empty_like(ink)
    for top in range(0, len(ink), BAND_PX):
        grey[top : top + BAND_PX] = _band(ink[top : top + BAND_PX], top, spec, smudges, fold)
    return grey


def save(grey: Grey, spec: PlanSpec, path: Path) -> None:
    """Write the scan as PNG or TIFF G4, 8 or 1 bit, with its dpi declared."""
    values = np.where(grey > (PAPER + INK) / 2, 255, 0).astype(np.uint8) if spec.one_bit else grey
    per_mm = spec.dpi / MM_PER_INCH
    image = pyvips.Image.new_from_array(values).copy(interpretation="b-w", xres=per_mm, yres=per_mm)
    if spec.suffix == ".tif":
        image.tiffsave(str(path), compression="ccittfax4" if spec.one_bit else "lzw", bitdepth=1 if spec.one_bit else 0)
    elif spec.one_bit:
        image.pngsave(str(path), bitdepth=1, compression=9)
    else:
        image.pngsave(str(path), compression=2)
