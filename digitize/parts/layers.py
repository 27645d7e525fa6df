"""The mold's half layers, all alike, and the master that they are copied from. Body frame, mm."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from calibration.errors import Refusal
from calibration.frames import FloatArray, frozen_floats
from digitize.arcs import crossings, distances, extents, mirrored, polygon, sampled
from digitize.mold_settings import MoldJob
from digitize.mold_shapes import DRILL, MARK, SAW, Part
from digitize.parts.flip import flipped, text_width
from digitize.parts.meet import winding
from digitize.parts.offset import counter_clockwise, offset
from digitize.parts.regions import box, circle, right_run, ring_half, union, upright_places
from digitize.shapes import ArcPath, TextMark

SIDES = ("right", "left")
# Halves that differ by less are one part: far below what anybody cuts.
ALIKE_MM = 0.001
TAB_ROOT_MM = 1.0  # how far a tab's sides begin inside the wall
TAB_SHARE = 0.8  # of the half width where the body is narrow: a tab is never wider
DOWEL_STEP_MM = 2.0
DOWEL_AIM_MM = 10.0  # beyond the joint dowel's end, towards the wall
TEXT_MM, LETTER_PLACES, LABEL_STEP_MM = 8.0, 9, 6.0
CENTERLINE_OVERRUN_MM = 10.0
WASTE_MARK_MM = 20.0
SAMPLE_MM = 1.0


@lru_cache(maxsize=8)
def alike(body: ArcPath) -> bool:
    """Tell whether a body's halves are the same."""
    return float(distances(body, sampled(mirrored(body), SAMPLE_MM)).max()) < ALIKE_MM


def outer_shape(body: ArcPath, job: MoldJob) -> ArcPath:
    """Return the mold's outer edge, both halves together, tabs at both ends included.

    Gaps that the wall encloses, as between two horns, are filled.
    """
    shape = job.mold
    if shape.shape == "wall":
        edge = offset(body, shape.wall_mm)[0]
    else:
        left, low, right, top = extents(body)
        wide = max(-left, right) + shape.wall_mm
        edge = box(-wide, low - shape.wall_mm, wide, top + shape.wall_mm, shape.corner_mm)
    return _with_tabs(edge, job) if shape.tab_mm > 0.0 else edge


def _with_tabs(edge: ArcPath, job: MoldJob) -> ArcPath:
    left, low, right, top = extents(edge)
    half_width = min(job.mold.tab_width_mm, TAB_SHARE * min(-left, right))
    at_joint = sorted(y for _, _, y in crossings(edge))
    sides = np.concatenate([upright_places(edge, x).xy_mm[:, 1] for x in (-half_width, half_width)])
    middle = (low + top) / 2.0
    root_top = float(sides[sides > middle].min()) - TAB_ROOT_MM
    root_low = float(sides[sides < middle].max()) + TAB_ROOT_MM
    edge = union(edge, box(-half_width, root_top, half_width, at_joint[-1] + job.mold.tab_mm))
    return union(edge, box(-half_width, at_joint[0] - job.mold.tab_mm, half_width, root_low))


def layers(body: ArcPath, job: MoldJob) -> tuple[Part, ...]:
    """Return the master and the half layer of each side; of the right one alone when both are alike.

    Raises:
        Refusal: ``half-not-single`` or ``no-room-for-dowels``.
    """
    body = counter_clockwise(body)
    both = alike(body)
    parts: list[Part] = []
    for side in SIDES[:1] if both else SIDES:
        shown = body if side == "right" else mirrored(body)
        found = _one_side(shown, job, side, both)
        parts += found if side == "right" else [flipped(part) for part in found]
    return tuple(parts)


def _one_side(body: ArcPath, job: MoldJob, side: str, both: bool) -> list[Part]:
    edge = ring_half(outer_shape(body, job), body)
    joints = _joint_places(edge)
    holes = tuple(circle(at, job.dowels.diameter_mm) for at in dowel_places(edge, job))
    bores = tuple((DRILL, _bore(y, job)) for y in joints)
    name = "both halves" if both else f"{side} half"
    suffix = "" if both else f"-{side}"
    count = job.layers * (2 if both else 1)
    layer = Part(
        f"layer{suffix}", f"mold layer, {name}", edge, holes, bores, (_label(edge, holes, "layer", job),), count,
        job.sheet.thickness_mm, job.sheet.material,
        note="Stack on the dowels." + (" Turn half of them over for the other half of the mold." if both else ""),
    )  # fmt: skip
    master = Part(
        f"master{suffix}", f"master template, {name}", edge, holes,
        ((SAW, _saw_line(body, job)), *((MARK, tick) for tick in _ticks(edge))), (_label(edge, holes, "master", job),),
        1, job.sheet.template_mm, "clear acrylic", True,
        "Saw to the broken line, sand to the full one, then copy every layer from it.",
    )  # fmt: skip
    return [master, layer]


def _joint_places(edge: ArcPath) -> list[float]:
    """Return the y of the middles of both end faces on x = 0, the tail's first."""
    on = edge.xy_mm[np.abs(edge.xy_mm[:, 0]) < 1e-9, 1]
    low, inner_low, inner_top, top = np.sort(on)[[0, 1, -2, -1]].tolist()
    return [(low + inner_low) / 2.0, (inner_top + top) / 2.0]


