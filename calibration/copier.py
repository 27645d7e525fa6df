"""The copy's own scaling error: paper millimetres against plan millimetres.

A drawn rule carries the way back to plan millimetres; a laid rule, or the scanner's resolution,
gives millimetres of the paper. One against the other is what the copier did.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import FloatArray, SheetPoints, frozen_floats
from calibration.solve import Calibration, Model

SCANNER_U_REL = 0.002  # 1 sigma of a scanner's resolution; common practice, no source


@dataclass(frozen=True, eq=False)
class CopyFactors:
    """What the copier did to the plan; 100 % is true. x and y are the picture's own directions."""

    matrix: FloatArray  # (2, 2) plan mm -> paper mm, sheet axes
    model: Model
    u_rel: tuple[float, float]  # 1 sigma of the x and y factor, relative

    def __post_init__(self) -> None:
        """Freeze the matrix."""
        object.__setattr__(self, "matrix", frozen_floats(self.matrix))

    @property
    def x_percent(self) -> float:
        """Size of the copy across the picture."""
        return float(100.0 * np.hypot(*self.matrix[:, 0]))

    @property
    def y_percent(self) -> float:
        """Size of the copy up the picture."""
        return float(100.0 * np.hypot(*self.matrix[:, 1]))

    @property
    def shear_deg(self) -> float:
        """By how much a right angle of the plan (x, y) closed on the copy."""
        one, two = self.matrix[:, 0], self.matrix[:, 1]
        return float(np.rad2deg(np.arcsin(one @ two / (np.hypot(*one) * np.hypot(*two)))))

    @property
    def u95_percent(self) -> float:
        """Uncertainty of the less certain factor, 95 %, in percent of true size."""
        return 100.0 * 1.96 * max(self.u_rel)

    def apply(self, plan: SheetPoints) -> SheetPoints:
        """Return where the copier put the points, paper mm."""
        return SheetPoints(plan.xy @ self.matrix.T)

    def invert(self, paper: SheetPoints) -> SheetPoints:
        """Return the points in plan mm."""
        return SheetPoints(paper.xy @ np.linalg.inv(self.matrix).T)

    def length_error_mm(self, length_mm: float, angle_rad: float) -> float:
        """Return by how much a plan length in this sheet direction is too long on the copy."""
        direction = np.array([np.cos(angle_rad), np.sin(angle_rad)])
        return float(length_mm * (np.hypot(*(self.matrix @ direction)) - 1.0))


def copy_against_scanner(
    plan: Calibration, paper_mm_per_px: tuple[float, float], u_rel: float = SCANNER_U_REL
) -> CopyFactors:
    """Return the copy's factors from drawn measures and the scanner's resolution.

    Args:
        plan: solved from drawn measures alone.
        paper_mm_per_px: x, y as the scanner states it.
        u_rel: 1 sigma of the resolution.
    """
    return _factors(plan, np.diag([paper_mm_per_px[0], -paper_mm_per_px[1]]), (u_rel, u_rel))


def copy_against_laid(plan: Calibration, paper: Calibration) -> CopyFactors:
    """Return the copy's factors from drawn measures against laid ones in the same picture.

    Args:
        plan: solved from drawn measures alone.
        paper: solved from laid measures alone.
    """
    u_rel = (paper.length_u_rel(0.0), paper.length_u_rel(np.pi / 2))
    return _factors(plan, np.asarray(paper.matrix), u_rel)


def _factors(plan: Calibration, paper_matrix: FloatArray, paper_u: tuple[float, float]) -> CopyFactors:
    u_rel = (
        float(np.hypot(plan.length_u_rel(0.0), paper_u[0])),
        float(np.hypot(plan.length_u_rel(np.pi / 2), paper_u[1])),
    )
    return CopyFactors(paper_matrix @ np.linalg.inv(plan.matrix), plan.model, u_rel)
