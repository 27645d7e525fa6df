"""A part turned over, left for right. Any frame, mm."""

from __future__ import annotations

from dataclasses import replace

from digitize.arcs import mirrored
from digitize.mold_shapes import Part
from digitize.parts.offset import counter_clockwise
from digitize.shapes import TextMark

LETTER_WIDTH = 0.62  # of a text's height, about


def flipped(part: Part) -> Part:
    """Return a part turned over, left for right; its texts stay readable."""
    texts = tuple(TextMark((-one.at[0] - text_width(one), one.at[1]), one.height_mm, one.text) for one in part.texts)
    return replace(
        part, outline=counter_clockwise(mirrored(part.outline)), holes=tuple(mirrored(hole) for hole in part.holes),
        marks=tuple((layer, mirrored(path)) for layer, path in part.marks), texts=texts,
    )  # fmt: skip


def text_width(mark: TextMark) -> float:
    """Return about how wide a text is, mm."""
    return LETTER_WIDTH * mark.height_mm * len(mark.text)
