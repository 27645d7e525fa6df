"""What happens to a level's sheet on its way to a file: light, folds, stains, paper, lost toner, JPEG."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pyvips

from tests.maker.level_spec import LevelSpec
from tests.maker.press import BAND_PX, INK, PAPER, Grey
from tests.maker.spec import MM_PER_INCH

SHADE_STEP = 16  # the light is worked out on a grid this much coarser; it changes over many millimetres
FOLD_DEEP = {False: (18.0, 32.0), True: (30.0, 75.0)}  # grey values: an ordinary fold, a strong one
LOCAL_MM = 20.0  # a 1-bit scanner follows the light over this width
# Paper and ink as red, green, blue at full light.
PAPERS = {"white": ((236, 236, 236), (38, 38, 38)), "yellow": ((240, 226, 150), (52, 44, 40)),
          "pink": ((238, 190, 196), (56, 36, 52)), "buff": ((222, 200, 162), (60, 48, 40)),
          "blueprint": ((44, 74, 142), (214, 222, 232))}
Shade = npt.NDArray[np.float32]


def _fold(shade: Shade, rng: np.random.Generator, mm: Shade, strong: bool) -> None:
    """Darken one side of a fold sharply, the other softly; it runs across or along the sheet."""
    rows, columns = np.meshgrid(np.arange(shade.shape[0]), np.arange(shade.shape[1]), indexing="ij")
    along, at = rng.random() < 0.5, rng.uniform(0.25, 0.75)
    away = (rows - at * shade.shape[0]) if along else (columns - at * shade.shape[1])
    away = (away + rng.uniform(-0.02, 0.02) * (columns if along else rows)) * float(mm[0])
    deep, wide = rng.uniform(*FOLD_DEEP[strong]), rng.uniform(2.5, 9.0)
    shade -= (deep * np.where(away > 0, np.exp(-away / wide), np.exp(-((away / 1.5) ** 2)))).astype(np.float32)


def _stain(shade: Shade, rng: np.random.Generator, mm: Shade) -> None:
    """Add the ring of a cup, with its darker rim, or a smear."""
    rows, columns = np.meshgrid(np.arange(shade.shape[0]), np.arange(shade.shape[1]), indexing="ij")
    y, x = rng.uniform(0, shade.shape[0]), rng.uniform(0, shade.shape[1])
    away = np.hypot((rows - y) * mm[0], (columns - x) * mm[0])
    radius = rng.uniform(32, 45)
    angle = np.arctan2(rows - y, columns - x)
    rim = np.exp(-(((away - radius) / rng.uniform(1.0, 2.2)) ** 2)) * (0.6 + 0.4 * np.sin(angle + rng.uniform(0, 6)))
    wash = 0.25 / (1 + np.exp(np.clip((away - radius) / 1.5, -40, 40)))
    shade -= (rng.uniform(22, 55) * (rim + wash)).astype(np.float32)


def light(spec: LevelSpec, shape: tuple[int, int]) -> Shade:
    """Return the paper's grey values on a coarse grid: uneven lamp, smudges, folds, stains."""
    rng = np.random.default_rng([spec.seed, 7])
    step_mm = np.array([SHADE_STEP * MM_PER_INCH / spec.dpi], dtype=np.float32)
    high, wide = (int(np.ceil(extent / SHADE_STEP)) + 1 for extent in shape)
    rows, columns = np.meshgrid(np.linspace(-1, 1, high), np.linspace(-1, 1, wide), indexing="ij")
    tilt = rng.uniform(-1, 1, 2)
    fall = 0.5 * (1 + (tilt[0] * rows + tilt[1] * columns) / max(0.2, float(np.abs(tilt).sum())))
    shade = (PAPER * (1 - spec.uneven * fall)).astype(np.float32)
    for _ in range(spec.smudges):
        y, x, sigma = rng.uniform(-1, 1), rng.uniform(-1, 1), rng.uniform(0.02, 0.07)
        away = ((rows - y) ** 2 + ((columns - x) * wide / high) ** 2) / sigma**2
        shade -= (rng.uniform(8, 26) * np.exp(-away / 2)).astype(np.float32)
    for number in range(spec.folds + int(spec.fold)):
        _fold(shade, rng, step_mm, number < spec.folds)
    for _ in range(spec.stains):
        _stain(shade, rng, step_mm)
    return np.asarray(shade, dtype=np.float32)


