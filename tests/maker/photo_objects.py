"""What lies on the sheet: rules, squares and cards as strips with graduated edges, all sizes their own mm.

Object frame: mm, the outer corner or the zero end of the lower edge at (0, 0), its length along +a, its width along +b.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.frames import FloatArray
from tests.maker.marks import Mark, box, circle, line, text
from tests.maker.rules import tick_mm
from tests.maker.spec import MM_PER_INCH, RuleSpec

CARD_MM = (85.60, 53.98, 0.76)  # ISO/IEC 7810 ID-1, nominal
CARD_CORNER_MM = 3.18  # ISO/IEC 7813
FINE_PEN_MM, BROAD_PEN_MM = 0.15, 0.24  # engraved in metal; printed on wood and plastic
METAL = ("steel", "dark steel", "black")
NUMBER_PEN = 0.12  # of a number's height
NARROW_MM = 27.0  # below this width ticks and numbers get shorter


@dataclass(frozen=True)
class Scale:
    """One graduated edge of a strip."""

    unit: str = "mm"
    parts: int = 1  # graduations in a mm, or in an inch
    far: bool = False  # on the edge b = width
    zero_mm: float = 0.0  # along the strip
    backward: bool = False  # counted from the strip's far end
    numbers: int = 10  # of them every so many mm; inches are numbered one by one
    in_cm: bool = False  # the numbers count centimetres

    @property
    def pitch_mm(self) -> float:
        """Nominal distance of two graduations."""
        return (1.0 if self.unit == "mm" else MM_PER_INCH) / self.parts

    @property
    def unit_mm(self) -> float:
        """Nominal length of one mm or inch."""
        return 1.0 if self.unit == "mm" else MM_PER_INCH


@dataclass(frozen=True)
class Strip:
    """A straight piece of an object, ``long_mm`` along its own +a."""

    long_mm: float
    wide_mm: float
    scales: tuple[Scale, ...] = ()
    at_mm: tuple[float, float] = (0.0, 0.0)  # of its own (0, 0), object frame
    turn: int = 0  # quarter turns of its +a from the object's
    bevel_mm: float = 0.0  # width of the sloping part at the edge b = 0
    edge_mm: float = 0.0  # height of that edge; the flat part is as high as the object is thick

    def to_object(self, points: FloatArray) -> FloatArray:
        """Return strip-frame points in the object frame."""
        c, s = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[self.turn % 4]
        return np.asarray(points, dtype=float) @ np.array([[c, s], [-s, c]]) + self.at_mm

    def facets(self, thick_mm: float) -> list[tuple[float, float, float, float]]:
        """Return the top as (b from, b to, height there, height there)."""
        if not self.bevel_mm:
            return [(0.0, self.wide_mm, thick_mm, thick_mm)]
        return [(0.0, self.bevel_mm, self.edge_mm, thick_mm), (self.bevel_mm, self.wide_mm, thick_mm, thick_mm)]

    def height_mm(self, b: FloatArray, thick_mm: float) -> FloatArray:
        """Return the height of the top face above the object's underside."""
        if not self.bevel_mm:
            return np.full(np.shape(b), thick_mm)
        return np.interp(b, [0.0, self.bevel_mm], [self.edge_mm, thick_mm])


@dataclass(frozen=True)
class Model:
    """A kind of object."""

    kind: str  # "rule", "square", "card"
    stuff: str  # how it looks: "steel", "dark steel", "wood", "white", "clear", "black", "card"
    strips: tuple[Strip, ...]
    thick_mm: float
    grade: str = "II"  # of Directive 2014/32/EU


def _rule(long: float, wide: float, thick: float, stuff: str, *scales: Scale) -> Model:
    """Return a rule whose zero is its very end."""
    return Model("rule", stuff, (Strip(long, wide, scales),), thick)


def _ruler(
    long: float, wide: float, thick: float, stuff: str, scale: Scale, spare: float, bevel: float, edge: float
) -> Model:
    """Return a ruler with a bevel; ``spare`` is what it has before zero and beyond its last graduation."""
    strip = Strip(long + 2 * spare, wide, (replace(scale, zero_mm=spare),), bevel_mm=bevel, edge_mm=edge)
    return Model("rule", stuff, (strip,), thick)


