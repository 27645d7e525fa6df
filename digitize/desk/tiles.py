"""A picture as square tiles at halving sizes, cut and packed only when somebody looks at them.

Level 0 is the picture itself; a pixel (x, y) of level k covers px 2^k x - 0.5 to 2^k (x + 1) - 0.5 of it, and y alike.
"""

from __future__ import annotations

import threading
from collections import OrderedDict

import cv2
import numpy as np
import numpy.typing as npt

Grey = npt.NDArray[np.uint8]

TILE_PX = 512
KEPT_BYTES = 64 * 2**20  # of packed tiles
QUALITY = 90  # of JPEG; lines on paper show rings below


class Tiles:
    """The tiles of one picture (H, W), uint8."""

    def __init__(self, grey: Grey, *, kept_bytes: int = KEPT_BYTES) -> None:
        """Halve the picture until it fits on one tile; all levels together take a third more than the picture."""
        self.levels: list[Grey] = [grey]
        while max(self.levels[-1].shape) > TILE_PX:
            self.levels.append(halved(self.levels[-1]))
        self._kept: OrderedDict[tuple[int, int, int], bytes] = OrderedDict()
        self._room = kept_bytes
        self._lock = threading.Lock()

    def jpeg(self, level: int, column: int, row: int) -> bytes | None:
        """Return one tile, smaller at the right and lower edges; None where there is none."""
        place = (level, column, row)
        with self._lock:
            if place in self._kept:
                self._kept.move_to_end(place)
                return self._kept[place]
        if not 0 <= level < len(self.levels) or column < 0 or row < 0:
            return None
        whole = self.levels[level]
        part = whole[row * TILE_PX : (row + 1) * TILE_PX, column * TILE_PX : (column + 1) * TILE_PX]
        if not part.size:
            return None
        packed = cv2.imencode(".jpg", part, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1].tobytes()
        self._keep(place, packed)
        return packed

    def _keep(self, place: tuple[int, int, int], packed: bytes) -> None:
        with self._lock:
            if place in self._kept:
                return
            self._kept[place] = packed
            self._room -= len(packed)
            while self._room < 0 and self._kept:
                self._room += len(self._kept.popitem(last=False)[1])


def halved(grey: Grey) -> Grey:
    """Return the means of 2 x 2 pixels; a last odd row or column is left out, so that places stay exact."""
    height, width = (max(side // 2, 1) for side in grey.shape)
    even = grey[: 2 * height, : 2 * width]
    return np.asarray(cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)
