"""The forms that sides are bent round, smaller than the outline by the side's thickness. Body frame, mm."""

from __future__ import annotations

from calibration.flags import Doubt, doubt
from digitize.arcs import mirrored
from digitize.mold_settings import MoldJob
from digitize.mold_shapes import Part
from digitize.parts.layers import SIDES, alike
from digitize.parts.offset import counter_clockwise, offset
from digitize.parts.regions import half
from digitize.shapes import ArcPath


def forms(body: ArcPath, job: MoldJob) -> tuple[tuple[Part, ...], tuple[Doubt, ...]]:
    """Return the bending form of each side and the inside form, as asked for, with reasons for what cannot be.

    Raises:
        Refusal: ``half-not-single``.
    """
    if not (job.forms.bending or job.forms.inside):
        return (), ()
    inner = offset(counter_clockwise(body), -job.sides.thickness_mm)
    if len(inner) != 1:
        why = "a side of that thickness fills the body" if not inner else "a side of that thickness closes the waist"
        return (), (doubt("part-left-out", part="The form", why=why, how="Check [sides] thickness."),)
    parts = []
    if job.forms.bending:
        parts += _bending(body, inner[0], job)
    if job.forms.inside:
        parts.append(_part("inside-form", "inside form", inner[0], job.layers, job))
    return tuple(parts), ()


def _bending(body: ArcPath, inner: ArcPath, job: MoldJob) -> list[Part]:
    if alike(body):
        return [_part("bending-form", "bending form", half(inner), job.layers, job)]
    halves = {"right": half(inner), "left": counter_clockwise(mirrored(half(mirrored(inner))))}
    return [_part(f"bending-form-{side}", f"bending form, {side}", halves[side], job.layers, job) for side in SIDES]


def _part(name: str, title: str, edge: ArcPath, count: int, job: MoldJob) -> Part:
    return Part(
        name, title, edge, (), (), (), count, job.sheet.thickness_mm, job.sheet.material, True,
        "Smaller than the outline by the side's thickness all round.",
    )  # fmt: skip
