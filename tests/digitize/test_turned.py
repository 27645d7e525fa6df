"""A scanner's own error from two scans of any sheet; the truth is the displacement's even part about the pivot."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from calibration.errors import UsageError
from calibration.turned import ScannerError
from digitize.print_evidence import Evidence
from digitize.scanner_check import check_scanner
from digitize.traced import Clock
from digitize.turned import scanner_error
from tests.digitize.printed_sheets import drawing
from tests.maker.turned import Field, none, scanned

MM = 0.2
WIDE, HIGH = 1300, 900
MIDDLE = np.array([WIDE, HIGH]) * MM / 2.0


def bent(g: np.ndarray) -> np.ndarray:
    """Larger to the right, and level lines bowed."""
    x, y = ((g - MIDDLE) / MIDDLE)[..., 0], ((g - MIDDLE) / MIDDLE)[..., 1]
    return np.stack([0.25 * x**2 + 0.05 * x * y, -0.12 * x**2], axis=-1)


def linear(g: np.ndarray) -> np.ndarray:
    """A scale 0.3 % too large, another across, and out of square by 0.1 degree."""
    return (g - MIDDLE) @ np.array([[0.003, 0.0], [0.0017, -0.002]])


def copied(p: np.ndarray) -> np.ndarray:
    """What the sheet itself has: a wavy feed and a stretch that grows to one side."""
    return np.stack([0.4 * np.sin(p[..., 0] / 40.0), 0.5 * (p[..., 1] / MIDDLE[1]) ** 2], axis=-1)


def both(scanner: Field, own: Field = none) -> tuple[np.ndarray, np.ndarray]:
    sheet = drawing(WIDE, HIGH).grey
    first = scanned(sheet, MM, scanner, own, turn_deg=0.4)
    return first, scanned(sheet, MM, scanner, own, turn_deg=180.9, shift_px=(9.0, -14.0), seed=2)


def even_part(error: ScannerError, scanner: Field, places: np.ndarray) -> np.ndarray:
    """Return what can be told of a scanner at places, but for a constant."""
    found = (scanner(places) + scanner(2.0 * error.middle_mm - places)) / 2.0
    return found - found.mean(axis=0)


def over(error: ScannerError) -> np.ndarray:
    x, y = (np.linspace(error.low_mm[k], error.high_mm[k], 15) for k in (0, 1))
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


@pytest.mark.parametrize("own", [none, copied])
def test_what_is_even_about_the_pivot_is_found_whatever_the_sheet_is(own: Field) -> None:
    found = scanner_error(*both(bent, own), (MM, MM))
    assert isinstance(found, ScannerError)
    assert found.proven and found.u95_mm < 0.03
    places = over(found)
    off = found.at(places) - even_part(found, bent, places)
    assert np.sqrt(np.mean(off**2)) < found.u95_mm / 1.96 + 0.003
    assert np.abs(off).max() < 0.03  # a seventh of a pixel, in the corners
    difference, u95 = found.scale_difference(0)
    reach = (found.high_mm - found.low_mm)[0] / 2.0
    # the slope of 0.25 (x / X)^2 at 0.8 of the way to both edges; the pivot lies a millimetre beside the middle
    assert difference == pytest.approx(0.25 * 2 * 2 * 0.8 * reach / MIDDLE[0] ** 2, abs=u95 + 1e-4)


def test_nothing_linear_is_told_and_nothing_of_the_sheet() -> None:
    """Scale, a different scale across and squareness look the same after half a turn: none may be claimed."""
    found = scanner_error(*both(linear, copied), (MM, MM))
    assert isinstance(found, ScannerError)
    assert not found.proven
    assert found.peak_mm < 0.03
    for axis in (0, 1):
        difference, u95 = found.scale_difference(axis)
        assert abs(difference) < max(2.0 * u95, 3e-4)


def test_scans_that_tell_nothing_say_why() -> None:
    first, second = both(none)
    again = scanned(drawing(WIDE, HIGH).grey, MM, turn_deg=1.0, seed=3)
    other = scanned(drawing(WIDE, HIGH, seed=8).grey, MM, turn_deg=180.0)
    assert scanner_error(first, again, (MM, MM)) == "same way"
    assert scanner_error(first, other, (MM, MM)) == "other sheet"
    assert scanner_error(first, second[:, :-100], (MM, MM)) == "cropped"
    blank = np.full_like(first, 230)
    assert scanner_error(first, blank, (MM, MM)) == "other sheet"


def test_a_second_scan_of_no_use_is_a_doubt_with_a_remedy(tmp_path: Path) -> None:
    first, _ = both(none)
    Image.fromarray(first).save(tmp_path / "again.png", dpi=(127, 127))
    evidence = Evidence(drawing(WIDE, HIGH), (), (), (), (), (), False)
    evidence = replace(evidence, picture=replace(evidence.picture, grey=first, dpi=(127.0, 127.0)))
    checked = check_scanner(evidence, tmp_path / "again.png", Clock())
    assert checked.part() == {"file": "again.png", "found": False}
    (told,) = checked.doubts
    assert (told.code, told.weight) == ("turned-same-way", "look") and "half round" in told.remedy
    with pytest.raises(UsageError, match="does not exist"):
        check_scanner(evidence, tmp_path / "none.png", Clock())
