"""An adjusted photo: the map between its pixels and sheet mm, and how well each part of it is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.adjust_fit import Solution
from calibration.adjust_model import bending_slopes, common_slopes, viewed
from calibration.camera import CameraPose
from calibration.flags import Doubt
from calibration.frames import FloatArray, PxPoints, SheetPoints, frozen_floats
from calibration.lens import Lens
from calibration.solve import Calibration


@dataclass(frozen=True, eq=False)
class PhotoCalibration:
    """The map between px and sheet mm of a photo, and how well it is known.

    The sheet's origin is where the lens's axis meets it, and sheet x runs level in the picture there.
    """

    lens: Lens
    pose: CameraPose
    covariance: FloatArray  # (11, 11) of calibration.adjust_model.COMMON, then LEFT_OUT
    certified: tuple[bool, bool]  # x, y: the scale is fixed by measures, not by what is assumed
    names: tuple[str, ...]  # of the controls
    rms_px: tuple[tuple[float, float], ...]  # per control, along and across it
    residuals_mm: tuple[FloatArray, ...]  # per control, along it; nan where a graduation was left out
    line_names: tuple[str, ...]
    line_rms_px: tuple[float, ...]  # per line, across it
    scatter: float  # factor by which the covariance's sigmas were widened, 1 or more
    uneven_mm: float  # largest deviation that neighbouring graduations share; 0 within the noise
    lens_known_by: str  # what was known of the lens beforehand, in words
    weak: tuple[str, ...]  # what the picture does not show, and what it rests on
    doubts: tuple[Doubt, ...]
    solution: Solution  # the adjustment itself, for further tests of it

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        object.__setattr__(self, "covariance", frozen_floats(self.covariance))
        object.__setattr__(self, "residuals_mm", tuple(frozen_floats(r) for r in self.residuals_mm))

    def to_sheet(self, points: PxPoints) -> SheetPoints:
        """Return the points in sheet mm, on the paper.

        Raises:
            ValueError: a point lies beyond the reach of the lens model or past the sheet's horizon.
        """
        return self.pose.to_sheet(self.lens.undistort(points))

    def to_px(self, points: SheetPoints) -> PxPoints:
        """Return the points in px.

        Raises:
            ValueError: a point lies behind the camera or beyond the reach of the lens model.
        """
        return self.lens.distort(self.pose.project(points.xy))

    def mm_per_px(self, points: SheetPoints) -> FloatArray:
        """Return (N,) the size of a pixel at the points: the square root of the area it covers."""
        by_sheet = self._view(points)[1]
        return np.asarray(1.0 / np.sqrt(np.abs(np.linalg.det(by_sheet))))

    def rise_px(self, points: PxPoints) -> FloatArray:
        """Return (N, 2) by how many px the places seen there on the paper move for every mm that they rise.

        Raises:
            ValueError: a point lies beyond the reach of the lens model or past the sheet's horizon.
        """
        xy = self.to_sheet(points).xy
        view = viewed(self.solution.state, np.vstack([xy.T, np.zeros(len(xy))]))
        return np.asarray(view.by_sheet[:, 2].T)

    def moves(self, points: SheetPoints) -> FloatArray:
        """Return (N, 2, 11): how the places that fixed pixels show follow the covariance's unknowns, mm."""
        common, by_sheet = self._view(points)
        return np.asarray(-np.linalg.solve(by_sheet, common))

    def point_cov_mm(self, points: SheetPoints) -> FloatArray:
        """Return (N, 2, 2) the covariance of the places that fixed pixels show, in the sheet's frame."""
        moves = self.moves(points)
        return np.asarray(moves @ self.covariance @ np.swapaxes(moves, 1, 2))

    def u_outline_mm(self, points: SheetPoints) -> FloatArray:
        """Return (N,) 1 sigma across a closed curve, after the rigid motion that fits it best.

        Args:
            points: (N, 2) along the curve, in order, the first not repeated.

        Raises:
            ValueError: fewer than three points, or neighbours that coincide.
        """
        across, share = outward(points.xy)
        rows = np.einsum("ni,nik->nk", across, self.moves(points))
        free = without_rigid(rows, points.xy, across, share)
        return np.asarray(np.sqrt(np.einsum("nk,kl,nl->n", free, self.covariance, free)))

    def scale_covariance(self, region: SheetPoints) -> FloatArray:
        """Return (3, 3) of log scale x, log scale y and shear over a region, as Calibration keeps it.

        Args:
            region: (N, 2) places spread over it, such as the outline's points.
        """
        rows = scale_rows(region.xy, self.moves(region))
        return np.asarray(rows @ self.covariance @ rows.T)

    def over(self, region: SheetPoints) -> Calibration:
        """Return the linear scale that stands for this map over a region, for the budget of lengths there.

        Args:
            region: (N, 2) places spread over it, not on one line.
        """
        px = self.to_px(region).xy
        off = region.xy - region.xy.mean(axis=0)
        matrix = np.linalg.lstsq(px - px.mean(axis=0), off, rcond=None)[0].T
        return Calibration(
            matrix=matrix,
            covariance=self.scale_covariance(region),
            model="affine",
            certified=self.certified,
            names=self.names,
            residuals_mm=self.residuals_mm,
            uneven_mm=self.uneven_mm,
            doubts=self.doubts,
        )

    def _view(self, points: SheetPoints) -> tuple[FloatArray, FloatArray]:
        """Return (N, 2, 11) px per unknown and (N, 2, 2) px per mm on the sheet."""
        state = self.solution.state
        view = viewed(state, np.vstack([points.xy.T, np.zeros(len(points))]))
        slopes = np.concatenate([common_slopes(state, view), bending_slopes(state.focal_px, view.ideal)], axis=1)
        return np.moveaxis(slopes, 2, 0), np.moveaxis(view.by_sheet[:, :2], 2, 0)


