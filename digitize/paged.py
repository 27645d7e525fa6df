"""A large page kept in a file instead of in memory; it is an array like any other, and whoever reads it gives it back.

The system counts what was read of a mapped file as the program's memory until it is told otherwise, and takes in more
round every place that is touched, so a line down a wide page soon holds all of it. Pages below ``LEAST_BYTES`` are
plain arrays, and everything here is then what OpenCV and numpy do in one step.
"""

from __future__ import annotations

import mmap
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

Page = npt.NDArray[np.uint8]  # (H, W)

LEAST_BYTES = 2**26  # a smaller page stays in memory
BAND_BYTES = 2**24  # a page is gone through in bands of this size
HELD_BYTES = 2**24  # so much of a page is read here and there before it is given back
AT_ONCE_BYTES = 3 * 2**24  # and so much of it at once, where less would take several steps
BLOCK_BYTES = 2**20
SPARE_BYTES = 2**28  # left free where the file is made
# OpenCV's remap and warps cannot address pictures beyond this many pixels a side.
ADDRESSED_PX = 32000


class _Mapped(mmap.mmap):
    """The file of a page, where it lies in memory, and what of it was read since it was last given back."""

    start = 0
    touched: npt.NDArray[np.bool_]  # (blocks,)


def is_large(height: int, width: int) -> bool:
    """Return whether a page of this size is kept in a file."""
    return height * width >= LEAST_BYTES and hasattr(os, "posix_fallocate")


def has_room(height: int, width: int) -> bool:
    """Return whether a page of this size fits where temporary files are made."""
    return shutil.disk_usage(tempfile.gettempdir()).free > height * width + SPARE_BYTES


