"""How blurred a picture is, and what is said of a photo that gave no scale."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.controls import Control
from calibration.errors import Refusal
from calibration.flags import doubt
from calibration.flatness import flatness_of
from calibration.frames import PxPoints
from calibration.photo import PhotoCalibration
from digitize.photo_faults import MOST_LIFT_MM, SURE_SIGMAS, explained, refuse_bent, short_rule
from digitize.shapes import Picture
from digitize.sheet import sharpness_of
from tests.bench.photo_lifts import curl, drawn, shown

OPEN = {"part": "scale left to right", "percent": "4.0"}


def drawing(blur_px: float = 0.6, moved_px: int = 0) -> np.ndarray:
    """Filled shapes in all directions, 1200 by 900 px, out of focus by a normal blur or moved along 45 degrees."""
    page = np.full((900, 1200), 205, np.uint8)
    for k, (x, y) in enumerate((x, y) for x in range(100, 1200, 200) for y in range(100, 900, 200)):
        corners = cv2.boxPoints(((x, y), (110, 70), 12.0 * k))
        cv2.fillPoly(page, [np.rint(corners * 16).astype(np.int32)], 60, cv2.LINE_AA, 4)
    if moved_px:
        page = cv2.filter2D(page, -1, np.eye(moved_px) / moved_px)
    page = cv2.GaussianBlur(page, (0, 0), blur_px).astype(np.float64)
    return np.clip(page + np.random.default_rng(3).normal(0, 1.5, page.shape), 0, 255).astype(np.uint8)


def picture(grey: np.ndarray) -> Picture:
    return Picture(grey, "photo.jpg", "0" * 64, None, "photo")


def as_strange(photo: PhotoCalibration) -> PhotoCalibration:
    return replace(photo, doubts=(doubt("photo-strange"),))


def rule(long_mm: float) -> Control:
    at = np.arange(0.0, long_mm + 1.0)
    places = PxPoints(np.stack([100 + 4 * at, 0 * at], axis=1))
    return Control("rule 1", "laid rule", places, at, np.full(len(at), 0.1), 0.1)


@pytest.mark.parametrize("blur_px", [0.7, 1.5, 3.0])
def test_the_blur_is_measured(blur_px: float) -> None:
    seen = sharpness_of(drawing(blur_px))
    assert seen is not None
    assert seen.least_px == pytest.approx(np.hypot(blur_px, 0.3), abs=0.15 + 0.05 * blur_px)  # pixels add their own
    assert not seen.moved


def test_an_even_picture_says_nothing() -> None:
    assert sharpness_of(np.full((300, 400), 128, np.uint8)) is None


@pytest.mark.parametrize(
    ("grey", "code"),
    [(drawing(), "photo-no-rule"), (drawing(2.5), "photo-blurred"), (drawing(0.6, 15), "photo-moved")],
    ids=["sharp", "blurred", "moved"],
)
def test_why_no_rule_was_found(grey: np.ndarray, code: str) -> None:
    assert explained(Refusal("no-rule"), picture(grey), []).code == code


def test_a_short_rule_is_named_where_the_scale_stays_open() -> None:
    open_scale = Refusal("photo-scale-open", **OPEN)
    found = explained(open_scale, picture(drawing()), [rule(56)], OPEN)
    assert found.code == "photo-rule-too-short"
    assert "56 mm" in found.doubt.text and "4.0 %" in found.doubt.text
    assert explained(open_scale, picture(drawing()), [rule(290)], OPEN) is open_scale


def test_what_blur_does_not_explain_stays() -> None:
    bent = Refusal("photo-bent")
    assert explained(bent, picture(drawing(2.5)), []) is bent


def test_only_a_short_rule_is_doubted() -> None:
    assert [one.code for one in short_rule([rule(56)])] == ["photo-rule-short"]
    assert short_rule([rule(56), rule(290)]) == ()


def test_a_sheet_whose_bend_cannot_be_measured_is_refused() -> None:
    """What rises a little is measured, but where a strange camera has taken on some of it; what rises far is not."""
    _, flat = shown(drawn, 1, None)
    _, low = shown(drawn, 1, curl(0.0, 50.0, 1.0))
    _, high = shown(drawn, 1, curl(0.0, 50.0, 4.0))
    assert flat and low and high
    refuse_bent(flatness_of(flat), as_strange(flat))
    refuse_bent(flatness_of(low), low)
    with pytest.raises(Refusal, match="fit no camera"):
        refuse_bent(flatness_of(low), as_strange(low))
    far = flatness_of(high)
    with pytest.raises(Refusal, match=rf"rises by about {far.lift_mm:.1f} mm at the .*right") as refused:
        refuse_bent(far, high)
    assert refused.value.code == "photo-lifted"
    assert far.lift_mm == pytest.approx(4.0 * ((285 - 50) / 200) ** 2, rel=0.3)  # at the end of what is drawn
    refuse_bent(replace(far, lift_u_mm=(far.lift_mm - MOST_LIFT_MM) / SURE_SIGMAS + 0.1), high)  # it may as well be low