def outward(xy: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (N, 2) unit normals of a closed curve and (N,) each point's share of its length.

    Raises:
        ValueError: fewer than three points, or neighbours that coincide.
    """
    ahead = np.roll(xy, -1, axis=0) - xy
    step = np.hypot(ahead[:, 0], ahead[:, 1])
    along = np.roll(xy, -1, axis=0) - np.roll(xy, 1, axis=0)
    length = np.hypot(along[:, 0], along[:, 1])
    if len(xy) < 3 or not (step > 0.0).all() or not (length > 0.0).all():
        raise ValueError("a closed curve needs three points or more, each apart from the next")
    share = (step + np.roll(step, 1)) / 2.0
    return np.stack([along[:, 1], -along[:, 0]], axis=1) / length[:, None], share / share.sum()


def without_rigid(rows: FloatArray, xy: FloatArray, across: FloatArray, share: FloatArray) -> FloatArray:
    """Return what is left of shifts across a curve when the best rigid motion is taken out.

    Args:
        rows: (N, K) K kinds of shift.
        xy: (N, 2) the curve.
        across: (N, 2) its unit normals.
        share: (N,) each point's share of its length.
    """
    off = xy - share @ xy
    rigid = np.column_stack([across, across[:, 1] * off[:, 0] - across[:, 0] * off[:, 1]])
    root = np.sqrt(share)[:, None]
    motion = np.linalg.lstsq(rigid * root, rows * root, rcond=None)[0]
    return np.asarray(rows - rigid @ motion)


def scale_rows(xy: FloatArray, moves: FloatArray) -> FloatArray:
    """Return (3, K): log scale x, log scale y and shear that best describe moves of places.

    Args:
        xy: (N, 2) the places.
        moves: (N, 2, K) K kinds of moves.
    """
    plane = np.column_stack([np.ones(len(xy)), xy - xy.mean(axis=0)])
    by_x = np.linalg.lstsq(plane, moves[:, 0], rcond=None)[0]
    by_y = np.linalg.lstsq(plane, moves[:, 1], rcond=None)[0]
    return np.stack([by_x[1], by_y[2], by_x[2] + by_y[1]])
