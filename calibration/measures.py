"""One straight measure in the picture -> millimetres per pixel along it, with its sigma.

The position of a graduation is fitted against its known millimetres over the whole length, so
no single pair of graduations sets the scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.controls import Control
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray
from calibration.linefit import fit_line_robust

UNEVEN_SIGMAS = 4.0  # graduations further off than this, together, are uneven feeding
UNEVEN_MM = 0.05  # and further than this, because less does no harm to a body outline
UNEVEN_WINDOW = 5  # graduations: one stray mark among five is a stray, not uneven feeding


@dataclass(frozen=True, eq=False)
class Measure:
    """What one control says about the scale along its own direction."""

    name: str
    drawn: bool  # printed with the plan, so drawn square to other drawn measures
    angle_rad: float  # px frame (y down), of the direction of growing millimetres
    angle_u_rad: float
    length_px: float
    log_mm_per_px: float
    log_u: float  # 1 sigma of log_mm_per_px, the measure's own uncertainty included
    at_mm: FloatArray  # (N,) the known distances
    along_px: FloatArray  # (N,) positions along the direction
    uneven_mm: float  # largest deviation that neighbours share; 0 when within the noise

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """Uneven feeding, when there is any."""
        if self.uneven_mm == 0.0:
            return ()
        return (doubt("rule-nonlinear", rule=self.name, max_mm=f"{self.uneven_mm:.2f}"),)


def measure_control(control: Control) -> Measure:
    """Fit one control.

    Raises:
        ValueError: its places or its millimetres are all the same.
    """
    direction, along_px = _along(control)
    at_mm = control.at_mm
    fit = fit_line_robust(at_mm, along_px, control.sigma_px)
    if fit.slope <= 0.0:
        raise ValueError(f"{control.name}: the places do not follow the millimetres")
    length_px, length_mm = float(np.ptp(along_px)), float(np.ptp(at_mm))
    uneven_mm = _uneven_mm(fit.residuals / fit.slope, control.sigma_px / fit.slope)
    parts = (
        fit.slope_u / fit.slope,
        control.standard_u_mm / length_mm,
        control.standard_u_rel,
        uneven_mm / length_mm,
    )
    return Measure(
        name=control.name,
        drawn=control.source in ("drawn rule", "span", "stated size"),
        angle_rad=float(np.arctan2(direction[1], direction[0])),
        # both ends may be off; many graduations are not trusted to average that away
        angle_u_rad=float(np.sqrt(2.0) * control.sigma_across_px / length_px),
        length_px=length_px,
        log_mm_per_px=-float(np.log(fit.slope)),
        log_u=float(np.hypot.reduce(parts)),
        at_mm=at_mm,
        along_px=along_px,
        uneven_mm=uneven_mm,
    )


def _along(control: Control) -> tuple[FloatArray, FloatArray]:
    """Return the unit direction of growing mm, (2,), and the positions along it, (N,) px."""
    xy = control.places.xy - np.median(control.places.xy, axis=0)
    _, sizes, axes = np.linalg.svd(xy - xy.mean(axis=0), full_matrices=False)
    if sizes[0] == 0.0 or np.ptp(control.at_mm) == 0.0:
        raise ValueError(f"{control.name}: all places are the same")
    direction = axes[0]
    along = xy @ direction
    if np.dot(along - along.mean(), control.at_mm - control.at_mm.mean()) < 0.0:
        direction, along = -direction, -along
    return direction, along


def _uneven_mm(residuals_mm: FloatArray, sigma_mm: FloatArray) -> float:
    """Return the largest deviation that a window of neighbours shares, or 0 within the noise."""
    if len(residuals_mm) < 3:
        return 0.0
    window = min(UNEVEN_WINDOW, len(residuals_mm))
    windows = np.lib.stride_tricks.sliding_window_view(residuals_mm, window)
    shared = float(np.max(np.abs(np.median(windows, axis=1)))) if window == UNEVEN_WINDOW else 0.0
    if window < UNEVEN_WINDOW:  # too few to tell a stray from uneven feeding: every one counts
        shared = float(np.max(np.abs(residuals_mm)))
    limit = max(UNEVEN_MM, UNEVEN_SIGMAS * float(np.median(sigma_mm)))
    return shared if shared > limit else 0.0