MM, HALF, CM = Scale(), Scale(parts=2, far=True), Scale(in_cm=True)
INCH16, INCH32, INCH64 = (Scale("in", parts) for parts in (16, 32, 64))


def _far(scale: Scale, backward: bool = False) -> Scale:
    return replace(scale, far=True, backward=backward)


def _square(long: float, short: float, wide: tuple[float, float], thick: float, stuff: str, outer: Scale, inner: Scale,
            flipped: bool) -> Model:
    """Return a framing square: outer edges count from the outer corner, inner ones from the inner."""
    first, second = wide
    side = -1.0 if flipped else 1.0
    along = Strip(long, first, (
        replace(outer, far=flipped), replace(inner, far=not flipped, zero_mm=second)),
        (0.0, -first if flipped else 0.0))
    across = Strip(short - first, second, (
        replace(outer, far=not flipped, zero_mm=-first), replace(inner, far=flipped)),
        (0.0, side * first) if flipped else (second, first), 3 if flipped else 1)
    return Model("square", stuff, (along, across), thick)


MODELS: dict[str, Model] = {
    "steel 60": _rule(60.0, 15.0, 0.5, "steel", MM),
    "steel 150": _rule(150.0, 19.0, 0.5, "steel", MM, HALF),
    "steel 300": _rule(300.0, 26.0, 1.0, "steel", MM, HALF),
    "steel 300 mm in": _rule(300.0, 30.0, 1.0, "steel", CM, _far(INCH16)),
    "steel 600": _rule(600.0, 30.0, 1.2, "steel", MM, _far(Scale(parts=2), True)),
    "steel 6 in": _rule(152.4, 19.05, 0.5, "steel", INCH32, _far(INCH64)),
    "steel 12 in": _rule(304.8, 25.4, 1.0, "steel", INCH16, _far(INCH32)),
    "steel 12 in mm": _rule(304.8, 28.0, 1.0, "steel", INCH32, _far(MM, True)),
    "steel 24 in": _rule(609.6, 28.6, 1.2, "steel", INCH16, _far(INCH32)),
    "black 300": _rule(300.0, 25.0, 1.0, "black", MM, _far(INCH16)),
    "wood 300": _ruler(300.0, 30.0, 2.8, "wood", CM, 5.0, 9.0, 0.5),
    "wood 12 in": _ruler(304.8, 29.0, 3.0, "wood", INCH16, 4.0, 9.0, 0.6),
    "white 300": _ruler(300.0, 32.0, 2.0, "white", CM, 6.0, 10.0, 0.4),
    "clear 300": _ruler(300.0, 35.0, 2.4, "clear", CM, 5.0, 10.0, 0.3),
    "square 600": _square(600.0, 400.0, (50.0, 38.0), 1.8, "steel", MM, CM, False),
    "square 600 flipped": _square(600.0, 400.0, (50.0, 38.0), 1.8, "dark steel", MM, CM, True),
    "square 24 in": _square(609.6, 406.4, (50.8, 38.1), 2.0, "steel", INCH16, Scale("in", 8), False),
    "square 24 in flipped": _square(609.6, 406.4, (50.8, 38.1), 2.0, "steel", INCH16, Scale("in", 8), True),
    "square 400": _square(400.0, 250.0, (40.0, 32.0), 1.8, "steel", CM, CM, False),
    "square 400 flipped": _square(400.0, 250.0, (40.0, 32.0), 1.8, "dark steel", CM, CM, True),
    "square 300": _square(300.0, 200.0, (32.0, 28.0), 1.5, "steel", MM, MM, False),
    "square 300 flipped": _square(300.0, 200.0, (32.0, 28.0), 1.5, "steel", MM, MM, True),
    "card": Model("card", "card", (Strip(CARD_MM[0], CARD_MM[1]),), CARD_MM[2]),
}


def indices(scale: Scale, strip: Strip) -> FloatArray:
    """Return which graduations fit on the strip, both of its very ends left out."""
    zero = strip.long_mm - scale.zero_mm if scale.backward else scale.zero_mm
    room = (zero if scale.backward else strip.long_mm - zero) - max(0.0, min(scale.zero_mm, 8.0))
    first = int(np.ceil(max(0.0, -zero + 0.3) / scale.pitch_mm))
    last = int(np.floor((room + 1e-6) / scale.pitch_mm))
    every = np.arange(first, last + 1)
    at = positions(scale, strip, every.astype(float))
    return every[(at > 0.3) & (at < strip.long_mm - 0.3)].astype(float)


