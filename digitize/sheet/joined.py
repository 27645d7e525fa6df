"""Is the paper's outline that of one flat sheet? Table that shows inside it, between paper and paper, says no.

Another sheet that lies against the first one shares some of its sides, never all four; a corner rolled up or torn off
leaves table too.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import BoolArray, FloatArray
from digitize.shapes import Gap
from digitize.sheet.outline import LIKE_PAPER, TABLE_DIFFERS, Bound, surface

Grey = npt.NDArray[np.uint8]

IN_PX = 5.0  # from the outline: beside it blurred edges and narrow shadows are neither
SOLID_PX = 7  # what is narrower than this is none
LEAST_AREA = 0.0015  # of the picture
REACHES_OUT_PX = 7.0  # to the outline
LEAST_ALONG = 0.05  # of the diagonal, along the outline
LIKE_TABLE = 0.35  # of the step from the table's tone to the paper's
PLACES = 60
WIDE = 0.05  # of the diagonal, half of its width: rules and squares are up to 62 mm wide, plans 500 mm and more
ROUNDS = 4
RIDGE = 1e-6


@dataclass(frozen=True, eq=False)
class Ground:
    """How paper and table differ, at every pixel of the straightened copy (H, W), log grey."""

    out: FloatArray  # how far it lies beyond the sheet's sides, px
    off: FloatArray  # what is seen there, from the paper's tone
    step: FloatArray  # the table's tone, from the paper's

    @classmethod
    def of(cls, bound: Bound, tones: Grey, seen: BoolArray) -> Ground | None:
        """Return it, None where too little of the table is seen, or it is as light as paper.

        Args:
            bound: the sheet's sides, px of ``tones``.
            tones: (H, W) the straightened picture without what is thin.
            seen: (H, W) where the straightened picture shows anything.
        """
        height, width = tones.shape
        y, x = np.mgrid[0:height, 0:width]
        places = np.stack([x.ravel(), y.ravel()], axis=1).astype(np.float64)
        out = np.max([line.outside(places) for line in bound.lines], axis=0).reshape(height, width)
        level = np.log(np.maximum(tones, 4).astype(np.float64))
        paper = (surface(places, bound.size_px) @ bound.paper).reshape(height, width)
        beyond = seen & (out > IN_PX)
        # paper that goes on beyond a thing on the sheet, or another sheet, is no table
        table = _table(level, places, beyond & (np.abs(level - paper) > LIKE_PAPER), bound.size_px)
        if table is None or np.median(np.abs((level - paper)[beyond])) < TABLE_DIFFERS:
            return None
        return cls(out, level - paper, table.reshape(height, width) - paper)


def table_inside(bound: Bound, ground: Ground, seen: BoolArray) -> tuple[Gap, ...]:
    """Return the pieces of table inside a bound that reach its outline, the largest first, px of the copy.

    A rule may look like the table, and be larger than a piece that is one: all are told.

    Args:
        bound: the sheet's sides.
        ground: the tones of paper and table.
        seen: (H, W) where the straightened picture shows anything.
    """
    out, off, step = ground.out, ground.off, ground.step
    like = seen & (np.abs(off - step) < LIKE_TABLE * np.abs(step)) & (np.abs(step) > TABLE_DIFFERS / 2)
    return _solid(bound, like & (out < -IN_PX), (out < -IN_PX) & (out > -IN_PX - REACHES_OUT_PX))


def _table(level: FloatArray, places: FloatArray, beyond: BoolArray, size_px: FloatArray) -> FloatArray | None:
    """Return (P,) the table's log grey, a smooth surface through what is beyond the sheet."""
    rows = np.flatnonzero(beyond.ravel())[::37]
    if len(rows) < 100:
        return None
    terms, own = surface(places[rows], size_px)[:, :3], level.ravel()[rows]  # a plane: it has to reach inwards
    weight: FloatArray = np.ones(len(rows))
    answer: FloatArray = np.zeros(3)
    for _ in range(ROUNDS):
        normal = (terms * weight[:, None]).T @ terms + RIDGE * np.eye(3)
        answer = np.asarray(np.linalg.solve(normal, terms.T @ (weight * own)), dtype=np.float64)
        weight = np.asarray(1.0 / np.maximum(np.abs(own - terms @ answer), 0.05))
    return np.asarray(surface(places, size_px)[:, :3] @ answer)


def _solid(bound: Bound, table: BoolArray, rim: BoolArray) -> tuple[Gap, ...]:
    """Return the solid pieces that run along the rim for long enough, the largest first."""
    kernel = np.ones((SOLID_PX, SOLID_PX), np.uint8)
    solid = cv2.morphologyEx(table.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    count, label, stats, _ = cv2.connectedComponentsWithStats(solid, connectivity=4)
    along = np.bincount(label[rim], minlength=count) / REACHES_OUT_PX
    area = stats[:, cv2.CC_STAT_AREA].astype(np.float64)
    fits = (area > LEAST_AREA * table.size) & (along > LEAST_ALONG * np.hypot(*table.shape))
    fits[0] = False
    return tuple(_gap(bound, label == k) for k in sorted(np.flatnonzero(fits), key=lambda k: -area[k]))


def _gap(bound: Bound, piece: BoolArray) -> Gap:
    rows, columns = np.nonzero(piece)
    some = np.linspace(0, len(rows) - 1, PLACES).round().astype(int)
    half_px = float(cv2.distanceTransform(piece.astype(np.uint8), cv2.DIST_L2, 3).max())
    places = np.stack([columns, rows], axis=1)[some].astype(np.float64)
    return Gap(places, half_px > WIDE * float(np.hypot(*piece.shape)), _side_along(bound, places))


def _side_along(bound: Bound, places: FloatArray) -> FloatArray:
    """Return (M, 2) along the side of a bound that is nearest to some places."""
    side = max(bound.lines, key=lambda line: float(np.median(line.outside(places))))
    others = [line.outside(side.places) < 0 for line in bound.lines if line is not side]
    return side.places[np.all(others, axis=0)] if others else side.places
