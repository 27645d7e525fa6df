"""Where one pen ends on another, what darker ink beside a line may not do to it, and ends that are not the nearest."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
import pytest

from calibration.frames import FloatArray
from digitize.contour.band import look_across, normals
from digitize.contour.gaps import find_gaps
from digitize.contour.loops import ways_between, ways_through
from digitize.contour.network import Arm
from digitize.contour.weight import pen_changes
from tests.digitize.test_contour_crossing import network, run

PX_PER_MM, FINE = 8.0, 8


def page(*lines: tuple[FloatArray, float, int]) -> np.ndarray:
    """Return a white page of 60 x 60 mm with lines (mm), each with its width in mm and its grey, the lightest first."""
    drawn = np.full((round(60 * PX_PER_MM) * FINE,) * 2, 235, np.uint8)
    for points, width_mm, grey in lines:
        fixed = np.rint((points * PX_PER_MM + 0.5) * FINE - 0.5).astype(np.int32)
        cv2.polylines(drawn, [fixed], False, grey, round(width_mm * PX_PER_MM * FINE))
    return cv2.resize(drawn, None, fx=1 / FINE, fy=1 / FINE, interpolation=cv2.INTER_AREA)


def bent(turn_deg: float) -> FloatArray:
    """Return a stroke that turns in its middle, at (30, 30) mm."""
    turn = np.radians(turn_deg)
    far = (30.0 + 22.0 * np.cos(turn), 30.0 + 22.0 * np.sin(turn))
    return run((8.0, 30.0), (30.0, 30.0), far)


@pytest.mark.parametrize("turn_deg", [20.0, 45.0])
def test_a_stroke_is_cut_where_a_heavy_line_ends_on_a_light_one(turn_deg: float) -> None:
    line = bent(turn_deg)
    middle = int(np.argmin(np.hypot(*(line - 30.0).T)))
    drawn = page((line[middle:], 0.18, 90), (line[: middle + 1], 0.5, 40))
    (cuts,) = pen_changes(drawn, [line * PX_PER_MM], PX_PER_MM)
    assert len(cuts) == 1
    assert np.hypot(*(line[cuts[0]] - 30.0)) < 1.5  # nearer than the gaps that it lets be found are long


def test_one_pen_that_turns_and_two_pens_in_line_are_not_cut() -> None:
    line, straight = bent(40.0), run((8.0, 30.0), (52.0, 30.0))
    assert pen_changes(page((line, 0.4, 40)), [line * PX_PER_MM], PX_PER_MM) == [[]]
    half = len(straight) // 2
    drawn = page((straight[half:], 0.18, 90), (straight[: half + 1], 0.5, 40))
    assert pen_changes(drawn, [straight * PX_PER_MM], PX_PER_MM) == [[]]


def test_a_darker_line_beside_a_faint_one_does_not_move_its_far_edge() -> None:
    """A faint line 0.5 mm wide, and in one stretch a dark one that overlaps it by half on one side."""
    faint, dark = run((30.0, 5.0), (30.0, 55.0)), run((30.3, 26.0), (30.3, 34.0))
    drawn = page((faint, 0.5, 190), (dark, 0.3, 60))
    path = run((30.0, 8.0), (30.0, 52.0)) * PX_PER_MM
    across = normals(path, closed=False)
    band = look_across(drawn, path, across, 1.1 * PX_PER_MM, 4.0, average=3, closed=False)
    beside = np.abs(path[:, 1] / PX_PER_MM - 30.0) < 2.5
    sign = np.sign(across[0, 0])  # which of the two edges lies away from the dark line
    away = -band.high if sign < 0 else band.low
    clear = np.abs(path[:, 1] / PX_PER_MM - 30.0) > 10.0
    # px: a fifth more than a line's own ink passes for its own, 0.2; half a dark line's height would move it by 0.5
    assert np.abs(away[beside] - np.median(away[clear])).max() < 0.25


def comb(*ends: float) -> list[tuple[FloatArray, int, int]]:
    """Return an arch from (0, 0) to (200, 0) in parts, with straight legs down to y = 0 where it is asked for."""
    turn = np.radians(np.linspace(180.0, 360.0, 181))
    arch = np.stack([100.0 + 100.0 * np.cos(turn), 60.0 * np.sin(turn)], axis=1)
    cuts = [0, *(int(np.argmin(np.abs(arch[:, 0] - x))) for x in ends), len(arch) - 1]
    parts = [(arch[a : b + 1], n, n + 1) for n, (a, b) in enumerate(itertools.pairwise(cuts))]
    legs = [(run(tuple(arch[c]), (arch[c][0], 0.0)), n + 1, 100 + n) for n, c in enumerate(cuts[1:-1])]
    return [*parts, *legs]


def test_of_several_ends_on_the_line_all_near_ones_are_tried() -> None:
    """A leg leads back to the line sooner than the arch: the arch's far end is found too."""
    made = network(*comb(150.0))
    goals = {0: np.array([0.0, 0.0]), 2: np.array([200.0, 0.0]), 100: np.array([150.0, 0.0])}
    ways = ways_between(made, [Arm(0, 0, True)], goals, 120.0)
    assert {tuple(np.round(way.xy[-1])) for way in ways} == {(200.0, 0.0), (150.0, 0.0)}
    along = ways_through(made, [0], goals, 120.0)
    assert any({tuple(np.round(way.xy[n])) for n in (0, -1)} == {(0.0, 0.0), (200.0, 0.0)} for way in along)


def test_a_line_that_hatching_cuts_into_short_strokes_has_a_gap_all_the_same() -> None:
    """Hatching ends on a line every 1.5 mm; the line misses 6 mm in between, and both its ends meet hatching."""
    strokes, node = [], 0
    for start in (0.0, 21.0):
        for n in range(10):
            x = start + 1.5 * n
            strokes.append((run((x, 0.0), (x + 1.5, 0.0)), node + n, node + n + 1))
        ends = range(11)
        strokes += [(run((start + 1.5 * n, 0.0), (start + 1.5 * n - 8.0, 8.0)), node + n, 500 + node + n) for n in ends]
        node += 100
    made = network(*strokes, weights=tuple(0.5 if abs(line[-1, 1]) < 1.0 else 0.15 for line, _, _ in strokes))
    find_gaps(made)
    assert 100 in {other for other, _ in made.gaps.get(10, [])}
