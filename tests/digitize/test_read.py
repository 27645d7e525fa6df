from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import pyvips

from calibration.errors import Refusal, UsageError
from digitize.read import read_picture

Grey = npt.NDArray[np.uint8]


@pytest.fixture(scope="module")
def page() -> Grey:
    """A page whose every corner differs, so that any turn or mirror shows; 0 and 255 both occur."""
    sheet = np.full((90, 140), 255, dtype=np.uint8)
    sheet[5:25, 5:45] = 0
    sheet[60:85, 100:110] = 120
    sheet[70:80, 10:14] = 60
    return sheet


def _vips(array: npt.NDArray[Any], **fields: Any) -> Any:
    image = pyvips.Image.new_from_array(np.ascontiguousarray(array))
    kind = {1: "b-w", 2: "b-w", 3: "srgb", 4: "srgb"}[image.bands]
    if array.dtype == np.uint16:
        kind = {"b-w": "grey16", "srgb": "rgb16"}[kind]
    return image.copy(interpretation=kind, **fields)


def _error(grey: Grey, page: Grey) -> int:
    assert grey.shape == page.shape
    return int(np.abs(grey.astype(int) - page).max())


def test_png_grey_is_read_as_it_is(tmp_path: Path, page: Grey) -> None:
    path = tmp_path / "a.png"
    _vips(page, xres=300 / 25.4, yres=200 / 25.4).pngsave(str(path))
    picture = read_picture(path)
    assert _error(picture.grey, page) == 0
    assert picture.grey.dtype == np.uint8
    assert not picture.grey.flags.writeable
    assert picture.dpi == pytest.approx((300, 200), abs=0.03)
    assert picture.file == "a.png"
    assert len(picture.sha256) == 64
    assert picture.captured == "scan"


def test_png_of_one_bit(tmp_path: Path, page: Grey) -> None:
    path = tmp_path / "a.png"
    black_white = np.where(page > 200, 255, 0).astype(np.uint8)
    _vips(black_white).pngsave(str(path), bitdepth=1)
    assert path.read_bytes()[24] == 1
    assert _error(read_picture(path).grey, black_white) == 0


def test_png_of_16_bits_is_scaled_not_cut(tmp_path: Path, page: Grey) -> None:
    path = tmp_path / "a.png"
    _vips(page.astype(np.uint16) * 257).pngsave(str(path), bitdepth=16)
    assert path.read_bytes()[24] == 16
    picture = read_picture(path)
    assert _error(picture.grey, page) == 0
    assert any("16-bit" in note for note in picture.notes)


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _palette_png(index: Grey, palette: list[tuple[int, int, int]]) -> bytes:
    height, width = index.shape
    rows = b"".join(b"\0" + row.tobytes() for row in index)
    return (
        b"\x89PNG\r\n\x1a\n"
        + _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 3, 0, 0, 0))
        + _chunk(b"PLTE", b"".join(bytes(colour) for colour in palette))
        + _chunk(b"IDAT", zlib.compress(rows))
        + _chunk(b"IEND", b"")
    )


def test_png_with_a_palette(tmp_path: Path, page: Grey) -> None:
    path = tmp_path / "a.png"
    levels = [255, 0, 120, 60]
    index = np.select([page == level for level in levels], [0, 1, 2, 3]).astype(np.uint8)
    path.write_bytes(_palette_png(index, [(v, v, v) for v in levels]))
    assert _error(read_picture(path).grey, page) <= 1


@pytest.mark.parametrize("bits", [8, 16])
def test_alpha_is_laid_over_white(tmp_path: Path, page: Grey, bits: int) -> None:
    path = tmp_path / "a.png"
    alpha = np.where(page < 255, 255, 0).astype(np.uint8)
    both = np.dstack([np.where(page < 255, page, 0).astype(np.uint8), alpha])
    values = both if bits == 8 else both.astype(np.uint16) * 257
    _vips(values).pngsave(str(path), bitdepth=bits)
    assert _error(read_picture(path).grey, page) <= 1


