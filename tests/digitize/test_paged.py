"""Large pages in files: what is read of them is what memory would give, and little of them is held."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
import pyvips

from calibration.errors import Refusal
from digitize import paged
from digitize.contour import band
from digitize.contour.band import normals, straighten
from digitize.ink import find_strokes, marks
from digitize.pipeline import run_outline
from digitize.read import limits, raster, read_picture
from digitize.rule.strip import Line, cut_fine, warp
from digitize.shapes import Picture

HEIGHT, WIDTH = 1501, 1203
CORNERED = Path(__file__).resolve().parents[2] / "fixtures" / "small" / "cornered.png"


@pytest.fixture
def memory() -> paged.Page:
    """Return a page in memory: noise, and lines."""
    page = np.random.default_rng(4).integers(200, 256, (HEIGHT, WIDTH), dtype=np.uint8)
    for start in range(100, 1100, 90):
        cv2.line(page, (start, 60), (start + 70, 1400), 20, 3, cv2.LINE_AA)
    return page


@pytest.fixture
def page(memory: paged.Page, monkeypatch: pytest.MonkeyPatch) -> paged.Page:
    """Return the same in a file, of which next to nothing may be held."""
    for name in ("BAND_BYTES", "HELD_BYTES", "AT_ONCE_BYTES"):
        monkeypatch.setattr(paged, name, 300 * WIDTH)
    monkeypatch.setattr(paged, "LEAST_BYTES", 1)
    found = paged.page_in_file(HEIGHT, WIDTH)
    found[:] = memory
    assert paged.is_paged(found) and not paged.is_paged(memory)
    return found


def test_a_page_is_reduced_in_bands_as_in_one_piece(memory: paged.Page, page: paged.Page) -> None:
    assert len(list(paged.bands(page, 7))) > 3
    for factor in (1, 2, 5, 7):
        np.testing.assert_array_equal(paged.averaged(page, factor), paged.averaged(memory, factor))
    for half_steps in (1.5, 3.5, 4.0):
        np.testing.assert_array_equal(paged.shrunk(page, half_steps), paged.shrunk(memory, half_steps))
    np.testing.assert_array_equal(paged.every(page, 7), memory[::7, ::7])


def test_parts_and_places_of_a_page_are_those_of_memory(memory: paged.Page, page: paged.Page) -> None:
    some = slice(300, 1200), slice(40, 77)
    np.testing.assert_array_equal(paged.window(page, *some), memory[some])
    rng = np.random.default_rng(1)
    x, y = rng.integers(0, WIDTH, 500), rng.integers(0, HEIGHT, 500)
    np.testing.assert_array_equal(paged.values_at(page, x, y), memory[y, x])
    maps = [np.float32(rng.uniform(-9.0, side + 9.0, (40, 30))) for side in (WIDTH, HEIGHT)]
    border = {"borderMode": cv2.BORDER_CONSTANT, "borderValue": 255}
    inside = paged.remapped(page, *maps, cv2.INTER_LINEAR, **border)
    np.testing.assert_array_equal(inside, paged.remapped(memory, *maps, cv2.INTER_LINEAR, **border))


def test_strips_along_lines_and_curves_are_those_of_memory(memory: paged.Page, page: paged.Page) -> None:
    line = Line(np.array([101.3, 64.2]), np.array([0.05, 1.0]) / np.hypot(0.05, 1.0), 0.0, 1300.0)
    strips = [warp(one, line, (-20.0, 1300.0), (-9.0, 9.0)).astype(int) for one in (page, memory)]
    assert np.abs(strips[0] - strips[1]).max() <= 1  # OpenCV rounds places in single precision
    fine = [cut_fine(one, line, (-20.0, 1300.0), (-9.0, 9.0)).darkness for one in (page, memory)]
    np.testing.assert_array_equal(*fine)
    t = np.linspace(0.0, 2.0 * np.pi, 900)
    path = np.stack([600.0 + 500.0 * np.cos(t), 700.0 + 650.0 * np.sin(t)], axis=1)
    across = normals(path, closed=True), np.arange(-12.0, 12.0, 0.5)
    np.testing.assert_array_equal(straighten(page, path, *across), straighten(memory, path, *across))


def test_a_page_too_wide_for_opencv_is_looked_at_in_parts(memory: paged.Page, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(2)
    path = rng.uniform((-30.0, -30.0), (WIDTH + 30.0, HEIGHT + 30.0), (300, 2))
    turn = rng.uniform(0.0, 2.0 * np.pi, 300)
    across = np.stack([np.cos(turn), np.sin(turn)], axis=1), np.arange(-12.0, 12.0, 0.5)
    whole = straighten(memory, path, *across)
    monkeypatch.setattr(band, "REMAP_LIMIT", 400)
    np.testing.assert_array_equal(straighten(memory, path, *across), whole)
    assert whole.min() < 60.0  # lines were crossed


@pytest.mark.parametrize("way", ["striped", "tiled", "png"])
@pytest.mark.parametrize("negative", [False, True])
def test_a_file_is_read_alike_into_memory_and_into_a_file(
    way: str, negative: bool, memory: paged.Page, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / ("a.png" if way == "png" else "a.tif")
    image = pyvips.Image.new_from_array(255 - memory if negative else memory)
    image.write_to_file(str(path), **({} if way == "png" else {"tile": way == "tiled", "compression": "deflate"}))
    plain = read_picture(path)
    monkeypatch.setattr(paged, "LEAST_BYTES", 1)
    monkeypatch.setattr(paged, "BAND_BYTES", 300 * WIDTH)
    found = read_picture(path)
    assert paged.is_paged(found.grey) and not paged.is_paged(plain.grey)
    assert found.notes == plain.notes and found.two_level == plain.two_level
    np.testing.assert_array_equal(found.grey, plain.grey)
    assert not found.grey.flags.writeable


def test_only_what_comes_in_strips_or_tiles_may_be_larger(
    memory: paged.Page, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    image = pyvips.Image.new_from_array(memory)
    image.tiffsave(str(tmp_path / "tiled.tif"), tile=True)
    image.pngsave(str(tmp_path / "a.png"))
    turned = image.copy()
    turned.set_type(pyvips.GValue.gint_type, "orientation", 6)
    turned.tiffsave(str(tmp_path / "turned.tif"))
    for module in (limits, raster):
        monkeypatch.setattr(module, "MOST_PIXELS", 1000)
    assert read_picture(tmp_path / "tiled.tif").grey.shape == (HEIGHT, WIDTH)
    for name in ("a.png", "turned.tif"):
        with pytest.raises(Refusal) as caught:
            read_picture(tmp_path / name)
        assert caught.value.code == "too-large"


def test_no_room_for_the_file_is_told(memory: paged.Page, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pyvips.Image.new_from_array(memory).tiffsave(str(tmp_path / "a.tif"), tile=True)
    monkeypatch.setattr(paged, "LEAST_BYTES", 1)
    monkeypatch.setattr(raster, "has_room", lambda *_: False)
    assert not paged.is_paged(read_picture(tmp_path / "a.tif").grey)  # memory takes it
    monkeypatch.setattr(limits, "MOST_PIXELS", 1000)
    with pytest.raises(Refusal) as caught:
        read_picture(tmp_path / "a.tif")
    assert caught.value.code == "no-room"


MEASURE = """
import json, resource, sys
from pathlib import Path
from digitize.paged import averaged, is_paged
from digitize.read import read_picture
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
grey = read_picture(Path(sys.argv[1])).grey
dark = int((averaged(grey, 8) < 128).sum())
after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps([is_paged(grey), grey.size, dark, (after - before) / 1024.0]))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="resident memory is counted in KiB on Linux")
@pytest.mark.parametrize("tiled", [False, True])
def test_little_of_a_large_page_is_ever_held(tiled: bool, tmp_path: Path) -> None:
    side = 14000  # 196 million pixels
    sheet = (pyvips.Image.black(side, side, bands=1) + 255).cast("uchar")
    sheet = sheet.draw_rect(0, 2000, 3000, 400, 800, fill=True).copy(xres=300 / 25.4, yres=300 / 25.4)
    sheet.tiffsave(str(tmp_path / "a.tif"), tile=tiled, compression="deflate")
    run = [sys.executable, "-c", MEASURE, str(tmp_path / "a.tif")]
    in_file, pixels, dark, mib = json.loads(subprocess.run(run, capture_output=True, check=True, text=True).stdout)
    assert in_file and pixels == side * side and dark == 50 * 100
    assert mib < 110.0  # of the page's 187: two bands, what libvips decodes in, and the reduced copies


