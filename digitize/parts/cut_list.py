"""What is to be cut, how much of it there is and what it weighs; what is to be glued; how long the sides are."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from digitize.arcs import arc_length, extents, signed_area
from digitize.mold_settings import MoldJob
from digitize.mold_shapes import Part
from digitize.parts.regions import right_run
from digitize.shapes import ArcPath

MM2_PER_M2 = 1e6
MM3_PER_M3 = 1e9


@dataclass(frozen=True)
class CutRow:
    """One part of the list; sizes of one piece."""

    name: str
    title: str
    count: int
    material: str
    thickness_mm: float
    width_mm: float
    height_mm: float
    area_mm2: float
    cut_mm: float  # length of all its edges, holes included
    weight_kg: float | None  # of one piece; None where the density is not known


@dataclass(frozen=True)
class Totals:
    """What the whole job comes to."""

    pieces: int
    area_mm2: float  # of all pieces from the sheets
    weight_kg: float
    glue_mm2: float  # faces that are glued to each other, once
    side_blank_mm: tuple[float, float]  # right, left: half the outline and the allowance


def cut_list(parts: tuple[Part, ...], job: MoldJob) -> tuple[CutRow, ...]:
    """Return a row for each part."""
    return tuple(_row(part, job) for part in parts)


def _row(part: Part, job: MoldJob) -> CutRow:
    left, low, right, top = extents(part.outline)
    area = piece_area(part)
    known = part.material == job.sheet.material
    weight = area * part.thickness_mm / MM3_PER_M3 * job.sheet.density_kg_m3 if known else None
    edges = arc_length(part.outline) + sum(arc_length(hole) for hole in part.holes)
    return CutRow(
        part.name, part.title, part.count, part.material, part.thickness_mm, right - left, top - low, area, edges,
        weight,
    )  # fmt: skip


def piece_area(part: Part) -> float:
    """Return the area of one piece less its holes, mm2."""
    return abs(signed_area(part.outline)) - sum(abs(signed_area(hole)) for hole in part.holes)


def totals(rows: tuple[CutRow, ...], parts: tuple[Part, ...], body: ArcPath, job: MoldJob) -> Totals:
    """Return the sums over all parts that come from the sheets."""
    ours = [row for row in rows if row.material == job.sheet.material]
    return Totals(
        pieces=sum(row.count for row in ours),
        area_mm2=sum(row.count * row.area_mm2 for row in ours),
        weight_kg=sum(row.count * (row.weight_kg or 0.0) for row in ours),
        glue_mm2=_glue(parts, job),
        side_blank_mm=side_blanks(body, job),
    )


def _glue(parts: tuple[Part, ...], job: MoldJob) -> float:
    """Return the glued area: each stack has a joint less than it has layers; of two that touch, the smaller counts."""
    glued = 0.0
    for stack in _stacks(parts, job):
        glued += sum(min(one, other) for one, other in pairwise(stack))
    return glued


def _stacks(parts: tuple[Part, ...], job: MoldJob) -> list[list[float]]:
    """Return the areas of the pieces of each stack, from its bottom up."""
    by_name = {part.name: part for part in parts}
    stacks = []
    for part in parts:
        if part.name.startswith("layer"):
            stacks += [[piece_area(part)] * job.layers] * (part.count // job.layers)
        elif part.name.endswith("-form") or part.name.startswith("bending-form"):
            stacks.append([piece_area(part)] * part.count)
        elif part.name.startswith("spreader") and "pocket" not in part.name:
            stacks += _block_stacks(part, by_name.get(f"{part.name}-pocket"), job)
    return stacks


def _block_stacks(plain: Part, pocketed: Part | None, job: MoldJob) -> list[list[float]]:
    blocks = (plain.count + (pocketed.count if pocketed else 0)) // job.spreaders.layers
    middle = [piece_area(pocketed)] * (pocketed.count // blocks) if pocketed else []
    outer = plain.count // blocks
    below = outer // 2
    stack = [piece_area(plain)] * below + middle + [piece_area(plain)] * (outer - below)
    return [stack] * blocks


def side_blanks(body: ArcPath, job: MoldJob) -> tuple[float, float]:
    """Return how long the right and the left side's blanks are: their run along the outline, and the allowance, mm."""
    right = arc_length(right_run(body))
    return right + job.sides.allowance_mm, arc_length(body) - right + job.sides.allowance_mm
