"""Several shots of one flat chessboard -> a lens and how certain its numbers are.

Method after Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000) 1330: one focal length,
centre, k1, k2, p1, p2. OpenCV begins with a flat board; calibration.board_fit goes on with one of any slight shape. The
standard deviations of an adjustment take every corner for one chance, but blur or a lens that bends otherwise moves
many corners of a shot together. So each shot is also left out in turn (jackknife; Efron and Stein, Ann. Statist. 9
(1981) 586), and the larger sigma counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.board_fit import SHAPE_TERMS, BoardFit, fit_board
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
    flat_rms_px: float  # were the board flat and its squares true
    flat_lens: Lens
    bow_mm: float  # the board's highest corner over its lowest
    shots: tuple[ShotFit, ...]
    corners: int
    reach: float  # how far from the centre corners were seen, of the way to the picture's furthest corner
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, eq=False)
class _Flat:
    """The adjustment with a flat board of true squares, by OpenCV."""

    rms_px: float
    lens: FloatArray  # (8,) as calibration.board_fit has it
    turns: FloatArray  # (S, 3)
    shifts_mm: FloatArray  # (S, 3)


def measure_lens(shots: Sequence[BoardShot], size_px: tuple[int, int]) -> MeasuredLens | FailedFit:
    """Return the lens that shots of one board show.

    Args:
        shots: all by one camera, none cropped, corners in one order.
        size_px: width and height of the pictures.

    Returns:
        The lens, or a false value with the code "lens-residual" or "lens-open".

    Raises:
        ValueError: fewer than ``LEAST_SHOTS`` shots.
    """
    if len(shots) < LEAST_SHOTS:
        raise ValueError(f"{LEAST_SHOTS} shots or more are needed")
    flat = _flat(shots, size_px)
    if flat is None:
        return _left_open("focal length", np.inf)
    seen, at_mm = [shot.corners.xy for shot in shots], [shot.at_mm for shot in shots]
    fit = fit_board(seen, at_mm, flat.lens, flat.turns, flat.shifts_mm, np.zeros(SHAPE_TERMS), k3=False)
    if fit is None:
        return _left_open("focal length", np.inf)
    if fit.rms_px > max(MOST_RMS_PX, MOST_RMS_SHARE * max(size_px)):
        worst = int(np.argmax(fit.shot_rms_px))
        facts = {"rms": f"{fit.rms_px:.2f}", "worst": shots[worst].name, "most": f"{fit.shot_rms_px[worst]:.2f}"}
        return FailedFit("lens-residual", facts)
    sigma = np.maximum(fit.sigma, _by_leaving_out(shots, fit))
    left_open = _open_part(fit, sigma, size_px)
    return _measured(shots, size_px, flat, fit, sigma) if left_open is None else left_open


def _flat(shots: Sequence[BoardShot], size_px: tuple[int, int]) -> _Flat | None:
    """Return the adjustment of all shots, None when OpenCV finds none."""
    boards = [np.column_stack([shot.at_mm, np.zeros(len(shot.at_mm))]).astype(np.float32) for shot in shots]
    seen = [shot.corners.xy.astype(np.float32)[:, None] for shot in shots]
    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_FIX_K3
    try:
        rms, matrix, bending, turns, shifts = cv2.calibrateCamera(
            boards, seen, size_px, np.eye(3), np.zeros(5), flags=flags
        )
    except cv2.error:  # its starting values have no camera
        return None
    lens = np.array([matrix[1, 1], matrix[0, 2], matrix[1, 2], *bending.ravel()[:5]])
    turn, shift = (np.asarray(part, dtype=np.float64).reshape(-1, 3) for part in (turns, shifts))
    usable = np.isfinite(lens).all() and np.isfinite(turn).all() and np.isfinite(shift).all() and lens[0] > 0.0
    return _Flat(float(rms), lens, turn, shift) if usable else None


def _again(shots: Sequence[BoardShot], fit: BoardFit, kept: Iterable[int], *, k3: bool = False) -> BoardFit | None:
    """Return the adjustment of some of the shots, from that of all."""
    chosen = list(kept)
    seen, at_mm = [shots[one].corners.xy for one in chosen], [shots[one].at_mm for one in chosen]
    return fit_board(seen, at_mm, fit.lens, fit.turns[chosen], fit.shifts_mm[chosen], fit.shape, k3=k3)


def _by_leaving_out(shots: Sequence[BoardShot], fit: BoardFit) -> FloatArray:
    """Return (8,) 1 sigma by how the numbers change as each shot is left out; inf when one cannot be."""
    count = len(shots)
    others = [_again(shots, fit, (one for one in range(count) if one != out)) for out in range(count)]
    if any(other is None for other in others):
        return np.full(len(fit.lens), np.inf)
    values = np.stack([other.lens for other in others if other is not None])
    return np.asarray(np.sqrt((count - 1) / count * np.sum((values - values.mean(axis=0)) ** 2, axis=0)))


def _left_open(part: str, share: float) -> FailedFit:
    return FailedFit("lens-open", {"part": part, "percent": f"{100.0 * share:.1f}" if np.isfinite(share) else "100"})


def _open_part(fit: BoardFit, sigma: FloatArray, size_px: tuple[int, int]) -> FailedFit | None:
    """Return that the shots leave something open, when they do."""
    focal = float(sigma[0] / fit.lens[0])
    if not focal <= OPEN_FOCAL_REL:
        return _left_open("focal length", focal)
    centre = float(max(sigma[1:3]) / size_px[0])
    return None if centre <= OPEN_CENTRE_SHARE else _left_open("centre", centre)


def _measured(
    shots: Sequence[BoardShot], size_px: tuple[int, int], flat: _Flat, fit: BoardFit, sigma: FloatArray
) -> MeasuredLens | FailedFit:
    lens = _lens(fit.lens)
    richer = _again(shots, fit, range(len(shots)), k3=True)
    try:
        seen = [_radii(lens, shot.corners) for shot in shots]
        rim = float(np.max(_radii(lens, _picture_corners(size_px))))
    except ValueError:  # the lens folds the picture before its corners
        return _left_open("bending towards the picture's corners", np.inf)
    if richer is None:
        return _left_open("bending", np.inf)
    radii = np.concatenate(seen)
    k3, k3_u = float(richer.lens[7]), float(richer.sigma[7])
    left_u = float(np.hypot(k3, k3_u)) * _left_over(radii, rim)
    reach = _reach(lens, shots, size_px)
    focal_u, x_u, y_u, k1_u, k2_u, p1_u, p2_u = (float(one) for one in sigma[:7])
    return MeasuredLens(
        lens=lens,
        sigma=LensSigma(focal_u, (x_u, y_u), k1_u, k2_u, p1_u, p2_u, left_u),
        k3=k3,
        k3_u=k3_u,
        size_px=size_px,
        rms_px=fit.rms_px,
        flat_rms_px=flat.rms_px,
        flat_lens=_lens(flat.lens),
        bow_mm=fit.bow_mm,
        shots=tuple(_shot_fit(shot, fit, number) for number, shot in enumerate(shots)),
        corners=sum(len(shot.corners) for shot in shots),
        reach=reach,
        doubts=(doubt("lens-middle", percent=f"{100.0 * reach:.0f}"),) if reach < LITTLE_REACH else (),
    )


def _lens(values: FloatArray) -> Lens:
    focal, x, y, k1, k2, p1, p2 = (float(value) for value in values[:7])
    return Lens((x, y), focal, k1, k2, p1, p2)


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


def _shot_fit(shot: BoardShot, fit: BoardFit, number: int) -> ShotFit:
    turn = np.asarray(cv2.Rodrigues(fit.turns[number])[0], dtype=np.float64)
    middle = turn[:, :2] @ shot.at_mm.mean(axis=0) + fit.shifts_mm[number]
    tilt = np.degrees(np.arccos(np.clip(abs(turn[2, 2]), 0.0, 1.0)))
    return ShotFit(shot.name, float(fit.shot_rms_px[number]), float(np.linalg.norm(middle)), float(tilt))
