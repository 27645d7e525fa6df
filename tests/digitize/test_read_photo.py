"""Pictures straight from a phone: HEIC and JPEG, which way up, how long the lens, and a table round the sheet."""

from __future__ import annotations

import math
import struct
from itertools import product
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pillow_heif
import pytest

from calibration.errors import Refusal
from digitize.read import read_picture

Grey = npt.NDArray[np.uint8]
DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data"
INVERTED = "light and dark were exchanged"
BY_COLOUR = "how far they are from paper towards ink"

needs_data = pytest.mark.skipif(not DATA.is_dir(), reason="the folder ../shared/data is not on this machine")


@pytest.fixture(scope="module")
def page() -> Grey:
    """A page whose every corner differs, so that any turn or mirror shows."""
    sheet = np.full((160, 256), 240, dtype=np.uint8)
    sheet[8:40, 8:80] = 20
    sheet[110:150, 190:210] = 120
    sheet[120:140, 16:24] = 60
    return sheet


def _orientation_tag(value: int) -> bytes:
    """Return an Exif block with an orientation and nothing else (TIFF 6.0: one entry of type short)."""
    return b"Exif\0\0II*\0" + struct.pack("<IHHHIHHI", 8, 1, 0x0112, 3, 1, value, 0, 0)


def _heic(path: Path, grey: Grey, exif: bytes | None = None) -> Path:
    colour = np.ascontiguousarray(np.repeat(grey[:, :, None], 3, axis=2))
    size = (grey.shape[1], grey.shape[0])
    pillow_heif.encode("RGB", size, colour.tobytes(), path, quality=95, **({"exif": exif} if exif else {}))
    return path


def _far_apart(grey: Grey, page: Grey) -> float:
    assert grey.shape == page.shape
    return float(np.abs(grey.astype(int) - page).mean())


# Where the stored picture must lie so that its orientation, applied once, brings the page upright (TIFF 6.0).
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


@pytest.mark.parametrize("orientation", STORED)
def test_a_heic_is_turned_by_its_boxes_and_not_once_more_by_its_tag(
    tmp_path: Path, page: Grey, orientation: int
) -> None:
    tag = _orientation_tag(orientation)
    path = _heic(tmp_path / "a.heic", np.ascontiguousarray(STORED[orientation](page)), tag)
    content = path.read_bytes()
    assert tag in content
    assert (b"irot" in content or b"imir" in content) == (orientation != 1)
    picture = read_picture(path)
    assert _far_apart(picture.grey, page) < 2
    assert picture.grey.dtype == np.uint8
    assert not picture.grey.flags.writeable


def test_a_tag_without_a_box_turns_no_heic(tmp_path: Path, page: Grey) -> None:
    """ISO/IEC 23008-12 turns by boxes only (said there of the tag: A.2.1, from memory)."""
    path = _heic(tmp_path / "a.heic", page, _orientation_tag(1))
    path.write_bytes(path.read_bytes().replace(_orientation_tag(1), _orientation_tag(6)))
    assert _far_apart(read_picture(path).grey, page) < 2


def test_a_heic_is_a_photo_unless_told(tmp_path: Path, page: Grey) -> None:
    path = _heic(tmp_path / "a.heic", page)
    assert read_picture(path).captured == "photo"
    assert read_picture(path, captured="scan").captured == "scan"


@pytest.mark.parametrize("part", [0.3, 0.6, 0.95, 0.999])
def test_a_heic_that_ends_early_is_refused(tmp_path: Path, part: float) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (256, 256), dtype=np.uint8)
    path = _heic(tmp_path / "a.heic", noise)
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * part)])
    with pytest.raises(Refusal) as caught:
        read_picture(path)
    assert caught.value.code == "truncated"
    assert str(tmp_path) not in str(caught.value)


def test_what_a_phone_appends_after_the_picture_does_not_matter(tmp_path: Path, page: Grey) -> None:
    path = _heic(tmp_path / "a.heic", page)
    path.write_bytes(path.read_bytes() + b"\x7f\xff\xff\xffMore than boxes")
    assert _far_apart(read_picture(path).grey, page) < 2


# Exif tags (CIPA DC-008, tables 4, 7 and 8) and their types: 3 short, 4 long, 5 ratio of two longs.
TAGS = {
    "FNumber": (0x829D, 5),
    "FocalLength": (0x920A, 5),
    "PixelXDimension": (0xA002, 4),
    "PixelYDimension": (0xA003, 4),
    "FocalPlaneXResolution": (0xA20E, 5),
    "FocalPlaneResolutionUnit": (0xA210, 3),
    "FocalLengthIn35mmFilm": (0xA405, 3),
}
Exif = dict[str, int | tuple[int, int]]


