"""Finding and measuring the graduated rules of a photo."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from calibration.errors import Refusal
from calibration.flags import Doubt, doubt
from calibration.frames import BoolArray, PxPoints
from digitize.rule.photo_beside import same_edge
from digitize.rule.photo_body import Body
from digitize.rule.photo_edge import GraduatedEdge, clear_pattern, follow_seed, read_edge
from digitize.rule.photo_follow import Followed
from digitize.rule.photo_group import Found, decided, in_bodies, look, looked_at, parted, polygon_of, role_of
from digitize.rule.photo_join import all_joined
from digitize.rule.photo_records import Measured, PhotoRule, PhotoRuleSearch, photo_rule
from digitize.rule.photo_square import Arm, Squares, squares_of
from digitize.rule.photo_tiles import Stripes, find_stripes
from digitize.rule.photo_unit import alone
from digitize.shapes import Picture

if TYPE_CHECKING:
    from digitize.settings import RuleHint

MOST_TRIES = 40
MOST_MISSES = 10  # in a row; seeds come best first
SAME_ROWS = 14.0  # a seed's tiles this near to the band of a rule already followed see the same graduations
SAME_SHARE = 0.7  # of the tiles
LEAST_SHARE = 0.2  # of the tiles of a seed, on what was followed from it, for the others to be a seed as well
SAME_TURN = 0.35  # sine
TABLE = 200  # places along a course
OTHER_BODIES = 10_000  # added to the number of a body for another beside it that was taken for a part of it


def _on_band(stripes: Stripes, followed: Followed) -> BoolArray:
    """Return which of a seed's tiles lie on a band that was followed already."""
    course = followed.course
    index = np.linspace(followed.low - 4, followed.high + 4, TABLE)
    away = stripes.places[:, None, :] - course.foot(index)[None]
    nearest = np.argmin(np.sum(away**2, axis=2), axis=1)
    run = course.run(index)[nearest]
    pitch = np.hypot(*run.T)
    own = away[np.arange(len(nearest)), nearest]
    along = np.abs(np.sum(own * run, axis=1)) / pitch
    across = np.abs(own[:, 0] * run[:, 1] - own[:, 1] * run[:, 0]) / pitch
    turn = np.abs(stripes.waves[:, 0] * run[:, 1] - stripes.waves[:, 1] * run[:, 0])
    parallel = turn < np.hypot(*stripes.waves.T) * pitch * SAME_TURN
    spare = 3.0 * float(np.ptp(index)) / TABLE * pitch + 16.0
    return np.asarray((across < followed.band[1] + SAME_ROWS) & (along < spare) & parallel)


def _sees(stripes: Stripes, followed: Followed) -> bool:
    """Tell whether a seed's tiles lie on a band that was followed already."""
    return bool(np.average(_on_band(stripes, followed), weights=stripes.power) > SAME_SHARE)


def _edges(picture: Picture) -> list[GraduatedEdge]:
    """Return every graduated edge, each once, its pieces joined where that is certain."""
    followed: list[Followed] = []
    found: list[GraduatedEdge] = []
    tries = misses = 0
    seeds = deque(find_stripes(picture.grey))
    while seeds:
        stripes = seeds.popleft()
        if any(_sees(stripes, one) for one in followed):
            continue
        if tries >= MOST_TRIES or misses >= MOST_MISSES:
            break
        tries, misses = tries + 1, misses + 1
        one = follow_seed(picture.grey, stripes)
        if one is None:
            continue
        followed.append(one)
        on_it = _on_band(stripes, one)
        if on_it.mean() > LEAST_SHARE:  # both edges of a narrow rule may lie in one seed
            seeds.extendleft(stripes.parts(~on_it))
        edge = read_edge(picture.grey, one)
        if edge is not None and not any(same_edge(edge, other) for other in found):
            misses = 0
            found.append(edge)
    return all_joined(picture.grey, found)


