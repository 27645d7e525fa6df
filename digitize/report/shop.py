"""What a shop asks of the outline: the few arcs that it can be set out with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from digitize.report import words
from digitize.shapes import Unit

# A piece that begins this far left of the centerline belongs to the other half.
LEFT_MM = -0.005


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
