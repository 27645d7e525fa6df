"""Several photos of one sheet -> one outline: each laid flat and traced alone, then brought together and averaged.

Each photo has its own camera, so its outline is brought onto the first one's by the rigid motion that fits best
(distances along normals: Chen and Medioni, Image and Vision Computing 10 (1992) 145). What the photos have in common,
such as the sheet's lift and the rules' own errors, is not averaged away: the parts of the claim are, as if all of
each part were common. What the photos differ by is held against what they claim.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.budget import COVERAGE, COVERAGE_95, Term
from calibration.errors import Refusal
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray, SheetPoints, frozen_floats
from calibration.solve import Calibration
from digitize.curve import feet, resample, right_normals, unit_tangents
from digitize.shapes import Seen, TracedOutline

ALIGN_STEP_MM = 3.0  # between the places that two outlines are brought together by
STARTS = 8  # turns tried
START_ROUNDS, ROUNDS = 12, 30
SETTLED = 1e-6  # mm and rad
OTHER_BODY_MM = 6.0  # what 1.2 % of a guitar's length comes to: outlines further apart are not of one sheet
DIFFER = 1.5  # times what both claim: few errors of an outline are independent, so 1 is often passed by chance


@dataclass(frozen=True, eq=False)
class View:
    """What one photo gave."""

    name: str  # of its file
    on_sheet: TracedOutline
    calibration: Calibration  # for the budget
    terms: Callable[[SheetPoints], tuple[Term, ...]]  # of a closed outline
    u_across: Callable[[SheetPoints], FloatArray] | None  # (N,) 1 sigma across an outline, what ``terms`` tell at large
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, eq=False)
class Combined:
    """All photos together, in the frame of the first one's sheet."""

    on_sheet: TracedOutline
    calibration: Calibration
    terms: Callable[[SheetPoints], tuple[Term, ...]]
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, eq=False)
class _Beside:
    """One photo's outline at the places of the first one's."""

    motion: FloatArray  # (2, 3) rigid, its sheet -> the first one's
    away_mm: FloatArray  # (N, 2) from the first one's places
    line_mm: FloatArray  # (N,) 1 sigma of the line
    claimed_mm: FloatArray  # (N,) 1 sigma of everything
    seen: FloatArray  # (N,) as Seen says

    @property
    def off_mm(self) -> FloatArray:
        """(N,) how far apart the two are."""
        return np.asarray(np.hypot(*self.away_mm.T))


def combined(views: Sequence[View]) -> Combined:
    """Return the mean outline, weighted place by place, and what is claimed of it.

    Args:
        views: two or more, each traced alone.

    Raises:
        Refusal: ``photos-of-others``.
    """
    first = views[0].on_sheet
    every = [_beside(view, views[0]) for view in views]
    apart, doubts = _apart(views, every)
    seen = np.stack([one.seen for one in every])
    weight = np.stack([1.0 / one.claimed_mm**2 for one in every])
    weight = np.where((seen == Seen.BRIDGED) & (seen.max(axis=0) != Seen.BRIDGED), 0.0, weight)
    share = weight / weight.sum(axis=0)
    away = np.einsum("kn,kni->ni", share, np.stack([one.away_mm for one in every]))
    line = np.sqrt(np.sum((share * np.stack([one.line_mm for one in every])) ** 2, axis=0))
    on_sheet = replace(
        first, points=SheetPoints(first.points.xy + away), sigma_mm=frozen_floats(line),
        seen=seen.max(axis=0).astype(np.int64), doubts=(),
        evidence=(*first.evidence, f"the mean of {len(views)} photos"),
    )  # fmt: skip
    shares = share.mean(axis=1)
    covariance = sum(
        one * _turned(view.calibration.covariance, beside.motion)
        for one, view, beside in zip(shares, views, every, strict=True)
    )
    calibration = replace(views[0].calibration, covariance=covariance)

    def terms(outline: SheetPoints) -> tuple[Term, ...]:
        found = [
            view.terms(SheetPoints((outline.xy - beside.motion[:, 2]) @ beside.motion[:, :2]))
            for view, beside in zip(views, every, strict=True)
        ]
        return (*_mean_terms(found, shares), *apart)

    told = [_named(one, view.name) for view in views for one in (*view.doubts, *view.on_sheet.doubts)]
    return Combined(on_sheet, calibration, terms, (*told, *doubts))


def _beside(view: View, first: View) -> _Beside:
    """Bring a photo's outline onto the first one's.

    Raises:
        Refusal: ``photos-of-others``, when one is half a body and the other a whole one.
    """
    own, onto = view.on_sheet, first.on_sheet
    claimed = np.hypot(own.sigma_mm, _u_across(view))
    if view is first:
        return _Beside(np.eye(2, 3), np.zeros((len(own.points), 2)), own.sigma_mm, claimed, own.seen.astype(np.float64))
    if own.half != onto.half:
        raise _others(view, first, "half a body and a whole one")
    motion = fitted(own.points.xy, onto.points.xy, closed=not own.half)
    foot = feet(onto.points.xy, carried(own.points.xy, motion), closed=not own.half)
    return _Beside(
        motion, foot.xy - onto.points.xy, own.sigma_mm[foot.segment], claimed[foot.segment],
        own.seen[foot.segment].astype(np.float64),
    )  # fmt: skip


