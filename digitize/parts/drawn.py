"""Parts and sheets as neutral drawings for the writers: holes before outlines, each part in its own corner. mm."""

from __future__ import annotations

from dataclasses import replace

import shapely

from calibration.frames import frozen_floats
from digitize.arcs import extents, flatten, polygon
from digitize.mold_shapes import CUT, HOLES, MARK, Part, SheetPlan
from digitize.parts.flip import text_width
from digitize.parts.offset import counter_clockwise, offset
from digitize.parts.regions import box, moved
from digitize.shapes import ArcPath, Drawing, TextMark, Unit

SHEET_LAYER, NOTES, CHECK_LENGTH = "SHEET", "NOTES", "CHECK_LENGTH"
CHECK_LENGTH_MM = 100.0
CHECK_TICK_MM = 6.0
TITLE_MM, TEXT_MM, LINE_MM = 8.0, 5.0, 9.0
BELOW_MM = 14.0  # from the part to its check line
LABEL_MM = 7.0


def part_drawing(part: Part, notes: tuple[str, ...], unit: Unit, tool_mm: float | None) -> Drawing:
    """Return a part with its check line and notes; the part's lower left corner is (0, 0).

    Args:
        part: in any frame.
        notes: sentences below it.
        unit: of its sizes, for people.
        tool_mm: diameter of the cutter that the paths are moved aside for; None leaves them on the part's edge.
    """
    placed = at_corner(part)
    paths = [*((HOLES, hole) for hole in cut_holes(placed, tool_mm)), (CUT, cut_edge(placed, tool_mm)), *placed.marks]
    return Drawing(
        (*paths, *((CHECK_LENGTH, path) for path in _check_line())),
        (*((MARK, mark) for mark in placed.texts), *_notes([part.title, *notes])), part.title, unit, {},
    )  # fmt: skip


def at_corner(part: Part) -> Part:
    """Return a part moved so that its outline's lower left corner is (0, 0)."""
    left, low, _, _ = extents(part.outline)
    shift = (-left, -low)
    texts = tuple(TextMark((one.at[0] - left, one.at[1] - low), one.height_mm, one.text) for one in part.texts)
    return replace(
        part, outline=moved(part.outline, shift), holes=tuple(moved(hole, shift) for hole in part.holes),
        marks=tuple((layer, moved(path, shift)) for layer, path in part.marks), texts=texts,
    )  # fmt: skip


def cut_edge(part: Part, tool_mm: float | None) -> ArcPath:
    """Return the path of the tool's middle round a part; the part's own edge without a tool."""
    edge = counter_clockwise(part.outline)
    return edge if tool_mm is None else offset(edge, tool_mm / 2.0)[0]


def cut_holes(part: Part, tool_mm: float | None) -> tuple[ArcPath, ...]:
    """Return the paths of the tool's middle in the holes; those too small for it are left out, to be drilled."""
    if tool_mm is None:
        return part.holes
    inner = [offset(hole, -tool_mm / 2.0) for hole in part.holes]
    return tuple(one[0] for one in inner if one)


def _check_line() -> list[ArcPath]:
    """Return the 100 mm line and its ticks, below the part from its left side."""
    y, tick = -BELOW_MM, CHECK_TICK_MM / 2.0
    rows = [[(0.0, y), (CHECK_LENGTH_MM, y)], *([(x, y - tick), (x, y + tick)] for x in (0.0, CHECK_LENGTH_MM))]
    return [polygon(frozen_floats(row), closed=False) for row in rows]


def _notes(lines: list[str]) -> list[tuple[str, TextMark]]:
    marks = [(CHECK_LENGTH, TextMark((2.0, -BELOW_MM + 1.5), TEXT_MM, "100 mm"))]
    y = -BELOW_MM - CHECK_TICK_MM - TITLE_MM
    for index, line in enumerate(line for line in lines if line):
        marks.append((NOTES, TextMark((0.0, y), TITLE_MM if index == 0 else TEXT_MM, line)))
        y -= LINE_MM
    return marks


def sheet_drawing(plan: SheetPlan, parts: dict[str, Part], title: str, unit: Unit, tool_mm: float | None) -> Drawing:
    """Return a sheet with its pieces: all holes first, then the outlines; the sheet's lower left corner is (0, 0)."""
    holes: list[tuple[str, ArcPath]] = []
    edges: list[tuple[str, ArcPath]] = []
    marks: list[tuple[str, ArcPath]] = []
    texts: list[tuple[str, TextMark]] = []
    for placed in plan.placed:
        part = parts[placed.part]
        put = (placed.shift_mm, placed.quarters)
        holes += [(HOLES, moved(hole, *put)) for hole in cut_holes(part, tool_mm)]
        edges.append((CUT, moved(cut_edge(part, tool_mm), *put)))
        marks += [(layer, moved(path, *put)) for layer, path in part.marks]
        texts.append((NOTES, _piece_label(part, moved(part.outline, *put))))
    sheet = (SHEET_LAYER, box(0.0, 0.0, plan.stock.width_mm, plan.stock.height_mm))
    texts.append((NOTES, TextMark((0.0, -1.5 * TITLE_MM), TITLE_MM, title)))
    return Drawing((*holes, *edges, *marks, sheet), tuple(texts), title, unit, {})


def _piece_label(part: Part, edge: ArcPath) -> TextMark:
    """Return a piece's name where there is room for it on the piece."""
    place = shapely.Polygon(flatten(edge, LABEL_MM / 10.0)).representative_point()
    bare = TextMark((0.0, 0.0), LABEL_MM, part.name)
    return replace(bare, at=(place.x - text_width(bare) / 2.0, place.y - LABEL_MM / 2.0))
