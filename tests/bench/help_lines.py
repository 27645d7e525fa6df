"""The one line a person would add to the plan file after looking at the overlay, the report or the refusal."""

from __future__ import annotations

import math

import numpy as np
import shapely

from calibration.frames import FloatArray, IntArray
from tests.bench.compare import apart, carry
from tests.bench.one import Row
from tests.maker.level_plan import LevelPlan

ELSEWHERE_MM = 20.0  # an answer farther off than this is another drawing, not another line of the same
MOST_PLACES = 6  # that anyone would click
SPREAD_MM = 250.0
SEEN_MM = 0.15  # what shows on the overlay, two pixels of a usual scan
RUN_MM = 10.0  # places where the answer is astray, nearer together than this, are one stretch
SCALE_CODES = {"one-direction", "no-rule", "unit-uncertain", "rules-disagree"}


def help_line(plan: LevelPlan, alone: Row, answer: FloatArray | None) -> str:
    """Return the line; ``answer`` is the outline as written, (N, 2) mm in its own frame, None when refused.

    Scale in doubt: the rules, with their units. Neck and tail the wrong way round: a place at the neck. Another
    drawing: a place inside the body; none: four places on the outline. The right body but the wrong line somewhere:
    one place on the outline in each stretch that went astray.
    """
    beside = plan.spec.parallel  # type: ignore[attr-defined]
    if SCALE_CODES & set(alone.reasons) and plan.rules:
        return _rules(plan)
    if alone.compared is None or answer is None:
        return f"through = {_px(plan, _round_the_body(plan))}"
    if abs(alone.frame[1]) > 90.0:
        return f"neck = {_px(plan, plan.centerline_mm[1:])[0]}"
    if beside is not None and beside.equal:
        return f"through = [{list(plan.help['through'])}]"
    placed = carry(answer, alone.compared.to_truth)
    inside = shapely.Polygon(placed).buffer(0).contains(shapely.Polygon(plan.outline_mm).representative_point())
    if alone.compared.max_mm < ELSEWHERE_MM or inside:
        return f"through = {_px(plan, _astray(plan, placed))}"
    return f"near = {list(plan.help['near'])}"


def _rules(plan: LevelPlan) -> str:
    """Return a line that names every drawn rule by a place on it and its unit."""
    tables = []
    for rule in plan.rules:
        x, y = np.rint((rule.from_px + rule.to_px) / 2.0)
        tables.append(f'{{ near = [{x:.0f}, {y:.0f}], unit = "{rule.unit}" }}')
    return f"rule = [{', '.join(tables)}]"


def _px(plan: LevelPlan, places_mm: FloatArray) -> list[list[int]]:
    """Return places in whole pixels, as a click gives them."""
    return np.rint(plan.to_px(places_mm)).astype(int).tolist()


def _drawn(plan: LevelPlan) -> FloatArray:
    return plan.half_mm if plan.spec.half else plan.outline_mm


def _away_from_gaps(plan: LevelPlan, places: FloatArray) -> FloatArray:
    """Return which places lie on ink: nobody clicks in a gap."""
    gaps = plan.gaps_mm.reshape(-1, 2)
    return np.array([len(gaps) == 0 or np.hypot(*(gaps - place).T).min() > RUN_MM for place in places])


def _round_the_body(plan: LevelPlan) -> FloatArray:
    """Return four places spread over the drawn outline."""
    drawn = _drawn(plan)
    line = shapely.LineString(drawn if plan.spec.half else np.vstack([drawn, drawn[:1]]))
    places = shapely.get_coordinates(shapely.line_interpolate_point(line, (np.arange(40) + 0.5) / 40, normalized=True))
    clear = np.flatnonzero(_away_from_gaps(plan, places))
    return np.asarray(places[[clear[np.argmin(np.abs(clear - at))] for at in (5, 15, 25, 35)]])


def _astray(plan: LevelPlan, answer: FloatArray) -> FloatArray:
    """Return the worst place of each stretch of the drawn outline that the answer is not on, the longest first.

    Somebody who clicks along a whole line clicks every SPREAD_MM.
    """
    drawn = _drawn(plan)
    far = np.minimum(apart(drawn, answer), apart(drawn * [-1.0, 1.0], answer) if plan.spec.half else np.inf)
    off = np.flatnonzero(far > min(SEEN_MM, float(far.max()) * 0.9))
    steps = np.hypot(*np.diff(drawn, axis=0, prepend=drawn[:1]).T)
    cuts = np.flatnonzero(np.hypot(*np.diff(drawn[off], axis=0).T) > RUN_MM) + 1
    stretches = [part for run in np.split(off, cuts) for part in _parts(run, float(steps[run].sum()))]
    stretches = sorted(stretches, key=lambda part: -float(far[part].max()))[:MOST_PLACES]
    return drawn[sorted(int(part[np.argmax(far[part])]) for part in stretches)]


def _parts(run: IntArray, length_mm: float) -> list[IntArray]:
    """Return a stretch in parts no longer than SPREAD_MM."""
    return np.array_split(run, max(1, math.ceil(length_mm / SPREAD_MM)))