def _exif(fields: Exif) -> bytes:
    """Return an Exif block with the fields in its camera's directory."""
    rows = sorted((*TAGS[name], value) for name, value in fields.items())
    at_ratios = 26 + 2 + 12 * len(rows) + 4
    entries, ratios = b"", b""
    for tag, kind, value in rows:
        if isinstance(value, tuple):
            entries += struct.pack("<HHII", tag, kind, 1, at_ratios + len(ratios))
            ratios += struct.pack("<II", *value)
        else:
            entries += struct.pack("<HHII", tag, kind, 1, value)
    first = struct.pack("<IHHHIII", 8, 1, 0x8769, 4, 1, 26, 0)
    return b"Exif\0\0II*\0" + first + struct.pack("<H", len(rows)) + entries + struct.pack("<I", 0) + ratios


def _jpeg(path: Path, values: Grey, fields: Exif) -> Path:
    """Write a JPEG, colours blue, green, red, with an Exif block where there are fields."""
    content = cv2.imencode(".jpg", values, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()
    block = _exif(fields) if fields else b""
    segment = b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block if block else b""
    path.write_bytes(content[:2] + segment + content[2:])
    return path


WHITE = np.full((300, 400), 255, dtype=np.uint8)  # a diagonal of 500 px


def test_focal_length_by_the_film_frames_diagonal(tmp_path: Path) -> None:
    """A film frame's diagonal is 43.27 mm (36 x 24 mm); 26 mm is what phones' main lenses say."""
    picture = read_picture(_jpeg(tmp_path / "a.jpg", WHITE, {"FocalLengthIn35mmFilm": 26}))
    assert picture.focal_px == pytest.approx(26 * 500 / 43.27, rel=1e-3)
    assert picture.captured == "scan"  # the field alone does not make a photo


@pytest.mark.parametrize(
    "density",
    [
        {"FocalPlaneXResolution": (4000 * 254, 360), "FocalPlaneResolutionUnit": 2},
        {"FocalPlaneXResolution": (4000, 36), "FocalPlaneResolutionUnit": 4},
        {"FocalPlaneXResolution": (40000, 36), "FocalPlaneResolutionUnit": 3},
    ],
    ids=["per inch", "per mm", "per cm"],
)
def test_focal_length_by_the_sensors_pixels(tmp_path: Path, density: Exif) -> None:
    """A lens of 50 mm on a sensor 36 mm wide with 4000 pixels, then made ten times smaller."""
    sides: Exif = {"PixelXDimension": 4000, "PixelYDimension": 3000}
    picture = read_picture(_jpeg(tmp_path / "a.jpg", WHITE, {"FocalLength": (50, 1), **density, **sides}))
    assert picture.focal_px == pytest.approx(400 * 50 / 36, rel=1e-3)
    assert picture.captured == "photo"


@pytest.mark.parametrize(
    "fields",
    [
        {},
        {"FocalLengthIn35mmFilm": 0},
        {"FocalLengthIn35mmFilm": 1},
        {"FocalLength": (4, 1)},
        {"FocalLength": (4, 0), "FocalPlaneXResolution": (100, 1), "PixelXDimension": 4000},
        {"FocalLengthIn35mmFilm": 26, "PixelXDimension": 4000, "PixelYDimension": 4000},
    ],
    ids=["silent", "not known", "no lens", "no sensor", "no number", "cropped"],
)
def test_no_focal_length_is_made_up(tmp_path: Path, fields: Exif) -> None:
    assert read_picture(_jpeg(tmp_path / "a.jpg", WHITE, fields)).focal_px is None


def _drawing(paper: tuple[int, int, int], ink: tuple[int, int, int]) -> Grey:
    """Return a drawing, colours red, green, blue."""
    sheet = np.full((700, 1000, 3), paper, dtype=np.uint8)
    cv2.rectangle(sheet, (40, 40), (960, 660), ink, 2, cv2.LINE_AA)
    cv2.ellipse(sheet, (500, 350), (330, 210), 0, 0, 360, ink, 2, cv2.LINE_AA)
    cv2.line(sheet, (60, 350), (940, 352), ink, 2, cv2.LINE_AA)
    return sheet


def _mat(shape: tuple[int, int]) -> Grey:
    """A dark cutting mat with light squares."""
    table = np.full((*shape, 3), (20, 60, 45), dtype=np.uint8)
    table[::40], table[:, ::40] = (210, 220, 200), (210, 220, 200)
    return table


def _grain(shape: tuple[int, int]) -> Grey:
    """Dark wood with light grain."""
    across = np.random.default_rng(3).normal(0, 1, shape[0])
    rows = 60 + 14 * across + 110 * (np.random.default_rng(4).random(shape[0]) > 0.93)
    return np.clip(rows[:, None, None] * np.array([1.1, 0.8, 0.5]) + np.zeros((*shape, 3)), 0, 255).astype(np.uint8)


def _light(shape: tuple[int, int]) -> Grey:
    return np.full((*shape, 3), (205, 190, 165), dtype=np.uint8)


def _photo(table: Grey, sheet: Grey, light: tuple[float, float, float], path: Path, fields: Exif) -> Path:
    """Lay the sheet on the table, under light that comes from the left and has a colour."""
    scene = table.copy()
    top, left = ((t - s) // 2 for t, s in zip(table.shape[:2], sheet.shape[:2], strict=True))
    scene[top : top + sheet.shape[0], left : left + sheet.shape[1]] = sheet
    fall = np.linspace(1.0, 0.45, table.shape[1])[None, :, None]
    noise = np.random.default_rng(5).normal(0, 2.5, table.shape)
    values = np.clip(scene * fall * np.array(light) + noise, 0, 255).astype(np.uint8)
    return _jpeg(path, np.ascontiguousarray(values[:, :, ::-1]), fields)


CAMERA: Exif = {"FNumber": (18, 10)}
WARM = (1.0, 0.85, 0.6)


NEUTRAL = (1.0, 1.0, 1.0)
TABLES = list(product([_mat, _grain, _light], [NEUTRAL, WARM], [CAMERA, {}]))
# Every table in both lights and with both kinds of file by turns; the others of the twelve are slow.
USUAL = [(_mat, NEUTRAL, {}), (_grain, WARM, {}), (_grain, NEUTRAL, CAMERA), (_light, WARM, CAMERA)]


@pytest.mark.parametrize(
    ("table", "light", "fields"),
    [pytest.param(*case, marks=() if case in USUAL else pytest.mark.slow) for case in TABLES],
)
def test_the_table_does_not_exchange_light_and_dark(
    tmp_path: Path, table: object, light: tuple[float, float, float], fields: Exif
) -> None:
    scene = table((1100, 1500))  # type: ignore[operator]
    picture = read_picture(_photo(scene, _drawing((245, 245, 240), (30, 30, 30)), light, tmp_path / "a.jpg", fields))
    assert not any(INVERTED in note or BY_COLOUR in note for note in picture.notes)
    assert picture.grey[300:320, 400:420].mean() > picture.grey[:, 290:292][239:242].mean() + 60  # the drawn border


@pytest.mark.parametrize("table", [_mat, _grain, _light])
def test_a_blueprint_on_a_table_is_exchanged(tmp_path: Path, table: object) -> None:
    scene = table((1100, 1500))  # type: ignore[operator]
    path = _photo(scene, _drawing((40, 75, 150), (235, 238, 240)), (1.0, 1.0, 1.0), tmp_path / "a.jpg", CAMERA)
    picture = read_picture(path)
    assert any(INVERTED in note for note in picture.notes)
    assert picture.grey[300:320, 400:420].mean() > picture.grey[:, 290:292][239:242].mean() + 60


@needs_data
def test_a_phones_own_heic() -> None:
    """Its lens is one of 28 mm on film, as its field says; its arrow points up, seen in the picture."""
    picture = read_picture(DATA / "phone_drawing.heic")
    assert picture.grey.shape == (4032, 3024)
    assert picture.captured == "photo"
    assert picture.focal_px == pytest.approx(28 * math.hypot(4032, 3024) / 43.27, rel=1e-3)
    rows, columns = np.nonzero(cv2.resize(picture.grey, (300, 400), interpolation=cv2.INTER_AREA) < 60)
    assert np.ptp(columns[rows < rows.min() + 12]) < 40  # its tip
    assert np.ptp(columns[rows > rows.max() - 20]) > 80  # its foot
    assert 130 < columns[rows < rows.min() + 12].mean() < 170


@needs_data
def test_a_cameras_own_heic_of_10_bits_with_a_box_that_turns_it() -> None:
    picture = read_picture(DATA / "odd/sony_cw90.hif")
    assert picture.grey.shape == (7008, 4672)
    assert picture.grey.max() > 240
    assert picture.captured == "photo"


@needs_data
@pytest.mark.parametrize("part", [0.02, 0.5, 0.9999])
def test_a_phones_heic_cut_short(tmp_path: Path, part: float) -> None:
    content = (DATA / "phone_drawing.heic").read_bytes()
    path = tmp_path / "a.heic"
    path.write_bytes(content[: int(len(content) * part)])
    with pytest.raises(Refusal) as caught:
        read_picture(path)
    assert caught.value.code in ("truncated", "unreadable")


@needs_data
@pytest.mark.parametrize("name", ["odd/truncated.heic", "odd/corrupted.heic"])
def test_damaged_heic(name: str) -> None:
    with pytest.raises(Refusal) as caught:
        read_picture(DATA / name)
    assert caught.value.code == "truncated"


@needs_data
def test_focal_length_of_found_photos() -> None:
    """Fields read with another tool: 29 mm on film; 70 mm at 5184000/894 px per inch, 5184 px made 518."""
    book = read_picture(DATA / "phone_book_exif6.jpg")
    assert book.focal_px == pytest.approx(29 * math.hypot(3264, 2448) / 43.27, rel=1e-3)
    rule = read_picture(DATA / "halfmm_rule_exif6.jpg")
    assert rule.focal_px == pytest.approx(70 / 25.4 * 5184000 / 894 * 518 / 5184, rel=1e-3)
    assert read_picture(DATA / "exif_landscape_6.jpg").focal_px is None


@needs_data
@pytest.mark.parametrize("name", ["phone_drawing.heic", "halfmm_rule.jpg", "phone_book_exif6.jpg"])
def test_found_photos_keep_their_tones(name: str) -> None:
    assert not any(INVERTED in note for note in read_picture(DATA / name).notes)