def _bore(y_mm: float, job: MoldJob) -> ArcPath:
    """Return the outline of the hole for a joint dowel, as seen from above."""
    reach, radius = job.dowels.joint_depth_mm, job.dowels.joint_diameter_mm / 2.0
    low, top = y_mm - radius, y_mm + radius
    return polygon(frozen_floats([(0.0, low), (reach, low), (reach, top), (0.0, top)]), False)


def dowel_places(edge: ArcPath, job: MoldJob) -> list[tuple[float, float]]:
    """Return the middles of a half layer's two dowel holes, tail and neck end, clear of every edge and of the joint.

    Raises:
        Refusal: ``no-room-for-dowels``.
    """
    need = job.dowels.diameter_mm / 2.0 + job.dowels.edge_mm
    left, low, right, top = extents(edge)
    x = np.arange(left + need, right - need, DOWEL_STEP_MM)
    y = np.arange(low + need, top - need, DOWEL_STEP_MM)
    grid = np.array(np.meshgrid(x, y)).reshape(2, -1).T
    joints = _joint_places(edge)
    aim_x = job.dowels.joint_depth_mm + need + DOWEL_AIM_MM
    places = []
    for end, near_end in enumerate((grid[:, 1] < (low + top) / 2.0, grid[:, 1] > (low + top) / 2.0)):
        aim = np.array((aim_x, joints[end]))
        near = grid[near_end]
        near = near[np.argsort(np.hypot(*(near - aim).T), kind="stable")]
        place = _first_clear(near, edge, need, joints[end], job)
        if place is None:
            raise Refusal(
                "no-room-for-dowels", end=("tail", "neck")[end], diameter=f"{job.dowels.diameter_mm:g}",
                edge=f"{job.dowels.edge_mm:g}",
            )  # fmt: skip
        places.append(place)
    return places


def _first_clear(
    places: FloatArray, edge: ArcPath, need: float, joint_y: float, job: MoldJob
) -> tuple[float, float] | None:
    """Return the first of the places with ``need`` mm of wood to every edge, and clear of the joint dowel."""
    reach = job.dowels.joint_depth_mm + need
    aside = job.dowels.joint_diameter_mm / 2.0 + need
    places = places[(places[:, 0] > reach) | (np.abs(places[:, 1] - joint_y) > aside)]
    for first in range(0, len(places), 500):
        some = places[first : first + 500]
        clear = (winding(some, edge) == 1) & (distances(edge, some) >= need)
        if clear.any():
            x, y = some[np.argmax(clear)].tolist()
            return x, y
    return None


def _saw_line(body: ArcPath, job: MoldJob) -> ArcPath:
    return right_run(offset(body, -job.mold.saw_mm)[0])


def _ticks(edge: ArcPath) -> list[ArcPath]:
    """Return lines on the centerline that run out over the waste beyond both end faces."""
    on = np.sort(edge.xy_mm[np.abs(edge.xy_mm[:, 0]) < 1e-9, 1])
    inner = [(on[1], on[1] + WASTE_MARK_MM), (on[-2] - WASTE_MARK_MM, on[-2])]
    outer = [(on[0] - CENTERLINE_OVERRUN_MM, on[0]), (on[-1], on[-1] + CENTERLINE_OVERRUN_MM)]
    return [polygon(frozen_floats([(0.0, a), (0.0, b)]), False) for a, b in [*outer, *inner]]


def _label(edge: ArcPath, holes: tuple[ArcPath, ...], text: str, job: MoldJob) -> TextMark:
    """Return a text in the wall, as near to the half's widest place as it crosses neither an edge nor a hole.

    Where the wall has no room for it anywhere it lies in the middle of the widest place.
    """
    left, low, right, top = extents(edge)
    outer = sampled(edge, SAMPLE_MM)
    bare = TextMark((0.0, 0.0), TEXT_MM, text)
    aim = np.array((right - job.mold.wall_mm / 2.0, float(outer[int(outer[:, 0].argmax()), 1])))
    x, y = np.arange(left, right, LABEL_STEP_MM), np.arange(low, top, LABEL_STEP_MM)
    grid = np.vstack([aim, np.array(np.meshgrid(x, y)).reshape(2, -1).T])
    grid = grid[np.argsort(np.hypot(*(grid - aim).T), kind="stable")]
    row = np.column_stack([np.linspace(-0.5, 0.5, LETTER_PLACES) * text_width(bare), np.zeros(LETTER_PLACES)])
    for first in range(0, len(grid), 50):
        some = grid[first : first + 50]
        some = some[(winding(some, edge) == 1) & (distances(edge, some) >= TEXT_MM)]
        letters = (some[:, None, :] + row).reshape(-1, 2)
        clear = np.ones(len(letters), dtype=bool)
        for path, within in ((edge, 1), *((hole, 0) for hole in holes)):
            clear &= (winding(letters, path) == within) & (distances(path, letters) >= TEXT_MM)
        whole = clear.reshape(len(some), LETTER_PLACES).all(axis=1)
        if whole.any():
            aim = some[int(np.argmax(whole))]
            break
    return TextMark((float(aim[0]) - text_width(bare) / 2.0, float(aim[1]) - TEXT_MM / 2.0), TEXT_MM, text)
