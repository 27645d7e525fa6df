"""The four frames, one class each, so that pixels never pass for millimetres.

| frame | unit | origin and axes |
|---|---|---|
| px | pixel | the centre of the top-left pixel is (0, 0); x right, y down |
| sheet | mm | flat paper as drawn; x right, y up |
| body | mm | centerline is x = 0, y along it, 0 at the tail end, + towards the neck |
| part | mm | each piece's own corner |

Every class holds an (N, 2) float64 array in the order (x, y), read-only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]


def frozen_floats(values: npt.ArrayLike) -> FloatArray:
    """Return a read-only float64 copy of ``values``."""
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


@dataclass(frozen=True, eq=False)
class Points:
    """(N, 2) points of one frame; use the subclasses, never this class."""

    xy: FloatArray

    def __post_init__(self) -> None:
        """Check the shape and make the array read-only.

        Raises:
            ValueError: the array is not (N, 2) or holds a value that is not finite.
        """
        array = frozen_floats(self.xy)
        if array.ndim != 2 or array.shape[1] != 2:
            raise ValueError(f"points need shape (N, 2), got {array.shape}")
        if not np.isfinite(array).all():
            raise ValueError("points hold a value that is not finite")
        object.__setattr__(self, "xy", array)

    def __len__(self) -> int:
        """Return the number of points."""
        return len(self.xy)


class PxPoints(Points):
    """Points in pixels: centre of the top-left pixel (0, 0), x right, y down."""


class SheetPoints(Points):
    """Points in mm on the flat paper as drawn: x right, y up."""


class BodyPoints(Points):
    """Points in mm: x = 0 is the centerline, y = 0 the tail end, + towards the neck."""


class PartPoints(Points):
    """Points in mm from one piece's own corner."""
