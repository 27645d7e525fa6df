"""Objects in their places on the sheet, in the world frame of the camera."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from calibration.frames import FloatArray
from tests.maker.photo_objects import MODELS, Model, Strip
from tests.maker.photo_paper import Paper
from tests.maker.photo_spec import LaidSpec

PRESSED_MM = 0.2  # how far a rigid thing presses raised paper down


@dataclass(frozen=True, eq=False)
class Placed:
    """A rigid object and its pose."""

    spec: LaidSpec
    model: Model
    origin_mm: FloatArray  # (3,) world place of the object frame's origin, on its underside
    axes: FloatArray  # (3, 3) rows: world directions of a, b and up

    def on_object(self, strip: Strip, points: FloatArray) -> FloatArray:
        """Return strip points in the object frame; the arms of a square miss 90 degrees by its own error."""
        spot = strip.to_object(points)
        if strip.turn == 0:
            return spot
        angle = np.radians(self.spec.square_error_deg)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        return spot @ turn

    def world(self, strip: Strip, points: FloatArray, height_mm: FloatArray | float) -> FloatArray:
        """Return (N, 3) world places of strip points at heights above the object's underside."""
        spot = self.on_object(strip, points)
        up = np.broadcast_to(np.asarray(height_mm, dtype=float), len(spot))
        return self.origin_mm + np.column_stack([spot, up]) @ self.axes

    def frame(self, strip: Strip) -> tuple[FloatArray, FloatArray]:
        """Return world origin and axes (rows a, b, up) of a strip's own frame."""
        spots = self.world(strip, np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)]), 0.0)
        return spots[0], np.array([spots[1] - spots[0], spots[2] - spots[0], self.axes[2]])

    def footprint(self) -> shapely.Geometry:
        """Return the area it covers from straight above, sheet frame."""
        return shapely.union_all([shapely.Polygon(self.world(s, corners(s), 0.0)[:, :2]) for s in self.model.strips])


def corners(strip: Strip) -> FloatArray:
    """Return the corners of a strip, its own frame."""
    return np.array([(0.0, 0.0), (strip.long_mm, 0.0), (strip.long_mm, strip.wide_mm), (0.0, strip.wide_mm)])


def _flat(spec: LaidSpec) -> Placed:
    """Return the object on a flat table."""
    angle = np.radians(spec.angle_deg)
    c, s = np.cos(angle), np.sin(angle)
    axes = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    return Placed(spec, MODELS[spec.model], np.array([*spec.at_mm, 0.0]), axes)


def put(spec: LaidSpec, paper: Paper) -> Placed:
    """Return the object on the sheet: it rests on the plane that fits the paper under it best.

    Where the paper rises above that plane it is pressed down by up to ``PRESSED_MM``; more lifts the object.
    """
    flat = _flat(spec)
    if paper.spec.lift == "flat":
        return flat
    grid = [np.stack(np.meshgrid(np.linspace(0, s.long_mm, 25), np.linspace(0, s.wide_mm, 5)), -1).reshape(-1, 2)
            for s in flat.model.strips]
    under = np.vstack([flat.world(s, g, 0.0)[:, :2] for s, g in zip(flat.model.strips, grid, strict=True)])
    high = paper.height_mm(under)
    terms = np.column_stack([np.ones(len(under)), under])
    plane = np.linalg.lstsq(terms, high, rcond=None)[0]
    plane[0] += max(0.0, float((high - terms @ plane).max()) - PRESSED_MM)
    up = np.array([-plane[1], -plane[2], 1.0])
    up /= np.linalg.norm(up)
    along = flat.axes[0] - flat.axes[0] @ up * up
    along /= np.linalg.norm(along)
    at = np.array(spec.at_mm)
    origin = np.array([*at, plane[0] + plane[1:] @ at])
    return Placed(spec, flat.model, origin, np.array([along, np.cross(up, along), up]))
