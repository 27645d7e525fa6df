"""Grey values across something that runs along, at full resolution, and the smooth course of what is found there.

Frame: px of the picture. ``h`` is the distance across, in px from the course, + to the side of the normal.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import BoolArray, FloatArray
from digitize.sheet.lens import Lens

Grey = npt.NDArray[np.uint8]

ROWS_AT_ONCE = 30_000  # OpenCV's remap takes no more than 32767
STATION_PX = 20.0
ALONG_PX = 8  # to either side of a station, what is averaged
ACROSS_STEP_PX = 0.5
MEDIAN_TO_SIGMA = 1.4826  # standard deviation of normal noise over the median of its size
STRAY_SIGMAS = 4.0
LEAST_SIGMA_PX = 0.03  # of places that agree better than pixels let them
ROUNDS = 6


@dataclass(frozen=True, eq=False)
class Course:
    """Stations along a straight thing as the lens shows it."""

    places: FloatArray  # (S, 2)
    along: FloatArray  # (S, 2) unit
    normal: FloatArray  # (S, 2) unit, to the right of ``along`` seen with y down

    def moved(self, across_px: FloatArray) -> FloatArray:
        """Return (S, 2) the places moved across."""
        return np.asarray(self.places + across_px[:, None] * self.normal)


def profiles(picture: Grey, at_px: FloatArray) -> FloatArray:
    """Return the grey (N, M) at places (N, M, 2) px, good to 1/32 px; beyond the picture its rim goes on."""
    at = at_px.astype(np.float32)
    parts = [
        cv2.remap(picture, at[k : k + ROWS_AT_ONCE], None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for k in range(0, len(at), ROWS_AT_ONCE)
    ]
    return np.concatenate(parts).astype(np.float64) if parts else np.zeros(at.shape[:2])


def straight_course(lens: Lens, start: FloatArray, end: FloatArray, shape: tuple[int, ...]) -> Course | None:
    """Return stations from ``start`` to ``end``, both of the straightened picture, where the picture shows them."""
    long = float(np.hypot(*(end - start)))
    count = int(long / STATION_PX)
    if count < 3:
        return None
    t = (np.arange(count) + 0.5) / count
    ideal = start + t[:, None] * (end - start)
    step = (end - start) / long
    places = lens.bend(ideal)
    along = lens.bend(ideal + step) - lens.bend(ideal - step)
    inside = ((places >= ALONG_PX) & (places <= np.array(shape[1::-1]) - 1 - ALONG_PX)).all(axis=1)
    if inside.sum() < 3:
        return None
    along = along[inside] / np.hypot(*along[inside].T)[:, None]
    return Course(places[inside], along, np.stack([-along[:, 1], along[:, 0]], axis=1))


def across(picture: Grey, course: Course, centre_px: FloatArray, reach_px: float) -> tuple[FloatArray, FloatArray]:
    """Return h (M,) and the mean grey (S, M) across the course about ``centre_px`` (S,)."""
    h = np.arange(-reach_px, reach_px + ACROSS_STEP_PX / 2, ACROSS_STEP_PX)
    t = np.arange(-ALONG_PX, ALONG_PX + 1.0)
    middle = course.moved(centre_px)
    lean = np.gradient(centre_px) / STATION_PX  # the course that was found leans against the one expected
    total = np.zeros((len(middle), len(h)))
    for step in t:
        base = middle + step * course.along + (step * lean)[:, None] * course.normal
        total += profiles(picture, base[:, None] + h[:, None] * course.normal[:, None])
    return h, total / len(t)


def follow(
    course: Course,
    looks: Sequence[Callable[[FloatArray], FloatArray]],
    degree: int,
    trust: FloatArray | None = None,
) -> tuple[FloatArray, Smooth] | None:
    """Return what is found across the course (S,) and its smooth course, or None when too little agrees.

    Args:
        course: where to look.
        looks: one after the other, each given where the last found the course (S,), gives what it finds from there
            (S,), nan for nothing.
        degree: of the polynomial that the course is let to leave the expected one by.
        trust: (S,) how much each station has a say.
    """
    station = np.hypot(*(course.places - course.places[0]).T)
    centre = np.zeros(len(station))
    result = None
    for look in looks:
        found = centre + look(centre)
        smooth = smooth_course(station, found, degree, trust)
        if smooth is None:
            return None
        centre, result = smooth.at, (found, smooth)
    return result


@dataclass(frozen=True, eq=False)
class Smooth:
    """A smooth course through what was found at the stations."""

    at: FloatArray  # (S,) across, px
    used: BoolArray  # (S,) what agrees with it
    sigma_px: float  # of one station, robust


def smooth_course(
    station: FloatArray, found: FloatArray, degree: int, trust: FloatArray | None = None
) -> Smooth | None:
    """Fit a low polynomial to ``found`` (S,), nan where nothing was; None when too little agrees.

    ``trust`` (S,), 0 to 1, says how much each has a say in where the course runs.
    """
    x = (station - station.mean()) / max(float(np.ptp(station)), 1.0)
    design = np.vander(x, degree + 1)
    used = np.isfinite(found)
    if used.sum() < 2 * degree + 2:
        return None
    value = np.where(used, found, 0.0)
    own = used * (np.ones(len(found)) if trust is None else trust)
    weight, sigma = own, 1.0
    for _ in range(ROUNDS):
        root = np.sqrt(weight)
        answer = np.linalg.lstsq(design * root[:, None], value * root, rcond=None)[0]
        off = value - design @ answer
        sigma = max(MEDIAN_TO_SIGMA * _median(np.abs(off[used]), own[used]), LEAST_SIGMA_PX)
        weight = own / (1 + (off / (2 * sigma)) ** 2) ** 2  # Geman and McClure, Bull. ISI 52 (1987) 5
    agree = used & (np.abs(off) < STRAY_SIGMAS * sigma)
    return Smooth(design @ answer, agree, sigma) if agree.sum() >= 2 * degree + 2 else None


def _median(values: FloatArray, weight: FloatArray) -> float:
    """Return the weighted median."""
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])
