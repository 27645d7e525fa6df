"""A camera as a phone has one: pinhole, Brown's lens distortion, and where it was held.

World frame: the sheet's x right and y up in mm on the table, z up from it towards the camera. Camera frame:
x right, y down, z forward (OpenCV's). Distortion after Brown (1971), in OpenCV's order k1, k2, p1, p2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import FloatArray

DOWN = np.diag([1.0, -1.0, -1.0])  # looking straight down, picture's x along the sheet's x
UNDISTORT_STEPS = 9
UNDISTORTED = 1e-10  # focal lengths
AIM_STEPS = 60
FULL_FRAME_DIAGONAL_MM = 43.2666  # of 36 x 24 mm: "35 mm equivalent"


@dataclass(frozen=True, eq=False)
class Camera:
    """One exposure: lens and pose."""

    size_px: tuple[int, int]  # width, height
    f_px: float
    centre_px: FloatArray  # (2,) principal point
    lens: FloatArray  # (4,) k1, k2, p1, p2
    rotation: FloatArray  # (3, 3) world to camera
    shift_mm: FloatArray  # (3,) camera = rotation @ world + shift

    @property
    def place_mm(self) -> FloatArray:
        """The camera's centre, world frame."""
        return -self.rotation.T @ self.shift_mm

    @property
    def matrix(self) -> FloatArray:
        """The (3, 3) camera matrix."""
        x, y = self.centre_px
        return np.array([[self.f_px, 0.0, x], [0.0, self.f_px, y], [0.0, 0.0, 1.0]])

    @property
    def equivalent_mm(self) -> float:
        """Focal length for the same view on 36 x 24 mm, by the diagonal."""
        return self.f_px / float(np.hypot(*self.size_px)) * FULL_FRAME_DIAGONAL_MM

    def project(self, points_mm: FloatArray) -> FloatArray:
        """Return the px places of (N, 3) world points."""
        seen = np.asarray(points_mm, dtype=float) @ self.rotation.T + self.shift_mm
        return distorted(seen[:, :2] / seen[:, 2:], self.lens) * self.f_px + self.centre_px

    def rays(self, places_px: FloatArray) -> FloatArray:
        """Return the world directions (N, 3) of (N, 2) px places; not of unit length."""
        plane = undistorted((np.asarray(places_px, dtype=float) - self.centre_px) / self.f_px, self.lens)
        return np.column_stack([plane, np.ones(len(plane))]) @ self.rotation


def distorted(plane: FloatArray, lens: FloatArray) -> FloatArray:
    """Return where the lens puts (N, 2) places of the ideal image plane, in focal lengths."""
    k1, k2, p1, p2 = lens
    x, y = plane.T
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * k2)
    return np.stack(
        [x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x), y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y],
        axis=1,
    )


def undistorted(seen: FloatArray, lens: FloatArray) -> FloatArray:
    """Return the ideal places of (N, 2) distorted ones: Newton's steps, their slope without the small p1 and p2.

    Raises:
        ValueError: no ideal place shows there, as the lens folds the plane before it.
    """
    k1, k2 = lens[:2]
    plane = seen.copy()
    for _ in range(UNDISTORT_STEPS):
        miss = seen - distorted(plane, lens)
        r2 = np.sum(plane**2, axis=1)
        radial, bend = 1.0 + r2 * (k1 + r2 * k2), 2.0 * k1 + 4.0 * k2 * r2
        along = np.sum(plane * miss, axis=1) * bend / (radial + bend * r2)
        plane = plane + (miss - plane * along[:, None]) / radial[:, None]
    if not np.abs(seen - distorted(plane, lens)).max() < UNDISTORTED:
        raise ValueError("the lens folds the picture inside the frame")
    return plane


def _turned(axis: FloatArray, angle_rad: float) -> FloatArray:
    """Return the rotation about a unit axis (Rodrigues)."""
    x, y, z = axis
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.eye(3) + np.sin(angle_rad) * cross + (1.0 - np.cos(angle_rad)) * cross @ cross


def looking(turn_deg: float, tilt_deg: float, tilt_to_deg: float) -> FloatArray:
    """Return the rotation of a camera above the sheet.

    Args:
        turn_deg: counter-clockwise turn of the sheet as the picture shows it.
        tilt_deg: from straight down.
        tilt_to_deg: direction in the picture of the axis about which it is tilted.
    """
    to, turn = np.radians(tilt_to_deg), np.radians(turn_deg)
    tilt = _turned(np.array([np.cos(to), np.sin(to), 0.0]), np.radians(tilt_deg))
    return tilt @ DOWN @ _turned(np.array([0.0, 0.0, 1.0]), turn)


def aimed(camera: Camera, points_mm: FloatArray, fill: float, align: tuple[float, float]) -> Camera:
    """Return the camera moved, its direction kept, until ``points_mm`` fill the frame.

    Args:
        camera: its ``shift_mm`` is not used.
        points_mm: (N, 3), world.
        fill: share of the frame that their box takes up, in the tighter of its two directions.
        align: -1 puts their box at the frame's left or upper edge, 0 in the middle, 1 at the right or lower edge.
    """
    frame = np.array(camera.size_px, dtype=float)
    middle = points_mm.mean(axis=0)
    at = np.array([0.0, 0.0, 1.5 * float(np.ptp(points_mm[:, :2], axis=0).max())])
    moved = camera
    for _ in range(AIM_STEPS):
        moved = Camera(*_lens(camera), camera.rotation, at - camera.rotation @ middle)
        px = moved.project(points_mm)
        low, high = px.min(axis=0) + 0.5, px.max(axis=0) + 0.5
        at[2] *= float(((high - low) / frame).max()) / fill
        room = frame - (high - low)
        wanted = room * (0.5 + 0.5 * np.array(align))
        at[:2] += (wanted - low) * at[2] / camera.f_px
    return moved


def _lens(camera: Camera) -> tuple[tuple[int, int], float, FloatArray, FloatArray]:
    return camera.size_px, camera.f_px, camera.centre_px, camera.lens
