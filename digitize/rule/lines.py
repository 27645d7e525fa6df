"""Straight lines that may carry graduations: drawn lines, and lines through the ends of short strokes.

Line segments come from the line segment detector of Grompone von Gioi, Jakubowicz, Morel and Randall,
"LSD: a Line Segment Detector", Image Processing On Line 2 (2012) 35, as OpenCV has it. It sees a line by its edges, and
graduations that stand on both sides of their line leave none: such lines are found by their ink, with the progressive
probabilistic Hough transform of Matas, Galambos and Kittler, Computer Vision and Image Understanding 78 (2000) 119.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import BoolArray, FloatArray
from digitize.paged import shrunk
from digitize.rule.strip import Grey, Line

DETECTOR_PIXELS = 6e6  # the detector takes about 0.1 s for each million
WHOLE_FACTOR = 8.0  # so large pictures are reduced by whole pixels, several times faster, and come out a little larger
MOST_FACTOR = 16  # beyond, the graduations of a sheet at 1200 dpi no longer lead to their line
BLUR_PX = 0.9  # the steps of a 1-bit picture hide the direction of its lines
SAME_LINE_PX = 2.5  # reduced px: both edges of a drawn line, and its pieces
SAME_ANGLE_RAD = np.deg2rad(2.0)
SHORTEST_PIECE_PX = 15.0  # reduced px; shorter pieces do not fix a direction
# Ink is darker than so large a neighbourhood, reduced px; a line of it has so many votes at one direction and place, is
# at least so long, and is broken by no more than this.
ROUND_PX, HOUGH_VOTES, HOUGH_LEAST_PX, HOUGH_GAP_PX, HOUGH_RAD = 51, 120, 150, 3, np.deg2rad(0.25)
SHORTEST_LINE_PX = 90.0  # of the picture, sum of pieces
MOST_DRAWN_LINES = 240
TICK_PX = (4.0, 200.0)  # reduced px: strokes that may be graduations
TICK_ANGLES_DEG = (-2.0, -1.0, 0.0, 1.0, 2.0)  # a short stroke's direction is known to about this
END_BIN_PX = 2.0  # reduced px
FEWEST_ENDS = 24  # stroke ends on one line; a graduation gives two
MOST_END_LINES, MOST_MIDDLE_LINES = 60, 12


def segments(grey: Grey) -> tuple[FloatArray, float]:
    """Return (N, 4) line segments x1 y1 x2 y2 in px of a reduced picture, and the reduction."""
    factor = _factor(grey)
    small = shrunk(grey, factor) if factor > 1 else cv2.GaussianBlur(grey, (0, 0), BLUR_PX)
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE, 1.0).detect(small)[0]
    if found is None:
        return np.empty((0, 4)), factor
    return np.asarray(found, dtype=np.float64).reshape(-1, 4), factor


def _factor(grey: Grey) -> float:
    factor = max(1.0, float(np.ceil(2 * np.sqrt(grey.size / DETECTOR_PIXELS))) / 2)
    return float(min(int(factor), MOST_FACTOR)) if factor >= WHOLE_FACTOR else factor


def inked_segments(grey: Grey, contrast: float) -> tuple[FloatArray, float]:
    """Return the same of lines found by their ink, which is ``contrast`` grey levels darker than round it."""
    factor = _factor(grey)
    small = shrunk(grey, factor) if factor > 1 else grey
    mean, under = cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV
    ink = cv2.adaptiveThreshold(small, 255, mean, under, ROUND_PX, contrast)
    found = cv2.HoughLinesP(
        ink, 1.0, HOUGH_RAD, HOUGH_VOTES, minLineLength=HOUGH_LEAST_PX, maxLineGap=HOUGH_GAP_PX
    )  # fmt: skip
    if found is None:
        return np.empty((0, 4)), factor
    return np.asarray(found, dtype=np.float64).reshape(-1, 4), factor


def _lengths(found: FloatArray) -> FloatArray:
    return np.asarray(np.hypot(found[:, 2] - found[:, 0], found[:, 3] - found[:, 1]))


def _directions(found: FloatArray) -> FloatArray:
    """Angle of each segment, folded to [0, pi)."""
    return np.asarray(np.arctan2(found[:, 3] - found[:, 1], found[:, 2] - found[:, 0]) % np.pi)


def _fit(points: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return centre and direction of the weighted total least-squares line."""
    centre = np.average(points, axis=0, weights=weights)
    away = (points - centre) * np.sqrt(weights)[:, None]
    _, vectors = np.linalg.eigh(away.T @ away)
    return centre, vectors[:, 1]


def _on_line(found: FloatArray, angles: FloatArray, centre: FloatArray, direction: FloatArray) -> BoolArray:
    """Tell which segments lie on a line, both ends and the direction."""
    normal = np.array([-direction[1], direction[0]])
    near = np.abs((found.reshape(-1, 2, 2) - centre) @ normal).max(axis=1) < SAME_LINE_PX
    turn = np.abs((angles - np.arctan2(direction[1], direction[0]) + np.pi / 2) % np.pi - np.pi / 2)
    return np.asarray(near & (turn < SAME_ANGLE_RAD))


