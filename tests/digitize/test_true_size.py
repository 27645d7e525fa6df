"""The sheet at true size: places, flips, bands and tones."""

import numpy as np
import pytest

from digitize.shapes import Picture
from digitize.true_size import WHITE, true_sheet
from tests.digitize.printed_sheets import MM_PER_PX, SLANTED, drawing, sheet

PLAIN = MM_PER_PX * np.diag([1.0, -1.0])


def dot(x_px: float, y_px: float, size: tuple[int, int] = (800, 600)) -> Picture:
    """Return a round dark spot at a place between pixels."""
    x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    grey = 230.0 - 200.0 * np.exp(-((x - x_px) ** 2 + (y - y_px) ** 2) / (2.0 * 3.0**2))
    return Picture(np.rint(grey).astype(np.uint8), "dot.png", "0" * 64, None, "scan")


@pytest.mark.parametrize("per_mm", [2.0, 5.0, 7.3, 12.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_place_lands_where_the_scale_says(per_mm: float, mirrored: bool) -> None:
    """The middle of the first pixel is the origin; a page's pixel covers its window evenly."""
    place = np.array([411.3, 222.8])
    printed = true_sheet(dot(*place), SLANTED, mirrored=mirrored)
    x_mm, y_mm = SLANTED @ place * (-1.0 if mirrored else 1.0, 1.0)
    window = (x_mm - 6.3, y_mm - 4.9, x_mm + 5.1, y_mm + 4.2)
    columns, rows = round(11.4 * per_mm), round(9.1 * per_mm)
    ink = 255.0 - printed.band(window, (columns, rows), 0, rows)
    ink = np.clip(ink - 12.0, 0.0, None)
    x = window[0] + (ink.sum(axis=0) @ (np.arange(columns) + 0.5) / ink.sum()) * 11.4 / columns
    y = window[3] - (ink.sum(axis=1) @ (np.arange(rows) + 0.5) / ink.sum()) * 9.1 / rows
    # a twentieth of a pixel, or a thirtieth of a page's
    assert (x, y) == pytest.approx((x_mm, y_mm), abs=max(0.01, 0.03 / per_mm))


def test_bands_are_the_rows_of_the_whole() -> None:
    printed = sheet()
    size = (700, 467)
    whole = printed.band(printed.box, size, 0, size[1])
    parts = [printed.band(printed.box, size, first, min(first + 100, size[1])) for first in range(0, size[1], 100)]
    # a band's own coordinates are rounded from its first row on: to 1/32 of a pixel
    assert np.abs(np.concatenate(parts).astype(int) - whole).max() <= 12
    assert np.abs(np.concatenate(parts).astype(int) - whole).mean() < 0.05


@pytest.mark.parametrize("one_bit", [False, True])
def test_the_mirrored_sheet_is_the_plain_one_flipped(one_bit: bool) -> None:
    plain, turned = sheet(one_bit=one_bit), sheet(one_bit=one_bit, mirrored=True)
    assert turned.box == (-plain.box[2], plain.box[1], -plain.box[0], plain.box[3])
    size = (1000, 640)
    one, other = (each.band(each.box, size, 100, 540) for each in (plain, turned))
    assert np.array_equal(one, other[:, ::-1])
    assert not np.array_equal(one, other)
    assert sorted((-turned.ink_mm[:, 0]).tolist()) == sorted(plain.ink_mm[:, 0].tolist())


def test_paper_becomes_white_over_the_whole_sheet_and_ink_stays() -> None:
    printed = sheet()
    values = printed.band(printed.box, (1900, 1280), 0, 1280)
    assert np.mean(values == WHITE) > 0.8
    assert np.median(values[:, :400]) == np.median(values[:, -400:]) == WHITE
    assert np.percentile(values, 1.0) < 80


def test_large_dark_fields_stay_dark() -> None:
    grey = np.full((1000, 1000), 230, dtype=np.uint8)
    grey[300:700, 300:700] = 40  # 80 mm square
    printed = true_sheet(Picture(grey, "field.png", "0" * 64, None, "scan"), PLAIN)
    middle = printed.band((90.0, -110.0, 110.0, -90.0), (50, 50), 0, 50)
    assert middle.max() < 110


def test_one_bit_lines_keep_their_width() -> None:
    grey = np.full((600, 600), 230, dtype=np.uint8)
    grey[:, 300:310] = 30
    printed = true_sheet(Picture(grey, "line.png", "0" * 64, None, "scan"), PLAIN, one_bit=True)
    values = printed.band(printed.box, (600, 600), 0, 600)
    assert set(np.unique(values)) == {0, WHITE}
    assert np.all((values == 0).sum(axis=1) == 10)


def test_a_region_is_a_part_of_the_sheet() -> None:
    printed = true_sheet(drawing(), PLAIN, (99.5, 199.5, 599.5, 449.5))
    assert printed.box == pytest.approx((19.9, -89.9, 119.9, -39.9))
    assert np.all(printed.ink_mm >= [19.9, -89.9]) and np.all(printed.ink_mm <= [119.9, -39.9])


def test_beyond_the_picture_is_white() -> None:
    printed = sheet()
    assert np.all(printed.band((-50.0, 20.0, -20.0, 50.0), (60, 60), 0, 60) == WHITE)
    assert np.all(printed.band((1e4, 20.0, 1e4 + 30.0, 50.0), (60, 60), 0, 60) == WHITE)
