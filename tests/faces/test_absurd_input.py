"""Scales and places that cannot be, through every command that takes them: each is refused with its reason."""

from __future__ import annotations

import subprocess
from pathlib import Path

import cv2
import ezdxf
import numpy as np
import pytest
import pyvips
from ezdxf.math import Matrix44

from tests.bench.fits import write_outline
from tests.command import boutline
from tests.maker.cut_part import CutSpec

WIDE, HIGH, PX_PER_MM = 700, 900, 4.0
CALLS = {
    "outline": ["outline", "{plan}"],
    "print-check": ["print-check", "{plan}"],
    "reprint": ["reprint", "{plan}"],
    "halves of a cut half": ["halves", "{plan}", "--cut"],
    "fit": ["fit", "{plan}", "{outline}"],
}
# What the print check holds a length against is the scan's own resolution.
SAID = {"print-check": ("no copier set to 100 % does that", "the length of every [[span]]")}
SPAN = '[plan]\nimage = "sheet.png"\n\n[[span]]\nfrom = [100, 100]\nto = [{x}, 800]\nlength = "{length}"\n'
UNIT = "Check the unit and the length of each [[span]]"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sheet with one dark shape on it, its resolution told, and an outline."""
    made = tmp_path_factory.mktemp("absurd")
    page = np.full((HIGH, WIDE), 240, dtype=np.uint8)
    cv2.ellipse(page, (WIDE // 2, HIGH // 2), (180, 300), 0, 0, 360, 60, -1)
    pyvips.Image.new_from_array(page).copy(xres=PX_PER_MM, yres=PX_PER_MM).pngsave(str(made / "sheet.png"))
    write_outline(CutSpec(seed=7), made)
    return made


def run(folder: Path, call: list[str], plan: str, outline: Path | None = None) -> subprocess.CompletedProcess[str]:
    told = folder / "plan.toml"
    told.write_text(plan, encoding="utf-8")
    words = [word.format(plan=told, outline=outline or folder / "outline.dxf") for word in call]
    done = boutline(*words, "--out", folder / "out")
    assert not (folder / "out").exists()
    return done


@pytest.mark.parametrize("length", ["30000 mm", "30 mm"])
@pytest.mark.parametrize("command", CALLS)
def test_a_length_that_makes_the_picture_absurd_is_refused(folder: Path, command: str, length: str) -> None:
    done = run(folder, CALLS[command], SPAN.format(x=100, length=length))
    assert done.returncode == 4, done.stderr
    why, remedy = SAID.get(command, ("By span 1 the whole picture would be", UNIT))
    assert why in done.stderr
    assert remedy in done.stderr


@pytest.mark.parametrize("command", CALLS)
def test_a_place_outside_the_picture_is_told(folder: Path, command: str) -> None:
    done = run(folder, CALLS[command], SPAN.format(x=100, length="300 mm").replace("800]", "9000]"))
    assert done.returncode == 2, done.stderr
    assert f"(100, 9000) of span.to is outside the picture, {WIDE} x {HIGH}" in done.stderr


@pytest.mark.parametrize("command", [CALLS["fit"], ["mold", "{outline}"]], ids=["fit", "mold"])
@pytest.mark.parametrize("times", [1.0 / 25.4, 25.4])
def test_an_outline_in_a_wrong_unit_is_told(folder: Path, tmp_path: Path, times: float, command: list[str]) -> None:
    document = ezdxf.readfile(folder / "outline.dxf")
    for one in document.modelspace():
        one.transform(Matrix44.scale(times, times, times))
    document.saveas(tmp_path / "outline.dxf")
    done = run(folder, command, SPAN.format(x=100, length="300 mm"), tmp_path / "outline.dxf")
    assert done.returncode == 2, done.stderr
    assert "which no body is" in done.stderr
    assert "$INSUNITS" in done.stderr
