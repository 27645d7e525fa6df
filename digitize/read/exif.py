"""What a camera wrote beside the picture: that it was one, and how long its lens was.

Exif 2.3 (CIPA DC-008): FocalLengthIn35mmFilm is the lens that shows as much on a film frame of 36 x 24 mm; read by
the frame's diagonal, as the pictures of phones are not as long as film's. A 0 means that the camera did not know.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from calibration.units import MM_PER_INCH

FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)
# EXIF fields that only a camera writes.
CAMERA_FIELDS = ("exif-ifd2-ExposureTime", "exif-ifd2-FNumber", "exif-ifd2-FocalLength")
FOCAL_FILM, FOCAL = "exif-ifd2-FocalLengthIn35mmFilm", "exif-ifd2-FocalLength"
PLANE_PER_UNIT, PLANE_UNIT = "exif-ifd2-FocalPlaneXResolution", "exif-ifd2-FocalPlaneResolutionUnit"
TAKEN_SIDES = ("exif-ifd2-PixelXDimension", "exif-ifd2-PixelYDimension")
UNIT_MM = {2: MM_PER_INCH, 3: 10.0, 4: 1.0}  # 2 inch and 3 centimetre in the standard, 4 millimetre in use
# A picture whose sides stand in another proportion than the camera's was cropped: by this much it is rounding.
SAME_SHAPE_WITHIN = 0.01
# No lens that takes a plan is shorter or longer than these parts of the picture's diagonal.
LEAST_OF_DIAGONAL, MOST_OF_DIAGONAL = 0.25, 12.0


def by_camera(image: Any) -> bool:
    """Return whether a camera wrote fields of its own into the picture."""
    return any(image.get_typeof(name) for name in CAMERA_FIELDS)


def focal_px(image: Any) -> float | None:
    """Return the focal length in pixels of the full picture, or None where the file does not tell it.

    A cropped picture does not: its camera's fields speak of the whole.
    """
    sides = (int(image.width), int(image.height))
    taken = [_number(image, name) for name in TAKEN_SIDES]
    if all(taken) and not _same_shape(sides, [side for side in taken if side]):
        return None
    film_mm = _number(image, FOCAL_FILM)
    found = film_mm / FILM_DIAGONAL_MM * math.hypot(*sides) if film_mm else _by_sensor(image, sides, taken)
    if found is None:
        return None
    return found if LEAST_OF_DIAGONAL < found / math.hypot(*sides) < MOST_OF_DIAGONAL else None


def _by_sensor(image: Any, sides: tuple[int, int], taken: Sequence[float | None]) -> float | None:
    """Return the focal length by the size of the sensor's pixels; they may have been joined since."""
    focal_mm, per_unit = _number(image, FOCAL), _number(image, PLANE_PER_UNIT)
    unit_mm = UNIT_MM.get(int(_number(image, PLANE_UNIT) or 2))
    longer = max(side or 0.0 for side in taken)
    if not (focal_mm and per_unit and unit_mm and longer):
        return None
    return focal_mm * per_unit / unit_mm * max(sides) / longer


def _same_shape(sides: Sequence[float], taken: Sequence[float]) -> bool:
    """Return whether two pictures have sides in one proportion; either may be lying on its side."""
    now, then = (max(pair) / min(pair) for pair in (sides, taken))
    return abs(now / then - 1.0) < SAME_SHAPE_WITHIN


def _number(image: Any, name: str) -> float | None:
    """Return a numeric field, None when it is missing, 0 or no number; libvips gives '83/20 (4.2 mm, ...)'."""
    if not image.get_typeof(name):
        return None
    above, _, below = str(image.get(name)).split(" ")[0].partition("/")
    try:
        value = float(above) / float(below or 1)
    except (ValueError, ZeroDivisionError):
        return None
    return value if math.isfinite(value) and value > 0 else None
