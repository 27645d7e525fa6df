"""Finding the graduated rules of a picture."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calibration.flags import Doubt, doubt
from calibration.frames import BoolArray, FloatArray
from calibration.units import MM_PER_INCH
from digitize.begun import begin, made
from digitize.rule.candidates import Seed, find_seeds, least_contrast, seeds_beside
from digitize.rule.certain import certain_part
from digitize.rule.figures import figures_at_longest
from digitize.rule.graduations import Ticks, measure, running_bend_px
from digitize.rule.hierarchy import CLEAR_SCORE, Hierarchy, read_hierarchy
from digitize.rule.lines import inked_segments, segments
from digitize.rule.records import rule_record
from digitize.rule.strokes import stroke_lines
from digitize.rule.uneven import measure_uneven, numbers_go_on
from digitize.rule.unit import (
    LEAST_DPI,
    PATTERN_AGREES,
    RULE_AGREES,
    Decision,
    Reference,
    against_figures,
    by_figures,
    decide,
)
from digitize.shapes import Picture, Rule

if TYPE_CHECKING:
    from digitize.settings import RuleHint

FEWEST = 25  # graduations
SHORTEST_MM = 55.0  # or this long
FEWEST_AT_ALL = 15
LEAST_HEIGHT = 2.5  # graduation length over its own ink width; less is a row of dots or dashes
WORST_RMS = 0.05  # of the pitch
WORST_RMS_PX = 0.35  # or this, for fine graduations
WORST_BEND = 0.3  # of the pitch; more and the count itself is in doubt
LEAST_PRESENT = 0.6  # share of the graduations between the ends
SAME_PITCH = 0.03  # relative: a seed's pitch against a measured one
PARALLEL_RAD = np.deg2rad(1.5)
SAME_COMB = 0.15  # of the pitch: places of one rule on the graduations of another
SAME_RULE_MM = 45.0  # widest rule body whose two edges carry the same graduations
SAME_RULE_PITCHES = 40.0  # the same where the unit is not known
NEAR_HINT_PX = 60.0  # a pixel "on" a rule may be this far from its graduations
MOST_SEEDS = 90
MOST_TRIES = 60
MOST_TOLD = 12  # tries for a rule that the person points at and the best seeds do not show
MOST_MISSES = 35  # in a row; seeds come best first
UNEVEN_PITCH = 0.4  # relative: pitches along an uneven rule
UNEVEN_MM = 100.0  # a shorter rule says too little of how the sheet was fed
MOST_ALIKE = 12  # misses with one pitch along one direction: squared paper
ALIKE_PITCH = 0.005  # relative
BOTH_WAYS_RAD = np.deg2rad(45.0)  # rules so far turned measure the sheet both ways
ALIKE_PX = 2.5  # graduations that go so far alike to both sides
INK_SHARE = 0.7  # of the contrast between ink and paper: darker is ink of a line


@dataclass(frozen=True, eq=False)
class RuleSearch:
    """The rules found, and what is uncertain about others."""

    rules: tuple[Rule, ...]
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, eq=False)
class Found:
    """Measured graduations with their pattern and value."""

    ticks: Ticks
    pattern: Hierarchy
    decision: Decision
    hint: RuleHint | None
    uneven: bool = False  # it was fed unevenly: its graduations leave an even scale

    @property
    def decided(self) -> bool:
        """The value of a graduation is certain."""
        return self.decision.worth is not None

    @property
    def reach_px(self) -> float:
        """How far from the line the long graduations go."""
        return float(np.percentile(self.ticks.lengths_px, 95))


def _turn(first: Ticks, second_direction: np.ndarray) -> float:
    cross = first.line.direction[0] * second_direction[1] - first.line.direction[1] * second_direction[0]
    return float(abs(np.arcsin(np.clip(cross, -1, 1))))


def _whole(ratio: float) -> bool:
    """Tell whether one pitch is a whole multiple of the other."""
    ratio = max(ratio, 1 / ratio)
    return abs(ratio - round(ratio)) < 0.03 * ratio and round(ratio) <= 64


def _covered(seed: Seed, found: Sequence[Found]) -> bool:
    """Tell whether a seed sees the graduations of a rule that is already found."""
    middle = seed.line.at((seed.from_px + seed.to_px) / 2)
    for one in found:
        ticks = one.ticks
        away = middle - ticks.line.origin
        along, across = float(away @ ticks.line.direction), float(away @ ticks.line.normal) * ticks.side
        margin = 20 * ticks.pitch_px
        ends = ticks.t_px[0] - margin, ticks.t_px[-1] + margin
        inside = ends[0] < along < ends[1] and -0.5 * one.reach_px - 12 < across < 1.5 * one.reach_px + 12
        if not inside or _turn(ticks, seed.line.direction) > np.deg2rad(6.0):
            continue
        if one.uneven and abs(seed.pitch_px / ticks.pitch_px - 1) < UNEVEN_PITCH:
            return True
        own_side = seed.side * np.sign(seed.line.direction @ ticks.line.direction) == ticks.side or across > 4
        ratio = seed.pitch_px / ticks.pitch_px
        if abs(ratio - 1) < SAME_PITCH or (own_side and ratio > 1 and _whole(ratio)):
            return True  # a finer pitch is looked at: what was found may be its long graduations only
    return False


def _alike(first: Seed, second: Seed) -> bool:
    """Tell whether two seeds repeat alike along parallel lines."""
    a, b = first.line.direction, second.line.direction
    return abs(first.pitch_px / second.pitch_px - 1) < ALIKE_PITCH and bool(
        abs(a[0] * b[1] - a[1] * b[0]) < np.sin(PARALLEL_RAD)
    )


def _sane(ticks: Ticks) -> bool:
    """Tell whether measured graduations can be a rule at all, whatever their unit."""
    span = int(ticks.index[-1] - ticks.index[0]) + 1
    reach = ticks.lengths_px + ticks.other_px
    seen = reach[ticks.used & (reach > 0)]
    tall = float(np.percentile(seen, 25)) if len(seen) >= LEAST_PRESENT * ticks.count else 0.0
    return (
        ticks.count >= FEWEST_AT_ALL
        and ticks.count >= LEAST_PRESENT * span
        and ticks.rms_px < max(WORST_RMS * ticks.pitch_px, WORST_RMS_PX)
        and running_bend_px(ticks) < WORST_BEND * ticks.pitch_px
        and tall > LEAST_HEIGHT * ticks.width_px
    )


def _pattern(ticks: Ticks) -> Hierarchy:
    """Return the clearest pattern of the lengths, of the graduations used if they show one, else of all."""
    found = _pattern_of(ticks, ticks.used & ticks.sure)
    return found if found.kind != "none" else _pattern_of(ticks, ticks.sure)  # squared paper may pull all longer ones


def _pattern_of(ticks: Ticks, known: BoolArray) -> Hierarchy:
    """Return the clearest pattern of the lengths on the own side, the other, or both together."""
    index, own, other = ticks.index[known], ticks.lengths_px[known], ticks.other_px[known]
    views = [own]
    if len(other) and np.mean(other > 0) > LEAST_PRESENT:
        alike = np.mean(np.abs(own - other) < ALIKE_PX) > LEAST_PRESENT  # middles in line: what goes on is a figure
        views = [np.minimum(own, other)] if alike else [own, own + other]
    return max((read_hierarchy(index, view) for view in views), key=lambda one: (one.kind != "none", one.score))


def _reference(picture: Picture, ticks: Ticks) -> Reference | None:
    """Return the declared resolution along the rule, if it can be true."""
    if picture.dpi is None or min(picture.dpi) < LEAST_DPI:
        return None
    along = float(np.hypot(*(ticks.line.direction * np.array(picture.dpi))))
    return Reference(along / MM_PER_INCH, f"the file's {along:.0f} dots per inch", PATTERN_AGREES)


def _decided(picture: Picture, ticks: Ticks, pattern: Hierarchy, hint: RuleHint | None) -> Decision:
    """Return what a graduation is worth, by the figures at the longest ones where nothing else tells it.

    Where they tell another value than the resolution does, the copy may be at half its size, and nothing is decided.
    """
    reference, told = _reference(picture, ticks), hint.unit if hint else None
    decision = decide(pattern, ticks.pitch_px, reference, told)
    if told is not None or pattern.kind != "dyadic" or not pattern.clear:
        return decision

    def figures() -> bool:
        return figures_at_longest(picture.grey, ticks, pattern)

    if decision.worth is None:
        return by_figures(decision, pattern, figures) if reference is None else decision
    return against_figures(decision, pattern, figures)


def _hint_for(ticks: Ticks, hints: Sequence[RuleHint]) -> RuleHint | None:
    """Return the hint that points at a rule; one without a place is meant for every rule."""
    reach = float(np.percentile(ticks.lengths_px, 95)) + NEAR_HINT_PX
    for hint in hints:
        if hint.near is None:
            continue
        away = np.asarray(hint.near, dtype=np.float64) - ticks.line.origin
        along, across = float(away @ ticks.line.direction), float(away @ ticks.line.normal)
        if ticks.t_px[0] - NEAR_HINT_PX < along < ticks.t_px[-1] + NEAR_HINT_PX and abs(across) < reach:
            return hint
    return next((hint for hint in hints if hint.near is None), None)


def _examine(picture: Picture, seed: Seed, hints: Sequence[RuleHint]) -> Found | None:
    ticks = measure(picture.grey, seed)
    even = ticks if ticks is not None and _sane(ticks) else None
    uneven = _examine_uneven(picture, seed, hints, even)
    if uneven is not None:
        return uneven
    return _examine_even(picture, even, hints) if even is not None else None


def _examine_uneven(
    picture: Picture, seed: Seed, hints: Sequence[RuleHint], even: Ticks | None
) -> Found | None:
    """Return an unevenly fed rule that goes on beyond what an even comb explains, where everything about it is sure."""
    pair = measure_uneven(picture.grey, seed, even)
    if pair is None or not _sane(pair[0]):
        return None
    laid_even, ticks = pair
    pattern, hint = _pattern(laid_even), _hint_for(ticks, hints)
    if not pattern.clear or not numbers_go_on(laid_even, pattern):
        return None
    decision = _decided(picture, ticks, pattern, hint)
    if decision.worth is None or float(np.ptp(ticks.index[ticks.used])) * decision.worth.pitch_mm < UNEVEN_MM:
        return None
    return Found(ticks, pattern, decision, hint, uneven=True)


def _examine_even(picture: Picture, ticks: Ticks, hints: Sequence[RuleHint]) -> Found | None:
    pattern, hint = _pattern(ticks), _hint_for(ticks, hints)
    ticks = certain_part(ticks, pattern)
    decision = _decided(picture, ticks, pattern, hint)
    patternless = pattern.kind == "none" and pattern.score < CLEAR_SCORE  # hatching and the like
    if decision.worth is None and patternless and (hint is None or hint.near is None):
        return None
    if decision.worth is not None and ticks.count < FEWEST:
        length_mm = (ticks.t_px[-1] - ticks.t_px[0]) / ticks.pitch_px * decision.worth.pitch_mm
        return Found(ticks, pattern, decision, hint) if length_mm >= SHORTEST_MM else None
    return Found(ticks, pattern, decision, hint) if ticks.count >= FEWEST else None


def _same(first: Found, second: Found) -> bool:
    """Tell whether two finds are the same graduations (seen twice, or on both edges of one body)."""
    a, b = first.ticks, second.ticks
    told = [one.hint for one in (first, second) if one.hint is not None and one.hint.near is not None]
    if len(told) == 2 and told[0] is not told[1]:
        return False  # a drawn rule with a real one laid along it, in step by chance
    if first.uneven or second.uneven:
        return _beside(*((first, second) if first.uneven else (second, first)))
    if _turn(a, b.line.direction) > PARALLEL_RAD or not _whole(a.pitch_px / b.pitch_px):
        return False
    coarse, fine = (a, b) if a.pitch_px > b.pitch_px else (b, a)
    away = coarse.places - fine.line.origin
    along, across = away @ fine.line.direction, np.abs(away @ fine.line.normal)
    worth = first.decision.worth
    widest = SAME_RULE_MM / worth.pitch_mm * a.pitch_px if worth else SAME_RULE_PITCHES * a.pitch_px
    inside = (along > fine.t_px[0] - fine.pitch_px) & (along < fine.t_px[-1] + fine.pitch_px)
    if np.mean(inside) < 0.3 or float(np.median(across)) > widest:
        return False
    phase = (along[inside] - fine.start_px) / fine.pitch_px
    off = np.angle(np.mean(np.exp(2j * np.pi * phase))) / (2 * np.pi)
    spread = np.abs((phase - off + 0.5) % 1.0 - 0.5)
    close = float(np.median(across)) < max(first.reach_px, second.reach_px) + 12
    return bool(np.median(spread) < SAME_COMB and (abs(off) < SAME_COMB or close))


def _beside(uneven: Found, other: Found) -> bool:
    """Tell whether a find is of graduations of an unevenly fed rule, or of the other edge of its body."""
    a, b = uneven.ticks, other.ticks
    if _turn(a, b.line.direction) > PARALLEL_RAD or abs(a.pitch_px / b.pitch_px - 1) > UNEVEN_PITCH:
        return False
    away = b.places - a.line.origin
    along, across = away @ a.line.direction, np.abs(away @ a.line.normal)
    worth = uneven.decision.worth
    widest = SAME_RULE_MM / worth.pitch_mm * a.pitch_px if worth else SAME_RULE_PITCHES * a.pitch_px
    inside = (along > a.t_px[0] - a.pitch_px) & (along < a.t_px[-1] + a.pitch_px)
    return bool(np.mean(inside) > 0.3 and np.median(across) < widest)


def _merit(one: Found) -> tuple[bool, bool, bool, float, float]:
    """Order finds: decided, pointed at, on a drawn line, more graduations, smaller residual."""
    pointed = one.hint is not None and one.hint.near is not None
    return (one.decided, pointed, one.pattern.kind != "none", float(one.ticks.count), -one.ticks.rms_px)


def _distinct(found: list[Found]) -> list[Found]:
    """Keep each set of graduations once, the best view of it."""
    kept: list[Found] = []
    for one in sorted(found, key=_merit, reverse=True):
        if not any(_same(other, one) for other in kept):
            kept.append(one)
    return kept


def _by_other_rules(found: list[Found]) -> list[Found]:
    """Decide what is left by the scale of the rules already certain."""
    certain = [one for one in found if one.decision.worth is not None]
    if not certain:
        return found
    best = max(certain, key=lambda one: one.ticks.count)
    assert best.decision.worth is not None
    scale = best.ticks.pitch_px / best.decision.worth.pitch_mm
    reference = Reference(scale, "the other rule on the sheet", RULE_AGREES)
    out = []
    for one in found:
        if not one.decided and one.pattern.kind in ("decimal", "half", "dyadic"):
            told = one.hint.unit if one.hint else None
            decision = decide(one.pattern, one.ticks.pitch_px, reference, told)
            one = Found(one.ticks, one.pattern, decision, one.hint)
        out.append(one)
    return out


def _doubt(one: Found, code: str) -> Doubt:
    middle = one.ticks.line.at((one.ticks.t_px[0] + one.ticks.t_px[-1]) / 2)
    words = [worth.words for worth in one.decision.candidates]
    either = " or ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
    return doubt(code, place=f"{middle[0]:.0f}, {middle[1]:.0f}", candidates=either)


def begin_rules(picture: Picture) -> Callable[[], None]:
    """Return what does the first part of :func:`find_rules`."""
    return begin(picture, "segments", (), lambda: segments(picture.grey))


def find_all(picture: Picture, hints: Sequence[RuleHint] = ()) -> list[Found]:
    """Return every set of graduations found, decided or not, each once."""
    seeds = find_seeds(picture.grey, made(picture, "segments", (), lambda: segments(picture.grey)))
    found = _examined(picture, seeds, hints, [])
    if not _both_ways(found):
        contrast = INK_SHARE * least_contrast(picture.grey)
        by_ink = find_seeds(picture.grey, inked_segments(picture.grey, contrast))
        by_ink += seeds_beside(picture.grey, stroke_lines(picture.grey, contrast))
        by_ink.sort(key=lambda seed: -seed.merit)
        seeds = [*seeds, *by_ink]
        found = _examined(picture, by_ink, hints, found)
    found += _pointed_at(picture, seeds, hints, found)
    return _by_other_rules(_distinct(found))


def _examined(
    picture: Picture, seeds: Sequence[Seed], hints: Sequence[RuleHint], before: Sequence[Found]
) -> list[Found]:
    """Return what was found before, and what is found at seeds, the best first, until too many lead nowhere."""
    found = list(before)
    missed: list[Seed] = []
    tries = misses = 0
    for seed in seeds[:MOST_SEEDS]:
        if _covered(seed, found) or sum(_alike(seed, other) for other in missed) >= MOST_ALIKE:
            continue
        tries += 1
        one = _examine(picture, seed, hints)
        misses = misses + 1 if one is None else 0
        if one is not None:
            found.append(one)
        else:
            missed.append(seed)
        if tries >= MOST_TRIES or misses >= MOST_MISSES:
            break
    return found


def _both_ways(found: Sequence[Found]) -> bool:
    """Whether graduations run both along and across the sheet."""
    turns = [_turn(found[0].ticks, one.ticks.line.direction) for one in found]
    return bool(max(turns, default=0.0) > BOTH_WAYS_RAD)


def _pointed_at(
    picture: Picture, seeds: Sequence[Seed], hints: Sequence[RuleHint], found: Sequence[Found]
) -> list[Found]:
    """Return rules at the places that hints give where nothing is found yet: long fine ones may fill all the seeds."""
    more = []
    for hint in hints:
        if hint.near is None or any(one.hint is hint for one in found):
            continue
        near = [seed for seed in seeds if _shows(seed, np.asarray(hint.near, dtype=np.float64))]
        tried = (_examine(picture, seed, hints) for seed in near[:MOST_TOLD])
        more += [one for one in tried if one is not None and one.hint is hint][:1]
    return more


def _shows(seed: Seed, near_px: FloatArray) -> bool:
    away = near_px - seed.line.origin
    along, across = float(away @ seed.line.direction), float(away @ seed.line.normal)
    return abs(across) < NEAR_HINT_PX and seed.from_px - NEAR_HINT_PX < along < seed.to_px + NEAR_HINT_PX


def find_rules(picture: Picture, hints: Sequence[RuleHint] = (), *, others: bool = False) -> RuleSearch:
    """Find the graduated rules of a picture and what each graduation is worth.

    Where a hint gives a place, only the rules at such places are returned, unless ``others`` are wanted too.
    Graduations whose value is not certain come back as doubts: "unit-uncertain" when nothing else fixes the scale,
    else "rule-left-out". Where some look like those of a copy at half its size, only rules whose unit is told count.
    """
    found = find_all(picture, hints)
    if any(hint.near is not None for hint in hints) and not others:
        found = [one for one in found if one.hint is not None and one.hint.near is not None]
    certain = [one for one in found if one.decision.worth is not None]
    if any(one.decision.resized for one in found):  # then the file's resolution, by which the others are, tells nothing
        certain = [one for one in certain if one.hint is not None and one.hint.unit is not None]
    certain.sort(key=lambda one: -float(np.hypot(*(one.ticks.places[-1] - one.ticks.places[0]))))
    rules = tuple(
        rule_record(f"rule {number}", one.ticks, one.decision, one.hint, two_level=picture.two_level)
        for number, one in enumerate(certain, start=1)
    )
    code = "rule-left-out" if rules else "unit-uncertain"
    return RuleSearch(rules, tuple(_doubt(one, code) for one in found if not one.decided))
