"""PNG, JPEG, TIFF, HEIC, GIF and WebP through libvips, which decodes in strips."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pyvips

from calibration.errors import Refusal
from calibration.units import MM_PER_INCH
from digitize.paged import has_room, is_large, page_in_file
from digitize.read.exif import by_camera, focal_px
from digitize.read.heic import decode_hevc, refuse_cut_off
from digitize.read.limits import (
    MOST_IN_STRIPS,
    MOST_PIXELS,
    ColourArray,
    GreyArray,
    Pixels,
    refuse_no_room,
    refuse_no_such_page,
    refuse_too_large,
)
from digitize.read.tone import InkColour, ink_colour, reduction

# No results kept between calls: a file replaced under the same name must be read again.
pyvips.cache_set_max(0)

LOADERS = ("jpegload", "pngload", "tiffload", "heifload", "gifload", "webpload")
PAGED = ("tiffload", "heifload", "gifload", "webpload")
# What files say when nobody set a resolution: a typographer's point, a screen, and libvips's own 1 px/mm.
PLACEHOLDER_DPI = (72.0, 96.0, MM_PER_INCH)
PLACEHOLDER_WITHIN_DPI = 0.05  # PNG counts whole dots per metre, 0.025 dpi each
DPI_DECIMALS = 3  # libvips keeps px/mm in single precision
# The decoders' own words for a file that stops early.
ENDS_EARLY = ("premature", "truncated", "unexpected end", "read error", "out of data", "end of file", "bad seek")
VIPS_HEAD_BYTES = 64  # before the pixels of a file of the format of libvips, which is written a strip at a time
SIDEWAYS = (5, 6, 7, 8)  # EXIF/TIFF orientations that swap width and height
QUARTERS = {1: 0, 6: 1, 3: 2, 8: 3}  # clockwise, by EXIF/TIFF orientation; the others mirror
GIF_MAGIC = b"GIF8"
GIF_SCREEN_BYTES = 13
GIF_DESCRIPTOR_BYTES = 10
GIF_DESCRIPTOR, GIF_EXTENSION = 0x2C, 0x21
GIF_HEAD_BYTES = 65536  # a comment before the first frame may be long


def read_raster(
    path: Path, page: int, captured: Literal["scan", "photo"] | None = None, *, plan: bool = True
) -> Pixels:
    """Return the grey values of one page of a raster file; ``captured`` where the person said it.

    Colours count by how far they are from paper towards ink, or by their lightness when it is no plan.

    Raises:
        UsageError: ``no-such-page``.
        Refusal: ``unreadable``, ``truncated`` or ``too-large``.
    """
    _refuse_claimed_gif(path)
    refuse_cut_off(path)
    try:
        header = _opened(path, page)
        refuse_too_large(path.name, header.width, header.height, _most_pixels(header))
        image, again = _decodable(header, path, page)
        captured = captured or _captured(header)
        small = _reduced(again(), path.name) if plan and _is_colour(image) else None
        colour = None if small is None else ink_colour(small, photo=captured == "photo")
        colours = None if small is None or captured == "scan" else _turned(small, image)
        grey = _page(_grey(image, path.name, colour), path.name)
    except pyvips.Error as fault:
        raise _refusal(path, fault) from fault
    dpi, dpi_notes = _declared_dpi(header)
    notes = (*_notes(image, colour), *dpi_notes)
    pages = _field(header, "n-pages", 1)
    return Pixels(grey, dpi, captured, notes, focal_px(header), _quarters(header), colours, pages)


def _refuse_claimed_gif(path: Path) -> None:
    """Refuse a GIF by the sizes in its blocks: its decoder lays out every frame before it tells the size."""
    with path.open("rb") as stream:
        head = stream.read(GIF_HEAD_BYTES)
    if not head.startswith(GIF_MAGIC) or len(head) < GIF_SCREEN_BYTES:
        return
    refuse_too_large(path.name, *struct.unpack("<HH", head[6:10]))
    at = _first_frame(head)
    if at is not None:
        left_px, top_px, width_px, height_px = struct.unpack("<HHHH", head[at + 1 : at + 9])
        refuse_too_large(path.name, left_px + width_px, top_px + height_px)


def _first_frame(head: bytes) -> int | None:
    """Return where the first image descriptor begins, by walking the blocks before it (GIF89a, section 20)."""
    packed = head[10]
    at = GIF_SCREEN_BYTES + (3 * 2 ** ((packed & 7) + 1) if packed & 0x80 else 0)
    while at + GIF_DESCRIPTOR_BYTES <= len(head) and head[at] == GIF_EXTENSION:
        at += 2
        while at < len(head) and head[at]:
            at += head[at] + 1
        at += 1
    whole = at + GIF_DESCRIPTOR_BYTES <= len(head)
    return at if whole and head[at] == GIF_DESCRIPTOR else None


def _opened(path: Path, page: int) -> Any:
    """Return the page, its header read and its pixels not yet."""
    options = {"access": "sequential", "fail_on": "error"}
    first = pyvips.Image.new_from_file(str(path), **options)
    loader = _loader(first)
    if loader not in LOADERS:
        raise Refusal("unreadable", file=path.name, why="this kind of file is not a scan")
    refuse_no_such_page(path.name, page, _field(first, "n-pages", 1))
    if page == 1 or loader not in PAGED:
        return first
    return pyvips.Image.new_from_file(str(path), page=page - 1, **options)


def _decodable(header: Any, path: Path, page: int) -> tuple[Any, Callable[[], Any]]:
    """Return the page with its pixels to come, and what gives it once more: files are read in strips, twice."""
    if not _is_hevc(header):
        return header, lambda: _opened(path, page)
    values = decode_hevc(path, page)
    kind = "srgb" if values.ndim == 3 and values.shape[2] > 2 else "b-w"
    wide = {"srgb": "rgb16", "b-w": "grey16"}
    image = pyvips.Image.new_from_array(values).copy(interpretation=wide[kind] if values.itemsize == 2 else kind)
    return image, lambda: image


def _most_pixels(header: Any) -> int:
    """Return how large a page may be: larger where it comes strip by strip or tile by tile, and needs no turning."""
    in_strips = _loader(header) == "tiffload" and _field(header, "orientation", 1) == 1
    return MOST_IN_STRIPS if in_strips else MOST_PIXELS


def _is_hevc(header: Any) -> bool:
    return _loader(header) == "heifload" and _field(header, "heif-compression", "") == "hevc"


def _loader(image: Any) -> str:
    return str(image.get("vips-loader")).split("_")[0]


def _field(image: Any, name: str, default: Any) -> Any:
    return image.get(name) if image.get_typeof(name) else default


def _is_colour(image: Any) -> bool:
    return int(image.bands) - int(image.hasalpha()) > 2


def _reduced(image: Any, file: str) -> ColourArray:
    """Return a reduced copy of a page read once more, not yet upright."""
    factor = reduction(image.width, image.height)
    small = _eight_bits(image, file).colourspace("srgb").shrink(factor, factor)
    values = np.frombuffer(small.write_to_memory(), dtype=np.uint8)
    return values.reshape(small.height, small.width, small.bands)


def _turned(colours: ColourArray, image: Any) -> ColourArray:
    """Return reduced colours as upright as the page will be."""
    flat = pyvips.Image.new_from_array(colours).copy()
    flat.set_type(pyvips.GValue.gint_type, "orientation", _field(image, "orientation", 1))
    upright = np.asarray(flat.autorot().numpy(), dtype=np.uint8)
    upright.setflags(write=False)
    return upright


def _eight_bits(image: Any, file: str) -> Any:
    """Return the picture with 8-bit samples, alpha laid over white."""
    if image.format == "ushort":
        shown = "rgb16" if _is_colour(image) else "grey16"
        image = image.cast("uchar", shift=True).copy(interpretation={"grey16": "b-w", "rgb16": "srgb"}[shown])
    if image.format != "uchar":
        raise Refusal("unreadable", file=file, why=f"its samples are of the kind '{image.format}'")
    return image.flatten(background=255) if image.hasalpha() else image


def _grey(image: Any, file: str, colour: InkColour | None) -> Any:
    """Return one band of 8 bits: colours by their lightness, or as ``colour`` weighs them."""
    image = _eight_bits(image, file)
    if colour is not None:
        weighed = image.colourspace("srgb").recomb([list(colour.weights)])
        return (weighed + colour.offset).rint().cast("uchar")
    return image.colourspace("b-w")[0] if image.bands > 1 else image[0]


def _page(image: Any, file: str) -> GreyArray:
    """Return the pixels as they stand upright; a large page's in a file, where it need not be turned.

    Raises:
        Refusal: ``no-room``.
    """
    height, width = image.height, image.width
    if _field(image, "orientation", 1) != 1:  # turning needs all of it
        return _as_array(image.copy_memory().autorot())
    if not is_large(height, width):
        return _as_array(image)
    if has_room(height, width):
        return in_file(image)
    refuse_no_room(file, width, height)
    return _as_array(image)


def in_file(image: Any) -> GreyArray:
    """Return the pixels of one band of 8 bits, decoded strip by strip into a file."""
    return page_in_file(image.height, image.width, image.vipssave, VIPS_HEAD_BYTES)


def _quarters(header: Any) -> int | None:
    """Return by how many quarter turns the page becomes upright; None where no tag tells, or a decoder turns it."""
    if _loader(header) == "heifload" or not header.get_typeof("orientation"):
        return None
    return QUARTERS.get(int(header.get("orientation")))


def _as_array(image: Any) -> GreyArray:
    values = np.frombuffer(image.write_to_memory(), dtype=np.uint8)
    return values.reshape(image.height, image.width)


def _declared_dpi(image: Any) -> tuple[tuple[float, float] | None, tuple[str, ...]]:
    """Return the dots per inch that the file declares, in upright x and y, or None with a reason.

    libvips fills in 1 px/mm, and 72 dpi for JPEG, where a file is silent. JPEG and TIFF tell silence by the
    missing field; everywhere a placeholder's value is not believed.
    """
    if _loader(image) in ("jpegload", "tiffload") and not image.get_typeof("resolution-unit"):
        return None, ("The file declares no resolution.",)
    dpi_x, dpi_y = round(image.xres * MM_PER_INCH, DPI_DECIMALS), round(image.yres * MM_PER_INCH, DPI_DECIMALS)
    if any(abs(dpi_x - silent) < PLACEHOLDER_WITHIN_DPI for silent in PLACEHOLDER_DPI):
        return None, (f"The file's {dpi_x:.0f} dpi is what is written when nobody sets it; it was not believed.",)
    upright = (dpi_y, dpi_x) if _field(image, "orientation", 1) in SIDEWAYS else (dpi_x, dpi_y)
    return upright, ()


def _captured(image: Any) -> Literal["scan", "photo"]:
    """Return how a page was taken; no scanner writes HEIC."""
    return "photo" if by_camera(image) or _is_hevc(image) else "scan"


def _notes(image: Any, colour: InkColour | None) -> tuple[str, ...]:
    """Say in plain words what was done on the way to grey."""
    orientation = _field(image, "orientation", 1)
    into_grey = "turned into grey by their lightness"
    if colour is not None:
        into_grey = "turned into grey by how far they are from paper towards ink, which lightness shows poorly here"
    facts = (
        (orientation != 1, f"Turned upright as its orientation tag {orientation} says."),
        (image.format == "ushort", "16-bit samples were brought to 8 bits."),
        (image.interpretation == "cmyk", f"Printing colours (CMYK) were {into_grey}."),
        (image.interpretation != "cmyk" and _is_colour(image), f"Colours were {into_grey}."),
        (image.hasalpha(), "Transparent parts were laid over white."),
    )
    return tuple(text for true, text in facts if true)


def _refusal(path: Path, fault: pyvips.Error) -> Refusal:
    lines = [line.strip().replace(str(path), path.name) for line in str(fault.detail or fault.message).splitlines()]
    said = "; ".join(dict.fromkeys(line for line in lines if line)) or "the decoder gave no reason"
    if any(words in said.lower() for words in ENDS_EARLY):
        return Refusal("truncated", file=path.name)
    if "not a known file format" in said:
        said = "its content is no kind of picture known here"
    return Refusal("unreadable", file=path.name, why=said)
