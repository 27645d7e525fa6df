"""How far a laid rule's graduations are above the paper: nearer to the camera, they look larger than what lies on it.

One millimetre at half a metre is 0.2 % of every length. Where it is not told, the rule's wall shows it (photo_wall),
as far as it is in view; beside that counts what such rules usually are (common practice, no source, from memory): short
steel rules are half a millimetre thick, long ones one millimetre, squares nearly two; plastic and wooden rulers have a
bevel that brings their graduations down to the paper. Steel rules are up to 32 mm wide; what is wider is an arm of a
square, or a rule of a metre, which is thicker.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from calibration.budget import COVERAGE_95
from calibration.frames import FloatArray
from digitize.rule.photo_heights import Height, as_usual_too, of_two, seen_height
from digitize.rule.photo_records import PhotoRule, PhotoRuleSearch
from digitize.rule.photo_stuff import is_metal, tone
from digitize.rule.photo_wall import RisePx, wall_of
from digitize.rule.strip import Grey

if TYPE_CHECKING:
    from digitize.settings import RuleHint
    from digitize.shapes import Picture, Rule

TOLD, USUAL, SEEN = "as told", "as such rules usually are", "as its wall shows and such rules usually are"
TOLD_U_MM = 0.05  # a thickness measured by the person, 1 sigma
SQUARE_MM = (1.8, 0.4)  # usual height and 1 sigma
ALIKE_TONE = 1.5  # both arms of a square are as light as each other, to within this factor: glare, another light
SHORT_STEEL_MM, LONG_STEEL_MM = (0.5, 0.15), (1.0, 0.3)
SHORT_MM = 200.0  # a short steel rule is no longer than this
WIDE_STEEL_MM = (1.5, 0.45)
WIDE_MM = 38.0  # a steel rule of 600 mm or less is narrower, seen aslant too
WIDE_SHARE = 0.9  # how likely two bodies that may be one square are, where one is wider than that
BEVEL_MM = (0.5, 0.25)
# What looks drawn may be a clear rule laid on the sheet, unless it is as certain as this.
CLEAR_MM, CERTAIN = (0.25, 0.25), 0.95
NEAR_HINT_PX = 60.0  # a pixel "on" a rule may be this far beside it


def lift_mm(
    picture: Picture, polygon_px: FloatArray, size_mm: tuple[float, float], *, square: bool, hint: RuleHint | None
) -> tuple[float, float]:
    """Return the height of a laid rule's graduations above the paper and its 1 sigma, mm.

    Args:
        picture: the photo.
        polygon_px: (V, 2) round the rule's body.
        size_mm: length and width of the rule.
        square: it is an arm of a square.
        hint: what the person said of it.
    """
    if hint is not None and hint.thickness_mm is not None:
        return hint.thickness_mm, TOLD_U_MM
    if square:
        return SQUARE_MM
    if not is_metal(picture, polygon_px):
        return BEVEL_MM
    return _steel_mm(size_mm)


def _steel_mm(size_mm: tuple[float, float]) -> tuple[float, float]:
    length_mm, wide_mm = size_mm
    if wide_mm > WIDE_MM:
        return WIDE_STEEL_MM
    return SHORT_STEEL_MM if length_mm <= SHORT_MM else LONG_STEEL_MM


def with_lifts(picture: Picture, search: PhotoRuleSearch, hints: Sequence[RuleHint]) -> PhotoRuleSearch:
    """Return the rules of a search, the laid ones with the height of their graduations."""
    arms = {name for angle in search.angles for name in (angle.first, angle.second)}
    squares = {one.body for one in search.rules if one.rule.control.name in arms}
    rules = []
    for one in search.rules:
        control = one.rule.control
        if one.rule.role == "laid":
            square, told = one.body in squares, _hint_on(one, hints)
            size = _body_mm(search, one.body)
            lift, u = lift_mm(picture, one.polygon.xy, size, square=square, hint=told)
            why = TOLD if told is not None and told.thickness_mm is not None else USUAL
            rule = _lifted(one.rule, lift, u, why)
            one = replace(one, rule=rule, flat=square or is_metal(picture, one.polygon.xy))
        elif one.role_sure < CERTAIN:
            control = replace(control, lift_mm=CLEAR_MM[0], lift_u_mm=CLEAR_MM[1])
            one = replace(one, rule=replace(one.rule, control=control))
        rules.append(one)
    return _levelled(_either(picture.grey, replace(search, rules=tuple(rules)), hints))


def _either(grey: Grey, search: PhotoRuleSearch, hints: Sequence[RuleHint]) -> PhotoRuleSearch:
    """Return the search with the heights of what may be a square, or two rules, and only those that look like one."""
    perhaps = {
        pair: max(share, WIDE_SHARE) if any(_body_mm(search, body)[1] > WIDE_MM for body in pair) else share
        for pair, share in search.perhaps_squares.items()
        if _look_one(grey, search, pair)
    }
    rules = list(search.rules)
    for pair, share in perhaps.items():
        for number in _untold(range(len(rules)), rules, hints):
            body = rules[number].body
            if body in pair:
                (other,) = pair - {body}
                found = of_two(None, None, _as_rules(search, body, other), Height(*SQUARE_MM), share)
                rules[number] = replace(rules[number], rule=_lifted(rules[number].rule, found.mm, found.u_mm, USUAL))
    return replace(search, rules=tuple(rules), perhaps_squares=perhaps)


def _look_one(grey: Grey, search: PhotoRuleSearch, pair: frozenset[int]) -> bool:
    """Tell whether two bodies are both of metal and of one tone."""
    first = [next(one for one in search.rules if one.body == body) for body in sorted(pair)]
    tones = [tone(grey, one.polygon.xy) for one in first]
    return all(one.flat for one in first) and max(tones) < ALIKE_TONE * min(tones)


def _as_rules(search: PhotoRuleSearch, body: int, other: int) -> tuple[Height, Height]:
    """Return the usual heights of two bodies of metal, were they rules."""
    own, its = (Height(*_steel_mm(_body_mm(search, one))) for one in (body, other))
    return own, its


def _levelled(search: PhotoRuleSearch) -> PhotoRuleSearch:
    """Return the search with the edges of every flat thing marked as of one height."""
    rules = list(search.rules)
    for group in _as_thick(search):
        for number in group if len(group) > 1 else ():
            rule = rules[number].rule
            control = replace(rule.control, level=f"thing {group[0] + 1}")
            rules[number] = replace(rules[number], rule=replace(rule, control=control))
    return replace(search, rules=tuple(rules))


def _body_mm(search: PhotoRuleSearch, body: int) -> tuple[float, float]:
    """Return how long and how wide a body is, by the longest of its edges."""
    return max(_size_mm(one) for one in search.rules if one.body == body)


def _size_mm(rule: PhotoRule) -> tuple[float, float]:
    """Return how long and how wide a rule is, by its graduations or by its body: glare may hide many of those."""
    wide_px, long_px = sorted(cv2.minAreaRect(rule.polygon.xy.astype(np.float32))[1])
    px_per_mm = rule.rule.pitch_px / rule.rule.pitch_mm
    return float(max(np.ptp(rule.rule.control.at_mm), long_px / px_per_mm)), float(wide_px / px_per_mm)


def with_walls(
    grey: Grey, search: PhotoRuleSearch, hints: Sequence[RuleHint], rise_px: RisePx
) -> PhotoRuleSearch:
    """Return the rules of a search with the heights of the laid ones as their walls show them too, or it as it is.

    Args:
        grey: (H, W) the photo.
        search: the rules with their usual heights.
        hints: what the person said; a thickness that is told stays.
        rise_px: how places move in the picture as they rise; of a camera that is known roughly.
    """
    rules = list(search.rules)
    groups = [open_ for group in _as_thick(search) if (open_ := _untold(group, rules, hints))]
    seen = [seen_height(wall_of(grey, rules[number], rise_px) for number in group) for group in groups]
    for group, own in zip(groups, seen, strict=True):
        other = _other_arm(group, groups, search)
        if own is None and (other is None or seen[other] is None):
            continue
        first = rules[group[0]]
        usual = Height(first.rule.control.lift_mm, first.rule.control.lift_u_mm)
        if other is not None:
            body, its = first.body, rules[groups[other][0]].body
            share = search.perhaps_squares[frozenset({body, its})]
            found = of_two(own, seen[other], _as_rules(search, body, its), Height(*SQUARE_MM), share)
        elif own is not None:
            found = as_usual_too(own, usual, flat=first.flat)
        for number in group:
            rules[number] = replace(rules[number], rule=_lifted(rules[number].rule, found.mm, found.u_mm, SEEN))
    return replace(search, rules=tuple(rules)) if any(one is not None for one in seen) else search


def _untold(group: Sequence[int], rules: Sequence[PhotoRule], hints: Sequence[RuleHint]) -> list[int]:
    """Return those of a group whose thickness nobody told."""
    told = {number: _hint_on(rules[number], hints) for number in group}
    return [number for number, hint in told.items() if hint is None or hint.thickness_mm is None]


def _other_arm(group: Sequence[int], groups: Sequence[Sequence[int]], search: PhotoRuleSearch) -> int | None:
    """Return the number of the group that may be of one square with another, None of none."""
    body = search.rules[group[0]].body
    for number, other in enumerate(groups):
        if frozenset({body, search.rules[other[0]].body}) in search.perhaps_squares:
            return number
    return None


def _lifted(rule: Rule, lift_mm: float, u_mm: float, why: str) -> Rule:
    """Return a rule whose graduations are so far above the paper."""
    told = f"Its graduations are {lift_mm:.1f} mm above the paper, to {COVERAGE_95 * u_mm:.1f} mm, {why}."
    return replace(rule, control=replace(rule.control, lift_mm=lift_mm, lift_u_mm=u_mm), lift_evidence=told)


def _as_thick(search: PhotoRuleSearch) -> list[list[int]]:
    """Return the numbers of the laid edges that are as high as each other: those of one flat body, or of one square."""
    bodies = {one.rule.control.name: one.body for one in search.rules}
    squares = [{bodies[angle.first], bodies[angle.second]} for angle in search.angles]
    groups: list[list[int]] = []
    for number, one in enumerate(search.rules):
        if one.rule.role != "laid":
            continue
        with_it = set().union({one.body}, *(square for square in squares if one.body in square))
        group = next((g for g in groups if one.flat and search.rules[g[0]].body in with_it), None)
        if group is None:
            groups.append([number])
        else:
            group.append(number)
    return groups


def _hint_on(one: PhotoRule, hints: Sequence[RuleHint]) -> RuleHint | None:
    """Return the hint that points at a rule; one without a place is meant for every rule."""
    ring = one.polygon.xy.astype(np.float32)
    for hint in hints:
        if hint.near is None or cv2.pointPolygonTest(ring, hint.near, True) > -NEAR_HINT_PX:
            return hint
    return None
