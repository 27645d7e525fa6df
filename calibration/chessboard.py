"""Several shots of one flat chessboard -> a lens and how certain its numbers are.

Method after Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000) 1330, by OpenCV's bundle
adjustment of all shots: one focal length, centre, k1, k2, p1, p2. Its own standard deviations take every corner for
one chance; a board that is not flat or a lens that bends otherwise moves all corners of a shot together. So each shot
is also left out in turn (jackknife; Efron and Stein, Ann. Statist. 9 (1981) 586), and the larger sigma counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray, PxPoints, frozen_floats
from calibration.known_lens import LensSigma
from calibration.lens import Lens
from calibration.solve import FailedFit

LEAST_SHOTS = 5  # fewer leave too little to check a shot by the others
# Residuals larger than this are of a wrong or bent board: common practice, no source. OpenCV's own test set, an
# uncompensated wide lens at 640 px, leaves 0.2 px; a phone's 4000 px picture is about six times as fine.
MOST_RMS_PX, MOST_RMS_SHARE = 0.5, 4e-4
OPEN_FOCAL_REL = 0.02  # 1 sigma; as much as focusing changes it
OPEN_CENTRE_SHARE = 0.01  # 1 sigma, of the picture's width: what is known of any lens without a shot
LITTLE_REACH = 0.6  # of the way from the centre to the furthest corner of the picture
CORNER_PLACES = 200  # along the radius, to see what the lens leaves out
INTRINSICS = (0, 2, 3, 4, 5, 6, 7, 8)  # of OpenCV's list: focal, centre x, centre y, k1, k2, p1, p2, k3


@dataclass(frozen=True, eq=False)
class BoardShot:
    """The corners of the board in one picture."""

    name: str
    corners: PxPoints  # (N, 2)
    at_mm: FloatArray  # (N, 2) where they are on the board

    def __post_init__(self) -> None:
        """Freeze the array.

        Raises:
            ValueError: not one place on the board for each corner.
        """
        object.__setattr__(self, "at_mm", frozen_floats(self.at_mm))
        if self.at_mm.shape != self.corners.xy.shape:
            raise ValueError("each corner needs its place on the board")


@dataclass(frozen=True)
class ShotFit:
    """How one shot fits, and where it was taken from."""

    name: str
    rms_px: float
    distance_mm: float  # of the board's middle from the camera
    tilt_deg: float  # between the optical axis and a line square to the board


@dataclass(frozen=True, eq=False)
class MeasuredLens:
    """The lens that the shots show."""

    lens: Lens
    sigma: LensSigma  # its k3: what the lens leaves out
    k3: float  # the term that a lens with one more would have; its sigma in ``k3_u``
    k3_u: float
    size_px: tuple[int, int]
    rms_px: float  # of all corners
    rms_with_k3_px: float
    shots: tuple[ShotFit, ...]
    corners: int
    reach: float  # how far from the centre corners were seen, of the way to the picture's furthest corner
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, eq=False)
class _Fit:
    rms_px: float
    values: FloatArray  # (8,) as INTRINSICS
    sigma: FloatArray  # (8,)
    turns: FloatArray  # (S, 3)
    shifts_mm: FloatArray  # (S, 3)
    shot_rms_px: FloatArray  # (S,)


def measure_lens(shots: Sequence[BoardShot], size_px: tuple[int, int]) -> MeasuredLens | FailedFit:
    """Return the lens that shots of one board show.

    Args:
        shots: all by one camera, none cropped.
        size_px: width and height of the pictures.

    Returns:
        The lens, or a false value with the code "lens-residual" or "lens-open".

    Raises:
        ValueError: fewer than ``LEAST_SHOTS`` shots.
    """
    if len(shots) < LEAST_SHOTS:
        raise ValueError(f"{LEAST_SHOTS} shots or more are needed")
    fit = _fit(shots, size_px, k3=False)
    if fit is None:
        return FailedFit("lens-open", {"part": "focal length", "percent": "100"})
    if fit.rms_px > max(MOST_RMS_PX, MOST_RMS_SHARE * max(size_px)):
        worst = int(np.argmax(fit.shot_rms_px))
        facts = {"rms": f"{fit.rms_px:.2f}", "worst": shots[worst].name, "most": f"{fit.shot_rms_px[worst]:.2f}"}
        return FailedFit("lens-residual", facts)
    sigma = np.maximum(fit.sigma, _by_leaving_out(shots, size_px, fit))
    return _open_part(fit, sigma, size_px) or _measured(shots, size_px, fit, sigma)


def _fit(shots: Sequence[BoardShot], size_px: tuple[int, int], *, k3: bool, start: _Fit | None = None) -> _Fit | None:
    """Return the adjustment of all shots, None when there is none."""
    boards = [np.column_stack([shot.at_mm, np.zeros(len(shot.at_mm))]).astype(np.float32) for shot in shots]
    seen = [shot.corners.xy.astype(np.float32)[:, None] for shot in shots]
    flags = cv2.CALIB_FIX_ASPECT_RATIO | (0 if k3 else cv2.CALIB_FIX_K3)
    matrix, bending = np.eye(3), np.zeros(5)
    if start is not None:
        flags |= cv2.CALIB_USE_INTRINSIC_GUESS
        focal, x, y = start.values[:3]
        matrix, bending = np.array([[focal, 0.0, x], [0.0, focal, y], [0.0, 0.0, 1.0]]), start.values[3:].copy()
    try:
        rms, matrix, bending, turns, shifts, sigma, _, each = cv2.calibrateCameraExtended(
            boards, seen, size_px, matrix, bending, flags=flags
        )
    except cv2.error:  # its starting values have no camera
        return None
    values = np.array([matrix[1, 1], matrix[0, 2], matrix[1, 2], *bending.ravel()[:5]])
    # with one focal length for both sides, OpenCV gives its sigma at the place of the second
    sigma_all = sigma.ravel()
    spread = np.array([max(sigma_all[0], sigma_all[1]), *sigma_all[list(INTRINSICS[1:])]])
    if not (np.isfinite(values).all() and np.isfinite(spread).all() and values[0] > 0.0):
        return None
    turn, shift = (np.asarray(part, dtype=np.float64).reshape(-1, 3) for part in (turns, shifts))
    return _Fit(float(rms), values, spread, turn, shift, np.asarray(each, dtype=np.float64).ravel())


def _by_leaving_out(shots: Sequence[BoardShot], size_px: tuple[int, int], fit: _Fit) -> FloatArray:
    """Return (8,) 1 sigma by how the numbers change as each shot is left out; inf when one cannot be."""
    others = [_fit([*shots[:one], *shots[one + 1 :]], size_px, k3=False, start=fit) for one in range(len(shots))]
    if any(other is None for other in others):
        return np.full(len(INTRINSICS), np.inf)
    values = np.stack([other.values for other in others if other is not None])
    count = len(shots)
    return np.asarray(np.sqrt((count - 1) / count * np.sum((values - values.mean(axis=0)) ** 2, axis=0)))


def _open_part(fit: _Fit, sigma: FloatArray, size_px: tuple[int, int]) -> FailedFit | None:
    """Return that the shots leave something open, when they do."""
    shares = {
        "focal length": (sigma[0] / fit.values[0], OPEN_FOCAL_REL),
        "centre": (max(sigma[1:3]) / size_px[0], OPEN_CENTRE_SHARE),
    }
    for part, (share, most) in shares.items():
        if not share <= most:
            percent = f"{100.0 * share:.1f}" if np.isfinite(share) else "100"
            return FailedFit("lens-open", {"part": part, "percent": percent})
    return None


def _measured(
    shots: Sequence[BoardShot], size_px: tuple[int, int], fit: _Fit, sigma: FloatArray
) -> MeasuredLens | FailedFit:
    lens = Lens((float(fit.values[1]), float(fit.values[2])), *(float(value) for value in fit.values[[0, 3, 4, 5, 6]]))
    richer = _fit(shots, size_px, k3=True, start=fit)
    try:
        seen = [_radii(lens, shot.corners) for shot in shots]
        rim = float(np.max(_radii(lens, _picture_corners(size_px))))
    except ValueError:  # the lens folds the picture before its corners
        return FailedFit("lens-open", {"part": "bending towards the picture's corners", "percent": "100"})
    if richer is None:
        return FailedFit("lens-open", {"part": "bending", "percent": "100"})
    radii = np.concatenate(seen)
    k3, k3_u = float(richer.values[7]), float(richer.sigma[7])
    reach = _reach(lens, shots, size_px)
    focal_u, x_u, y_u, k1_u, k2_u, p1_u, p2_u = (float(one) for one in sigma[:7])
    return MeasuredLens(
        lens=lens,
        sigma=LensSigma(focal_u, (x_u, y_u), k1_u, k2_u, p1_u, p2_u, float(np.hypot(k3, k3_u)) * _left_over(radii, rim)),
        k3=k3,
        k3_u=k3_u,
        size_px=size_px,
        rms_px=fit.rms_px,
        rms_with_k3_px=richer.rms_px,
        shots=tuple(_shot_fit(shot, fit, number) for number, shot in enumerate(shots)),
        corners=sum(len(shot.corners) for shot in shots),
        reach=reach,
        doubts=(doubt("lens-middle", percent=f"{100.0 * reach:.0f}"),) if reach < LITTLE_REACH else (),
    )


def _radii(lens: Lens, seen: PxPoints) -> FloatArray:
    """Return (N,) ideal distances from the centre in focal lengths.

    Raises:
        ValueError: a place lies beyond the reach of the lens.
    """
    off = lens.undistort(seen).xy - lens.centre_px
    return np.asarray(np.hypot(off[:, 0], off[:, 1]) / lens.focal_px)


def _picture_corners(size_px: tuple[int, int]) -> PxPoints:
    right, low = size_px[0] - 1.0, size_px[1] - 1.0
    return PxPoints(np.array([[0.0, 0.0], [right, 0.0], [right, low], [0.0, low]]))


def _reach(lens: Lens, shots: Sequence[BoardShot], size_px: tuple[int, int]) -> float:
    """Return how far from the centre corners were seen, of the way to the picture's furthest corner."""

    def furthest(points: PxPoints) -> float:
        return float(np.max(np.hypot(*(points.xy - lens.centre_px).T)))

    return min(1.0, max(furthest(shot.corners) for shot in shots) / furthest(_picture_corners(size_px)))


def _left_over(radii: FloatArray, rim: float) -> float:
    """Return what share of a bending r^7 is left when focal length, k1 and k2 have taken up what they can of it.

    They do so where corners were seen; counted is the largest rest anywhere in the picture, as a term r^7 that is as
    large at its furthest corner.
    """

    def odd(r: FloatArray) -> FloatArray:
        return np.stack([r, r**3, r**5], axis=1)

    taken = np.linalg.lstsq(odd(radii), radii**7, rcond=None)[0]
    everywhere = np.linspace(0.0, rim, CORNER_PLACES)
    return float(np.max(np.abs(everywhere**7 - odd(everywhere) @ taken)) / rim**7)


def _shot_fit(shot: BoardShot, fit: _Fit, number: int) -> ShotFit:
    turn = np.asarray(cv2.Rodrigues(fit.turns[number])[0], dtype=np.float64)
    middle = turn[:, :2] @ shot.at_mm.mean(axis=0) + fit.shifts_mm[number]
    tilt = np.degrees(np.arccos(np.clip(abs(turn[2, 2]), 0.0, 1.0)))
    return ShotFit(shot.name, float(fit.shot_rms_px[number]), float(np.linalg.norm(middle)), float(tilt))