def test_ink_is_told_apart_in_bands_as_in_one_piece(memory: paged.Page, monkeypatch: pytest.MonkeyPatch) -> None:
    picture = Picture(memory, "a.png", "0" * 64, None, "scan")
    whole = find_strokes(picture, 6.0)
    monkeypatch.setattr(marks, "LABELLED_PIXELS", 200 * WIDTH)
    bands = find_strokes(picture, 6.0)
    assert len(whole.strokes) == len(bands.strokes) > 8
    for one, other in zip(whole.strokes, bands.strokes, strict=True):
        np.testing.assert_array_equal(one.points.xy, other.points.xy)


@pytest.mark.slow
def test_the_outline_of_a_page_in_a_file_is_that_of_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = run_outline(CORNERED, tmp_path / "plain").record
    monkeypatch.setattr(paged, "LEAST_BYTES", 1)
    for name in ("BAND_BYTES", "HELD_BYTES", "AT_ONCE_BYTES"):
        monkeypatch.setattr(paged, name, 2**19)
    found = run_outline(CORNERED, tmp_path / "found").record
    assert found["verdict"] == plain["verdict"] != "refused"
    for name in ("length_mm", "lower_bout_mm", "waist_mm", "upper_bout_mm"):
        assert found["body"][name] == pytest.approx(plain["body"][name], rel=0, abs=0.005)
    assert found["outline"]["u95_mm"] == pytest.approx(plain["outline"]["u95_mm"], rel=0, abs=0.002)
