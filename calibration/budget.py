"""Named terms -> the uncertainty of a length and of the outline.

Combination after JCGM 100:2008 (GUM): root-sum-square (5.1.2), effective degrees of freedom by
Welch-Satterthwaite, cut to a whole number (G.4.1, G.4.2), coverage by Student's t (G.3.2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calibration.frames import FloatArray

if TYPE_CHECKING:
    from calibration.solve import Calibration

COVERAGE = 0.95  # share of cases inside a stated uncertainty, everywhere in this tool
COVERAGE_95 = 1.96  # times 1 sigma, two-sided, of a normal distribution (to two decimals)
PIXEL_BIAS = 0.05  # px, 1 sigma: where threshold and blur put both edges of a line in common
# "95 % of the points" must hold on 19 bodies of 20, not on average: a body has about 150 stretches that
# err on their own, and a stretch lengthwise, one crosswise and shear each have their own worst place.
# Both factors were found by the trials in tests/calibration/test_budget.py.
POINTS_WIDEN = 1.25
SCALE_WIDEN = 1.1
FREE_BRIDGE = 0.05  # share of the outline that the claim (95 % of it) leaves out
ELLIPSE_POINTS = 360  # stations round the body's stand-in when scale errors are spread over it


@dataclass(frozen=True)
class Term:
    """One named part of an uncertainty."""

    term: str  # in a builder's words
    u_mm: float  # 1 sigma
    how: str  # how it was got
    dof: float = math.inf


@dataclass(frozen=True)
class Budget:
    """Independent terms and what they make together."""

    terms: tuple[Term, ...]

    @property
    def u_mm(self) -> float:
        """Combined standard uncertainty."""
        return math.hypot(*(term.u_mm for term in self.terms))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom, a whole number or inf."""
        spread = sum(term.u_mm**4 / term.dof for term in self.terms)
        if spread == 0.0:
            return math.inf
        return float(math.floor(self.u_mm**4 / spread))

    @property
    def u95_mm(self) -> float:
        """Expanded uncertainty, 95 %."""
        return self.expanded_mm(COVERAGE)

    def expanded_mm(self, share: float) -> float:
        """Return the half-width that holds ``share`` of the cases."""
        return coverage_factor(share, self.dof) * self.u_mm


def coverage_factor(share: float, dof: float) -> float:
    """Return the two-sided Student t factor; the normal one when ``dof`` is inf."""
    from scipy.special import ndtri, stdtrit  # heavy, and most that ask for a budget's constants never come here

    tail = (1.0 + share) / 2.0
    return float(ndtri(tail)) if math.isinf(dof) else float(stdtrit(dof, tail))


def rectangular_u(limit: float) -> float:
    """Return 1 sigma of a value that lies anywhere within +-limit (GUM 4.3.7)."""
    return limit / math.sqrt(3.0)


def resolution_u(step: float) -> float:
    """Return 1 sigma of a value read to the nearest step (GUM F.2.2.1)."""
    return step / math.sqrt(12.0)


def triangular_u(limit: float) -> float:
    """Return 1 sigma of a value within +-limit, likeliest in the middle (GUM 4.3.9)."""
    return limit / math.sqrt(6.0)


def length_u95(calibration: Calibration, length_mm: float, angle_rad: float) -> float:
    """Return U95 in mm that the scale gives a length in this sheet direction (x towards y)."""
    return coverage_factor(COVERAGE, math.inf) * length_mm * calibration.length_u_rel(angle_rad)


