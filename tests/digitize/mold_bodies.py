"""Outlines as lines and arcs for the tests of the mold: the maker's bodies, and shapes with closed-form answers."""

from __future__ import annotations

import math
from functools import cache
from itertools import pairwise

import numpy as np
from scipy.interpolate import CubicSpline

from calibration.frames import FloatArray, frozen_floats
from digitize.fair.biarcs import Run, arcs_of
from digitize.shapes import ArcPath
from tests.digitize.writer_bodies import arcs_through, cassini_points
from tests.maker.bodies import Body, make_body
from tests.maker.found_bodies import FOUND, found_body, missing
from tests.maker.more_bodies import MAKERS, more_body
from tests.maker.spec import FAMILIES, PlanSpec

ARC_MM = 0.005
KNOT_MM = 1.0
EVERY_FAMILY = (*FAMILIES, *MAKERS, *FOUND)


@cache
def body_of(family: str, seed: int = 1) -> Body:
    """Return a body of the maker; FileNotFoundError where its drawing is not on this machine."""
    if family in MAKERS:
        return more_body(family, seed)
    if family in FOUND:
        return found_body(family, seed)
    return make_body(PlanSpec(seed=seed, family=family))


def is_missing(family: str) -> str:
    return missing(family) if family in FOUND else ""


@cache
def outline_of(family: str, seed: int = 1) -> ArcPath:
    """Return a body's outline in arcs within 0.005 mm of it, sharp at its corners."""
    body = body_of(family, seed)
    xy = body.outline_mm
    corners = sorted({int(np.argmin(np.hypot(*(xy - at).T))) for at in body.corners_mm})
    if not corners:
        runs = [_run(np.vstack([xy, xy[:1]]), closed=True)]
    else:
        ends = [*corners, corners[0] + len(xy)]
        runs = [
            _run(xy[np.arange(a, b + 1) % len(xy)], closed=False) for a, b in pairwise(ends)
        ]
    parts = [arcs_of(run, ARC_MM) for run in runs]
    rows = np.vstack([vertices[:-1] for vertices, _ in parts])
    return ArcPath(frozen_floats(rows), frozen_floats(np.concatenate([bulge for _, bulge in parts])), True)


def _run(xy: FloatArray, *, closed: bool) -> Run:
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    every = max(1, round(KNOT_MM / (along[-1] / (len(xy) - 1))))
    keep = np.unique([*range(0, len(xy) - 1, every), len(xy) - 1])
    kind = "periodic" if closed else "natural"
    if len(keep) < 3:
        heading = (xy[-1] - xy[0]) / np.hypot(*(xy[-1] - xy[0]))
        return Run(xy[[0, -1]], np.array([heading, heading]))
    curve = CubicSpline(along[keep], xy[keep], bc_type=kind)
    slope = curve(along[keep], 1)
    return Run(xy[keep], slope / np.hypot(*slope.T)[:, None])


def cassini(count: int = 400) -> ArcPath:
    return arcs_through(cassini_points(count))


def ellipse(a: float = 200.0, b: float = 130.0, count: int = 400) -> ArcPath:
    """Return an ellipse, long axis along y, tail at (0, 0), as arcs through its points."""
    at = np.linspace(0.0, 2.0 * math.pi, count, endpoint=False) - math.pi / 2.0
    return arcs_through(frozen_floats(np.column_stack([b * np.cos(at), a + a * np.sin(at)])))