def test_colour_keeps_dark_ink_dark(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    colours = [(255, 255, 255), (0, 0, 0), (0, 0, 160), (160, 0, 0), (120, 120, 120)]
    rows = np.repeat(np.array(colours, dtype=np.uint8)[:, None, :], 20, axis=1)
    _vips(rows).pngsave(str(path))
    grey = read_picture(path).grey[:, 0].astype(int)
    assert grey[0] == 255
    assert grey[1] == 0
    assert max(grey[2], grey[3]) < 100
    assert abs(grey[4] - 120) <= 1


def test_jpeg_in_four_inks(tmp_path: Path, page: Grey) -> None:
    path = tmp_path / "a.jpg"
    ink = np.zeros((*page.shape, 4), dtype=np.uint8)
    ink[:, :, 3] = 255 - page
    pyvips.Image.new_from_array(ink).copy(interpretation="cmyk").jpegsave(str(path), Q=95)
    picture = read_picture(path)
    assert picture.grey[0, 0] > 245
    assert picture.grey[15, 25] < 60
    assert any("CMYK" in note for note in picture.notes)


# Where the stored picture must lie so that the tag, applied once, brings the page upright (TIFF 6.0, Orientation).
STORED = {
    1: lambda p: p,
    2: lambda p: p[:, ::-1],
    3: lambda p: p[::-1, ::-1],
    4: lambda p: p[::-1],
    5: lambda p: p.T,
    6: lambda p: np.rot90(p),
    7: lambda p: p[::-1, ::-1].T,
    8: lambda p: np.rot90(p, -1),
}


@pytest.mark.parametrize("kind", ["jpg", "tif"])
@pytest.mark.parametrize("orientation", STORED)
def test_the_orientation_tag_is_applied_once(tmp_path: Path, page: Grey, orientation: int, kind: str) -> None:
    path = tmp_path / f"a.{kind}"
    stored = _vips(STORED[orientation](page), xres=300 / 25.4, yres=200 / 25.4)
    stored.set_type(pyvips.GValue.gint_type, "orientation", orientation)
    stored.write_to_file(str(path), **({"Q": 98} if kind == "jpg" else {}))
    picture = read_picture(path)
    assert picture.grey.shape == page.shape
    assert np.abs(picture.grey.astype(int) - page).mean() < 3
    upright = (200, 300) if orientation >= 5 else (300, 200)
    assert picture.dpi == pytest.approx(upright, abs=0.5)


@pytest.mark.parametrize(
    "options",
    [
        {"compression": "ccittfax4", "bitdepth": 1},
        {"compression": "ccittfax4", "bitdepth": 1, "miniswhite": True},
        {"compression": "none", "bitdepth": 1, "miniswhite": True},
        {"compression": "lzw"},
        {"compression": "deflate", "tile": True, "tile_width": 32, "tile_height": 32},
    ],
)
def test_tiff_of_every_usual_kind(tmp_path: Path, page: Grey, options: dict[str, Any]) -> None:
    path = tmp_path / "a.tif"
    expected = np.where(page > 200, 255, 0).astype(np.uint8) if options.get("bitdepth") == 1 else page
    _vips(expected, xres=400 / 25.4, yres=400 / 25.4).tiffsave(str(path), **options)
    picture = read_picture(path)
    assert _error(picture.grey, expected) == 0
    assert picture.dpi == pytest.approx((400, 400), abs=0.01)


def test_tiff_of_16_bits(tmp_path: Path, page: Grey) -> None:
    path = tmp_path / "a.tif"
    _vips(page.astype(np.uint16) * 257).tiffsave(str(path))
    assert _error(read_picture(path).grey, page) == 0


def test_tiff_pages_are_told_apart_and_counted(tmp_path: Path, page: Grey) -> None:
    path = tmp_path / "a.tif"
    pages = [page, page[::-1], page[:, ::-1]]
    joined = _vips(np.vstack(pages)).copy()
    joined.set_type(pyvips.GValue.gint_type, "page-height", page.shape[0])
    joined.tiffsave(str(path))
    for number, expected in enumerate(pages, 1):
        assert _error(read_picture(path, number).grey, np.ascontiguousarray(expected)) == 0
    with pytest.raises(UsageError) as caught:
        read_picture(path, 4)
    assert caught.value.code == "no-such-page"
    assert "3 page(s); page 4" in str(caught.value)


@pytest.mark.parametrize("unit", ["inch", "cm"])
def test_tiff_resolution_units(tmp_path: Path, page: Grey, unit: str) -> None:
    path = tmp_path / "a.tif"
    _vips(page, xres=300 / 25.4, yres=150 / 25.4).tiffsave(str(path), resunit=unit)
    assert read_picture(path).dpi == pytest.approx((300, 150), abs=0.05)


@pytest.mark.parametrize("dpi", [72.0, 96.0, 25.4])
def test_a_placeholder_is_no_resolution(tmp_path: Path, page: Grey, dpi: float) -> None:
    path = tmp_path / "a.png"
    _vips(page, xres=dpi / 25.4, yres=dpi / 25.4).pngsave(str(path))
    picture = read_picture(path)
    assert picture.dpi is None
    assert any("not believed" in note for note in picture.notes)


def test_png_that_says_nothing_of_resolution(tmp_path: Path, page: Grey) -> None:
    path = tmp_path / "a.png"
    assert cv2.imwrite(str(path), page)
    assert read_picture(path).dpi is None


def test_a_camera_picture_is_a_photo_unless_told(tmp_path: Path, page: Grey) -> None:
    path = tmp_path / "a.jpg"
    image = _vips(page).copy()
    image.set_type(pyvips.GValue.gstr_type, "exif-ifd2-FNumber", "28/10")
    image.jpegsave(str(path))
    assert read_picture(path).captured == "photo"
    assert read_picture(path, captured="scan").captured == "scan"


@pytest.mark.parametrize("kind", ["png", "jpg", "tif"])
def test_a_file_that_ends_early_is_refused(tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"a.{kind}"
    noise = np.random.default_rng(1).integers(0, 255, (300, 300), dtype=np.uint8)
    _vips(noise).write_to_file(str(path))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(Refusal) as caught:
        read_picture(path)
    assert caught.value.code in ("truncated", "unreadable")
    assert path.name in str(caught.value)
    assert str(tmp_path) not in str(caught.value)
    assert caught.value.code == "truncated" or kind == "tif"  # a TIFF's directory is at its end


@pytest.mark.parametrize("content", [b"", b"not a picture at all", b"%PDF-1.7\nbroken", b"\x89PNG\r\n\x1a\n"])
def test_what_is_no_picture_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(content)
    with pytest.raises(Refusal) as caught:
        read_picture(path)
    assert caught.value.code in ("unreadable", "truncated")


def test_a_vector_file_is_no_scan(tmp_path: Path) -> None:
    path = tmp_path / "a.svg"
    path.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="100" height="100"><rect width="9" height="9"/></svg>'
    )
    with pytest.raises(Refusal) as caught:
        read_picture(path)
    assert caught.value.code == "unreadable"


def test_a_claim_of_gigapixels_is_refused_before_decoding(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    head = struct.pack(">IIBBBBB", 2**15, 2**15 + 1, 8, 0, 0, 0, 0)
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + _chunk(b"IDAT", b"") + _chunk(b"IEND", b""))
    with pytest.raises(Refusal) as caught:
        read_picture(path)
    assert caught.value.code == "too-large"
    assert "1074" in str(caught.value)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(UsageError) as caught:
        read_picture(tmp_path / "none.png")
    assert caught.value.code == "no-such-file"


def test_a_file_replaced_under_its_name_is_read_again(tmp_path: Path, page: Grey) -> None:
    path = tmp_path / "a.png"
    _vips(page).pngsave(str(path))
    read_picture(path)
    _vips(page[::-1]).pngsave(str(path))
    assert _error(read_picture(path).grey, np.ascontiguousarray(page[::-1])) == 0
