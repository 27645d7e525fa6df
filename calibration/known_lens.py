"""A lens that was calibrated before: its numbers, how certain each is, and what they are in another picture of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from calibration.frames import FloatArray
from calibration.lens import Lens

SAME_SHAPE_WITHIN = 0.002  # sides of whole pixels: one px on 500
HALF = 0.5  # px are counted from the middle of the first one, sizes from its edge


@dataclass(frozen=True)
class LensSigma:
    """One standard deviation of each number of a lens."""

    focal_px: float = 0.0
    centre_px: tuple[float, float] = (0.0, 0.0)
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    k3: float = 0.0  # what the terms of the lens leave out, as a term r^7 on its own

    def __post_init__(self) -> None:
        """Check the numbers.

        Raises:
            ValueError: one is not finite or below zero.
        """
        values = [self.focal_px, *self.centre_px, self.k1, self.k2, self.p1, self.p2, self.k3]
        if not np.isfinite(values).all() or min(values) < 0.0:
            raise ValueError("standard deviations are finite and not below zero")


@dataclass(frozen=True)
class KnownLens:
    """A calibrated lens for pictures of one size."""

    lens: Lens
    sigma: LensSigma
    size_px: tuple[int, int]  # width, height
    way_known: bool = True  # its pictures are as the sensor gave them; else any quarter turn of that
    name: str = "a lens calibrated before"

    def in_picture(self, size_px: tuple[int, int], quarters: int | None) -> KnownLens | None:
        """Return the lens as it is in another picture by the same camera; None when the shape is another one.

        Where nothing tells which way round the picture is, the middle of it stands for the centre, and how far the
        centre is from there counts as uncertain; so do p1 and p2.

        Args:
            size_px: the upright picture's width and height.
            quarters: clockwise quarter turns that made it upright, where they are known.
        """
        as_taken = size_px if quarters is None or quarters % 2 == 0 else size_px[::-1]
        if self.way_known and quarters is not None and _same_shape(self.size_px, as_taken):
            return self._scaled(as_taken)._turned(quarters)
        if _same_shape(self.size_px, size_px):
            return self._scaled(size_px)._any_way_round()
        if _same_shape(self.size_px, size_px[::-1]):
            return self._scaled(size_px[::-1])._turned(1)._any_way_round()
        return None

    def _scaled(self, size_px: tuple[int, int]) -> KnownLens:
        by = size_px[0] / self.size_px[0]
        (x, y), (x_u, y_u) = self.lens.centre_px, self.sigma.centre_px
        centre = ((x + HALF) * by - HALF, (y + HALF) * by - HALF)
        lens = replace(self.lens, focal_px=self.lens.focal_px * by, centre_px=centre)
        sigma = replace(self.sigma, focal_px=self.sigma.focal_px * by, centre_px=(x_u * by, y_u * by))
        return replace(self, lens=lens, sigma=sigma, size_px=size_px)

    def _turned(self, quarters: int) -> KnownLens:
        """Return the lens in the picture turned clockwise; (p2, p1) turns as an arrow in the picture does."""
        known = self
        for _ in range(quarters % 4):
            lens, sigma = known.lens, known.sigma
            centre = turned_clockwise(np.array([lens.centre_px]), known.size_px, 1)[0]
            known = replace(
                known,
                lens=replace(lens, centre_px=(float(centre[0]), float(centre[1])), p1=lens.p2, p2=-lens.p1),
                sigma=replace(sigma, centre_px=sigma.centre_px[::-1], p1=sigma.p2, p2=sigma.p1),
                size_px=known.size_px[::-1],
            )
        return known

    def _any_way_round(self) -> KnownLens:
        middle = ((self.size_px[0] - 1) / 2.0, (self.size_px[1] - 1) / 2.0)
        off_px = math.dist(self.lens.centre_px, middle)
        centre_u_px = math.hypot(max(self.sigma.centre_px), off_px)
        p_u = math.hypot(max(self.sigma.p1, self.sigma.p2), self.lens.p1, self.lens.p2)
        return replace(
            self,
            lens=replace(self.lens, centre_px=middle, p1=0.0, p2=0.0),
            sigma=replace(self.sigma, centre_px=(centre_u_px, centre_u_px), p1=p_u, p2=p_u),
            way_known=False,
        )


def _same_shape(one: tuple[int, int], two: tuple[int, int]) -> bool:
    return abs(one[0] * two[1] / (one[1] * two[0]) - 1.0) <= SAME_SHAPE_WITHIN


def turned_clockwise(xy: FloatArray, size_px: tuple[int, int], quarters: int) -> FloatArray:
    """Return (N, 2) where places are when their picture, of this width and height, is turned by quarters."""
    for _ in range(quarters % 4):
        xy = np.column_stack([size_px[1] - 1 - xy[:, 1], xy[:, 0]])
        size_px = size_px[::-1]
    return xy