def wear(ink: Grey, spec: LevelSpec) -> Grey:
    """Take toner away in small spots, and let the back of the sheet shine through."""
    rng = np.random.default_rng([spec.seed, 8])
    worn = ink.copy()
    px_per_mm = spec.dpi / MM_PER_INCH
    for x, y, size in rng.uniform((0, 0, 0.1), (ink.shape[1], ink.shape[0], 0.35), (spec.voids, 3)):
        cv2.circle(worn, (round(x * 8), round(y * 8)), round(size * px_per_mm * 8), 0, -1, cv2.LINE_AA, 3)
    if spec.bleed:
        shift = rng.uniform(20, 60, 2) * px_per_mm
        back = np.roll(ink[:, ::-1], (int(shift[0]), int(shift[1])), axis=(0, 1))
        table = np.rint(np.arange(256) * spec.bleed).astype(np.uint8)
        worn = np.maximum(worn, table[cv2.blur(back, (5, 5))])
    return worn


def _fine(coarse: Shade, top: int, shape: tuple[int, int]) -> Shade:
    """Return rows of a coarse grid at full resolution, from row ``top``."""
    rows = (np.arange(top, top + shape[0], dtype=np.float32) / SHADE_STEP)[:, None]
    columns = (np.arange(shape[1], dtype=np.float32) / SHADE_STEP)[None, :]
    low, high = int(rows[0, 0]), min(int(rows[-1, 0]) + 2, len(coarse))
    places = np.repeat(columns, shape[0], 0), np.repeat(rows - low, shape[1], 1)
    return np.asarray(cv2.remap(coarse[low:high], *places, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))


def _cut(spec: LevelSpec, shade: Shade) -> Shade:
    """Return where a 1-bit scanner cuts: half the depth of the faintest line wanted, below the paper round about."""
    reach = max(3, round(LOCAL_MM * spec.dpi / MM_PER_INCH / SHADE_STEP))
    paper = cv2.blur(shade, (reach, reach))
    return np.asarray(paper - 0.5 * (paper - INK) * min(spec.body_ink, spec.other_ink, 1.0), dtype=np.float32)


def _bands(ink: Grey, spec: LevelSpec) -> Grey:
    """Return the scan of dark ink on light paper, noise included, cut to 0 and 255 for 1 bit."""
    shade = light(spec, ink.shape)
    cut = _cut(spec, shade)
    grey = np.empty_like(ink)
    for top in range(0, len(ink), BAND_PX):
        part = ink[top : top + BAND_PX]
        local = _fine(shade, top, part.shape)
        local += (INK - local) * (part.astype(np.float32) / 255.0)
        noise = np.random.default_rng([spec.seed, 4, top]).standard_normal(part.shape, dtype=np.float32)
        local += np.float32(spec.noise) * noise
        if spec.one_bit:
            local = np.where(local > _fine(cut, top, part.shape), 255.0, 0.0)
        grey[top : top + BAND_PX] = np.clip(np.rint(local), 0, 255)
    return grey


def coloured(grey: Grey, paper: str) -> npt.NDArray[np.uint8]:
    """Return red, green, blue of a grey scan on a paper: its own colour at full light, its own ink."""
    light_rgb, ink_rgb = (np.array(part, dtype=float) for part in PAPERS[paper])
    share = np.clip((np.arange(256) - INK) / (PAPER - INK), -0.2, 1.1)[:, None]
    table = np.clip(np.rint(ink_rgb + share * (light_rgb - ink_rgb)), 0, 255).astype(np.uint8)
    return np.asarray(table[grey])


def save_level(ink: Grey, spec: LevelSpec, path: Path) -> None:
    """Scan the ink and write the file: PNG, TIFF G4 or JPEG, grey, 1-bit or colour, its dpi declared."""
    grey = _bands(wear(ink, spec) if spec.voids or spec.bleed else ink, spec)
    per_mm = spec.dpi / MM_PER_INCH
    values = grey if spec.paper == "white" else coloured(grey, spec.paper)
    image = pyvips.Image.new_from_array(values)
    kind = "srgb" if values.ndim == 3 else "b-w"
    image = image.copy(interpretation=kind, xres=per_mm, yres=per_mm)
    if spec.suffix == ".jpg":
        image.jpegsave(str(path), Q=spec.quality or 90)
    elif spec.suffix == ".tif":
        image.tiffsave(str(path), compression="ccittfax4" if spec.one_bit else "lzw", bitdepth=1 if spec.one_bit else 0)
    else:
        image.pngsave(str(path), compression=1, bitdepth=1 if spec.one_bit else 8)