def positions(scale: Scale, strip: Strip, index: FloatArray, error: float = 0.0) -> FloatArray:
    """Return where graduations stand along the strip; ``error`` is the object's own, relative."""
    way = index * scale.pitch_mm * (1.0 + error)
    return strip.long_mm - scale.zero_mm - way if scale.backward else scale.zero_mm + way


def tall_mm(scale: Scale, strip: Strip, index: int) -> float:
    """Return the length of a graduation."""
    share = min(1.0, strip.wide_mm / NARROW_MM)
    if scale.unit == "in":
        return share * tick_mm(RuleSpec("in", scale.parts), index)
    whole, part = divmod(index, scale.parts)
    if part:
        return share * 2.4
    return share * (7.0 if whole % 10 == 0 else 5.2 if whole % 5 == 0 else 3.6)


def _number(scale: Scale, index: int) -> str:
    """Return what stands at a graduation, mostly nothing."""
    whole, part = divmod(index, scale.parts)
    if part or index == 0 or (scale.unit == "mm" and whole % scale.numbers):
        return ""
    return str(whole // 10 if scale.in_cm else whole)


def scale_marks(scale: Scale, strip: Strip, error: float, pen_mm: float) -> list[Mark]:
    """Return ticks and numbers of one edge, strip frame."""
    pen_mm = min(pen_mm, 0.32 * scale.pitch_mm)
    edge, up = (strip.wide_mm, -1.0) if scale.far else (0.0, 1.0)
    index = indices(scale, strip)
    marks = []
    high = 2.6 * min(1.0, strip.wide_mm / NARROW_MM)
    for i, a in zip(index.astype(int).tolist(), positions(scale, strip, index, error).tolist(), strict=True):
        tall = tall_mm(scale, strip, i)
        marks.append(line((a, edge - up * 0.3), (a, edge + up * tall), width_mm=pen_mm))
        words = _number(scale, i)
        if words:
            base = edge + up * (tall + 0.7) - (high if scale.far else 0.0)
            at = (a, base + high) if scale.backward else (a, base)
            signs = text(words, at, high, 180.0 if scale.backward else 0.0, middle=True)
            marks += [replace(sign, width_mm=NUMBER_PEN * high) for sign in signs]
    return marks


def strip_marks(model: Model, strip: Strip, error: float) -> list[Mark]:
    """Return everything printed on a strip, strip frame."""
    pen = FINE_PEN_MM if model.stuff in METAL else BROAD_PEN_MM
    marks = [mark for scale in strip.scales for mark in scale_marks(scale, strip, error, pen)]
    if model.kind == "card":
        marks += [box(8.0, 29.0, 12.0, 9.0, 0.4), *text("HAZEL LANE", (48.0, 44.0), 4.0)]
        marks += [*text("0000 1111 2222 3333", (8.0, 17.0), 4.2), *text("WREN", (8.0, 7.0), 3.0)]
    elif model.kind == "rule":
        words = "STAINLESS" if model.stuff == "steel" else "HAZEL LANE"
        marks += text(words, (0.62 * strip.long_mm, 0.5 * strip.wide_mm - 0.9), 1.8)
    if model.stuff == "clear":  # light is lost in the rim and where the bevel begins
        rim = np.array([(0.0, 0.0), (strip.long_mm, 0.0), (strip.long_mm, strip.wide_mm), (0.0, strip.wide_mm)])
        marks.append(Mark(rim, 0.8, closed=True, ink=0.6))
    if strip.bevel_mm:
        marks.append(Mark(np.array([(0.0, strip.bevel_mm), (strip.long_mm, strip.bevel_mm)]), 0.3, ink=0.3))
    return marks


def hole_mm(model: Model, strip: Strip) -> FloatArray:
    """Return the hanging hole as a ring, strip frame; empty without."""
    if model.kind != "rule" or model.stuff == "clear":
        return np.zeros((0, 2))
    return circle(strip.long_mm - 6.0, strip.wide_mm / 2, 2.2).points

