"""Coloured paper, coloured ink and light lines on dark paper: read as dark ink on light paper, and said so."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import pyvips

from digitize.read import read_picture

Grey = npt.NDArray[np.uint8]
Colour = tuple[int, int, int]

HIGH, WIDE = 900, 1300
RING_PX, RING_AT, RING_WIDE_PX = 300.0, (640.25, 450.6), 3.0
INVERTED = "light and dark were exchanged"
BY_COLOUR = "how far they are from paper towards ink"


@pytest.fixture(scope="module")
def share() -> npt.NDArray[np.float64]:
    """The share of ink in every pixel of a drawing: a ring, straight lines, lettering."""
    over = 4
    fine = np.zeros((HIGH * over, WIDE * over), dtype=np.uint8)
    cv2.line(fine, (200, 300), (5000, 340), 255, 8)
    cv2.line(fine, (2560, 100), (2600, 3500), 255, 8)
    cv2.putText(fine, "PLOVER", (500, 3300), cv2.FONT_HERSHEY_SIMPLEX, 8, 255, 14)
    straight = cv2.resize(fine, (WIDE, HIGH), interpolation=cv2.INTER_AREA) / 255.0
    y, x = np.mgrid[0:HIGH, 0:WIDE]
    from_middle = np.abs(np.hypot(x - RING_AT[0], y - RING_AT[1]) - RING_PX)
    return np.maximum(straight, np.clip(RING_WIDE_PX / 2 + 0.5 - from_middle, 0.0, 1.0))


def _painted(share: npt.NDArray[np.float64], paper: Colour, ink: Colour, noise: float = 3.0) -> Grey:
    """Return the drawing in two colours with a scanner's noise, (H, W, 3)."""
    page = np.array(paper) + share[:, :, None] * (np.array(ink) - np.array(paper))
    page += noise * np.random.default_rng(4).standard_normal(page.shape)
    return np.clip(np.rint(page), 0, 255).astype(np.uint8)


def _saved(values: Grey, path: Path, **options: object) -> Path:
    kind = "srgb" if values.ndim == 3 else "b-w"
    pyvips.Image.new_from_array(np.ascontiguousarray(values)).copy(interpretation=kind).write_to_file(
        str(path), **options
    )
    return path


def _contrast(grey: Grey, share: npt.NDArray[np.float64]) -> float:
    """Return how much darker full ink is than bare paper, grey levels."""
    return float(np.median(grey[share == 0]) - np.median(grey[share == 1]))


def _ring_off_px(grey: Grey) -> npt.NDArray[np.float64]:
    """Return how far the middle of the ring's ink lies from its true radius, by 72 directions."""
    off = []
    radii = np.arange(RING_PX - 8, RING_PX + 8, 0.25)
    for angle in np.radians(np.arange(2.5, 360, 5)):
        x, y = (RING_AT[0] + radii * np.cos(angle)), (RING_AT[1] + radii * np.sin(angle))
        seen = cv2.remap(grey, x[None].astype(np.float32), y[None].astype(np.float32), cv2.INTER_LINEAR)[0]
        dark = np.clip(np.median(seen) - 15.0 - seen, 0, None)
        if dark[:8].max() == 0 and dark[-8:].max() == 0:  # nothing else there
            off.append((dark @ radii) / dark.sum() - RING_PX)
    return np.array(off)


@pytest.mark.parametrize(
    ("paper", "ink"),
    [
        pytest.param((35, 70, 150), (235, 238, 240), id="blueprint"),
        pytest.param((120, 150, 185), (240, 240, 235), id="faded blueprint"),
        pytest.param((20, 20, 22), (230, 230, 230), id="negative"),
    ],
)
def test_light_lines_on_dark_paper_are_exchanged(
    tmp_path: Path, share: npt.NDArray[np.float64], paper: Colour, ink: Colour
) -> None:
    picture = read_picture(_saved(_painted(share, paper, ink), tmp_path / "a.png"))
    assert _contrast(picture.grey, share) > 80
    assert any(INVERTED in note for note in picture.notes)
    off = _ring_off_px(picture.grey)
    assert len(off) > 50
    assert abs(off.mean()) < 0.03  # a line of 3 px in noise of 3 levels: 0.02 px a place
    assert np.abs(off).max() < 0.25


def test_a_blueprint_on_a_white_scanner_bed(tmp_path: Path, share: npt.NDArray[np.float64]) -> None:
    page = np.full((HIGH + 300, WIDE + 200, 3), 250, dtype=np.uint8)
    page[150:-150, 100:-100] = _painted(share, (35, 70, 150), (235, 238, 240))
    picture = read_picture(_saved(page, tmp_path / "a.png"))
    assert _contrast(picture.grey[150:-150, 100:-100], share) > 80


@pytest.mark.parametrize("miniswhite", [False, True])
@pytest.mark.parametrize("negative", [False, True])
def test_one_bit_of_either_meaning_and_either_tone(
    tmp_path: Path, share: npt.NDArray[np.float64], negative: bool, miniswhite: bool
) -> None:
    positive = np.where(share > 0.5, 0, 255).astype(np.uint8)
    path = _saved(
        255 - positive if negative else positive, tmp_path / "a.tif",
        bitdepth=1, compression="ccittfax4", miniswhite=miniswhite,
    )  # fmt: skip
    picture = read_picture(path)
    assert np.array_equal(picture.grey, positive)
    assert picture.two_level
    assert any(INVERTED in note for note in picture.notes) == negative
    assert not picture.grey.flags.writeable


