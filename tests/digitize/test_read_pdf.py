from __future__ import annotations

import io
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pypdfium2 as pdfium
import pytest
from reportlab.lib.pdfencrypt import StandardEncryption
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from calibration.errors import Refusal, UsageError
from digitize import paged
from digitize.read import read_picture

Grey = npt.NDArray[np.uint8]
A4_PT = (595.2756, 841.8898)


@pytest.fixture(scope="module")
def scan() -> Grey:
    """A4 at 100 dpi with lettering, so that turns and mirrors show."""
    sheet = np.full((1169, 827), 250, dtype=np.uint8)
    cv2.putText(sheet, "Plover", (60, 200), cv2.FONT_HERSHEY_SIMPLEX, 4, 20, 9)
    cv2.ellipse(sheet, (420, 700), (250, 380), 0, 0, 360, 0, 5)
    sheet[1000:1100, 600:700] = 90
    return sheet


def _image(grey: Grey) -> ImageReader:
    return ImageReader(io.BytesIO(cv2.imencode(".png", grey)[1].tobytes()))


def _pdf_of_scan(path: Path, grey: Grey, *, rotation: int = 0, text: bool = False, line: bool = False) -> None:
    canvas = Canvas(str(path), pagesize=A4_PT)
    canvas.drawImage(_image(grey), 0, 0, *A4_PT)
    if text:
        words = canvas.beginText(100, 500)
        words.setTextRenderMode(3)  # not shown, as text recognition leaves it
        words.textLine("hidden words")
        canvas.drawText(words)
    if line:
        canvas.line(50, 50, 500, 60)
    canvas.showPage()
    canvas.save()
    document = pdfium.PdfDocument(path.read_bytes())
    document[0].set_rotation(rotation)
    document.save(path)
    document.close()


def test_a_locked_file_is_said_to_be_locked(tmp_path: Path) -> None:
    path = tmp_path / "locked.pdf"
    canvas = Canvas(str(path), pagesize=A4_PT, encrypt=StandardEncryption("heron", ownerPassword="egret"))
    canvas.line(50, 50, 500, 60)
    canvas.save()
    with pytest.raises(Refusal, match="is locked with a password") as told:
        read_picture(path)
    assert "without one" in told.value.remedy
    assert "PDFium" not in f"{told.value} {told.value.remedy}"


def test_a_file_that_only_its_owner_may_change_is_read(tmp_path: Path, scan: Grey) -> None:
    path = tmp_path / "owned.pdf"
    canvas = Canvas(str(path), pagesize=A4_PT, encrypt=StandardEncryption("", ownerPassword="egret"))
    canvas.drawImage(_image(scan), 0, 0, *A4_PT)
    canvas.save()
    assert np.array_equal(read_picture(path).grey, scan)


@pytest.mark.parametrize("text", [False, True])
def test_a_scan_gives_its_own_pixels(tmp_path: Path, scan: Grey, text: bool) -> None:
    path = tmp_path / "a.pdf"
    _pdf_of_scan(path, scan, text=text)
    picture = read_picture(path)
    assert np.array_equal(picture.grey, scan)
    assert picture.dpi == pytest.approx((100, 100), abs=0.1)
    assert any("own pixels" in note for note in picture.notes)
    assert not picture.grey.flags.writeable


