"""Pictures made by others (Pillow and pillow_heif test images, scans, photos); see the README beside them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calibration.errors import Refusal
from digitize.read import read_picture

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data"

pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="the folder ../shared/data is not on this machine")


@pytest.mark.parametrize(
    ("name", "width", "height", "dpi"),
    [
        ("odd/pil_sample_cmyk.jpg", 100, 100, None),
        ("odd/16bit.cropped.tif", 64, 64, None),
        ("odd/tiff_16bit_RGB.tiff", 100, 40, None),
        ("odd/g4-multi.tiff", 3307, 4677, (400, 400)),
        ("odd/g4_orientation_5.tif", 590, 88, None),
        ("odd/total-pages-zero.tif", 1728, 2156, (204, 196)),
        ("odd/exif-200dpcm.jpg", 200, 200, (508, 508)),
        ("odd/no-dpi-in-exif.jpg", 200, 200, None),
        ("engraved_plan_a.jpg", 7487, 6435, (300, 300)),
        ("exif_landscape_6.jpg", 1800, 1200, None),
        ("exif_portrait_8.jpg", 1200, 1800, None),
        ("phone_book_exif6.jpg", 2448, 3264, None),
    ],
)
def test_size_and_resolution(name: str, width: int, height: int, dpi: tuple[float, float] | None) -> None:
    picture = read_picture(DATA / name)
    assert picture.grey.shape == (height, width)
    assert picture.dpi == (None if dpi is None else pytest.approx(dpi, abs=0.01))


@pytest.mark.parametrize("page", [1, 2, 3])
def test_fax_pages_are_dark_ink_on_light_paper(page: int) -> None:
    grey = read_picture(DATA / "odd/g4-multi.tiff", page).grey
    assert set(np.unique(grey)) == {0, 255}
    assert 0.9 < np.mean(grey == 255) < 1.0


def test_16_bits_span_the_same_greys_as_stored() -> None:
    picture = read_picture(DATA / "odd/16bit.cropped.tif")
    import tifffile

    stored = tifffile.imread(DATA / "odd/16bit.cropped.tif")
    assert np.abs(picture.grey - stored / 257.0).max() <= 1.0


def test_the_tag_turns_one_picture_into_the_other() -> None:
    plain = read_picture(DATA / "halfmm_rule.jpg")
    tagged = read_picture(DATA / "halfmm_rule_exif6.jpg")
    assert np.abs(tagged.grey.astype(int) - np.rot90(plain.grey, -1)).max() <= 1
    assert plain.captured == "photo"


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("odd/truncated_image.png", "truncated"),
        ("odd/truncated_jpeg.jpg", "truncated"),
        ("odd/decompression_bomb.gif", "too-large"),
    ],
)
def test_damaged_and_hostile_files(name: str, code: str) -> None:
    with pytest.raises(Refusal) as caught:
        read_picture(DATA / name)
    assert caught.value.code == code


@pytest.mark.parametrize(
    "name", ["odd/corrupted.heic", "odd/truncated.heic", "odd/sony_cw90.hif", "phone_drawing.heic"]
)
def test_heic_is_read_or_refused_with_a_way_out(name: str) -> None:
    try:
        picture = read_picture(DATA / name)
    except Refusal as refusal:
        assert refusal.code in ("unreadable", "truncated")
        assert "JPEG" in refusal.remedy + str(refusal) or refusal.code == "truncated"
    else:
        assert picture.grey.size > 0