def _u_across(view: View) -> FloatArray:
    """Return (N,) 1 sigma across an outline by the photo's geometry and scale."""
    points = view.on_sheet.points
    across = right_normals(unit_tangents(points.xy, closed=not view.on_sheet.half))
    off = points.xy - points.xy.mean(axis=0)
    rows = np.stack([across[:, 0] * off[:, 0], across[:, 1] * off[:, 1], np.sum(across * off[:, ::-1], axis=1) / 2], 1)
    scale = np.sqrt(np.einsum("ni,ij,nj->n", rows, view.calibration.covariance, rows))
    return np.asarray(scale if view.u_across is None else np.hypot(scale, view.u_across(points)))


def _apart(views: Sequence[View], every: Sequence[_Beside]) -> tuple[tuple[Term, ...], tuple[Doubt, ...]]:
    """Return what photos differ by beyond their claims, as a part of the claim and as doubts.

    Raises:
        Refusal: ``photos-of-others``.
    """
    worst, doubts = 0.0, []
    for view, one in zip(views[1:], every[1:], strict=True):
        off = float(np.quantile(one.off_mm, COVERAGE))
        if off > OTHER_BODY_MM:
            raise _others(view, views[0], f"they are {off:.1f} mm apart")
        claimed = COVERAGE_95 * np.hypot(one.claimed_mm, every[0].claimed_mm)
        if float(np.quantile(one.off_mm / claimed, COVERAGE)) > DIFFER:
            worst = max(worst, off)
            doubts.append(doubt("photos-differ", first=views[0].name, second=view.name, mm=f"{off:.2f}"))
    terms = (Term("what the photos differ by", worst / COVERAGE_95, "more than they claim"),) if worst else ()
    return terms, tuple(doubts)


def _others(view: View, first: View, why: str) -> Refusal:
    return Refusal("photos-of-others", first=first.name, second=view.name, why=why)


def _mean_terms(found: Sequence[tuple[Term, ...]], shares: FloatArray) -> tuple[Term, ...]:
    """Return the parts of all photos' claims, those of one name averaged by the photos' shares."""
    sizes: dict[str, float] = {}
    how: dict[str, str] = {}
    for terms, share in zip(found, shares, strict=True):
        for term in terms:
            sizes[term.term] = sizes.get(term.term, 0.0) + float(share) * term.u_mm
            how.setdefault(term.term, term.how)
    return tuple(Term(name, size, how[name]) for name, size in sizes.items())


def _named(one: Doubt, name: str) -> Doubt:
    return replace(one, text=f"{name}: {one.text}")


def carried(xy: FloatArray, motion: FloatArray) -> FloatArray:
    """Return points under a (2, 3) motion."""
    return np.asarray(xy @ motion[:, :2].T + motion[:, 2])


def fitted(xy: FloatArray, onto: FloatArray, *, closed: bool) -> FloatArray:
    """Return the (2, 3) rigid motion that brings one curve onto another, from whatever turn it starts."""
    few, coarse = resample(xy, ALIGN_STEP_MM, closed), resample(onto, ALIGN_STEP_MM, closed)
    middles = coarse.mean(axis=0), few.mean(axis=0)
    tried = [
        _settled(few, coarse, closed, _motion(2.0 * np.pi * turn / STARTS, *middles), START_ROUNDS)
        for turn in range(STARTS)
    ]
    return _settled(few, onto, closed, min(tried, key=lambda pair: pair[0])[1], ROUNDS)[1]


def _settled(
    few: FloatArray, onto: FloatArray, closed: bool, motion: FloatArray, rounds: int
) -> tuple[float, FloatArray]:
    """Return the rms distance, mm, and the motion that a start leads to."""
    target = onto.mean(axis=0)
    for _ in range(rounds):
        here = carried(few, motion)
        gap = feet(here, onto, closed).xy - here
        across = right_normals(unit_tangents(here, closed))
        lever = across[:, 1] * (here[:, 0] - target[0]) - across[:, 0] * (here[:, 1] - target[1])
        step = np.linalg.lstsq(np.column_stack([across, lever]), np.sum(gap * across, axis=1), rcond=None)[0]
        turn = _motion(float(step[2]), target + step[:2], target)
        motion = np.column_stack([turn[:, :2] @ motion[:, :2], turn[:, :2] @ motion[:, 2] + turn[:, 2]])
        if np.abs(step).max() < SETTLED:
            break
    return float(np.sqrt(np.mean(feet(carried(few, motion), onto, closed).distance ** 2))), motion


def _motion(turn_rad: float, to: FloatArray, about: FloatArray) -> FloatArray:
    """Return the (2, 3) motion that turns by an angle about a place and takes this to another."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    turn = np.array([[c, -s], [s, c]])
    return np.column_stack([turn, to - turn @ about])


def _turned(covariance: FloatArray, motion: FloatArray) -> FloatArray:
    """Return (3, 3) of log scale x, log scale y and shear as a motion turns them."""
    c, s = motion[0, 0], motion[1, 0]
    turn = np.array([[c * c, s * s, -c * s], [s * s, c * c, c * s], [2 * c * s, -2 * c * s, c * c - s * s]])
    return np.asarray(turn @ covariance @ turn.T)
