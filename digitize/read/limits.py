"""What both readers share: the pixels they return and the limit that they keep."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from calibration.errors import Refusal, UsageError

# 1.07 gigapixels: a 36 by 48 inch sheet at 780 dpi. More is a mistake or an attack.
MOST_PIXELS = 2**30
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


def refuse_too_large(file: str, width_px: int, height_px: int) -> None:
    """Refuse a picture by the size that it claims.

    Raises:
        Refusal: ``too-large``.
    """
    if width_px * height_px > MOST_PIXELS:
        megapixels = round(width_px * height_px / PIXELS_PER_MEGAPIXEL)
        raise Refusal("too-large", file=file, megapixels=megapixels, limit=round(MOST_PIXELS / PIXELS_PER_MEGAPIXEL))


def refuse_no_such_page(file: str, page: int, pages: int) -> None:
    """Refuse a page number beyond the file's last.

    Raises:
        UsageError: ``no-such-page``.
    """
    if not 1 <= page <= pages:
        raise UsageError("no-such-page", file=file, page=page, pages=pages)