def outline_budget(
    length_mm: float,
    width_mm: float,
    calibration: Calibration,
    line_sigma_mm: float,
    pixel_mm: float,
    *,
    body_angle_rad: float = math.pi / 2,
    mirrored: bool = False,
    axis_u_mm: float = 0.0,
    axis_angle_u_rad: float = 0.0,
    arcs_mm: float = 0.0,
    fairing_u_mm: float = 0.0,
    bridged_fraction: float = 0.0,
    bridged_u_mm: float = 0.0,
    more: Sequence[Term] = (),
) -> Budget:
    """Return the budget of the outline.

    Its ``u95_mm`` claims that at least 95 % of the outline's points lie within it of the true
    curve, after the best rigid fit of one on the other.

    Args:
        length_mm: of the body along its centerline.
        width_mm: of the lower bout.
        calibration: the scale.
        line_sigma_mm: 1 sigma of one point across the line, after fairing.
        pixel_mm: size of a pixel.
        body_angle_rad: direction of the centerline in the sheet frame.
        mirrored: one half was mirrored on the centerline, so the centerline's error counts.
        axis_u_mm: 1 sigma of the centerline's place, used when ``mirrored``.
        axis_angle_u_rad: 1 sigma of its direction, used when ``mirrored``.
        arcs_mm: largest distance of the arcs from the smooth curve.
        fairing_u_mm: 1 sigma of what fairing may have moved the true curve by.
        bridged_fraction: share of the outline that was bridged, 0 to 1.
        bridged_u_mm: 1 sigma of a bridged point.
        more: further terms.
    """
    scale_u_mm = _scale_u_mm(calibration, length_mm, width_mm, body_angle_rad)
    terms = [
        Term(
            "where the line's middle is, point by point",
            POINTS_WIDEN * line_sigma_mm,
            f"{line_sigma_mm:.3f} mm scatter of the traced line, widened to hold on 19 bodies of 20",
        ),
        Term(
            "where the line's middle is, all round",
            PIXEL_BIAS * pixel_mm,
            f"{PIXEL_BIAS:g} of a {pixel_mm:.3f} mm pixel, from how ink spreads over pixels",
        ),
        Term(
            "the scale of the copy and the scan",
            scale_u_mm,
            f"from the {len(calibration.names)} known length(s), {calibration.model} model, carried round the body",
        ),
        *_when("uneven feeding of the copy or the scan", calibration.uneven_mm, "largest bend seen in a rule", 1.0),
        *_when("arcs in place of the curve", arcs_mm, "largest distance measured, as limits", 3.0),
        *_when("smoothing of the line", fairing_u_mm, "how far fairing may move a true curve", 1.0),
    ]
    if mirrored:
        tilt_mm = axis_angle_u_rad * length_mm / 2.0
        terms += [
            Term("the centerline that one half was mirrored on", math.hypot(axis_u_mm, tilt_mm), "place and direction")
        ]
    share = min(1.0, bridged_fraction / FREE_BRIDGE)
    terms += _when("bridged parts", bridged_u_mm * share, f"{100 * bridged_fraction:.1f} % of the outline bridged", 1.0)
    return Budget((*terms, *more))


def _when(term: str, size_mm: float, how: str, divide_square: float) -> list[Term]:
    return [Term(term, size_mm / math.sqrt(divide_square), how)] if size_mm > 0.0 else []


def _scale_u_mm(calibration: Calibration, length_mm: float, width_mm: float, body_angle_rad: float) -> float:
    """Return 1 sigma that the scale gives the outline's points across the line.

    The body is stood for by an ellipse. A scale error moves every point of it at once, the ends and
    the flanks most; the value is the one that 95 % of the points do not exceed,
    widened because several scale errors share one body.
    """
    turn = np.linspace(0.0, 2.0 * np.pi, ELLIPSE_POINTS, endpoint=False)
    xy = _rotated(np.stack([length_mm / 2 * np.cos(turn), width_mm / 2 * np.sin(turn)], 1), body_angle_rad)
    normal = _rotated(np.stack([width_mm * np.cos(turn), length_mm * np.sin(turn)], 1), body_angle_rad)
    normal = normal / np.linalg.norm(normal, axis=1, keepdims=True)
    rows = np.stack(
        [
            normal[:, 0] * xy[:, 0],
            normal[:, 1] * xy[:, 1],
            (normal[:, 0] * xy[:, 1] + normal[:, 1] * xy[:, 0]) / 2.0,  # shear, its rotation taken out
        ],
        axis=1,
    )
    u_mm = np.sqrt(np.einsum("ij,jk,ik->i", rows, calibration.covariance, rows))
    return SCALE_WIDEN * float(np.quantile(u_mm, COVERAGE))


def _rotated(xy: FloatArray, angle_rad: float) -> FloatArray:
    along, up = math.cos(angle_rad), math.sin(angle_rad)
    return np.asarray(xy @ np.array([[along, up], [-up, along]]))
