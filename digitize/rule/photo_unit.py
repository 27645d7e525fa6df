"""What one graduation of a rule in a photo is worth: the pattern of its marks, and what speaks against other values.

No resolution is declared, so a value counts only when its rivals are excluded: by the other edge of the same rule, by
another rule, by marks that would be too short for the rival's pitch, or by a sheet larger than any plan. A unit is
never guessed.
"""

from __future__ import annotations

from dataclasses import dataclass

from calibration.units import MM_PER_INCH
from digitize.rule.hierarchy import CLEAR_SCORE, Hierarchy
from digitize.rule.unit import HALF_MM, MM, Decision, Worth, pattern_words
from digitize.rule.unit import candidates as every_value
from digitize.shapes import Unit

# Shortest marks over their pitch (common practice, no source): 2.4 to 4 mm for millimetres, 2 to 4 mm for tenths of an
# inch, so that these stay below 1.6. A view of 30 degrees shortens marks by a seventh.
LEAST_TALL_MM = 1.9
LEAST_TALL_AT_ALL = 1.25  # of millimetres, even where the size of the field leaves no other value
# The same for halved inches, least and most: eighths are 4 to 5 mm long, 64ths 1.5 to 2 mm.
INCH_TALL = {8: (0.7, 2.6), 16: (1.1, 3.6), 32: (1.7, 5.5), 64: (2.6, 8.0)}
LARGEST_FIELD_MM = 1700.0  # long side of what the picture shows; plans are 1219 mm long at most (sheet sizes E and A0)
SMALLEST_FIELD_MM = 150.0  # the same of a picture of more than FULL_PX
FULL_PX = 2500.0
EDGES_AGREE = 0.04  # relative: both edges of one rule, seen at one place along it
RULES_AGREE = 1.55  # the largest ratio of scales at two places of one photo, and its inverse: 30 degrees and the lens
BARE_FIVES = (5,)


@dataclass(frozen=True)
class Sight:
    """What was seen of one graduated edge, for deciding its unit."""

    pattern: Hierarchy
    pitch_px: float  # usual
    tall: float  # shortest marks over the pitch
    second_tall: float  # every second, longer mark over twice the pitch
    finer: bool  # finer marks than those counted stand there, so that the shortest are not seen to their feet
    long_px: float  # longer side of the picture
    told: Unit | None = None


def candidates(found: Hierarchy) -> tuple[Worth, ...]:
    """Return the values that the pattern allows, the most natural first.

    Fiftieths and hundredths of an inch carry a longer class at their 25th or 50th mark, which this pattern lacks.
    """
    every = every_value(found)
    return every[:2] if found.kind == "decimal" else every


def _field_mm(sight: Sight, worth: Worth) -> float:
    return sight.long_px * worth.pitch_mm / sight.pitch_px


def _possible(sight: Sight, worth: Worth) -> bool:
    """Tell whether the picture would show a sheet's size of table, were a graduation worth this."""
    field = _field_mm(sight, worth)
    return field < LARGEST_FIELD_MM and (field > SMALLEST_FIELD_MM or sight.long_px < FULL_PX)


def options(sight: Sight) -> tuple[Worth, ...]:
    """Return the values that pattern, person and size of the field allow, the most natural first."""
    every = candidates(sight.pattern)
    if sight.told is not None:
        every = tuple(one for one in every if one.unit == sight.told)
    return tuple(one for one in every if _possible(sight, one))


def alone(sight: Sight) -> Decision:
    """Return the value that an edge shows by itself, or none."""
    words, left = pattern_words(sight.pattern), options(sight)
    if not left:
        return Decision(None, words, candidates(sight.pattern))
    natural = left[0] if sight.told is not None else candidates(sight.pattern)[0]
    if not sight.pattern.clear or sight.pattern.steps == BARE_FIVES or natural not in left:
        return Decision(None, words, left)
    said = words[0].upper() + words[1:]
    if sight.told is not None and sight.pattern.kind != "dyadic":
        return Decision(natural, f"The plan file gives the unit; {words}.", left)
    if sight.pattern.kind == "dyadic":
        parts = round(MM_PER_INCH / natural.pitch_mm)
        least, most = INCH_TALL[parts]
        if parts != 2**sight.pattern.depth or not (sight.finer or least < sight.tall < most):
            return Decision(None, words, left)
        return Decision(natural, f"{said} up to the inch, and no further halving shows.", left)
    tall = sight.second_tall if natural == HALF_MM else sight.tall
    if len(left) == 1 and (sight.finer or tall > LEAST_TALL_AT_ALL):
        return Decision(natural, f"{said}, and no other value fits the size of the picture.", left)
    if tall > LEAST_TALL_MM:
        which = "marks" if natural == HALF_MM else "shortest marks"
        return Decision(natural, f"{said}, and the {which} are too long for parts of an inch.", left)
    return Decision(None, words, left)


def together(first: Sight, second: Sight, ratio: float) -> tuple[Decision, Decision] | None:
    """Return the values of two edges of one rule, or None; ``ratio`` is pitch of first over second at one place.

    Only a millimetre edge against an inch edge tells both: within either unit every value doubled fits as well.
    """
    pairs = [
        (a, b) for a in options(first) for b in options(second)
        if a.unit != b.unit and abs(ratio * b.pitch_mm / a.pitch_mm - 1) < EDGES_AGREE
    ]  # fmt: skip
    usual = [pair for pair in pairs if MM in pair or HALF_MM in pair]
    if len(usual) != 1 or min(first.pattern.score, second.pattern.score) < CLEAR_SCORE:
        return None
    a, b = usual[0]
    why = f"the graduations of both edges are as {a.words} to {b.words}"
    said = [f"{pattern_words(one.pattern)}; {why}." for one in (first, second)]
    return Decision(a, said[0][0].upper() + said[0][1:], options(first)), Decision(
        b, said[1][0].upper() + said[1][1:], options(second)
    )


def by_scale(sight: Sight, px_per_mm: float, words: str, agrees: float = RULES_AGREE) -> Decision:
    """Return the value that a scale seen elsewhere in the photo leaves, if it is the only one.

    ``agrees`` is the largest ratio of the two scales.
    """
    known, said = options(sight), pattern_words(sight.pattern)
    fit = [one for one in known if 1 / agrees < sight.pitch_px / one.pitch_mm / px_per_mm < agrees]
    if len(fit) != 1 or sight.pattern.score < CLEAR_SCORE:
        return Decision(None, said, known)
    why = f"{said[0].upper()}{said[1:]}, and only {fit[0].words} agrees with {words}."
    return Decision(fit[0], why, known)


def contradicts(sight: Sight, worth: Worth, px_per_mm: float) -> bool:
    """Tell whether a value would make the scale here differ from elsewhere more than a view can."""
    ratio = sight.pitch_px / worth.pitch_mm / px_per_mm
    return not 1 / RULES_AGREE < ratio < RULES_AGREE
