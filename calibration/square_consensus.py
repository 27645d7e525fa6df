"""The drawn square of a plan where next to nothing tells how the camera was tilted: what most of its lines agree on.

Two pairs of lines, each taken to be parallel, tell the tilt by their vanishing points; the choice with which most
other lines come out along one pair or the other is the plan's (consensus after Fischler and Bolles, Comm. ACM 24 (1981)
381). Sides of a body that taper toward each other have a vanishing point, too, and its centerline runs there as well.
So more lines must agree than a tilt takes; a tilt counts only where edges of the sheet, which somebody else cut, are
square by it; and of these no other one may do nearly as well.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.controls import KnownAngle, StraightLine
from calibration.drawn_angles import square_angles
from calibration.frames import BoolArray, FloatArray
from calibration.lens import Lens
from calibration.photo import PhotoCalibration

MOST_LINES = 14  # the longest
LEAST_AGREEING = 6  # four of them make the tilt
LEAST_EACH_WAY = 2
ALONG_RAD = np.radians(0.25)  # of a line that agrees, by a lens that is known roughly
SQUARE_RAD = np.radians(3.0)  # of the two directions, by a focal length that is known roughly
MOST_TILT_RAD = np.radians(50.0)
# Another tilt, this far off, with as many lines but one or with this share of their length, leaves it open.
OTHER_TILT_RAD, RIVAL_SHARE = np.radians(1.5), 0.75


EDGES_RAD = np.radians(0.5)  # within which the sheet's edges are square or parallel to one another


@dataclass(frozen=True, eq=False)
class _Tried:
    """Tilts that were tried, and which lines come out along either direction with each."""

    normal: FloatArray  # (T, 3) of the sheet, in the camera's frame
    along: BoolArray  # (T, L)
    across: BoolArray  # (T, L)

    def of(self, kept: Sequence[bool]) -> _Tried:
        """Return some of them."""
        which = np.flatnonzero(kept)
        return _Tried(self.normal[which], self.along[which], self.across[which])


def consensus_angles(photo: PhotoCalibration, lines: Sequence[StraightLine]) -> tuple[KnownAngle, ...]:
    """Return the angles between drawn lines that were meant, by the lines alone; nothing where they leave it open.

    Args:
        photo: adjusted to these lines, its tilt perhaps wrong; only its lens is used.
        lines: all that was adjusted.
    """
    drawn = sorted((line for line in lines if line.kind == "drawn line"), key=_length_px)[-MOST_LINES:]
    if len(drawn) < LEAST_AGREEING:
        return ()
    tried = _tried(np.array([_plane(line, photo.lens) for line in drawn]))
    edges = np.array([_plane(line, photo.lens) for line in lines if line.kind == "sheet edge"])
    tried = tried.of([_square_by(normal, edges) for normal in tried.normal])
    if not len(tried.normal):
        return ()
    length = np.array([_length_px(line) for line in drawn])
    agree = tried.along | tried.across
    enough = (tried.along.sum(axis=1) >= LEAST_EACH_WAY) & (tried.across.sum(axis=1) >= LEAST_EACH_WAY)
    told = np.where(enough, agree @ length, 0.0)
    best = int(np.argmax(told))
    if agree[best].sum() < LEAST_AGREEING or _rivals(tried, told, agree.sum(axis=1), best):
        return ()
    names = [line.name for line in drawn]
    return square_angles(names, agree[best], tried.along[best], length)


def _rivals(tried: _Tried, told: FloatArray, count: FloatArray, best: int) -> bool:
    """Tell whether another tilt does nearly as well as the best."""
    apart = np.arccos(np.clip(np.abs(tried.normal @ tried.normal[best]), 0.0, 1.0))
    other = (apart > OTHER_TILT_RAD) & (told > 0.0)
    return bool(np.any(other & ((count >= count[best] - 1) | (told > RIVAL_SHARE * told[best]))))


def _square_by(normal: FloatArray, edges: FloatArray) -> bool:
    """Tell whether a tilt makes edges of the sheet square and parallel, at least one each way."""
    if len(edges) < 2:
        return False
    runs = _unit(np.cross(normal, edges))
    turn = np.arctan2(runs @ np.cross(normal, runs[0]), runs @ runs[0])
    off = (turn + np.pi / 4) % (np.pi / 2) - np.pi / 4
    across = np.abs(np.sin(turn)) > np.sqrt(0.5)
    return bool(np.ptp(off) < EDGES_RAD and across.any())  # the first is along


def _tried(planes: FloatArray) -> _Tried:
    """Return every tilt that two pairs of lines tell, and what comes of the others with it.

    Args:
        planes: (L, 3) the normal of the plane through the camera in which each line is seen.
    """
    pairs = np.array(list(itertools.combinations(range(len(planes)), 2)))
    way = _unit(np.cross(planes[pairs[:, 0]], planes[pairs[:, 1]]))
    one, two = np.array(list(itertools.combinations(range(len(pairs)), 2))).T
    apart = np.all(pairs[one][:, :, None] != pairs[two][:, None, :], axis=(1, 2))
    square = np.abs(np.sum(way[one] * way[two], axis=1)) < np.sin(SQUARE_RAD)
    one, two = one[apart & square], two[apart & square]
    normal = _unit(np.cross(way[one], way[two]))
    kept = np.abs(normal[:, 2]) > np.cos(MOST_TILT_RAD)
    one, two, normal = one[kept], two[kept], normal[kept]
    runs = _unit(np.cross(normal[:, None], planes[None]))  # (T, L, 3) on the sheet
    near = np.cos(ALONG_RAD)
    along, across = (np.abs(np.einsum("tlk,tk->tl", runs, way[ends])) > near for ends in (one, two))
    return _Tried(normal, along, across)


def _plane(line: StraightLine, lens: Lens) -> FloatArray:
    """Return (3,) the normal of the plane through the camera in which a line is seen."""
    ideal = (lens.undistort(line.places).xy - lens.centre_px) / lens.focal_px
    rays = np.column_stack([ideal, np.ones(len(ideal))])
    return np.asarray(np.linalg.eigh(rays.T @ rays)[1][:, 0])


def _unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), 1e-12))


def _length_px(line: StraightLine) -> float:
    return float(np.hypot(*(line.places.xy[-1] - line.places.xy[0])))
