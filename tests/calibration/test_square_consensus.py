"""The tilt by what most drawn lines agree on; OpenCV's projector (tests.bench.photo_points) is the truth."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from calibration.adjust import adjust
from calibration.controls import KnownAngle
from calibration.frames import PxPoints
from calibration.photo import PhotoCalibration
from calibration.square_consensus import consensus_angles
from tests.bench.photo_points import SIZE_PX, Camera, Sheet, across_error, body

SEEDS = (0, 1, 2, 3, 4)
QUICK = (0, 2)  # whose adjustments without a known angle are soonest done; the others are slow
SOME_OR_ALL = pytest.mark.parametrize("seeds", [QUICK, pytest.param(SEEDS, marks=pytest.mark.slow)])
EACH = pytest.mark.parametrize(
    "seed", [seed if seed in QUICK else pytest.param(seed, marks=pytest.mark.slow) for seed in SEEDS]
)


def plan(seed: int, *, edges: tuple[int, ...] = (0, 1, 2)) -> Sheet:
    """Return one rule over the left edge of a sheet; its plan has lines both ways and the edges of a neck, "line 1, 2".

    ``edges``: which of upper, right and lower are seen.
    """
    rng = np.random.default_rng(seed)
    sheet = Sheet(Camera.random(rng, 30.0), rng)
    sheet.rule((-280, -150), 90, 300)
    lean = 200.0 * np.tan(np.deg2rad(1.0))
    sheet.line((-180, -20), (20, -20 - lean))
    sheet.line((-180, 20), (20, 20 + lean))
    for x in (-120.0, 90.0, 250.0):
        sheet.line((x, -130), (x, 140))
    for y in (-150.0, 0.0, 160.0):
        sheet.line((-200, y), (200, y))
    ends = (((-290, 200), (290, 200)), ((290, 200), (290, -200)), ((290, -200), (-290, -200)))
    for k in edges:
        sheet.line(*ends[k], edge=True)
    return sheet


def opened(sheet: Sheet) -> PhotoCalibration:
    found = adjust(sheet.controls, sheet.lines, (), SIZE_PX, sheet.camera.focal_px, copied=True)
    assert isinstance(found, PhotoCalibration), found.doubt
    return found


@cache
def told(seed: int) -> tuple[Sheet, tuple[KnownAngle, ...]]:
    """Return a sheet that no test changes, and what its lines tell."""
    sheet = plan(seed)
    return sheet, consensus_angles(opened(sheet), sheet.lines)


@EACH
def test_most_lines_tell_the_square_and_leave_out_a_neck(seed: int) -> None:
    _, found = told(seed)
    assert all(one.tentative for one in found)
    groups = {"line 3", "line 4", "line 5"}, {"line 6", "line 7", "line 8"}
    for one in found:
        pair = {one.first, one.second}
        assert any(pair <= group for group in groups) if one.angle_rad == 0.0 else all(pair & g for g in groups)
    assert {name for one in found for name in (one.first, one.second)} == groups[0] | groups[1]


@SOME_OR_ALL
def test_a_photo_that_left_its_scale_open_has_one_with_them_and_the_claim_holds(seeds: tuple[int, ...]) -> None:
    rescued, held = 0, []
    for seed in seeds:
        sheet, angles = told(seed)
        focal = sheet.camera.focal_px
        rescued += not adjust(sheet.controls, sheet.lines, (), SIZE_PX, focal)
        photo = adjust(sheet.controls, sheet.lines, angles, SIZE_PX, focal)
        if isinstance(photo, PhotoCalibration):
            found = photo.to_sheet(PxPoints(sheet.camera(body())))
            held.append(np.mean(np.abs(across_error(found.xy, body())) <= 2 * photo.u_outline_mm(found)) >= 0.95)
    assert rescued == len(seeds) and len(held) >= 0.8 * len(seeds) and all(held)


def test_beside_two_rules_they_narrow_the_claim_and_it_holds() -> None:
    """Of one of these nothing but the focal length that phones usually have tells the tilt."""
    claims = []
    for seed in SEEDS:
        sheet = plan(seed)
        sheet.rule((-150, -185), 1.0, 300)
        meant = consensus_angles(opened(sheet), sheet.lines)
        loose, tight = (adjust(sheet.controls, sheet.lines, angles, SIZE_PX) for angles in ((), meant))
        assert isinstance(loose, PhotoCalibration) and isinstance(tight, PhotoCalibration)
        found = tight.to_sheet(PxPoints(sheet.camera(body())))
        claim = 2 * tight.u_outline_mm(found)
        assert np.mean(np.abs(across_error(found.xy, body())) <= claim) >= 0.95
        claims.append((2 * loose.u_outline_mm(found).max(), claim.max()))
    before, after = np.array(claims).T
    assert np.all(after < before) and before.max() > 1.0 and after.max() < 0.3


@pytest.mark.parametrize("edges", [(), (0, 2), (1,)], ids=["none", "one way", "one"])
def test_without_edges_of_the_sheet_both_ways_they_tell_nothing(edges: tuple[int, ...]) -> None:
    sheet = plan(QUICK[0], edges=edges)
    assert consensus_angles(opened(sheet), sheet.lines) == ()


@EACH
def test_a_body_that_tapers_is_not_seen_from_aslant(seed: int) -> None:
    """Its sides and its centerline meet in one place, as parallel lines do that run away from the camera."""
    rng = np.random.default_rng(seed)
    sheet = Sheet(Camera.random(rng, 10.0), rng)
    sheet.rule((-280, -150), 90, 300)
    taper = 160.0 * np.tan(np.deg2rad(8.0))
    sheet.line((-160, -80 - taper / 2), (160, -80 + taper / 2))
    sheet.line((-160, 80 + taper / 2), (160, 80 - taper / 2))
    sheet.line((-200, 0), (200, 0))
    for x in (-160.0, 0.0, 160.0):
        sheet.line((x, -70), (x, 70))
    for start, end in (((-290, 200), (290, 200)), ((290, 200), (290, -200)), ((290, -200), (-290, -200))):
        sheet.line(start, end, edge=True)
    assert consensus_angles(opened(sheet), sheet.lines) == ()
