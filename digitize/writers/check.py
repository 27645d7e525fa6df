"""What every writer's check shares: the measure of a drawing, and the refusal when a file differs from it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from calibration.errors import Refusal
from digitize import bsplines
from digitize.arcs import Box, arc_length, extents, signed_area, union
from digitize.shapes import ArcPath, Drawing, SplineCurve

# Files hold numbers to 1e-9 mm or better; sums over a thousand arcs stay far below this.
FILE_TOLERANCE_MM = 1e-6
# An edge of a metre, shifted by the tolerance above.
FILE_TOLERANCE_MM2 = 1e-3
# Rough width of a letter over its height, to leave room for text.
LETTER_WIDTH = 0.62

Measure = tuple[bool, float, float, Box]  # closed, length mm, |area| mm2 (0 when open), extents mm


def measure(path: ArcPath) -> Measure:
    """Return what a file must give back for one path."""
    area = abs(signed_area(path)) if path.closed else 0.0
    return path.closed, arc_length(path), area, extents(path)


def measure_spline(curve: SplineCurve) -> Measure:
    """Return what a file must give back for one spline, which is never said to be closed; its area is as swept."""
    return False, bsplines.arc_length(curve), abs(bsplines.swept_area(curve)), bsplines.extents(curve)


def layers_of(drawing: Drawing) -> list[str]:
    """Return the drawing's layers in the order of their first use."""
    return list(dict.fromkeys(name for name, _ in (*drawing.paths, *drawing.splines, *drawing.texts)))


def drawing_extents(drawing: Drawing) -> Box:
    """Return the extents of all paths and of the room that the texts take, mm.

    Raises:
        ValueError: the drawing is empty.
    """
    boxes = [extents(path) for _, path in drawing.paths]
    boxes += [bsplines.extents(curve) for _, curve in drawing.splines]
    for _, text in drawing.texts:
        width = LETTER_WIDTH * text.height_mm * len(text.text)
        boxes.append((*text.at, text.at[0] + width, text.at[1] + text.height_mm))
    return union(boxes)


def fail(path: Path, why: str) -> Refusal:
    """Return the refusal for a file that does not measure as written."""
    return Refusal("file-check", file=path.name, why=why)


def compare(path: Path, drawing: Drawing, found: Iterable[tuple[str, Measure]]) -> None:
    """Compare what was read from a file, layer by layer in order, with the drawing.

    Raises:
        Refusal: ``file-check`` when a path is missing, extra, open instead of closed, or of another size.
    """
    in_file = list(found)
    drawn = [(name, measure(shape)) for name, shape in drawing.paths]
    drawn += [(name, measure_spline(curve)) for name, curve in drawing.splines]
    for layer in dict.fromkeys(name for name, _ in [*drawn, *in_file]):
        wanted = [measured for name, measured in drawn if name == layer]
        given = [measured for name, measured in in_file if name == layer]
        if len(wanted) != len(given):
            raise fail(path, f"layer {layer} has {len(given)} paths instead of {len(wanted)}")
        for one, other in zip(wanted, given, strict=True):
            _compare_one(path, layer, one, other)


def _compare_one(path: Path, layer: str, wanted: Measure, given: Measure) -> None:
    if wanted[0] != given[0]:
        raise fail(path, f"a curve of layer {layer} is {'open' if wanted[0] else 'closed'}")
    if not abs(given[1] - wanted[1]) <= FILE_TOLERANCE_MM:
        raise fail(path, f"a curve of layer {layer} is {given[1]:.6f} mm long instead of {wanted[1]:.6f}")
    if not abs(given[2] - wanted[2]) <= FILE_TOLERANCE_MM2:
        raise fail(path, f"a curve of layer {layer} holds {given[2]:.3f} mm2 instead of {wanted[2]:.3f}")
    if not np.max(np.abs(np.subtract(given[3], wanted[3]))) <= FILE_TOLERANCE_MM:
        raise fail(path, f"a curve of layer {layer} reaches to {given[3]} instead of {wanted[3]}")


def compare_texts(path: Path, drawing: Drawing, found: Iterable[tuple[str, str]]) -> None:
    """Compare the (layer, text) pairs of a file with the drawing's.

    Raises:
        Refusal: ``file-check`` when one is missing or extra.
    """
    wanted, given = sorted((layer, mark.text) for layer, mark in drawing.texts), sorted(found)
    if wanted != given:
        differing = [text for _, text in set(wanted) ^ set(given)] or ["a repeated text"]
        raise fail(path, f"its texts differ at '{differing[0]}'")
