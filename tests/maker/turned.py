"""Two scans of a sheet on a scanner that is off: as it lies, and turned half round, each put down askew."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import FloatArray

Grey = npt.NDArray[np.uint8]
Field = Callable[[FloatArray], FloatArray]  # (..., 2) mm -> (..., 2) mm


def none(places_mm: FloatArray) -> FloatArray:
    """Return nothing anywhere."""
    return np.zeros_like(places_mm)


def scanned(
    sheet: Grey, mm_per_px: float, scanner: Field = none, own: Field = none, *, turn_deg: float = 0.0,
    shift_px: tuple[float, float] = (0.0, 0.0), noise: float = 2.0, seed: int = 1, room_px: int = 0,
) -> Grey:
    """Return a scan of a sheet.

    Args:
        sheet: as a perfect scanner shows it.
        mm_per_px: of it.
        scanner: by how much it shows each place of its glass off, mm, x right, y down.
        own: by how much the sheet itself is off.
        turn_deg: by which it lies turned about the middle of the glass; 180 is half round.
        shift_px: of it on the glass.
        noise: grey levels.
        seed: of the noise.
        room_px: of bare glass round it.
    """
    page = cv2.copyMakeBorder(sheet, *[room_px] * 4, cv2.BORDER_REPLICATE) if room_px else sheet
    high, wide = page.shape
    q = np.stack(np.meshgrid(np.arange(wide, dtype=np.float64), np.arange(high, dtype=np.float64)), axis=-1)
    glass = q
    for _ in range(2 if scanner is not none else 0):  # displacements are small: twice is enough
        glass = q - scanner(glass * mm_per_px) / mm_per_px
    middle, angle = np.array([(wide - 1) / 2.0, (high - 1) / 2.0]), np.radians(turn_deg)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    place = (glass - middle - shift_px) @ turn + middle
    if own is not none:
        place = place + own(place * mm_per_px) / mm_per_px
    at = place.astype(np.float32)
    seen = cv2.remap(page, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.clip(seen + np.random.default_rng(seed).normal(0.0, noise, seen.shape), 0, 255).astype(np.uint8)