@pytest.mark.parametrize("rotation", [90, 180, 270])
def test_a_turned_page_is_shown_as_turned(tmp_path: Path, scan: Grey, rotation: int) -> None:
    path = tmp_path / "a.pdf"
    _pdf_of_scan(path, scan, rotation=rotation)
    assert np.array_equal(read_picture(path).grey, np.rot90(scan, -rotation // 90))


def test_a_scan_drawn_upon_is_rendered_not_taken(tmp_path: Path, scan: Grey) -> None:
    path = tmp_path / "a.pdf"
    _pdf_of_scan(path, scan, line=True)
    picture = read_picture(path)
    assert any("drawn at" in note for note in picture.notes)
    assert picture.dpi is not None
    assert picture.dpi[0] >= 300


def test_a_mirrored_scan_is_shown_as_the_page_shows_it(tmp_path: Path, scan: Grey) -> None:
    path = tmp_path / "a.pdf"
    canvas = Canvas(str(path), pagesize=A4_PT)
    canvas.translate(A4_PT[0], 0)
    canvas.scale(-1, 1)
    canvas.drawImage(_image(scan), 0, 0, *A4_PT)
    canvas.save()
    grey = read_picture(path).grey
    small = cv2.resize(grey, (scan.shape[1], scan.shape[0]), interpolation=cv2.INTER_AREA).astype(float)
    assert np.corrcoef(small.ravel(), scan[:, ::-1].ravel())[0, 1] > 0.95


def _pdf_of_jpeg(path: Path, jpeg: Path, *, mirrored: bool = False, rotation: int = 0, inset: float = 0.0) -> None:
    canvas = Canvas(str(path), pagesize=A4_PT)
    if mirrored:
        canvas.translate(A4_PT[0], 0)
        canvas.scale(-1, 1)
    canvas.drawImage(str(jpeg), inset, inset, A4_PT[0] - 2 * inset, A4_PT[1] - 2 * inset)
    canvas.setPageRotation(rotation)
    canvas.save()


@pytest.mark.parametrize(
    "how", [{}, {"rotation": 90}, {"rotation": 180}, {"mirrored": True}, {"inset": 9.0}], ids=str
)
def test_a_large_jpeg_scan_reads_like_a_small_one(
    tmp_path: Path, scan: Grey, monkeypatch: pytest.MonkeyPatch, how: dict[str, Any]
) -> None:
    cv2.imwrite(str(tmp_path / "a.jpg"), scan)
    _pdf_of_jpeg(tmp_path / "a.pdf", tmp_path / "a.jpg", **how)
    small = read_picture(tmp_path / "a.pdf")
    monkeypatch.setattr(paged, "LEAST_BYTES", 1)
    large = read_picture(tmp_path / "a.pdf")
    assert large.grey.shape == small.grey.shape
    assert np.abs(large.grey.astype(int) - small.grey.astype(int)).max() <= 2  # two decoders
    assert large.dpi == small.dpi
    assert large.notes == small.notes


def test_a_large_upright_jpeg_scan_is_never_decoded_whole(
    tmp_path: Path, scan: Grey, monkeypatch: pytest.MonkeyPatch
) -> None:
    cv2.imwrite(str(tmp_path / "a.jpg"), scan)
    _pdf_of_jpeg(tmp_path / "a.pdf", tmp_path / "a.jpg")
    monkeypatch.setattr(paged, "LEAST_BYTES", 1)
    for wholly in (pdfium.PdfImage, pdfium.PdfPage):
        name = "get_bitmap" if wholly is pdfium.PdfImage else "render"
        monkeypatch.setattr(wholly, name, lambda *_, **__: pytest.fail("PDFium decodes the whole picture"))
    assert any("own pixels" in note for note in read_picture(tmp_path / "a.pdf").notes)


def _pdf_of_mask(path: Path, ink: npt.NDArray[np.bool_]) -> None:
    """Write a page whose scan is a stencil: set samples let black ink through, as fax scans are stored."""
    height, width = ink.shape
    data = zlib.compress(np.packbits(~ink, axis=1).tobytes())
    content = b"q 595.2756 0 0 841.8898 0 0 cm /S Do Q"
    image = (
        f"<< /Type /XObject /Subtype /Image /Width {width} /Height {height} /ImageMask true "
        f"/BitsPerComponent 1 /Filter /FlateDecode /Length {len(data)} >>\nstream\n"
    )
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 595.2756 841.8898] /Contents 4 0 R "
        b"/Resources << /XObject << /S 5 0 R >> >> >>",
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(content), content),
        image.encode() + data + b"\nendstream",
    ]
    out, offsets = b"%PDF-1.5\n", []
    for number, body in enumerate(objects, 1):
        offsets.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table = b"".join(b"%010d 00000 n \n" % offset for offset in offsets)
    trailer = b"trailer << /Size 6 /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % len(out)
    path.write_bytes(out + b"xref\n0 6\n0000000000 65535 f \n" + table + trailer)


def test_a_stencil_scan_comes_out_dark_on_light(tmp_path: Path, scan: Grey) -> None:
    path = tmp_path / "a.pdf"
    ink = scan < 128
    _pdf_of_mask(path, ink)
    grey = read_picture(path).grey
    assert grey.shape == scan.shape
    assert np.mean((grey < 128) == ink) > 0.999


def test_a_drawn_page_is_rendered_true_to_size_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "a.pdf"
    canvas = Canvas(str(path), pagesize=A4_PT)
    canvas.setLineWidth(1)
    canvas.line(72, 0, 72, 800)
    canvas.line(72 + 360, 0, 72 + 360, 800)
    canvas.save()
    picture = read_picture(path)
    assert picture.dpi == (300, 300)
    assert any("300 dpi" in note for note in picture.notes)
    ink = 255.0 - picture.grey[1500]
    halves = [ink[:900], ink[900:]]
    middles = [float((half * np.arange(len(half))).sum() / half.sum()) for half in halves]
    assert middles[1] + 900 - middles[0] == pytest.approx(5 * 300, abs=0.05)  # 360 pt = 5 in


def test_pages_are_counted(tmp_path: Path, scan: Grey) -> None:
    path = tmp_path / "a.pdf"
    _pdf_of_scan(path, scan)
    with pytest.raises(UsageError) as caught:
        read_picture(path, 2)
    assert caught.value.code == "no-such-page"


def test_a_page_too_large_to_draw_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.pdf"
    canvas = Canvas(str(path), pagesize=(14000, 14000))
    canvas.line(0, 0, 1000, 1000)
    canvas.save()
    with pytest.raises(Refusal) as caught:
        read_picture(path)
    assert caught.value.code == "too-large"
    assert "a.pdf" in str(caught.value)
