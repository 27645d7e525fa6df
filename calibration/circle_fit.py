"""The circle nearest to measured places: least sum of squared distances, by Gauss and Newton from an algebraic start.

Algebraic fits (Kasa's, or of unit norm) are only a start: on a short arc their radius is far off (Gander, Golub and
Strebel, Least-squares fitting of circles and ellipses, BIT 34, 1994, 558).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.frames import FloatArray, frozen_floats

ROUNDS, STILL = 60, 1e-12  # steps, and the last one's size as a part of the radius


@dataclass(frozen=True, eq=False)
class CircleFit:
    """A circle and how the places lie about it; in the places' own unit."""

    centre: FloatArray  # (2,)
    radius: float
    covariance: FloatArray  # (3, 3) of centre x, y and radius, by the places' own scatter
    off: FloatArray  # (N,) distances, + outside

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("centre", "covariance", "off"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name)))


def fit_circle(points: FloatArray, weight: FloatArray | None = None) -> CircleFit | None:
    """Return the circle of least squared distances; None where the places lie on a line or it does not settle.

    Args:
        points: (N, 2), four or more.
        weight: (N,) of the squares; left out: all 1.

    Raises:
        ValueError: fewer than four places.
    """
    if len(points) < 4:
        raise ValueError("a circle with its scatter needs four places")
    weight = np.ones(len(points)) if weight is None else weight
    middle = np.average(points, axis=0, weights=weight)
    size = float(np.sqrt(np.average(np.sum((points - middle) ** 2, axis=1), weights=weight)))
    if size == 0.0:
        return None
    q, root = (points - middle) / size, np.sqrt(weight)
    design = np.column_stack([2.0 * q, np.ones(len(q))]) * root[:, None]
    if np.linalg.matrix_rank(design, tol=1e-9) < 3:
        return None
    x, y, c = np.linalg.lstsq(design, root * np.sum(q**2, axis=1), rcond=None)[0]
    answer = np.array([x, y, np.sqrt(max(c + x * x + y * y, 0.0))])
    damping, last = 1e-6, _square(q, answer, weight)
    for _ in range(ROUNDS):
        rows, off = _system(q, answer)
        normal = (rows * weight[:, None]).T @ rows
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -(rows * weight[:, None]).T @ off)
        now = _square(q, answer + step, weight)
        if now > last and np.abs(step).max() > STILL * 1e3 * answer[2]:
            damping *= 10.0
            continue
        answer, last, damping = answer + step, min(now, last), damping / 10.0
        if np.abs(step).max() <= STILL * answer[2]:
            break
    else:
        return None
    rows, off = _system(q, answer)
    spread = last / max(float(weight.sum()) - 3.0, 1.0)
    covariance = np.asarray(np.linalg.inv((rows * weight[:, None]).T @ rows) * spread * size**2, dtype=np.float64)
    return CircleFit(middle + size * answer[:2], float(size * answer[2]), covariance, size * off)


def _system(q: FloatArray, answer: FloatArray) -> tuple[FloatArray, FloatArray]:
    away = q - answer[:2]
    reach = np.maximum(np.hypot(*away.T), 1e-12)
    return np.column_stack([-away / reach[:, None], -np.ones(len(q))]), reach - answer[2]


def _square(q: FloatArray, answer: FloatArray, weight: FloatArray) -> float:
    return float(weight @ _system(q, answer)[1] ** 2)
