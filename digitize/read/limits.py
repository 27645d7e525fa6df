"""What both readers share: the pixels they return and the limit that they keep."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from calibration.errors import Refusal, UsageError

# 1.07 gigapixels: a 36 by 48 inch sheet at 780 dpi. More is a mistake or an attack.
MOST_PIXELS = 2**30
# 4.3 gigapixels: a 48 by 62 inch sheet at 1200 dpi. So much of a file that is decoded bit by bit, into a file.
MOST_IN_STRIPS = 2**32
PIXELS_PER_MEGAPIXEL = 1e6

GreyArray = npt.NDArray[np.uint8]
ColourArray = npt.NDArray[np.uint8]  # (H, W, 3) red, green, blue


@dataclass(frozen=True, eq=False)
class Pixels:
    """One decoded page."""

    grey: GreyArray  # (H, W)
    dpi: tuple[float, float] | None  # (x, y) as shown upright
    captured: Literal["scan", "photo"]
    notes: tuple[str, ...]
    focal_px: float | None = None  # of the camera's lens
    quarters: int | None = None  # clockwise quarter turns that made it upright, where the file tells
    colours: ColourArray | None = None  # of a photo in colour: the whole upright picture, reduced
    pages: int = 1  # of the file


def refuse_too_large(file: str, width_px: int, height_px: int, most: int = MOST_PIXELS) -> None:
    """Refuse a picture by the size that it claims.

    Raises:
        Refusal: ``too-large``.
    """
    if width_px * height_px > most:
        raise Refusal("too-large", file=file, megapixels=_megapixels(width_px * height_px), limit=_megapixels(most))


def refuse_no_room(file: str, width_px: int, height_px: int) -> None:
    """Refuse a picture that would have to go to a file, and there is no room for it, if memory cannot take it either.

    Raises:
        Refusal: ``no-room``.
    """
    if width_px * height_px > MOST_PIXELS:
        raise Refusal("no-room", file=file, megapixels=_megapixels(width_px * height_px))


def _megapixels(pixels: int) -> int:
    return round(pixels / PIXELS_PER_MEGAPIXEL)


def refuse_no_such_page(file: str, page: int, pages: int) -> None:
    """Refuse a page number beyond the file's last.

    Raises:
        UsageError: ``no-such-page``.
    """
    if not 1 <= page <= pages:
        raise UsageError("no-such-page", file=file, page=page, pages=pages)
