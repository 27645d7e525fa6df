"""Straight lines through measured points, with the uncertainty of the line.

Methods: weighted least squares; errors in both axes after York, Evensen, Lopez Martinez and
De Basabe Delgado, "Unified equations for the slope, intercept, and standard errors of the best
straight line", Am. J. Phys. 72 (2004) 367; a robust start by slopes of far pairs after
Theil, Proc. K. Ned. Akad. Wet. 53 (1950) 386; errors that neighbours share, or that cancel between
neighbours, by the slow part of the residuals after Mueller, "A theory of robust long-run variance
estimation", J. Econometrics 141 (2007) 1331 (cited from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtrit

from calibration.frames import BoolArray, FloatArray

REJECT_SIGMAS = 4.0  # a point further from the line than this, in robust sigmas, is left out
MAD_TO_SIGMA = 1.4826  # median absolute deviation to standard deviation, normal distribution
ROBUST_ROUNDS = 5
YORK_ROUNDS = 200
YORK_TOLERANCE = 1e-14  # relative change of the slope
SLOW_SHAPES = 6  # of the residuals, the slowest after the straight line: what they hold, the slope holds as well
FEWEST_SHAPES = 4  # fewer tell nothing, and the scatter counts as independent
POINTS_TO_A_SHAPE = 4
LEAST_SHARE = 0.25  # of the stated sigma: the slow part may claim no less
COVERED = 0.975  # the quantile at which few shapes are made to claim as much as many


@dataclass(frozen=True, eq=False)
class LineFit:
    """y = intercept + slope * x, in the units of the data."""

    intercept: float
    slope: float
    covariance: FloatArray  # (2, 2) of (intercept, slope)
    residuals: FloatArray  # (N,) y - line, also of the points left out
    used: BoolArray  # (N,)
    chi2: float  # sum of (residual / sigma)^2 over the points used
    dof: int

    @property
    def intercept_u(self) -> float:
        """One standard deviation of the intercept."""
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def slope_u(self) -> float:
        """One standard deviation of the slope."""
        return float(np.sqrt(self.covariance[1, 1]))

    @property
    def correlation(self) -> float:
        """Correlation of intercept and slope."""
        return float(self.covariance[0, 1] / (self.intercept_u * self.slope_u))

    @property
    def residual_sd(self) -> float:
        """Standard deviation of the points used about the line; nan without freedom."""
        squares = float(np.sum(self.residuals[self.used] ** 2))
        return float(np.sqrt(squares / self.dof)) if self.dof > 0 else float("nan")

    def predict(self, x: float) -> tuple[float, float]:
        """Return the line at ``x`` and one standard deviation of it."""
        at = np.array([1.0, x])
        return self.intercept + self.slope * x, float(np.sqrt(at @ self.covariance @ at))


def fit_line(x: FloatArray, y: FloatArray, sigma: FloatArray | None = None, *, through_origin: bool = False) -> LineFit:
    """Fit y against x by least squares.

    Args:
        x: (N,) without error.
        y: (N,) measured.
        sigma: (N,) one standard deviation of y. Left out: equal, and taken from the scatter.
        through_origin: keep the intercept at zero.

    Raises:
        ValueError: fewer points than unknowns, or all x equal.
    """
    everything = np.ones(len(x), dtype=bool)
    return _least_squares(np.asarray(x, float), np.asarray(y, float), sigma, everything, through_origin)


def _least_squares(
    x: FloatArray, y: FloatArray, sigma: FloatArray | None, used: BoolArray, through_origin: bool
) -> LineFit:
    weight = np.ones(len(x)) if sigma is None else 1.0 / np.asarray(sigma, float)
    # centring keeps the certified digits when x is far from zero
    centre = 0.0 if through_origin else float(np.average(x[used], weights=weight[used] ** 2))
    columns = np.stack([np.zeros_like(x) if through_origin else np.ones_like(x), x - centre], axis=1)
    design, target = columns[used] * weight[used, None], y[used] * weight[used]
    unknowns = 1 if through_origin else 2
    if np.linalg.matrix_rank(design) < unknowns:
        raise ValueError("a line needs as many different places as it has unknowns")
    answer = np.linalg.lstsq(design, target, rcond=None)[0]
    covariance = np.linalg.pinv(design.T @ design)
    chi2 = float(np.sum((target - design @ answer) ** 2))
    dof = int(used.sum()) - unknowns
    if sigma is None:
        covariance = covariance * (chi2 / dof if dof > 0 else np.nan)
    shift = np.array([[1.0, -centre], [0.0, 1.0]])
    return LineFit(
        intercept=float(answer[0] - answer[1] * centre),
        slope=float(answer[1]),
        covariance=shift @ covariance @ shift.T,
        residuals=y - columns @ answer,
        used=used,
        chi2=chi2,
        dof=dof,
    )


def fit_line_robust(x: FloatArray, y: FloatArray, sigma: FloatArray) -> LineFit:
    """Fit y against x by weighted least squares after leaving out strays.

    With points enough the covariance is that of the residuals' own slow part (``slow_scatter``): neighbours that
    err together do not average out, neighbours that err against each other do so the better. ``sigma`` then only
    weighs the points and keeps the claim from falling far below it. With few points it is widened where they
    scatter more than it says.

    Args:
        x: (N,) without error, in order.
        y: (N,) measured.
        sigma: (N,) one standard deviation of y.

    Raises:
        ValueError: fewer than two different x.
    """
    used = _inliers(x, y, sigma)
    fit = _least_squares(x, y, sigma, used, False)
    slow = slow_scatter(x[used], fit.residuals[used] / sigma[used], sigma[used])
    widen = scatter_factor(fit.chi2, fit.dof) if slow is None else max(slow, LEAST_SHARE)
    return LineFit(fit.intercept, fit.slope, fit.covariance * widen**2, fit.residuals, used, fit.chi2, fit.dof)


def scatter_factor(chi2: float, dof: int) -> float:
    """Return the factor on sigma that the scatter asks for, never below 1 (Birge ratio)."""
    return max(1.0, float(np.sqrt(chi2 / dof))) if dof > 0 else 1.0


def _inliers(x: FloatArray, y: FloatArray, sigma: FloatArray) -> BoolArray:
    used = np.ones(len(x), dtype=bool)
    if len(x) < 4:
        return used
    residuals = y - _far_pair_line(x, y)
    for _ in range(ROBUST_ROUNDS):
        scaled = residuals / sigma
        spread = max(1.0, MAD_TO_SIGMA * float(np.median(np.abs(scaled[used] - np.median(scaled[used])))))
        now = np.abs(scaled - np.median(scaled[used])) <= REJECT_SIGMAS * spread
        if np.array_equal(now, used) and _ > 0:
            break
        used = now
        residuals = _least_squares(x, y, sigma, used, False).residuals
    return used


def _far_pair_line(x: FloatArray, y: FloatArray) -> FloatArray:
    half = len(x) // 2
    apart = x[-half:] - x[:half]
    good = apart != 0
    if not good.any():
        raise ValueError("a line needs two different places")
    slope = float(np.median((y[-half:] - y[:half])[good] / apart[good]))
    return slope * x + float(np.median(y - slope * x))


def slow_scatter(x: FloatArray, scaled: FloatArray, sigma: FloatArray) -> float | None:
    """Return the sigma of one point that independent points would need, for a slope to err as this one does.

    The residuals are taken apart into orthonormal shapes, a bow, an S and so on, each slower than the next. What
    errors put into these they put into the straight line too, which is only the shape before; so the root mean
    square of the slowest few is the sigma that counts, however neighbours err. It is multiplied by Student's t over
    the normal quantile, as few shapes tell it roughly.

    Args:
        x: (N,) without error.
        scaled: (N,) residuals of a straight line over ``sigma``.
        sigma: (N,) one standard deviation of y, as the line was fitted.

    Returns:
        In units of ``sigma``; None with too few points.
    """
    shapes = min(SLOW_SHAPES, len(x) // POINTS_TO_A_SHAPE)
    if shapes < FEWEST_SHAPES:
        return None
    along = 2.0 * (x - x.min()) / np.ptp(x) - 1.0
    columns = np.polynomial.legendre.legvander(along, shapes + 1) / sigma[:, None]
    orthonormal = np.linalg.qr(columns)[0][:, 2:]
    student = float(stdtrit(shapes, COVERED) / ndtri(COVERED))
    return student * float(np.sqrt(np.mean((orthonormal.T @ scaled) ** 2)))


def fit_line_both(x: FloatArray, y: FloatArray, sigma_x: FloatArray, sigma_y: FloatArray) -> LineFit:
    """Fit a line through points with independent errors in x and y (York 2004).

    Args:
        x: (N,) measured.
        y: (N,) measured.
        sigma_x: (N,) one standard deviation of x, above zero.
        sigma_y: (N,) one standard deviation of y, above zero.

    Returns:
        The line with the standard errors of York 2004, not scaled by the scatter;
        ``chi2`` is the sum over both axes.

    Raises:
        ValueError: the slope does not settle.
    """
    weight_x, weight_y = 1.0 / np.asarray(sigma_x, float) ** 2, 1.0 / np.asarray(sigma_y, float) ** 2
    slope = fit_line(x, y, sigma_y).slope
    for _ in range(YORK_ROUNDS):
        weight, mean_x, mean_y, beta = _york_step(x, y, weight_x, weight_y, slope)
        last, slope = slope, float(np.sum(weight * beta * (y - mean_y)) / np.sum(weight * beta * (x - mean_x)))
        if abs(slope - last) <= YORK_TOLERANCE * abs(slope):
            break
    else:
        raise ValueError("the slope does not settle")
    intercept = mean_y - slope * mean_x
    adjusted = mean_x + beta
    middle = float(np.average(adjusted, weights=weight))
    slope_var = 1.0 / float(np.sum(weight * (adjusted - middle) ** 2))
    covariance = np.array(
        [[1.0 / weight.sum() + middle**2 * slope_var, -middle * slope_var], [-middle * slope_var, slope_var]]
    )
    residuals = y - intercept - slope * x
    chi2 = float(np.sum(weight * residuals**2))
    return LineFit(intercept, slope, covariance, residuals, np.ones(len(x), dtype=bool), chi2, len(x) - 2)


def _york_step(
    x: FloatArray, y: FloatArray, weight_x: FloatArray, weight_y: FloatArray, slope: float
) -> tuple[FloatArray, float, float, FloatArray]:
    weight = weight_x * weight_y / (weight_x + slope**2 * weight_y)
    mean_x, mean_y = float(np.average(x, weights=weight)), float(np.average(y, weights=weight))
    beta = weight * ((x - mean_x) / weight_y + slope * (y - mean_y) / weight_x)
    return weight, mean_x, mean_y, beta
