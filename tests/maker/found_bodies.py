"""Outlines that others drew: shared data and public-domain drawings, read where they lie, never copied here.

The drawings are those of Debian's package openclipart-svg (public domain); the folder may be named by
the environment variable OPENCLIPART when the package is unpacked elsewhere.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from shapely import affinity
from shapely.geometry import Polygon

from calibration.frames import FloatArray
from tests.maker.bodies import Body
from tests.maker.more_bodies import loop

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "data"
CLIPART = Path(os.environ.get("OPENCLIPART", "/usr/share/openclipart")) / "svg" / "recreation" / "music"
CORNER_DEG = 24.0  # a turn at one point sharper than this is a corner
SEGMENT_POINTS = 80  # of one curved segment of a drawing


@dataclass(frozen=True)
class Found:
    """Where an outline lies and what is said of it here: its size and where its centerline is drawn."""

    path: Path
    length_mm: float
    axis: float = 0.5  # share of the width from the left
    neck_half_mm: float = 25.0


def _drawing(kind: str, number: int) -> Path:
    """Return the package's drawing of a kind by its place among those of that kind, in the order of their names."""
    drawings = sorted(CLIPART.glob(f"{kind}_*.svg"))
    return drawings[number] if number < len(drawings) else CLIPART / f"{kind} {number + 1}"


# The package's acoustic and its electric guitar are the two cutaways of the shared data already.
FOUND: dict[str, Found] = {
    "found viola": Found(SHARED / "viola.xy", 450.8, 0.5, 15.0),
    "found cutaway": Found(SHARED / "cutaway.xy", 505.0, 0.45),
    "found double cutaway": Found(SHARED / "double_cutaway.xy", 400.0, 0.49),
    "found cello": Found(_drawing("cello", 0), 480.0, 0.5, 15.0),
    "found solid": Found(_drawing("guitar", 2), 420.0, 0.49),
    "found bass": Found(_drawing("bass_guitar", 0), 460.0, 0.535),
}


def missing(family: str) -> str:
    """Return why a found body cannot be drawn here; empty when it can."""
    found = FOUND.get(family)
    return "" if found is None or found.path.is_file() else f"{found.path.name} is not on this machine"


def _biggest(path: Path) -> FloatArray:
    """Return the largest closed curve of an SVG drawing as a fine ring, y up."""
    from svgelements import SVG, Close, Line, Move, Shape
    from svgelements import Path as SvgPath

    best, most = np.zeros((0, 2)), 0.0
    for shape in SVG.parse(str(path)).elements():
        if not isinstance(shape, Shape):
            continue
        for part in SvgPath(shape).as_subpaths():
            points: list[tuple[float, float]] = []
            for segment in SvgPath(part):
                if isinstance(segment, Move) or segment.end is None:
                    continue
                straight = isinstance(segment, Line | Close)
                at = [1.0] if straight else np.linspace(0.0, 1.0, SEGMENT_POINTS)[1:]
                points += [(p.x, -p.y) for p in (segment.point(float(t)) for t in at)]
            if len(points) < 3:
                continue
            ring = np.array(points)
            following = np.roll(ring, -1, axis=0)
            size = abs(float(np.sum(ring[:, 0] * following[:, 1] - following[:, 0] * ring[:, 1]))) / 2
            if size > most:
                best, most = ring, size
    return best


def turns_deg(ring: FloatArray) -> FloatArray:
    """Return how far a closed polyline turns at each of its points, degrees, + to the left."""
    back, ahead = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    cross = back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0]
    return np.degrees(np.arctan2(cross, (back * ahead).sum(axis=1)))


def _cleaned(ring: FloatArray) -> FloatArray:
    """Return a ring without repeated points and hair-thin steps."""
    ring = ring[np.hypot(*(ring - np.roll(ring, 1, axis=0)).T) > 0.02]
    shape = Polygon(ring)
    if not shape.is_valid:
        parts = shape.buffer(0)
        shape = max(getattr(parts, "geoms", [parts]), key=lambda part: part.area)
    return np.asarray(shape.simplify(0.002).exterior.coords)[:-1]


@cache
def found_ring(family: str) -> tuple[FloatArray, FloatArray]:
    """Return the outline at its nominal size with x = 0 on the centerline, and its corners."""
    found = FOUND[family]
    ring = np.loadtxt(found.path) if found.path.suffix == ".xy" else _biggest(found.path)
    low, high = ring.min(axis=0), ring.max(axis=0)
    scale = found.length_mm / (high[1] - low[1])
    ring = _cleaned((ring - [low[0] + found.axis * (high[0] - low[0]), low[1]]) * scale)
    return ring, ring[np.abs(turns_deg(ring)) > CORNER_DEG]


def found_body(family: str, seed: int) -> Body:
    """Return a found outline, its size varied a little by the seed.

    Raises:
        FileNotFoundError: the outline is not on this machine.
    """
    if missing(family):
        raise FileNotFoundError(missing(family))
    ring, corners = found_ring(family)
    size = np.random.default_rng([seed, 1]).uniform(0.94, 1.06)
    ring = np.asarray(affinity.scale(Polygon(ring), size, size, origin=(0, 0)).exterior.coords)[:-1]
    return loop(ring, corners * size, FOUND[family].neck_half_mm)
