"""Drawn lines that are parallel or square; OpenCV's projector (tests.bench.photo_points) is the truth."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from calibration.adjust import adjust
from calibration.controls import KnownAngle
from calibration.drawn_angles import DRAWN_WHY, drawn_angles
from calibration.frames import PxPoints
from calibration.photo import PhotoCalibration
from tests.bench.photo_points import SIZE_PX, Camera, Sheet, across_error, body


def plan(seed: int, slanted_deg: float = 0.0) -> Sheet:
    """Return two short rules in a corner of a sheet whose lines run both ways; one of them may lean."""
    rng = np.random.default_rng(seed)
    sheet = Sheet(Camera.random(rng, 30.0), rng)
    sheet.rule((-250, -180), 3, 150)
    sheet.rule((-250, -160), 88, 150)
    for x in (-240.0, -60.0, 230.0):
        sheet.line((x, -170), (x, 170))
    for y in (-150.0, 160.0):
        sheet.line((-200, y), (200, y))
    lean = 300.0 * np.tan(np.deg2rad(slanted_deg))
    sheet.line((100, -150), (100 + lean, 150))
    return sheet


def adjusted(sheet: Sheet, more: tuple[KnownAngle, ...] = ()) -> PhotoCalibration:
    found = adjust(sheet.controls, sheet.lines, [*sheet.angles, *more], SIZE_PX)
    assert isinstance(found, PhotoCalibration), found.doubt
    return found


def by_name(angles: tuple[KnownAngle, ...]) -> set[tuple[frozenset[str], int]]:
    return {(frozenset((one.first, one.second)), round(np.rad2deg(one.angle_rad))) for one in angles}


@pytest.mark.parametrize("seed", [0, 2, 3, 4])
def test_lines_both_ways_are_of_one_square(seed: int) -> None:
    sheet = plan(seed)
    found = drawn_angles(adjusted(sheet), sheet.lines, ())
    assert len(found) == 5 and all(one.tentative and one.why == DRAWN_WHY for one in found)
    up, across = {"line 1", "line 2", "line 3", "line 6"}, {"line 4", "line 5"}
    for pair, deg in by_name(found):
        assert deg == (0 if pair <= up or pair <= across else 90)
    assert {name for pair, _ in by_name(found) for name in pair} == up | across


@pytest.mark.parametrize("seed", [0, 2, 3, 4])
def test_a_line_that_leans_a_degree_is_not(seed: int) -> None:
    """The edges of a neck do, against its centerline."""
    sheet = plan(seed, 1.0)
    found = drawn_angles(adjusted(sheet), sheet.lines, ())
    assert "line 6" not in {name for pair, _ in by_name(found) for name in pair}
    assert len(found) == 4


def test_what_is_known_is_not_told_again_and_two_lines_tell_nothing() -> None:
    sheet = plan(0)
    photo = adjusted(sheet)
    border = ("line 1", "line 4", "line 3", "line 5")
    known = [KnownAngle(one, two, np.pi / 2, 1e-3, "the drawn border is square") for one, two in
             pairwise(border)]  # fmt: skip
    told = drawn_angles(photo, sheet.lines, known)
    assert {name for one in told for name in (one.first, one.second)} >= {"line 2", "line 6"}
    assert all({one.first, one.second} - set(border) for one in told)
    few = plan(0)
    few.lines = few.lines[:2]
    assert drawn_angles(adjusted(few), few.lines, ()) == ()
    with pytest.raises(ValueError, match="those of the calibration"):
        drawn_angles(photo, few.lines, ())


def test_they_make_the_outline_truer_and_the_claim_holds() -> None:
    """Rules in a corner alone leave the far side of the sheet open."""
    worst, held = [], []
    for seed in range(24):
        sheet = plan(seed)
        plain = adjusted(sheet)
        with_them = adjusted(sheet, drawn_angles(plain, sheet.lines, ()))
        errors = []
        for photo in (plain, with_them):
            found = photo.to_sheet(PxPoints(sheet.camera(body())))
            errors.append(np.abs(across_error(found.xy, body())).max())
        worst.append(errors)
        held.append(np.mean(np.abs(across_error(found.xy, body())) <= 2 * with_them.u_outline_mm(found)))
    plain_mm, with_mm = np.median(worst, axis=0)
    assert with_mm < 0.6 * plain_mm
    assert np.mean(held) > 0.9


def test_one_that_was_not_meant_is_left_out_without_a_word() -> None:
    """Said to be square by nobody: it is no fault of the sheet that it is not."""
    sheet = plan(3, 1.0)
    wrong = KnownAngle("line 1", "line 6", 0.0, np.radians(0.05), DRAWN_WHY, tentative=True)
    meant = drawn_angles(adjusted(sheet), sheet.lines, ())
    photo = adjusted(sheet, (*meant, wrong))
    assert not [one for one in photo.doubts if one.code == "photo-angle"]
    assert len(photo.solution.scene.angles) == len(meant)
    stated = adjusted(sheet, (*meant, replace(wrong, tentative=False)))
    assert [one for one in stated.doubts if one.code == "photo-angle"]
