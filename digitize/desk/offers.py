"""What the page offers to say for the person where a doubt names places: a click instead of a line to type.

The record holds a doubt's sentences, filled in. What they were filled with is read out of them again by the table's own
sentences, so that the desk offers just what the command line tells a person to write.
"""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass
from functools import cache
from typing import Any

from calibration.flags import TABLE

NUMBERS = re.compile(r"-?\d+(?:\.\d+)?")
UNITS = {"mm": "millimetres", "in": "inches"}


@dataclass(frozen=True)
class Offer:
    """One thing that can be said with a click."""

    words: str  # on the button
    at: tuple[float, float]  # the place in the picture that it is about, px
    changes: tuple[dict[str, Any], ...]  # of the plan file


def offers(reasons: list[dict[str, str]]) -> list[list[dict[str, Any]]]:
    """Return what each of a record's reasons lets the page offer, mostly nothing."""
    return [[asdict(one) for one in _offers(reason["code"], facts(reason))] for reason in reasons]


def facts(reason: dict[str, str]) -> dict[str, str]:
    """Return what the sentences of a reason were filled with; empty where they are not the table's."""
    _, text, remedy = TABLE[reason["code"]]
    told: dict[str, str] = {}
    for sentence, filled in ((text, reason["text"]), (remedy, reason["remedy"])):
        matched = _pattern(sentence).search(filled)
        told |= matched.groupdict() if matched else {}
    return told


@cache
def _pattern(sentence: str) -> re.Pattern[str]:
    """Return what finds the facts in a sentence of the table; a fact that comes twice is the same twice."""
    parts, seen = [], set[str]()
    for part in re.split(r"(\{\w+\})", sentence):
        name = part[1:-1]
        if not part.startswith("{"):
            parts.append(re.escape(part))
        elif name in seen:
            parts.append(f"(?P={name})")
        else:
            parts.append(f"(?P<{name}>.+?)")
            seen.add(name)
    return re.compile("".join(parts) + "$", re.DOTALL)


def _offers(code: str, told: dict[str, str]) -> list[Offer]:
    if code == "alternative-line" and (places := _places(told.get("other", ""))):
        adds = tuple({"do": "add", "at": ["body", "through"], "value": list(place)} for place in places)
        return [Offer("Take the other line", places[0], adds)]
    if code == "other-body" and (places := _places(told.get("place", ""))):
        return [Offer("Take the other drawing", places[0], _near(places[0]))]
    if code == "several-bodies":
        every = enumerate(_places(told.get("places", "")), start=1)
        return [Offer(f"Take drawing {number}", place, _near(place)) for number, place in every]
    if code == "unit-uncertain" and (places := _places(told.get("place", ""))):
        return [Offer(f"They are {words}", places[0], _unit(places[0], unit)) for unit, words in UNITS.items()]
    return []


def _places(text: str) -> list[tuple[float, float]]:
    numbers = [float(one) for one in NUMBERS.findall(text)]
    return list(zip(numbers[::2], numbers[1::2], strict=False))


def _near(place: tuple[float, float]) -> tuple[dict[str, Any], ...]:
    return ({"do": "set", "at": ["body", "near"], "value": list(place)},)


def _unit(place: tuple[float, float], unit: str) -> tuple[dict[str, Any], ...]:
    return ({"do": "add", "at": ["rule"], "value": {"near": list(place), "unit": unit}},)
