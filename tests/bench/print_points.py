"""Copies as places on the scan, without pictures: every kind of evidence, its errors drawn as they are claimed."""

from __future__ import annotations

import numpy as np

from calibration.controls import Control, Source
from calibration.frames import FloatArray, PxPoints
from calibration.print_factors import SCANNER_LIMIT_REL, SCANNER_SQUARE_U, PrintFactors, print_factors
from calibration.solve import DRAWN_SQUARE_RAD
from calibration.units import MM_PER_INCH
from tests.maker.print_spec import LEAST_CALLED, limit_mm

KINDS = ("drawn + certified", "drawn + class I", "drawn + class II", "one laid + scanner", "drawn + scanner",
         "photocopied ruler + scanner", "spans + certified", "spans + scanner")
TICK_U_PX, SHARED_U_PX, SPAN_U_PX, SPAN_LIMIT_MM = 0.05, 0.02, 0.3, 0.25


def _turn(rad: float) -> FloatArray:
    return np.array([[np.cos(rad), -np.sin(rad)], [np.sin(rad), np.cos(rad)]])


def _measure(
    to_px: FloatArray, rng: np.random.Generator, name: str, source: Source, rad: float, length: float, limit: float
) -> Control:
    """Return a rule of 1 mm or a span in a direction of the sheet (y down), its own error within its limit."""
    span = source == "span"
    at = np.array([0.0, length]) if span else np.arange(0.0, length + 0.5)
    scale = 1.0 + (rng.uniform(-limit, limit) if limit else 0.0) / length
    px = (rng.uniform(10, 60, 2) + scale * at[:, None] * np.array([np.cos(rad), np.sin(rad)])) @ to_px.T
    along = to_px @ np.array([np.cos(rad), np.sin(rad)])
    size = float(np.hypot(*along))
    shared = 0.0 if span else rng.normal(0.0, SHARED_U_PX)
    sigma = SPAN_U_PX if span else TICK_U_PX
    px = px + rng.normal(0.0, sigma, px.shape) + np.outer(shared * (at / length - 0.5), along / size)
    shared_mm = 0.0 if span else SHARED_U_PX / size
    return Control(name, source, PxPoints(px), at, np.full(len(at), sigma), sigma,
                   standard_u_mm=float(np.hypot(limit / np.sqrt(3.0), shared_mm)), limit_mm=limit)


def point_case(kind: str, rng: np.random.Generator) -> tuple[PrintFactors, tuple[float, float]]:
    """Return the factors found on one made copy and the true ones along the plan's own x and y."""
    exact = rng.random() < 0.4
    x, y = 1.0 + LEAST_CALLED * rng.choice([-1.0, 1.0], 2) if exact else rng.uniform(0.98, 1.02, 2)
    shear, dpi = rng.normal(0.0, 0.001), float(rng.choice([200.0, 300.0, 400.0]))
    own = rng.uniform(1 - SCANNER_LIMIT_REL, 1 + SCANNER_LIMIT_REL, 2)
    glass = dpi / MM_PER_INCH * np.diag(own) @ np.array([[1.0, rng.normal(0, SCANNER_SQUARE_U)], [0.0, 1.0]])
    skew = _turn(np.deg2rad(rng.uniform(-1.5, 1.5)))
    plan = glass @ skew @ np.array([[x, shear], [0.0, y]])
    off = rng.normal(0.0, DRAWN_SQUARE_RAD)
    spans = "spans" in kind
    source: Source = "span" if spans else "drawn rule"
    limit = SPAN_LIMIT_MM if spans else 0.0
    lengths = rng.uniform(300, 550, 2) if spans else rng.uniform(120, 300, 2)
    ways = [0.0, np.pi / 2 + off]
    if kind.startswith("photocopied"):
        ways, lengths = ways[:1], lengths[:1]
    drawn = [_measure(plan, rng, f"drawn {i}", source, rad, length, limit)
             for i, (rad, length) in enumerate(zip(ways, lengths, strict=True))]
    laid = []
    grade = next((word for word in ("certified", "class II", "class I") if word in kind), "class I")
    if "scanner" not in kind or "laid" in kind:
        for rad in (0.0, np.pi / 2)[: 1 if "one laid" in kind else 2]:
            length = float(rng.choice([300.0, 500.0]))
            within = limit_mm(grade.removeprefix("class "), length)  # type: ignore[arg-type]
            tilt = np.deg2rad(rng.uniform(-1.5, 1.5))
            laid.append(_measure(glass, rng, f"laid {rad:.0f}", "laid rule", rad + tilt, length, within))
    return print_factors(drawn, laid, (MM_PER_INCH / dpi, MM_PER_INCH / dpi)), (float(x), float(np.hypot(y, shear)))
