"""The drawing as DXF R2010 in millimetres, read back from the tagged text itself.

The check does not use the library that wrote the file: it reads the group codes of the Autodesk DXF reference
(HEADER variables, LINE, LWPOLYLINE with bulges, SPLINE with knots and control points, TEXT).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import ezdxf
import numpy as np
from ezdxf.document import Drawing as Document
from ezdxf.layouts import Modelspace

from calibration.frames import frozen_floats
from digitize.arcs import Box
from digitize.bsplines import DEGREE
from digitize.shapes import ArcPath, Drawing, SplineCurve
from digitize.writers.check import (
    FILE_TOLERANCE_MM,
    Measure,
    compare,
    compare_texts,
    drawing_extents,
    fail,
    layers_of,
    measure,
    measure_spline,
)

MILLIMETRES = 4  # $INSUNITS
METRIC = 1  # $MEASUREMENT
CLOSED_BIT = 1
VIEW_MARGIN = 1.1
# Plain colours of the AutoCAD colour index: 7 is black on white and white on black.
COLOURS = {
    "BODY": 7, "HALF": 3, "CENTERLINE": 1, "CHECK_LENGTH": 5, "NOTES": 8,
    "ARCS": 7, "SPLINE": 6, "CUT": 7, "HOLES": 6, "SAW": 1, "DRILL": 5, "MARK": 3, "SHEET": 8,
}  # fmt: skip
OTHER_COLOUR = 7
HAIRLINE_HUNDREDTHS_MM = 13

Tag = tuple[int, str]
Entity = list[Tag]


def write_dxf(drawing: Drawing, path: Path) -> None:
    """Write a drawing as DXF and measure it again.

    Raises:
        Refusal: ``file-check`` when the file does not measure as the drawing.
    """
    document = ezdxf.new("R2010", setup=False, units=MILLIMETRES)
    document.header["$MEASUREMENT"] = METRIC
    _add_layers(document, drawing)
    space = document.modelspace()
    for layer, shape in drawing.paths:
        _add_path(space, layer, shape)
    for layer, curve in drawing.splines:
        # planar, and open: that it ends where it began, and how, is in its points
        space.add_open_spline(
            [(x, y, 0.0) for x, y in curve.control_mm.tolist()], DEGREE, curve.knots.tolist(), {"layer": layer}
        )
    for layer, mark in drawing.texts:
        space.add_text(mark.text, height=mark.height_mm, dxfattribs={"layer": layer, "insert": mark.at})
    _set_view(document, drawing_extents(drawing))
    _audit(document, path)
    document.saveas(path)
    check_dxf(drawing, path)


def _add_layers(document: Document, drawing: Drawing) -> None:
    for name in layers_of(drawing):
        document.layers.add(name, color=COLOURS.get(name, OTHER_COLOUR), lineweight=HAIRLINE_HUNDREDTHS_MM)


def _add_path(space: Modelspace, layer: str, shape: ArcPath) -> None:
    attributes = {"layer": layer}
    if not shape.closed and len(shape.xy_mm) == 2 and not shape.bulge.any():
        space.add_line(tuple(shape.xy_mm[0].tolist()), tuple(shape.xy_mm[1].tolist()), dxfattribs=attributes)
        return
    bulge = shape.bulge if shape.closed else np.append(shape.bulge, 0.0)
    rows = np.column_stack([shape.xy_mm, bulge]).tolist()
    space.add_lwpolyline(rows, format="xyb", close=shape.closed, dxfattribs=attributes)


def _set_view(document: Document, box: Box) -> None:
    """Set the extents and a first view that shows all of them."""
    document.header["$EXTMIN"] = (box[0], box[1], 0.0)
    document.header["$EXTMAX"] = (box[2], box[3], 0.0)
    space = document.modelspace()
    space.dxf.extmin, space.dxf.extmax = (box[0], box[1], 0.0), (box[2], box[3], 0.0)
    centre = ((box[0] + box[2]) / 2.0, (box[1] + box[3]) / 2.0)
    document.set_modelspace_vport(height=max(box[3] - box[1], box[2] - box[0]) * VIEW_MARGIN, center=centre)


def _audit(document: Document, path: Path) -> None:
    auditor = document.audit()
    for finding in (*auditor.errors, *auditor.fixes):
        raise fail(path, f"the audit found: {finding.message}")


def check_dxf(drawing: Drawing, path: Path) -> None:
    """Measure a DXF file against the drawing it stands for.

    Raises:
        Refusal: ``file-check`` when units, extents, a curve or a text differ.
    """
    try:
        tags = _read_tags(path)
        header, entities = _read_header(tags), list(_read_entities(tags))
        found = [(_value(entity, 8), _measure(entity)) for entity in entities if entity[0][1] != "TEXT"]
    except (ValueError, IndexError, KeyError, UnicodeDecodeError) as fault:
        raise fail(path, f"it cannot be read back ({fault})") from fault
    _check_header(drawing, path, header)
    compare(path, drawing, found)
    texts = [(_value(entity, 8), _value(entity, 1)) for entity in entities if entity[0][1] == "TEXT"]
    compare_texts(path, drawing, texts)


def _check_header(drawing: Drawing, path: Path, header: dict[str, list[Tag]]) -> None:
    for name, need in (("$INSUNITS", MILLIMETRES), ("$MEASUREMENT", METRIC)):
        if [value for _, value in header.get(name, [])] != [str(need)]:
            raise fail(path, f"{name} is not {need}")
    wanted = drawing_extents(drawing)
    tags = header.get("$EXTMIN", []) + header.get("$EXTMAX", [])
    corners = [float(value) for code, value in tags if code in (10, 20)]
    if len(corners) != 4 or not np.max(np.abs(np.subtract(corners, wanted))) <= FILE_TOLERANCE_MM:
        raise fail(path, f"its extents are {corners} instead of {list(wanted)}")


def _read_tags(path: Path) -> list[Tag]:
    """Return the (group code, value) pairs of a text DXF.

    Raises:
        ValueError: a code is not a number, or the file ends before its EOF mark.
    """
    lines = path.read_text(encoding="utf-8").splitlines()
    tags = [(int(code), value.strip()) for code, value in zip(lines[::2], lines[1::2], strict=False)]
    if not tags or tags[-1] != (0, "EOF"):
        raise ValueError("the end mark is missing")
    return tags


def _section(tags: list[Tag], name: str) -> list[Tag]:
    start = tags.index((2, name)) + 1
    return tags[start : tags.index((0, "ENDSEC"), start)]


def _read_header(tags: list[Tag]) -> dict[str, list[Tag]]:
    header: dict[str, list[Tag]] = {}
    name = ""
    for code, value in _section(tags, "HEADER"):
        if code == 9:
            name = value
        header.setdefault(name, []).append((code, value))
    return {key: rows[1:] for key, rows in header.items()}


def _read_entities(tags: list[Tag]) -> Iterator[Entity]:
    entity: Entity = []
    for tag in _section(tags, "ENTITIES"):
        if tag[0] == 0 and entity:
            yield entity
            entity = []
        entity.append(tag)
    if entity:
        yield entity


def _value(entity: Entity, code: int) -> str:
    return next(value for each, value in entity if each == code)


def _measure(entity: Entity) -> Measure:
    return measure_spline(_spline(entity)) if entity[0][1] == "SPLINE" else measure(_shape(entity))


def _spline(entity: Entity) -> SplineCurve:
    """Return a SPLINE as a curve.

    Raises:
        ValueError: another degree, weights, or counts that do not fit.
    """
    x, y, knots = ([float(value) for code, value in entity if code == each] for each in (10, 20, 40))
    counts = [int(_value(entity, code)) for code in (71, 72, 73)]
    if counts != [DEGREE, len(knots), len(x)] or len(x) != len(y) or len(knots) != len(x) + DEGREE + 1:
        raise ValueError(f"a spline announces {counts} and has {len(knots)} knots and {len(x)} control points")
    if any(code == 41 for code, _ in entity):
        raise ValueError("a spline has weights")
    return SplineCurve(frozen_floats(knots), frozen_floats(np.column_stack([x, y])))


def _shape(entity: Entity) -> ArcPath:
    """Return a LINE or LWPOLYLINE as a path.

    Raises:
        ValueError: another kind of entity, or a vertex count that does not fit.
    """
    kind = entity[0][1]
    if kind == "LINE":
        x1, y1, x2, y2 = (float(_value(entity, code)) for code in (10, 20, 11, 21))
        return ArcPath(frozen_floats([(x1, y1), (x2, y2)]), frozen_floats([0.0]), False)
    if kind != "LWPOLYLINE":
        raise ValueError(f"an entity {kind} was not written by us")
    return _polyline(entity)


def _polyline(entity: Entity) -> ArcPath:
    vertices: list[list[float]] = []
    for code, value in entity:
        if code == 10:
            vertices.append([float(value), 0.0, 0.0])
        elif code in (20, 42):
            vertices[-1][1 if code == 20 else 2] = float(value)
    if len(vertices) != int(_value(entity, 90)):
        raise ValueError(f"{len(vertices)} vertices where {_value(entity, 90)} are announced")
    rows, closed = np.array(vertices), bool(int(_value(entity, 70)) & CLOSED_BIT)
    bulge = rows[:, 2] if closed else rows[:-1, 2]
    return ArcPath(frozen_floats(rows[:, :2]), frozen_floats(bulge), closed)
