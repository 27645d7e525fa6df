"""Where a builder lays rules and squares: beside the body, along the sheet's sides, never on the outline."""

from __future__ import annotations

import numpy as np
import shapely

from calibration.frames import FloatArray
from tests.maker.photo_laid import Placed, corners, put
from tests.maker.photo_objects import MODELS
from tests.maker.photo_paper import Paper, body_points, sheet_points
from tests.maker.photo_spec import LaidSpec
from tests.maker.rules import DrawnRule

CLEAR_MM = 5.0  # from the outline: the thickest object seen from the steepest side hides less
OVERHANG = 0.12  # share of an object that may reach over the sheet's edge
APART_MM = 2.0  # between two objects
RULE_TALL_MM = 12.0  # of a drawn rule with its numbers
TRIES = 240
REACH_MM = 75.0  # from a side of the sheet to a rule along it
SIDES = ("low", "right", "up", "left")
SLANT_SHARE = 0.12  # of rules not laid along a side


class Room:
    """A sheet, its body, and what lies there already."""

    def __init__(self, paper: Paper, *, rules_seen: bool = False) -> None:
        """``rules_seen``: nothing may lie on the rules that are drawn on the sheet."""
        self.paper = paper
        self.sheet = shapely.Polygon(paper.corners_mm)
        ground = paper.drawing.ground
        ring = np.asarray(ground.shape.intersection(ground.kept).buffer(0.0).exterior.coords)
        self.body = shapely.Polygon(sheet_points(paper, body_points(paper, ring))).buffer(CLEAR_MM)
        drawn = paper.drawing.sheet.rules if rules_seen else ()
        self.taken: list[shapely.Geometry] = [_drawn_rule(paper, rule) for rule in drawn]

    def fits(self, placed: Placed) -> bool:
        """Return whether an object may lie there."""
        area = placed.footprint()
        if area.intersects(self.body) or area.difference(self.sheet).area > OVERHANG * area.area:
            return False
        return all(area.distance(other) > APART_MM for other in self.taken)

    def take(self, spec: LaidSpec) -> bool:
        """Lay an object down if it may lie there, and say whether it does."""
        placed = put(spec, self.paper)
        if not self.fits(placed):
            return False
        self.taken.append(placed.footprint())
        return True


def _drawn_rule(paper: Paper, rule: DrawnRule) -> shapely.Geometry:
    """Return where a drawn rule is on the sheet, its numbers included."""
    ends = rule.start_mm + np.outer(rule.present[[0, -1]] * rule.pitch_mm, rule.along)
    return shapely.LineString(ends @ paper.plan_to_sheet[:, :2].T + paper.plan_to_sheet[:, 2]).buffer(RULE_TALL_MM)


def _at(model: str, middle: FloatArray, angle_deg: float) -> tuple[float, float]:
    """Return where the origin of a rule lies whose middle is to be at ``middle``."""
    strip = MODELS[model].strips[0]
    angle = np.radians(angle_deg)
    half = corners(strip)[2] / 2
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    at = middle - turn @ half
    return float(round(at[0], 3)), float(round(at[1], 3))


def _off(rng: np.random.Generator) -> float:
    """Return by how much a person misses the direction of a side, degrees."""
    if rng.random() < SLANT_SHARE:
        return float(rng.choice([-1.0, 1.0]) * rng.uniform(10.0, 28.0))
    return float(np.clip(rng.normal(0.0, 3.0), -10.0, 10.0))


def _along(rng: np.random.Generator, model: str, side: int, size: tuple[float, float]) -> LaidSpec:
    """Return a rule beside one side of the sheet, either end first."""
    strip = MODELS[model].strips[0]
    across_x = side % 2 == 0
    room = size[0] if across_x else size[1]
    slack = max(0.0, room - strip.long_mm) / 2 + 15.0
    along = room / 2 + rng.uniform(-slack, slack)
    inward = strip.wide_mm / 2 + rng.uniform(-0.12 * strip.wide_mm, REACH_MM)
    middle = {0: (along, inward), 1: (size[0] - inward, along), 2: (along, size[1] - inward), 3: (inward, along)}[side]
    angle = (0.0 if across_x else 90.0) + 180.0 * float(rng.integers(0, 2)) + _off(rng)
    return LaidSpec(model, _at(model, np.array(middle), angle), angle)


def rule_beside(rng: np.random.Generator, room: Room, model: str, side: int) -> LaidSpec | None:
    """Return a rule laid beside a side of the sheet (0 low, 1 right, 2 up, 3 left); None without room for it."""
    for _ in range(TRIES):
        spec = _along(rng, model, side, room.paper.size_mm)
        if room.take(spec):
            return spec
    return None


def square_in_corner(rng: np.random.Generator, room: Room, model: str) -> LaidSpec | None:
    """Return a square whose arms run along two sides of the sheet; None without room for it."""
    wide, high = room.paper.size_mm
    flipped = model.endswith("flipped")
    for _ in range(TRIES):
        quarter = int(rng.integers(0, 4))
        place = (quarter + 3) % 4 if flipped else quarter  # corners: lower left 0, lower right 1, upper right 2 ...
        inward = rng.uniform(-6.0, REACH_MM, 2)
        at = np.array([(inward[0], inward[1]), (wide - inward[0], inward[1]), (wide - inward[0], high - inward[1]),
                       (inward[0], high - inward[1])][place])
        angle = 90.0 * quarter + float(np.clip(rng.normal(0.0, 2.0), -8.0, 8.0))
        spec = LaidSpec(model, (float(round(at[0], 3)), float(round(at[1], 3))), angle)
        if room.take(spec):
            return spec
    return None


def card_somewhere(rng: np.random.Generator, room: Room) -> LaidSpec | None:
    """Return a bank card anywhere beside the body; None without room for it."""
    for _ in range(TRIES):
        angle = float(rng.uniform(0.0, 360.0))
        middle = rng.uniform((20.0, 20.0), np.array(room.paper.size_mm) - 20.0)
        spec = LaidSpec("card", _at("card", middle, angle), angle)
        if room.take(spec):
            return spec
    return None
