"""Wrong calls of the reprint, and sheets that give none."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.errors import UsageError
from digitize.print_settings import PrintSettings
from digitize.reprint import run_reprint
from tests.command import boutline

WRONG = {
    "unknown paper": (PrintSettings("A7"), "A4, A3.*whole or fit"),
    "wrong unit": (PrintSettings(measured="3.93 mm x 3.93 mm"), r"3\.9 %"),
    "region beyond": (PrintSettings(region_px=(9000.0, 900.0, 500.0, 500.0)), "holds nothing of the sheet"),
    "region of nothing": (PrintSettings(region_px=(900.0, 900.0, 0.0, 500.0)), "holds nothing of the sheet"),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_calls_are_2_with_what_to_do(name: str, tmp_path: Path) -> None:
    blank = tmp_path / "blank.png"
    assert cv2.imwrite(str(blank), np.full((2200, 1700), 255, dtype=np.uint8))
    words, said = WRONG[name]
    with pytest.raises(UsageError, match=said) as fault:
        run_reprint(blank, tmp_path / "out", words)
    assert (fault.value.exit_code, bool(fault.value.remedy)) == (2, True)
    assert not (tmp_path / "out").exists()


def test_a_wrong_call_is_told_on_two_lines(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(b"never read")
    done = boutline("reprint", tmp_path / "a.png", "--measured", "101.6 mm x 101.6 mm", "--out", tmp_path / "out")
    assert (done.returncode, done.stdout) == (2, "")
    first, second = done.stderr.splitlines()
    assert first.startswith("boutline: 101.6 mm may be the 100 mm line or the 4 in line")
    assert second.startswith("  what to do: ")


def test_a_sheet_without_a_scale_is_refused(tmp_path: Path) -> None:
    blank = tmp_path / "blank.png"
    assert cv2.imwrite(str(blank), np.full((2200, 1700), 255, dtype=np.uint8))
    outcome = run_reprint(blank, tmp_path / "out", PrintSettings())
    assert (outcome.exit_code, outcome.record["verdict"], outcome.record["files"]) == (4, "refused", {})
    assert outcome.record["reasons"][0]["code"] == "no-rule"
    assert not (tmp_path / "out").exists()


def test_a_scan_that_is_not_there_is_2(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(b"never read")
    done = boutline("reprint", tmp_path / "a.png", "--measured", tmp_path / "none.png", "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "does not exist" in done.stderr and "what to do" in done.stderr