def _doubt(one: Found, code: str) -> Doubt:
    middle = one.edge.feet[len(one.edge.index) // 2]
    words = [worth.words for worth in one.decision.candidates] or ["of no usual unit"]
    either = " or ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
    return doubt(code, place=f"{middle[0]:.0f}, {middle[1]:.0f}", candidates=either)


def _measured(edge: GraduatedEdge) -> Measured:
    index = edge.index
    missing = int(index[-1] - index[0]) + 1 - len(index)
    return Measured(index.astype(np.float64), edge.feet, edge.left_px[edge.used], edge.across_u_px, missing)


def _records(picture: Picture, certain: list[Found], squares: Squares) -> list[PhotoRule]:
    """Return the records of all edges whose value is certain, the longest first.

    Nothing printed is a part of a square's arm, however its face looks in a glare.
    """
    arms = {name for angle in squares.angles for name in (angle.first, angle.second)}
    out: list[PhotoRule] = []
    names = {id(one): f"rule {number}" for number, one in enumerate(certain, start=1)}
    for number in dict.fromkeys(one.body for one in certain):
        members = [one for one in certain if one.body == number]
        seen = [look(picture.grey, one) for one in members]
        is_arm = any(names[id(one)] in arms for one in members)
        for more, part in enumerate([range(len(members))] if is_arm else parted(members, seen)):
            own, looks = [members[n] for n in part], [seen[n] for n in part]
            out += _body_records(picture, names, own, looks, number + more * OTHER_BODIES)
    return sorted(out, key=lambda one: int(one.rule.control.name.split()[-1]))


def _body_records(
    picture: Picture, names: dict[int, str], members: list[Found], seen: list[Body], number: int
) -> list[PhotoRule]:
    """Return the records of the edges of one body."""
    out, looks = [], role_of(members, seen)
    for one, body in zip(members, seen, strict=True):
        assert one.decision.worth is not None
        rule = photo_rule(
            names[id(one)], _measured(one.edge), one.decision.worth, one.decision.evidence, looks.role, one.hint,
            len(members),
        )  # fmt: skip
        area = PxPoints(polygon_of(picture.grey, one, members, body))
        out.append(PhotoRule(rule, area, number, looks.sure, looks.why))
    return out


def _length(one: Found) -> float:
    return float(np.hypot(*(one.edge.feet[-1] - one.edge.feet[0])))


def _refuse_false_units(found: Sequence[Found], hints: Sequence[RuleHint]) -> None:
    """Refuse a unit that the plan file gives and that no graduation it is meant for can have."""
    for hint in hints:
        if hint.unit is None:
            continue
        meant = [one for one in found if one.hint is hint]
        seen = [(one, worth) for one in meant if (worth := alone(replace(one.sight, told=None)).worth) is not None]
        if seen and all(worth.unit != hint.unit for _, worth in seen):
            one, worth = max(seen, key=lambda pair: len(pair[0].edge.index))
            x, y = one.edge.feet[len(one.edge.index) // 2]
            told = {"mm": "millimetres", "in": "inches"}[hint.unit]
            raise Refusal("unit-contradicted", place=f"{x:.0f}, {y:.0f}", told=told, seen=worth.words)


def find_photo_rules(picture: Picture, hints: Sequence[RuleHint] = ()) -> PhotoRuleSearch:
    """Find the graduated rules of a photo, what each graduation is worth and where exactly it is seen.

    Every graduated edge is a rule of its own; edges of one body share its number. Where a hint gives a place, only the
    rules at such places are returned. Graduations whose value is not certain come back as doubts: "unit-uncertain"
    when nothing else fixes the scale, else "rule-left-out".

    Raises:
        Refusal: ``unit-contradicted``.
    """
    long_px = float(max(picture.grey.shape))
    found = [looked_at(edge, long_px, hints, number) for number, edge in enumerate(_edges(picture))]
    _refuse_false_units(found, hints)
    found = decided(in_bodies(found))
    if any(hint.near is not None for hint in hints):
        found = [one for one in found if one.hint is not None and one.hint.near is not None]
    certain = sorted((one for one in found if one.decision.worth is not None), key=_length, reverse=True)
    arms = [Arm(f"rule {n}", one.edge, one.worth.pitch_mm, one.body) for n, one in enumerate(certain, start=1)]
    squares = squares_of(picture.grey, arms)
    rules = tuple(_records(picture, certain, squares))
    code = "rule-left-out" if rules else "unit-uncertain"
    open_ = [one for one in found if one.decision.worth is None and clear_pattern(one.edge)]
    return PhotoRuleSearch(rules, squares.angles, tuple(_doubt(one, code) for one in open_), squares.perhaps)
