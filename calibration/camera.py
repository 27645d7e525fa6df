"""Where a camera stands over a flat sheet: the plane z = 0 seen through an ideal lens.

The camera's own axes: x right, y down, z away from it. The sheet's: x right, y up, z out of the paper
towards the camera. A plane seen so is a projective map of four corners' worth (Zhang, "A flexible new
technique for camera calibration", IEEE PAMI 22 (2000) 1330); here it is kept as a turn and a place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import FloatArray, PxPoints, SheetPoints, frozen_floats

FACING = np.diag([1.0, -1.0, -1.0])  # a camera straight above the sheet
TURN_TOLERANCE = 1e-9


@dataclass(frozen=True, eq=False)
class CameraPose:
    """An ideal camera with square pixels and the sheet in front of it."""

    rotation: FloatArray  # (3, 3) sheet axes -> camera axes
    translation_mm: FloatArray  # (3,) the sheet's origin in camera axes
    focal_px: float
    centre_px: tuple[float, float]

    def __post_init__(self) -> None:
        """Freeze the arrays and check the turn.

        Raises:
            ValueError: the rotation is none, or the camera looks at the sheet's back or away from it.
        """
        object.__setattr__(self, "rotation", frozen_floats(self.rotation))
        object.__setattr__(self, "translation_mm", frozen_floats(self.translation_mm))
        turn = self.rotation
        if np.max(np.abs(turn @ turn.T - np.eye(3))) > TURN_TOLERANCE or np.linalg.det(turn) < 0.0:
            raise ValueError("a pose needs a rotation")
        if turn[:, 2] @ self.translation_mm >= 0.0 or self.translation_mm[2] <= 0.0:
            raise ValueError("the camera must be in front of the sheet")

    @property
    def homography(self) -> FloatArray:
        """(3, 3): sheet (x, y, 1) in mm -> ideal px, up to scale."""
        focal, (x, y) = self.focal_px, self.centre_px
        inside = np.array([[focal, 0.0, x], [0.0, focal, y], [0.0, 0.0, 1.0]])
        return np.asarray(inside @ np.column_stack([self.rotation[:, :2], self.translation_mm]))

    @property
    def distance_mm(self) -> float:
        """From the camera to the sheet's plane, square to it."""
        return float(-self.rotation[:, 2] @ self.translation_mm)

    @property
    def foot_mm(self) -> FloatArray:
        """(2,) the place of the sheet straight under the camera."""
        return np.asarray(-(self.rotation.T @ self.translation_mm)[:2])

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and a line square to the sheet."""
        return float(np.degrees(np.arccos(np.clip(-self.rotation[2, 2], -1.0, 1.0))))

    def project(self, points_mm: FloatArray, height_mm: float | FloatArray = 0.0) -> PxPoints:
        """Return the ideal image of places on the sheet.

        Args:
            points_mm: (N, 2) sheet frame.
            height_mm: above the sheet, one or (N,).

        Raises:
            ValueError: a place is not in front of the camera.
        """
        raised = np.column_stack([points_mm, np.broadcast_to(height_mm, len(points_mm))])
        seen = raised @ self.rotation.T + self.translation_mm
        if np.any(seen[:, 2] <= 0.0):
            raise ValueError("points lie behind the camera")
        return PxPoints(self.focal_px * seen[:, :2] / seen[:, 2:] + self.centre_px)

    def to_sheet(self, ideal: PxPoints) -> SheetPoints:
        """Return the places of the sheet that ideal px show.

        Raises:
            ValueError: a pixel looks past the sheet's horizon.
        """
        rays = np.column_stack([(ideal.xy - self.centre_px) / self.focal_px, np.ones(len(ideal))])
        inward = rays @ self.rotation[:, 2]
        if np.any(inward >= 0.0):
            raise ValueError("points lie past the horizon of the sheet")
        away = (self.rotation[:, 2] @ self.translation_mm) / inward
        return SheetPoints((away[:, None] * rays - self.translation_mm) @ self.rotation[:, :2])


def turned(about: FloatArray) -> FloatArray:
    """Return (3, 3): the turn by the length of ``about``, in radians, round its direction (Rodrigues)."""
    angle = float(np.linalg.norm(about))
    if angle == 0.0:
        return np.eye(3)
    x, y, z = about / angle
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.asarray(np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * cross @ cross)
