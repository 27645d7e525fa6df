"""A bank card on the sheet held against the scale: what is looked for, what it says, what is doubtful about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.card import Against, CardCheck, CardSide
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray, PxPoints, SheetPoints
from calibration.photo import PhotoCalibration
from calibration.solve import Calibration, length_row, solve
from calibration.standards import CARD_ID1_MM, CARD_LIFT_U_MM, CARD_THICK_MM
from digitize.card import CardSeen, Grey, Ground, find_card
from digitize.cross_check import MOST_DPI_DIFFERENCE
from digitize.settings import CardHint
from digitize.shapes import Rule

PERCENT = 100.0
# How far from its own edge a card's may be seen, +- mm at each: the shadow and the dark rim beside it, its burr. No
# source; on made scans and photos, edges without a wall in view were seen within 0.05 mm. Where a wall is in view, it
# was its foot that was seen, which is half of the wall off what is taken, and within the limit.
EDGE_LIMIT_MM = 0.1
ROUND_MM = 1.5  # round the card: its shadow is no drawing


@dataclass(frozen=True, eq=False)
class CardFound:
    """One card and what it says."""

    ring_px: FloatArray  # (4, 2) of the picture that it was found in
    check: CardCheck


@dataclass(frozen=True, eq=False)
class Cards:
    """Every card of a picture."""

    found: tuple[CardFound, ...]
    told: bool  # somebody said that there is one
    doubts: tuple[Doubt, ...]

    @property
    def ignored(self) -> tuple[tuple[tuple[float, float], ...], ...]:
        """Polygons that hold nothing of the drawing: the cards that were told of."""
        return tuple(_round_about(one.ring_px) for one in self.found) if self.told else ()


@dataclass(frozen=True, eq=False)
class Scale:
    """The scale that a card is held against: a map of its face, and how well lengths there are known."""

    ground: Ground
    against: Against
    photo: PhotoCalibration | None = None
    calibration: Calibration | None = None

    @classmethod
    def of_photo(cls, photo: PhotoCalibration) -> Scale:
        """Return the paper's own scale in a photo, a card's thickness above it."""
        foot, high = photo.pose.foot_mm, CARD_THICK_MM / photo.pose.distance_mm

        def to_mm(px: FloatArray) -> FloatArray:
            on_paper = photo.to_sheet(PxPoints(px)).xy
            return np.asarray(on_paper + (foot - on_paper) * high)

        def to_px(mm: FloatArray) -> FloatArray:
            return photo.to_px(SheetPoints((mm - foot * high) / (1.0 - high))).xy

        return cls(Ground(to_mm, to_px), "paper", photo)

    @classmethod
    def of_scan(cls, calibration: Calibration, rules: Sequence[Rule]) -> Scale:
        """Return the paper's scale by the rules that lay on it; without any, the plan's, a copier between."""
        paper = solve([rule.control for rule in rules if rule.role == "laid"])
        return cls.of_paper(paper) if isinstance(paper, Calibration) else cls.of_paper(calibration, "plan")

    @classmethod
    def of_paper(cls, known: Calibration, against: Against = "paper") -> Scale:
        """Return the scale of a scan, by whatever gave it."""
        matrix, back = known.matrix.T, np.linalg.inv(known.matrix).T
        return cls(Ground(lambda px: np.asarray(px @ matrix), lambda mm: np.asarray(mm @ back)), against, None, known)

    def u_rel(self, seen: CardSeen, angle_rad: float) -> float:
        """Return 1 sigma of a length of the card, a share."""
        if self.photo is None:
            assert self.calibration is not None
            return self.calibration.length_u_rel(angle_rad)
        over = SheetPoints(self.photo.to_sheet(PxPoints(seen.ring_px)).xy)
        row = length_row(angle_rad)
        return float(np.sqrt(row @ self.photo.scale_covariance(over) @ row))

    def wall_mm(self, seen: CardSeen, side: int) -> float:
        """Return how wide a side's own wall is seen beside it, where the camera looks at it from outside."""
        if self.photo is None:
            return 0.0
        to_camera = self.photo.pose.foot_mm - seen.middles_mm[side]
        return max(0.0, float(to_camera @ seen.outward[side])) * CARD_THICK_MM / self.photo.pose.distance_mm

    @property
    def lift_u_rel(self) -> float:
        """1 sigma of a length by how high the card's face is; in a scan it lies on the glass."""
        return 0.0 if self.photo is None else CARD_LIFT_U_MM / self.photo.pose.distance_mm


def check_cards(grey: Grey, scale: Scale, hints: Sequence[CardHint]) -> Cards:
    """Return the cards told of, or without any told the one that is there by all its looks, held against the scale."""
    found, doubts = [], []
    for hint in hints or (CardHint(),):
        seen = find_card(grey, scale.ground, hint.near)
        if seen is None:
            doubts += [_not_found(hint)] if hints else []
            continue
        check = held(seen, scale)
        found.append(CardFound(seen.ring_px, check))
        doubts += [] if check.agrees else [_contradicted(check)]
    return Cards(tuple(found), bool(hints), tuple(doubts))


def held(seen: CardSeen, scale: Scale) -> CardCheck:
    """Return a card's sides as they measure, and what they may be off by."""
    return CardCheck((_side(seen, scale, 0), _side(seen, scale, 1)), scale.against)


def _side(seen: CardSeen, scale: Scale, side: int) -> CardSide:
    ends = (1, 3) if side == 0 else (0, 2)
    walls = [scale.wall_mm(seen, end) for end in ends]
    return CardSide(
        name="long side" if side == 0 else "short side",
        # where a wall is seen, the edge was seen at its foot or at its top
        measured_mm=seen.length_mm(side) - sum(walls) / 2.0,
        ends_u_mm=float(np.hypot(*seen.sigma_mm[list(ends)])),
        ends_limits_mm=tuple(EDGE_LIMIT_MM + wall / 2.0 for wall in walls),
        scale_u_rel=scale.u_rel(seen, seen.angle_rad(side)),
        lift_u_rel=scale.lift_u_rel,
        copier_limit_rel=0.0 if scale.against == "paper" else MOST_DPI_DIFFERENCE,
    )


def _not_found(hint: CardHint) -> Doubt:
    where = "in the picture" if hint.near is None else "at [{:.0f}, {:.0f}] px".format(*hint.near)
    return doubt("card-not-found", where=where)


def _contradicted(check: CardCheck) -> Doubt:
    side = check.worst
    return doubt(
        "card-disagrees" if check.against == "paper" else "card-disagrees-plan",
        side=side.name, measured=f"{side.measured_mm:.2f}", nominal=f"{side.nominal_mm:.2f}",
        off=f"{PERCENT * side.off:+.2f}", u95=f"{PERCENT * side.u95:.2f}",
    )  # fmt: skip


def _round_about(ring_px: FloatArray) -> tuple[tuple[float, float], ...]:
    """Return a ring a little wider than the card."""
    middle = ring_px.mean(axis=0)
    long_px = max(float(np.hypot(*(ring_px[k] - ring_px[k - 1]))) for k in range(4))
    away = (ring_px - middle) / np.hypot(*(ring_px - middle).T)[:, None]
    wide = ring_px + 2.0 * ROUND_MM * long_px / CARD_ID1_MM[0] * away
    return tuple((float(x), float(y)) for x, y in wide)
