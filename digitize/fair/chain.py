"""A chain of arcs and lines that meet tangentially, and how it moves when one of its numbers changes.

A chain is told by where it starts, which way it heads there, and each piece's curvature and length, so its joints
are tangent whatever the numbers. Arrays in, arrays out; mm and radians, curvature 1/mm, left turns positive.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calibration.frames import FloatArray, IntArray

# Below this turned angle the closed forms lose digits, and their series stand in.
SMALL_RAD = 1e-3


def _half_square(x: FloatArray) -> FloatArray:
    """Return (1 - cos x) / x^2."""
    return np.asarray(0.5 * np.sinc(x / (2.0 * np.pi)) ** 2)


def _sixth(x: FloatArray) -> FloatArray:
    """Return (x - sin x) / x^3."""
    safe = np.where(np.abs(x) < SMALL_RAD, 1.0, x)
    return np.where(np.abs(x) < SMALL_RAD, 1.0 / 6.0 - x**2 / 120.0, (safe - np.sin(safe)) / safe**3)


def turned(xy: FloatArray) -> FloatArray:
    """Return (..., 2) vectors turned left by a right angle."""
    return np.stack([-xy[..., 1], xy[..., 0]], axis=-1)


@dataclass(frozen=True, eq=False)
class Chain:
    """Arcs and lines, each going on in the direction in which the last one ended."""

    start: FloatArray  # (2,) mm
    heading: float  # rad, at the start
    curvature: FloatArray  # (P,) 1/mm, 0 straight
    length: FloatArray  # (P,) mm

    @cached_property
    def headings(self) -> FloatArray:
        """(P + 1,) directions at the joints, both ends included."""
        return self.heading + np.concatenate([[0.0], np.cumsum(self.curvature * self.length)])

    @cached_property
    def tangents(self) -> FloatArray:
        """(P + 1, 2) unit directions at the joints."""
        return np.column_stack([np.cos(self.headings), np.sin(self.headings)])

    @cached_property
    def joints(self) -> FloatArray:
        """(P + 1, 2) places of the joints, both ends included."""
        x = self.curvature * self.length
        along = self.length * np.sinc(x / np.pi)
        aside = self.length * x * _half_square(x)
        step = along[:, None] * self.tangents[:-1] + aside[:, None] * turned(self.tangents[:-1])
        return np.asarray(self.start + np.vstack([np.zeros((1, 2)), np.cumsum(step, axis=0)]))

    @cached_property
    def moments(self) -> FloatArray:
        """(P, 2) integral of the place along each piece, mm2."""
        x, length = self.curvature * self.length, self.length
        along, aside = length**2 * _half_square(x), length**2 * x * _sixth(x)
        tangent = self.tangents[:-1]
        inner = along[:, None] * tangent + aside[:, None] * turned(tangent)
        return np.asarray(length[:, None] * self.joints[:-1] + inner)

    def moved(self, change: FloatArray) -> Chain:
        """Return the chain after a change of (x, y, heading, curvatures, lengths)."""
        count = len(self.curvature)
        return Chain(
            self.start + change[:2],
            self.heading + float(change[2]),
            self.curvature + change[3 : 3 + count],
            self.length + change[3 + count :],
        )


@dataclass(frozen=True, eq=False)
class Against:
    """Points held against a chain."""

    piece: IntArray  # (N,) the piece each lies beside
    off: FloatArray  # (N,) mm to the left of it
    foot: FloatArray  # (N, 2) the nearest place
    tangent: FloatArray  # (N, 2) of the chain there
    along: FloatArray  # (N,) mm from the piece's start to the foot


def against(chain: Chain, xy: FloatArray, place: FloatArray) -> Against:
    """Return how points lie beside a chain.

    Args:
        chain: the arcs and lines.
        xy: (N, 2) points that follow it closely.
        place: (N,) how far along the chain each lies, mm, within half a piece.
    """
    ends = np.cumsum(chain.length)
    piece = np.minimum(np.searchsorted(ends, place), len(ends) - 1)
    for _ in range(2):
        before = np.einsum("ij,ij->i", xy - chain.joints[piece], chain.tangents[piece]) < 0.0
        beyond = np.einsum("ij,ij->i", xy - chain.joints[piece + 1], chain.tangents[piece + 1]) > 0.0
        piece = np.clip(piece + np.where(beyond, 1, 0) - np.where(before, 1, 0), 0, len(ends) - 1)
    start, tangent, bend = chain.joints[piece], chain.tangents[piece], chain.curvature[piece]
    q = xy - start
    ahead, left = np.einsum("ij,ij->i", q, tangent), np.einsum("ij,ij->i", q, turned(tangent))
    power = bend * np.einsum("ij,ij->i", q, q) - 2.0 * left
    off = -power / (1.0 + np.sqrt(np.maximum(1.0 + bend * power, 0.0)))
    angle = np.arctan2(bend * ahead, 1.0 - bend * left)
    curved = np.abs(bend) > 1e-9
    along = np.where(curved, angle / np.where(curved, bend, 1.0), ahead)
    heading = chain.headings[piece] + np.where(curved, angle, 0.0)
    direction = np.column_stack([np.cos(heading), np.sin(heading)])
    return Against(piece, np.asarray(off), xy - off[:, None] * turned(direction), direction, along)


def across_derivatives(chain: Chain, at: Against) -> FloatArray:
    """Return (N, 3 + 2 P) how far left the chain moves at each foot for each of its numbers."""
    count, here = len(chain.curvature), at.piece[:, None]
    order = np.arange(count)[None]
    after = here > order
    normal = turned(at.tangent)

    reach = np.einsum("ij,ij->i", at.foot, at.tangent)[:, None]

    def swing(about: FloatArray) -> FloatArray:
        return np.asarray(reach - at.tangent @ about.T)

    whole = reach * chain.length - at.tangent @ chain.moments.T
    part = at.along**2 * _half_square(chain.curvature[at.piece] * at.along)
    bend = np.where(after, whole, np.where(here == order, part[:, None], 0.0))
    ends, tangents = chain.joints[1:], chain.tangents[1:]
    stretch = np.where(after, normal @ tangents.T + chain.curvature * swing(ends), 0.0)
    return np.hstack([normal, swing(chain.start[None]), bend, stretch])


def end_derivatives(chain: Chain) -> FloatArray:
    """Return (3, 3 + 2 P) how the end's x, y and heading change with each of the chain's numbers."""
    end = chain.joints[-1]
    bend = turned(chain.length[:, None] * end - chain.moments)
    stretch = chain.tangents[1:] + chain.curvature[:, None] * turned(end - chain.joints[1:])
    place = np.column_stack([np.eye(2), turned(end - chain.start)[:, None], bend.T, stretch.T])
    return np.vstack([place, np.concatenate([[0.0, 0.0, 1.0], chain.length, chain.curvature])])
