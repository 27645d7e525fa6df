"""Deciding what one graduation is worth: from the pattern of lengths, checked against the resolution.

A unit is never guessed: where more than one value is possible, or the one that fits the pattern does
not fit the declared resolution, nothing is decided and the person is asked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from calibration.units import MM_PER_INCH
from digitize.rule.hierarchy import Hierarchy
from digitize.shapes import Unit

PATTERN_AGREES = 0.06  # relative: declared against implied resolution; a copy is rarely further from true size
PLAIN_AGREES = 0.04  # relative: where the resolution decides without a pattern
RULE_AGREES = 0.05  # relative: against another rule of the same sheet (two directions of one copy)
USUAL_AGREES = 0.03  # relative: implied against a usual setting of scanners
USUAL_DPI = (150.0, 200.0, 240.0, 300.0, 400.0, 600.0, 1200.0)
# Below this no graduation of 1 mm would be resolved: 72 and 96 are what programs write when they know nothing.
LEAST_DPI = 100.0
INCH_PARTS = (8, 16, 32, 64)


@dataclass(frozen=True)
class Worth:
    """A possible value of one graduation."""

    unit: Unit
    pitch_mm: float
    words: str  # "1 mm", "1/16 in"


@dataclass(frozen=True)
class Reference:
    """What else is known of the picture's scale along a rule."""

    px_per_mm: float
    words: str  # "the file's 300 dots per inch"
    agrees: float  # relative tolerance


@dataclass(frozen=True)
class Decision:
    """The unit of a rule, or the candidates left."""

    worth: Worth | None
    evidence: str
    candidates: tuple[Worth, ...]
    resized: bool = False  # open because the copy may be at a half or a quarter of its size


def _inch(parts: int) -> Worth:
    return Worth("in", MM_PER_INCH / parts, f"1/{parts} in")


MM = Worth("mm", 1.0, "1 mm")
HALF_MM = Worth("mm", 0.5, "0.5 mm")
FINEST, COARSER = _inch(64), _inch(32)
ALL = (MM, HALF_MM, *(_inch(n) for n in INCH_PARTS), _inch(10))
# They carry a third length, which no decimal pattern here has, and are not drawn on plans (common practice, no source):
# what fits them is as likely a rule in millimetres on a copy at a half or a quarter of its size.
ONLY_IF_TOLD = (_inch(50), _inch(100))


def candidates(found: Hierarchy) -> tuple[Worth, ...]:
    """Return the values that the pattern allows, the most natural first."""
    if found.kind == "decimal":
        return (MM, _inch(10), *ONLY_IF_TOLD)
    if found.kind == "half":
        return (HALF_MM, _inch(20))
    if found.kind == "dyadic":
        return tuple(_inch(n) for n in INCH_PARTS if n >= 2**found.depth)
    return ()


def _of_unit(unit: Unit) -> tuple[Worth, ...]:
    """Return the values that rules of a unit have."""
    return tuple(one for one in ALL if one.unit == unit)


def pattern_words(found: Hierarchy) -> str:
    """Describe the pattern in words."""
    if not found.steps:
        return "no pattern of longer graduations"
    steps = ", ".join(str(step) for step in found.steps)
    return f"graduations are longer at every {steps}"


def _usual(pitch_px: float, worth: Worth) -> float | None:
    """Return the usual scanner setting that the value implies, if any."""
    implied = pitch_px / worth.pitch_mm * MM_PER_INCH
    near = min(USUAL_DPI, key=lambda dpi: abs(implied / dpi - 1))
    return near if abs(implied / near - 1) < USUAL_AGREES else None


def _without_reference(pitch_px: float, options: tuple[Worth, ...], words: str, told: bool) -> Decision:
    """Decide from the pattern alone where only the natural value implies a usual resolution."""
    natural = options[0]
    if told:
        return Decision(natural, f"The plan file gives the unit; {words}.", options)
    usual = _usual(pitch_px, natural)
    # Only the next value is a rival: tenths of an inch for 1 mm, half as much for halved inches.
    rival = len(options) > 1 and _usual(pitch_px, options[1]) is not None
    # Nothing is finer than a 64th: lettering over every second inch mark of 32nds makes them look like that.
    rival = rival or (natural == FINEST and _usual(pitch_px, COARSER) is not None)
    if usual is None or rival:
        return Decision(None, words, options)
    return Decision(
        natural,
        f"{words[0].upper()}{words[1:]}, and as {natural.words} they imply a usual {usual:.0f} dots per inch.",
        options,
    )


def decide(found: Hierarchy, pitch_px: float, reference: Reference | None, told: Unit | None) -> Decision:
    """Return the value of one graduation of ``pitch_px``, or none where it is not certain."""
    words = pattern_words(found)
    options = candidates(found)
    if told is not None:
        options = tuple(one for one in options if one.unit == told) if options else _of_unit(told)
    if not options:
        return Decision(None, words, ALL)
    plain = not candidates(found)
    if reference is None:
        if plain and len(options) > 1:
            return Decision(None, words, options)
        if not found.clear and not plain:
            return Decision(None, words, options)
        return _without_reference(pitch_px, options, words, told is not None)
    limit = min(reference.agrees, PLAIN_AGREES) if plain else reference.agrees
    fit = [one for one in options if abs(pitch_px / (one.pitch_mm * reference.px_per_mm) - 1) < limit]
    if len(fit) == 1 and told is None and fit[0] in ONLY_IF_TOLD:
        return Decision(None, words, options, resized=True)
    if len(fit) == 1:
        return Decision(
            fit[0], f"{words[0].upper()}{words[1:]}, and {fit[0].words} agrees with {reference.words}.", options
        )
    unusual = not any(one in ALL for one in options)
    if told is not None and not fit and (not found.clear or unusual):
        # The lengths were misread, but the person knows the unit and the scale leaves one value. So they were where
        # they would make twentieths of an inch, which do not fit: read from another line along the graduations.
        fit = [one for one in _of_unit(told) if abs(pitch_px / (one.pitch_mm * reference.px_per_mm) - 1) < PLAIN_AGREES]
        if len(fit) == 1:
            why = f"The plan file gives the unit, and {fit[0].words} agrees with {reference.words}."
            return Decision(fit[0], why, _of_unit(told))
    if told is not None and not plain and len(options) == 1:
        return Decision(
            options[0], f"The plan file gives the unit; {words}; {reference.words} does not agree.", options
        )
    return Decision(None, words, options)


def by_figures(open_: Decision, found: Hierarchy, figures: Callable[[], bool]) -> Decision:
    """Return a decision on halves of halves that is still open, taken where a figure stands at each longest one.

    Args:
        open_: the decision so far.
        found: the pattern, clear.
        figures: whether a figure stands at every longest graduation and none between; asked only where it tells.
    """
    natural = candidates(found)[:1]
    if open_.candidates[:1] != natural or natural != (_inch(2**found.depth),) or not figures():
        return open_
    words = pattern_words(found)
    why = f"{words[0].upper()}{words[1:]}, and a figure stands at each of the longest, as at whole inches."
    return Decision(natural[0], why, open_.candidates)


def against_figures(decision: Decision, found: Hierarchy, figures: Callable[[], bool]) -> Decision:
    """Return a decision on halves of halves, taken back where figures at the longest tell otherwise.

    Args:
        decision: by the resolution.
        found: the pattern, clear.
        figures: as for :func:`by_figures`.
    """
    if decision.worth in (None, _inch(2**found.depth)) or not figures():
        return decision
    return Decision(None, pattern_words(found), decision.candidates, resized=True)
