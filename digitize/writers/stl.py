"""A stack of like layers as a closed solid: binary STL (80 bytes, a count, 50 bytes a triangle), mm.

STL knows no unit and no arcs: millimetres by custom, curves as chords. Faces are triangulated by GEOS (constrained
Delaunay), so that no triangle leaves the part.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely

from calibration.frames import FloatArray
from digitize.arcs import flatten
from digitize.shapes import ArcPath
from digitize.writers.check import fail

CHORD_MM = 0.02  # of a curve: below what any printer or cutter of solids shows
VOLUME_REL = 1e-5  # coordinates are 32-bit floats
_TRIANGLE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def write_stl(outline: ArcPath, holes: tuple[ArcPath, ...], height_mm: float, path: Path) -> None:
    """Write what an outline less its holes is when it is ``height_mm`` high, and check the solid.

    Raises:
        Refusal: ``file-check`` when the solid is open or of another volume.
    """
    polygon = shapely.Polygon(flatten(outline, CHORD_MM), [flatten(hole, CHORD_MM) for hole in holes])
    corners = _solid(shapely.geometry.polygon.orient(polygon), height_mm).astype(np.float32)
    rows = np.zeros(len(corners), dtype=_TRIANGLE)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    rows["normal"] = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-30)
    rows["corners"] = corners
    path.write_bytes(b"boutline, millimetres".ljust(80, b" ") + np.uint32(len(rows)).tobytes() + rows.tobytes())
    check_stl(path, polygon.area * height_mm)


def _solid(polygon: shapely.Polygon, height_mm: float) -> FloatArray:
    """Return the triangles (T, 3, 3) of an extrusion, seen from outside counter-clockwise."""
    faces = [np.array(one.exterior.coords)[:3] for one in shapely.constrained_delaunay_triangles(polygon).geoms]
    flat = np.array([face if _turns_left(face) else face[::-1] for face in faces])
    top = np.concatenate([flat, np.full((*flat.shape[:2], 1), height_mm)], axis=2)
    bottom = np.concatenate([flat[:, ::-1], np.zeros((*flat.shape[:2], 1))], axis=2)
    walls = [_wall(np.array(ring.coords), height_mm) for ring in (polygon.exterior, *polygon.interiors)]
    return np.concatenate([top, bottom, *walls])


def _turns_left(face: FloatArray) -> bool:
    (ax, ay), (bx, by), (cx, cy) = face
    return bool((bx - ax) * (cy - ay) - (by - ay) * (cx - ax) > 0.0)


def _wall(ring: FloatArray, height_mm: float) -> FloatArray:
    """Return the wall below a ring that runs with the material on its left."""
    a, b = ring[:-1], ring[1:]
    low, high = np.zeros((len(a), 1)), np.full((len(a), 1), height_mm)
    first = np.stack([np.hstack([a, low]), np.hstack([b, low]), np.hstack([b, high])], axis=1)
    second = np.stack([np.hstack([a, low]), np.hstack([b, high]), np.hstack([a, high])], axis=1)
    return np.concatenate([first, second])


def check_stl(path: Path, volume_mm3: float) -> None:
    """Measure a solid's file: every edge between exactly two triangles that run it both ways, and its volume.

    Raises:
        Refusal: ``file-check``.
    """
    data = path.read_bytes()
    count = int(np.frombuffer(data[80:84], dtype="<u4")[0])
    if len(data) != 84 + count * _TRIANGLE.itemsize:
        raise fail(path, f"it announces {count} triangles and holds {len(data) - 84} bytes of them")
    corners: npt.NDArray[np.float64] = np.frombuffer(data[84:], dtype=_TRIANGLE)["corners"].astype(np.float64)
    names = {corner: index for index, corner in enumerate(dict.fromkeys(map(tuple, corners.reshape(-1, 3).tolist())))}
    ids = np.array([names[corner] for corner in map(tuple, corners.reshape(-1, 3).tolist())]).reshape(-1, 3)
    edges = Counter(map(tuple, np.concatenate([ids[:, [0, 1]], ids[:, [1, 2]], ids[:, [2, 0]]]).tolist()))
    if any(edges[(b, a)] != times or times != 1 for (a, b), times in edges.items()):
        raise fail(path, "the solid is not closed")
    volume = float(np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])).sum() / 6.0)
    if not abs(volume / volume_mm3 - 1.0) <= VOLUME_REL:
        raise fail(path, f"the solid holds {volume:.0f} mm3 instead of {volume_mm3:.0f}")
