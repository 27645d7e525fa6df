"""What is checked of finished parts before anything is written: they must give the outline back. Body frame, mm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.errors import Refusal
from digitize.arcs import distances, mirrored, sampled
from digitize.mold_settings import MoldJob
from digitize.mold_shapes import Part
from digitize.parts.layers import alike
from digitize.parts.regions import crosses_itself
from digitize.shapes import ArcPath

SAMPLE_MM = 1.0
LAYER_MM = 0.001  # closed halves against the outline
FACE_MM = 0.01  # face, liner and side against the outline


@dataclass(frozen=True)
class Proof:
    """How well the parts give the outline back, mm."""

    layer_off_mm: float  # the closed halves' inside against the outline, at most
    face_off_mm: float | None  # spreader faces, liner and side against it; None without spreaders


def prove(body: ArcPath, parts: tuple[Part, ...], job: MoldJob) -> Proof:
    """Return how far the parts are from what they should give.

    Raises:
        Refusal: ``part-check`` when one crosses itself or does not give the outline back.
    """
    for part in parts:
        if crosses_itself(part.outline):
            raise Refusal("part-check", part=part.title, why="its edge crosses itself")
    layer_off = _layers_off(body, parts)
    if layer_off > LAYER_MM:
        raise Refusal("part-check", part="The mold", why=f"its inside is {layer_off:.4f} mm off the outline")
    face_off = _faces_off(body, parts, job)
    if face_off is not None and face_off > FACE_MM:
        raise Refusal("part-check", part="A spreader", why=f"its face is {face_off:.4f} mm off")
    return Proof(layer_off, face_off)


def _layers_off(body: ArcPath, parts: tuple[Part, ...]) -> float:
    """Return how far any place of the outline is from the closed halves' edges."""
    edges = [part.outline for part in parts if part.name.startswith("layer")]
    if alike(body):
        edges += [mirrored(edge) for edge in edges]
    places = sampled(body, SAMPLE_MM)
    return float(np.min([distances(edge, places) for edge in edges], axis=0).max())


def _faces_off(body: ArcPath, parts: tuple[Part, ...], job: MoldJob) -> float | None:
    """Return how far spreader faces are from where side and liner put them: places that are meant to be as near.

    A block's inner edges are far inside; a place counts as its face when it is within a side's and liner's reach and
    a little more.
    """
    need = job.sides.thickness_mm + job.spreaders.liner_mm
    worst: float | None = None
    for part in parts:
        if not part.name.startswith("spreader"):
            continue
        apart = distances(body, sampled(part.outline, SAMPLE_MM))
        face = apart <= need + FACE_MM / 2.0
        # Nothing of a block may come nearer to the outline than its face does.
        off = float(np.abs(apart[face] - need).max()) if face.any() else float("inf")
        worst = off if worst is None else max(worst, off)
    return worst
