"""What a shop asks of the outline: the few arcs that it can be set out with, and which tools get round it.

The tools' sizes are common practice, no source; where two makers' figures disagree the larger radius is taken.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from calibration.units import MM_PER_INCH
from digitize.report import words
from digitize.shapes import Unit

# A piece that begins this far left of the centerline belongs to the other half.
LEFT_MM = -0.005

BLADES_MM = {"1/8": 4.8, "3/16": 9.5, "1/4": 15.9, "3/8": 38.1, "1/2": 63.5, "5/8": 102.0, "3/4": 140.0, "1": 194.0}
BITS_IN = {"1/4": 0.25, "1/2": 0.5, "3/4": 0.75}  # flush-trim bits, diameter
DRUMS_IN = {"1/2": 0.5, "3/4": 0.75, "1": 1.0, "1 1/2": 1.5, "2": 2.0, "3": 3.0}  # spindle-sander drums, diameter
# Sides bent tighter than this over a pipe of 3-4 in are hard.
BEND_MM = 40.0
# Left over at each end of a side's blank: our own choice, for trimming.
BLANK_MM = 25.0


@dataclass(frozen=True)
class FewArcsView:
    """The outline in few arcs: how many, how close, and the list."""

    sentence: str
    half: str  # added to the list's title where only half of it is shown
    rows: tuple[tuple[str, str, str, str], ...]


def few_arcs(record: Mapping[str, Any], unit: Unit) -> FewArcsView | None:
    """Return the few arcs for the page; of an even outline those that begin on the right half."""
    few = words.dig(record, "outline", "few_arcs")
    if not few:
        return None
    pieces = few["pieces"]
    lines = sum(one["radius_mm"] is None for one in pieces)
    many = words.count(len(pieces) - lines, "arc", "arcs")
    if lines:
        many += f" and {words.count(lines, 'straight line', 'straight lines')}"
    sentence = (
        f"Yes: {many} follow the whole outline within {words.number(few['deviation_mm'], 3)} mm "
        f"(up to {words.number(few['tolerance_mm'], 2)} mm is allowed)."
    )
    shown = [one for one in pieces if one["x_mm"] >= LEFT_MM] if _even(pieces) else pieces
    half = "; the left half is its mirror image" if len(shown) < len(pieces) else ""
    return FewArcsView(sentence, half, tuple(_row(one, unit) for one in shown))


def _even(pieces: list[Mapping[str, Any]]) -> bool:
    """Whether every piece begins where a mirrored one ends."""
    places = {(round(one["x_mm"], 4), round(one["y_mm"], 4)) for one in pieces}
    return all((round(-x, 4), y) in places for x, y in places)


def _row(one: Mapping[str, Any], unit: Unit) -> tuple[str, str, str, str]:
    if one["radius_mm"] is None:
        radius, turn = "straight", words.DASH
    else:
        radius = words.length(abs(one["radius_mm"]), 0.01, unit)
        turn = f"{words.number(abs(one['turn_deg']), 2)}° {'left' if one['turn_deg'] > 0 else 'right'}"
    x, y = (words.length(one[key], 0.01, unit) for key in ("x_mm", "y_mm"))
    return x, y, radius, turn


def tools(record: Mapping[str, Any], unit: Unit) -> list[tuple[str, str]]:
    """Return what gets round the outline: (what, answer); empty where its radii are not known."""
    body = words.dig(record, "body") or {}
    outside, inside, side = (body.get(key) for key in ("outside_radius_mm", "inside_radius_mm", "side_mm"))
    if not outside:
        return []
    tight = min(outside, inside or outside)
    rows = [
        ("Tightest bulge / hollow, radius", f"{_about(outside, unit)} / {_about(inside, unit) if inside else 'none'}"),
        ("Band saw, widest blade that turns", _largest(BLADES_MM, tight, "blade")),
        ("Template: drum or flush-trim bit in its hollows", _round_tools(inside)),
        ("Mold: drum or flush-trim bit in its hollows, the body's bulges", _round_tools(outside)),
        ("Bending the sides", _bending(tight, unit)),
    ]
    if side:
        blank = side + 2.0 * BLANK_MM
        rows.append(
            ("Side, tail to neck / blank", f"{words.length(side, 0.5, unit)} / {words.length(blank, 1.0, unit)} with "
             f"{words.length(BLANK_MM, 1.0, unit)} to spare at each end")
        )  # fmt: skip
    return rows


def _about(radius_mm: float, unit: Unit) -> str:
    return words.short_length(radius_mm, unit) if radius_mm < 1e4 else "straight"


def _largest(sizes: Mapping[str, float], radius_mm: float, what: str) -> str:
    """Return the largest of named sizes whose radius is no more than the curve's."""
    fit = [name for name, needs in sizes.items() if needs <= radius_mm]
    return f"{fit[-1]} in" if fit else f"none: no {what} turns so tightly; drill or file there"


def _round_tools(radius_mm: float | None) -> str:
    if radius_mm is None:
        return "any"
    half = MM_PER_INCH / 2.0
    drum, bit = ({name: size * half for name, size in table.items()} for table in (DRUMS_IN, BITS_IN))
    return f"drum up to {_largest(drum, radius_mm, 'drum')}; bit up to {_largest(bit, radius_mm, 'bit')}"


def _bending(radius_mm: float, unit: Unit) -> str:
    if radius_mm < BEND_MM:
        return (
            f"hard: {_about(radius_mm, unit)} is less than {_about(BEND_MM, unit)}; thin the side there or laminate it"
        )
    return f"nothing tighter than {_about(BEND_MM, unit)}"
