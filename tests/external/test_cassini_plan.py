"""A curve with exact answers, drawn as a plan, copied, scanned and taken through the whole command.

Source: the Cassini oval (x^2+y^2)^2 - 2c^2(x^2-y^2) = b^4 - c^4; lengths in closed form, area
2 b^2 E(m = c^4/b^4) (complete elliptic integral, DLMF 19.2.8), perimeter by quadrature here.
The picture in fixtures/small went through a copier at 101 %; see its truth file.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ellipe

from tests.command import boutline

SMALL = Path(__file__).parents[2] / "fixtures" / "small"
C_MM, B_MM = 170.0, 184.0
# The figure asked of lengths and widths: 0.02 %.
LENGTH_REL = 2e-4


def perimeter_mm() -> float:
    """Polar form r^2 = c^2 cos 2t + sqrt(b^4 - c^4 sin^2 2t), integrated over a quarter."""

    def speed(t: float) -> float:
        root = np.sqrt(B_MM**4 - (C_MM**2 * np.sin(2 * t)) ** 2)
        r = np.sqrt(C_MM**2 * np.cos(2 * t) + root)
        slope = (-(C_MM**2) * np.sin(2 * t) - C_MM**4 * np.sin(2 * t) * np.cos(2 * t) / root) / r
        return float(np.hypot(r, slope))

    return 4 * float(quad(speed, 0, np.pi / 2)[0])


@pytest.fixture(scope="module")
def body(tmp_path_factory: pytest.TempPathFactory) -> dict[str, float]:
    out = tmp_path_factory.mktemp("cassini") / "out"
    # Both ends are alike: only the neck's drawn edges tell them apart, and the result is sound by them.
    assert boutline("outline", SMALL / "cassini.png", "--out", out).returncode == 0
    record = json.loads((out / "record.json").read_text())
    return {**record["body"], "u95_mm": record["outline"]["u95_mm"]}


def test_perimeter_by_quadrature_agrees_with_the_known_value() -> None:
    assert perimeter_mm() == pytest.approx(1236.576887, abs=1e-5)


@pytest.mark.parametrize(
    ("key", "truth"),
    [
        ("length_mm", 2 * np.sqrt(B_MM**2 + C_MM**2)),
        ("waist_mm", 2 * np.sqrt(B_MM**2 - C_MM**2)),
        ("lower_bout_mm", B_MM**2 / C_MM),
        ("upper_bout_mm", B_MM**2 / C_MM),
        ("perimeter_mm", perimeter_mm()),
    ],
)
def test_lengths(body: dict[str, float], key: str, truth: float) -> None:
    assert body[key] == pytest.approx(truth, rel=LENGTH_REL)


def test_area(body: dict[str, float]) -> None:
    truth = 2 * B_MM**2 * ellipe(C_MM**4 / B_MM**4)
    assert truth == pytest.approx(82902.274244, abs=1e-4)
    assert body["area_mm2"] == pytest.approx(truth, rel=2 * LENGTH_REL)


def test_smallest_radius_is_that_of_the_ends(body: dict[str, float]) -> None:
    # A radius rests on second derivatives of a traced line: one part in a hundred.
    assert body["min_radius_mm"] == pytest.approx(92.53422, rel=0.01)


def test_the_claim_holds_for_the_length(body: dict[str, float]) -> None:
    assert abs(body["length_mm"] - 2 * np.sqrt(B_MM**2 + C_MM**2)) < body["length_u95_mm"]