def _to_picture(centre: FloatArray, direction: FloatArray, t: FloatArray, factor: float) -> Line:
    origin = (centre + 0.5) * factor - 0.5
    return Line(origin, direction, float(t.min()) * factor, float(t.max()) * factor)


def drawn_lines(found: FloatArray, factor: float) -> list[Line]:
    """Return the drawn lines, longest first, each once, pieces joined."""
    pieces = found[_lengths(found) > SHORTEST_PIECE_PX]
    pieces = pieces[np.argsort(-_lengths(pieces))]
    lengths, angles = _lengths(pieces), _directions(pieces)
    free = np.ones(len(pieces), dtype=bool)
    lines: list[tuple[float, Line]] = []
    for index in range(len(pieces)):
        if not free[index]:
            continue
        centre, direction = _fit(pieces[index].reshape(2, 2), np.ones(2))
        mine = free & _on_line(pieces, angles, centre, direction)
        mine[index] = True
        points = pieces[mine].reshape(-1, 2)
        centre, direction = _fit(points, np.repeat(lengths[mine], 2))
        mine |= free & _on_line(pieces, angles, centre, direction)
        free &= ~mine
        inked = float(lengths[mine].sum()) * factor
        if inked > SHORTEST_LINE_PX:
            along = (pieces[mine].reshape(-1, 2) - centre) @ direction
            lines.append((inked, _to_picture(centre, direction, along, factor)))
    lines.sort(key=lambda pair: -pair[0])
    return [line for _, line in lines[:MOST_DRAWN_LINES]]


def end_lines(found: FloatArray, factor: float) -> list[Line]:
    """Return lines square to many short strokes and through their ends or middles: rules drawn without a line."""
    lengths = _lengths(found)
    strokes = found[(lengths > TICK_PX[0]) & (lengths < TICK_PX[1])]
    if len(strokes) == 0:
        return []
    square_deg = np.rad2deg(_directions(strokes)) + 90.0
    ends = strokes.reshape(-1, 2)
    votes, shift = votes_of(ends, np.repeat(square_deg, 2))
    lines = peaks_of_votes(votes, ends, shift, factor, (FEWEST_ENDS, MOST_END_LINES))
    middles = strokes.reshape(-1, 2, 2).mean(axis=1)
    votes, shift = votes_of(middles, square_deg)
    return lines + peaks_of_votes(votes, middles, shift, factor, (FEWEST_ENDS, MOST_MIDDLE_LINES))


def votes_of(points: FloatArray, square_deg: FloatArray) -> tuple[npt.NDArray[np.float32], float]:
    """Return (180, bins) votes of points of strokes for lines square to them, and the shift of the first bin.

    Args:
        points: (N, 2) reduced px.
        square_deg: (N,) the direction square to each one's stroke.
    """
    angle = np.rint(square_deg[:, None] + np.array(TICK_ANGLES_DEG)).astype(np.int64) % 180
    radians = np.deg2rad(angle)
    offset = -points[:, :1] * np.sin(radians) + points[:, 1:] * np.cos(radians)
    shift = float(np.abs(offset).max()) + END_BIN_PX
    bins = int(2 * shift / END_BIN_PX) + 2
    cell = angle * bins + ((offset + shift) / END_BIN_PX).astype(np.int64)
    votes = np.bincount(cell.ravel(), minlength=180 * bins).astype(np.float32).reshape(180, bins)
    return votes + np.roll(votes, 1, axis=1), shift  # a line may fall on the edge of two bins


def peaks_of_votes(
    votes: npt.NDArray[np.float32], points: FloatArray, shift: float, factor: float, limits: tuple[int, int]
) -> list[Line]:
    """Return the lines of the strongest cells of the vote; ``limits`` are the fewest points and the most lines."""
    fewest, most = limits
    local = votes >= cv2.dilate(votes, np.ones((5, 5), dtype=np.uint8))
    rows, columns = np.nonzero(local & (votes >= fewest))
    order = np.argsort(-votes[rows, columns])[:most]
    lines = []
    for row, column in zip(rows[order], columns[order], strict=True):
        direction = np.array([np.cos(np.deg2rad(row)), np.sin(np.deg2rad(row))])
        normal = np.array([-direction[1], direction[0]])
        centre = normal * (column * END_BIN_PX - shift)
        near = points[np.abs((points - centre) @ normal) < 2 * END_BIN_PX]
        if len(near) < fewest:
            continue
        centre, direction = _refine(near, centre, direction, fewest)
        lines.append(_to_picture(centre, direction, (near - centre) @ direction, factor))
    return lines


def _refine(
    points: FloatArray, centre: FloatArray, direction: FloatArray, fewest: int
) -> tuple[FloatArray, FloatArray]:
    """Return the line moved to the middle of the points near it."""
    for limit in (2 * END_BIN_PX, END_BIN_PX):
        normal = np.array([-direction[1], direction[0]])
        near = points[np.abs((points - centre) @ normal) < limit]
        if len(near) < fewest // 2:
            break
        centre, direction = _fit(near, np.ones(len(near)))
    return centre, direction