@pytest.mark.parametrize("bits", [1, 8])
def test_a_file_with_its_greys_exchanged_reads_the_same(
    tmp_path: Path, share: npt.NDArray[np.float64], bits: int
) -> None:
    page = _painted(share, (236, 236, 236), (30, 30, 30))[:, :, 0]
    page = page if bits == 8 else np.where(page > 130, 255, 0).astype(np.uint8)
    plain = read_picture(_saved(page, tmp_path / "a.png"))
    turned = read_picture(_saved(255 - page, tmp_path / "b.png"))
    assert np.array_equal(plain.grey, turned.grey)
    assert np.array_equal(plain.grey, page)


def _black_border(page: Grey) -> Grey:
    return cv2.copyMakeBorder(page, 300, 200, 700, 500, cv2.BORDER_CONSTANT, value=(4, 4, 4))


def _dark_photo(page: Grey) -> Grey:
    """Lay a dark photograph with grain and a few bright glints over more than half of the page."""
    page = cv2.copyMakeBorder(page, 0, 1300, 0, 0, cv2.BORDER_CONSTANT, value=(236, 236, 236))
    rng = np.random.default_rng(8)
    grain = cv2.GaussianBlur(rng.normal(45, 60, (1250, WIDE, 3)), (0, 0), 4) + rng.normal(0, 6, (1250, WIDE, 3))
    for x, y in rng.integers(20, 1200, (30, 2)):
        cv2.circle(grain, (int(x), int(y)), 3, (200, 200, 200), -1)
    page[HIGH + 20 : HIGH + 1270] = np.clip(grain, 0, 110)
    return page


@pytest.mark.parametrize("dirt", [_black_border, _dark_photo])
def test_dark_surroundings_do_not_turn_a_page(tmp_path: Path, share: npt.NDArray[np.float64], dirt: object) -> None:
    page = dirt(_painted(share, (236, 236, 236), (30, 30, 30)))  # type: ignore[operator]
    grey = page.astype(np.int16)[:, :, 1]
    assert np.median(grey) < 128  # most of the picture is dark
    picture = read_picture(_saved(page, tmp_path / "a.png"))
    assert np.abs(picture.grey.astype(np.int16) - grey).mean() < 3
    assert not any(INVERTED in note for note in picture.notes)


def test_dark_pencil_on_dark_paper_stays(tmp_path: Path, share: npt.NDArray[np.float64]) -> None:
    page = _painted(share, (140, 110, 80), (50, 45, 40))
    picture = read_picture(_saved(page, tmp_path / "a.png"))
    assert _contrast(picture.grey, share) > 50
    assert not any(INVERTED in note for note in picture.notes)


@pytest.mark.parametrize("paper", [(245, 230, 120), (250, 185, 200), (180, 220, 180)], ids=["yellow", "pink", "green"])
def test_black_ink_on_coloured_paper_by_lightness(
    tmp_path: Path, share: npt.NDArray[np.float64], paper: Colour
) -> None:
    picture = read_picture(_saved(_painted(share, paper, (30, 30, 30)), tmp_path / "a.png"))
    assert _contrast(picture.grey, share) > 140
    assert any("by their lightness" in note for note in picture.notes)
    assert not any(BY_COLOUR in note for note in picture.notes)


@pytest.mark.parametrize(
    ("paper", "ink", "least"),
    [
        pytest.param((250, 250, 250), (160, 240, 255), 60, id="pale cyan on white"),
        pytest.param((250, 250, 250), (255, 240, 110), 90, id="yellow on white"),
        pytest.param((245, 230, 120), (120, 230, 245), 90, id="blue-green as light as its yellow paper"),
    ],
)
@pytest.mark.parametrize("suffix", ["png", "jpg"])
def test_ink_that_lightness_hides_is_shown_by_its_colour(
    tmp_path: Path, share: npt.NDArray[np.float64], paper: Colour, ink: Colour, least: float, suffix: str
) -> None:
    options = {"Q": 60} if suffix == "jpg" else {}
    path = _saved(_painted(share, paper, ink), tmp_path / f"a.{suffix}", **options)
    picture = read_picture(path)
    assert _contrast(picture.grey, share) > least * (0.5 if suffix == "jpg" else 1.0)  # colour kept at half the size
    assert any(BY_COLOUR in note for note in picture.notes)
    off = _ring_off_px(picture.grey)
    assert len(off) > 40
    assert abs(off.mean()) < (0.1 if suffix == "jpg" else 0.05)


def test_red_ink_on_pink_paper_is_clear_enough_by_lightness(tmp_path: Path, share: npt.NDArray[np.float64]) -> None:
    picture = read_picture(_saved(_painted(share, (250, 185, 200), (235, 90, 100)), tmp_path / "a.png"))
    assert _contrast(picture.grey, share) > 55
    assert any("by their lightness" in note for note in picture.notes)


def test_red_correction_marks_stay_beside_black_ink(tmp_path: Path, share: npt.NDArray[np.float64]) -> None:
    page = _painted(share, (245, 245, 245), (30, 30, 30), noise=0.0)
    cv2.line(page, (300, 600), (400, 700), (220, 40, 40), 4)
    picture = read_picture(_saved(page, tmp_path / "a.png"))
    assert any("by their lightness" in note for note in picture.notes)
    assert 90 < picture.grey[650, 350] < 140


def test_an_empty_coloured_page_is_left_alone(tmp_path: Path) -> None:
    page = np.full((300, 400, 3), (35, 70, 150), dtype=np.uint8)
    picture = read_picture(_saved(page, tmp_path / "a.png"))
    assert not any(INVERTED in note or BY_COLOUR in note for note in picture.notes)