def page_in_file(height: int, width: int, save: Callable[[str], Any] | None = None, head_bytes: int = 0) -> Page:
    """Return a page (H, W) in a file that nobody else sees and that vanishes with it.

    Args:
        height: of the page, px.
        width: of the page, px.
        save: writes the page to the file that it is told, row by row; left out, the page is there to be filled. What
            is written in large pieces is kept in large pieces of memory, which are read much faster.
        head_bytes: what ``save`` writes before the pixels.

    Raises:
        OSError: there is no room for it.
    """
    with tempfile.NamedTemporaryFile(suffix=".v") as file:
        if save is not None:
            save(file.name)
        else:  # a full disk is told here and not by a signal later
            os.posix_fallocate(file.fileno(), 0, height * width)
        mapped = _Mapped(file.fileno(), head_bytes + height * width)
    page = np.frombuffer(mapped, dtype=np.uint8, count=height * width, offset=head_bytes).reshape(height, width)
    mapped.start = _address(page)
    mapped.touched = np.zeros(page.size // BLOCK_BYTES + 1, dtype=np.bool_)
    return page


def like(page: Page) -> Page:
    """Return an unfilled page of the same size, in a file where this one is."""
    return np.empty_like(page) if _file(page) is None else page_in_file(*page.shape)


def is_paged(page: Page) -> bool:
    """Return whether a page, or what it is a part of, lies in a file."""
    return _file(page) is not None


def give_back(page: Page, held: int | None = None) -> None:
    """Say that a part of a page was read; memory is given back once more than ``held`` bytes were read of the page."""
    file = _file(page)
    if file is None:
        return
    first = _address(page) - file.start
    file.touched[first // BLOCK_BYTES : (first + page.strides[0] * len(page)) // BLOCK_BYTES + 1] = True
    if np.count_nonzero(file.touched) * BLOCK_BYTES > (HELD_BYTES if held is None else held):
        _release(file)


def _address(page: Page) -> int:
    return int(page.__array_interface__["data"][0])


def _release(file: _Mapped) -> None:
    file.touched[:] = False
    file.madvise(mmap.MADV_DONTNEED)  # nothing is lost: the map is shared with the file


def _file(page: Any) -> _Mapped | None:
    while isinstance(page, np.ndarray):
        page = page.base
    page = page.obj if isinstance(page, memoryview) else page
    return page if isinstance(page, _Mapped) else None


def bands(page: Page, multiple: int = 1) -> Iterator[Page]:
    """Yield a page from top to bottom in bands of rows, all but the last a multiple of ``multiple`` high.

    A page in memory comes in one piece. A band of a page in a file is given back when the next is asked for.
    """
    height = page.shape[0]
    step = height if not is_paged(page) else max(1, BAND_BYTES // max(1, page.strides[0]) // multiple) * multiple
    for top in range(0, height, max(1, step)):
        band = page[top : top + step]
        yield band
        give_back(band, BAND_BYTES)


def averaged(page: Page, factor: int) -> Page:
    """Return a page averaged over ``factor`` x ``factor`` pixels; what is left over at right and bottom is left out."""
    height, width = (max(1, side // factor) for side in page.shape)
    if factor == 1:
        return page
    whole = page[: height * factor, : width * factor]
    parts = [
        cv2.resize(band, (width, max(1, len(band) // factor)), interpolation=cv2.INTER_AREA)
        for band in bands(whole, factor)
    ]
    return np.asarray(parts[0] if len(parts) == 1 else np.concatenate(parts), dtype=np.uint8)


def shrunk(page: Page, factor: float) -> Page:
    """Return a page shrunk by a factor that is a multiple of one half, by the areas of its pixels."""
    parts = [
        cv2.resize(band, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
        for band in bands(page, round(4 * factor))  # even numbers of rows come of each, as halves are rounded to even
    ]
    return np.asarray(parts[0] if len(parts) == 1 else np.concatenate(parts), dtype=np.uint8)


def every(page: Page, step: int) -> Page:
    """Return a copy of every so many of the pixels, along and across."""
    parts = [band[::step, ::step].copy() for band in bands(page, step)]
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def window(page: Page, rows: slice, columns: slice) -> Page:
    """Return a part of a page: a view of one in memory, a copy out of a file."""
    part = page[rows, columns]
    if not is_paged(page):
        return part
    out = np.empty(part.shape, dtype=np.uint8)
    top = 0
    for band in bands(part):
        out[top : top + len(band)] = band
        top += len(band)
    return out


def values_at(page: Page, x: npt.NDArray[np.int64], y: npt.NDArray[np.int64]) -> Page:
    """Return (...) the pixels at whole places (...)."""
    if not is_paged(page):
        return page[y, x]
    out = np.empty(x.shape, dtype=np.uint8)
    for part in spans(page, y):
        out[part] = page[y[part], x[part]]
        give_back(page[y[part].min() : y[part].max() + 1])
    return out


def spans(page: Page, y: npt.NDArray[Any]) -> Iterator[slice]:
    """Yield parts of rows (N,) or (N, ...) of places: each reaches over no more rows of the page than may be held.

    In memory it is one part.
    """
    if not is_paged(page):
        yield slice(0, len(y))
        return
    most = rows_at_once(page)
    waiting = [(0, len(y))]
    while waiting:
        first, last = waiting.pop()
        if last - first > 1 and np.ptp(y[first:last]) > most:
            middle = (first + last) // 2
            waiting += [(middle, last), (first, middle)]
        elif last > first:
            yield slice(first, last)


def rows_at_once(page: Page) -> int:
    """Return how many rows of a page in a file are to be read at once."""
    return max(256, AT_ONCE_BYTES // page.strides[0])


def remapped(page: Page, x: npt.NDArray[np.float32], y: npt.NDArray[np.float32], flags: int, **border: Any) -> Page:
    """Return what ``cv2.remap`` does; of a page in a file only the part that is asked for is handed to it."""
    if not is_paged(page):
        return np.asarray(cv2.remap(page, x, y, flags, **border))
    if x.shape[1] > ADDRESSED_PX:
        halves = (slice(None, x.shape[1] // 2), slice(x.shape[1] // 2, None))
        return np.concatenate([remapped(page, x[:, half], y[:, half], flags, **border) for half in halves], axis=1)
    sides = ((x, page.shape[1]), (y, page.shape[0]))
    low = [int(np.clip(np.floor(along.min()) - 4, 0, side - 1)) for along, side in sides]
    high = [max(first + 1, int(np.ceil(along.max())) + 5) for along, first in zip((x, y), low, strict=True)]
    part = window(page, slice(low[1], high[1]), slice(low[0], high[0]))
    return np.asarray(cv2.remap(part, x - np.float32(low[0]), y - np.float32(low[1]), flags, **border))
