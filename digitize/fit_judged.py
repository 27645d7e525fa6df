"""A part laid on its outline -> the stretches that are real, the doubts, and the answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray
from calibration.part_fit import prior_weight
from calibration.part_runs import OffMap, Stretch, real_stretches
from calibration.part_size import PartSize, part_size
from digitize.fit_shapes import HalfCurve, Run
from digitize.part_fitted import FittedPart

COVERAGE = 2.0
# Followed well enough for a claim: all but this much of the outline, and nowhere unseen for longer than this.
LEAST_SHARE, LONGEST_UNSEEN_MM = 0.9, 12.0
# Chi-square of three strains that only one true part in a hundred exceeds.
STRAIN_CHI2 = 11.34
STRAIN_CHI2_MORE = 1.7  # for each further unknown, up to fifteen: 1 % is exceeded by 32.0 with fifteen
# What a builder can cut to (common practice, no source); a size less well known is of no use.
WIDEST_SIZE_U95_MM = 0.5


@dataclass(frozen=True)
class EdgeEnd:
    """The straight edge at one end of the body."""

    end: str  # "tail", "neck"
    off_mm: float  # of the centerline; + into the half, - beyond it
    width_mm: float  # what the flipped body's width there is off by: + wider
    u95_mm: float  # of the width


@dataclass(frozen=True, eq=False)
class Judged:
    """What is to be told of a part."""

    runs: tuple[Run, ...]  # in order from the tail
    ends: tuple[EdgeEnd, ...]
    size_mm: float  # by how much the whole part is off, at most: + larger
    size_u95_mm: float
    worst_mm: float  # the largest mean, signed
    u95_mm: float  # the largest of a mean against the rest of the part
    doubts: tuple[Doubt, ...]
    answer: str  # "fits", "sand", "hollow", "look"
    whole: PartSize | None = None  # the part as a whole is off in size, which is taken out of everything else


def judged(part: FittedPart, tolerance_mm: float, known: Sequence[Doubt] = (), *, drawn: bool = False) -> Judged:
    """Return what a part's map says against a tolerance.

    Args:
        part: laid on the outline.
        tolerance_mm: how far off it may be.
        known: doubts about the outline count too.
        drawn: the person says that the part is a drawn line.
    """
    runs = runs_of(part.curve, part.map, part.u_local_mm, tolerance_mm)
    ends = _edge_ends(part)
    size, size_u95 = _size(part)
    whole = part_size(part.fit, part.view.calibration.covariance) if part.view.free_size else None
    shape = _shape_doubts(part, runs, ends, tolerance_mm) if whole is None else _edge_doubts(part, (), tolerance_mm)
    told = (
        *(() if whole is None else _whole(part, whole)), *_lying(part), *_drawn(part, told=drawn), *part.doubts,
        *part.view.doubts, *known, *_followed(part), *_size_doubts(part, size, size_u95), *shape,
    )  # fmt: skip
    mean = np.nan_to_num(part.map.mean_mm)
    worst = float(mean[int(np.argmax(np.abs(mean)))])
    known_at = np.isfinite(part.map.mean_mm)
    u95 = COVERAGE * float(part.u_local_mm[known_at].max())
    return Judged(runs, ends, size, size_u95, worst, u95, told, _answer(told), whole)


def _shape_doubts(
    part: FittedPart, runs: Sequence[Run], ends: Sequence[EdgeEnd], tolerance_mm: float
) -> tuple[Doubt, ...]:
    """Return what is to be told of single places of a part whose size is right."""
    return (
        *(one for one in (_run_doubt(run, tolerance_mm, part) for run in runs) if one is not None),
        *_elsewhere(part, runs, tolerance_mm), *_edge_doubts(part, ends, tolerance_mm),
    )  # fmt: skip


def _whole(part: FittedPart, size: PartSize) -> tuple[Doubt, ...]:
    """Return that it is the whole part that is off, not its places."""
    length_mm = float(np.ptp(part.curve.xy_mm[:, 1]))
    thing, work, again = ("part", "sand or fill", "cut the part anew")
    if part.line_mm is not None:
        thing, work, again = ("drawing", "mend", "draw it anew")
    return (
        doubt(
            "part-whole-size", thing=thing, work=work, again=again, way="larger" if size.share > 0 else "smaller",
            percent=f"{100.0 * abs(size.share):.2f}", u95=f"{100.0 * COVERAGE * size.u:.2f}",
            mm=f"{abs(size.share) * length_mm:.1f}",
        ),
    )  # fmt: skip


def runs_of(
    curve: HalfCurve, found: OffMap, u_mm: FloatArray, tolerance_mm: float, least_mm: float | None = None
) -> tuple[Run, ...]:
    """Return the real stretches of a map.

    Args:
        curve: whose stations the map is of.
        found: the means.
        u_mm: (N,) 1 sigma of each against the rest.
        tolerance_mm: what "beyond" is told against.
        least_mm: smaller ones are not told; left out: the usual limit.
    """
    u95 = COVERAGE * u_mm
    stretches = real_stretches(found, u95) if least_mm is None else real_stretches(found, u95, least_mm)
    return tuple(_run(curve, found, u95, one, tolerance_mm) for one in stretches)


def _run(curve: HalfCurve, found: OffMap, u95: FloatArray, one: Stretch, tolerance_mm: float) -> Run:
    size, sure = float(found.mean_mm[one.top]), float(u95[one.top])
    return Run(
        float(curve.along_mm[one.first]), float(curve.along_mm[one.last]), float(curve.xy_mm[one.top, 0]),
        float(curve.xy_mm[one.top, 1]), size, sure, abs(size) - sure > tolerance_mm,
    )  # fmt: skip


def _run_doubt(run: Run, tolerance_mm: float, part: FittedPart) -> Doubt | None:
    facts = {
        "size_mm": f"{abs(run.size_mm):.2f}", "u95_mm": f"{run.u95_mm:.2f}",
        "length_mm": f"{run.to_mm - run.from_mm:.0f}", "place": place_of(run.y_mm),
    }  # fmt: skip
    if run.beyond and part.line_mm is not None:
        return doubt("line-off", way="outside" if run.size_mm * part.outward > 0 else "inside", **facts)
    if run.beyond:
        return doubt("part-proud" if run.size_mm > 0 else "part-hollow", **facts)
    if abs(run.size_mm) + run.u95_mm > tolerance_mm:
        word = "proud" if run.size_mm > 0 else "hollow"
        return doubt("part-near-limit", word=word, tolerance_mm=f"{tolerance_mm:g}", **facts)
    return None


def place_of(y_mm: float) -> str:
    """Return a place in words."""
    return f"{y_mm:.0f} mm from the tail"


def _lying(part: FittedPart) -> tuple[Doubt, ...]:
    if part.face_down:
        return (doubt("part-face-down", half=part.half),)
    if part.alike:
        return (doubt("part-as-half", half=part.half, other="left" if part.half == "right" else "right"),)
    return ()


def _drawn(part: FittedPart, *, told: bool) -> tuple[Doubt, ...]:
    """Return that a line was measured in place of a part's edge; unless told so, it may be a clear part's rim."""
    if part.line_mm is None:
        return ()
    return (doubt("line-measured" if told else "line-taken", wide_mm=f"{part.line_mm:.1f}", edge=part.view.ink),)


def _followed(part: FittedPart) -> tuple[Doubt, ...]:
    if part.share >= LEAST_SHARE and part.unseen_mm <= LONGEST_UNSEEN_MM:
        return ()
    return (doubt("part-not-followed", longest_mm=f"{part.unseen_mm:.0f}", percent=f"{100 * part.share:.0f}"),)


def _elsewhere(part: FittedPart, runs: Sequence[Run], tolerance_mm: float) -> tuple[Doubt, ...]:
    """Return a doubt where, beside the runs, a place may be beyond the tolerance for all that is known."""
    found, curve = part.map, part.curve
    rest = np.isfinite(found.mean_mm)
    for run in runs:
        rest &= (curve.along_mm < run.from_mm) | (curve.along_mm > run.to_mm)
    # Where all of a photo may be off together, a place is known as well as that is.
    u_mm = part.u_total_mm if part.view.sways else part.u_local_mm
    reach = np.where(rest, np.abs(np.nan_to_num(found.mean_mm)) + COVERAGE * u_mm, 0.0)
    worst = int(reach.argmax())
    if reach[worst] <= tolerance_mm:
        return ()
    return (
        doubt(
            "part-may-be-off", tolerance_mm=f"{tolerance_mm:g}", place=place_of(float(curve.xy_mm[worst, 1])),
            off_mm=f"{abs(found.mean_mm[worst]):.2f}", u95_mm=f"{COVERAGE * u_mm[worst]:.2f}",
        ),
    )  # fmt: skip


def _size(part: FittedPart) -> tuple[float, float]:
    """Return by how much the strain that was taken out moves the outline at most, + larger, and 95 % of the size."""
    moved = part.fit.rows[:, 3:] @ part.fit.given
    rigid = part.fit.rows[:, :3]
    left = moved - rigid @ np.linalg.lstsq(rigid, moved, rcond=None)[0]
    # A contour that must be stretched to fit is too small: what was taken out is what it is off by, turned round.
    worst = float(np.abs(left).max())
    u = np.sqrt(np.maximum(part.u_total_mm**2 - part.u_local_mm**2, 0.0))
    return -np.sign(part.fit.stretch) * worst, COVERAGE * float(u.max())


def _size_doubts(part: FittedPart, size_mm: float, u95_mm: float) -> tuple[Doubt, ...]:
    given = part.fit.given
    prior = prior_weight(part.view.calibration.covariance, len(part.fit.sway))
    found = []
    # A size that was left free is told as that of the whole part.
    if not part.view.free_size and given @ prior @ given > STRAIN_CHI2 + STRAIN_CHI2_MORE * len(part.fit.sway):
        percent = 100.0 * float(np.abs([*part.fit.strain[:2], part.fit.stretch]).max())
        way = "larger" if size_mm > 0 else "smaller"
        found.append(doubt("part-size", percent=f"{percent:.2f}", way=way, mm=f"{abs(size_mm):.2f}"))
    if u95_mm > WIDEST_SIZE_U95_MM:
        found.append(doubt("part-size-unknown", mm=f"{u95_mm:.2f}"))
    return tuple(found)


def _edge_ends(part: FittedPart) -> tuple[EdgeEnd, ...]:
    """Return the straight edge at both ends of the body, and what it does to the flipped width: twice as much."""
    line = part.straight
    if line is None:
        return ()
    ends = []
    for end, at in (("tail", part.curve.xy_mm[0]), ("neck", part.curve.xy_mm[-1])):
        away = float(at[1]) - line.middle_mm
        off = line.offset_mm + line.slope * away
        by_fit = float(part.fit.u_x_mm(np.array([[0.0, at[1]]]))[0])
        # Of a photo whose geometry is not in the fit, what that leaves open counts here too.
        apart = part.view.u_across is not None and part.view.sways is None
        seen_as = float(part.u_total_mm.max()) if apart else float(np.median(part.u_local_mm))
        parts = (line.offset_u_mm, line.slope_u * away, by_fit, seen_as, part.straight_u_mm)
        u = float(np.sqrt(np.sum(np.square(parts))))
        ends.append(EdgeEnd(end, off, -2.0 * off, 2.0 * COVERAGE * u))
    return tuple(ends)


def _edge_doubts(part: FittedPart, ends: Sequence[EdgeEnd], tolerance_mm: float) -> tuple[Doubt, ...]:
    if part.straight is None:
        return (doubt("part-edge-unseen" if part.line_mm is None else "line-no-centerline"),)
    found = []
    for one in ends:
        if abs(one.width_mm) - one.u95_mm > tolerance_mm:
            way, wider = ("beyond", "too wide") if one.width_mm > 0 else ("short of", "too narrow")
            found.append(
                doubt(
                    "part-edge-off",
                    offset_mm=f"{abs(one.off_mm):.2f}",
                    way=way,
                    end=one.end,
                    width_mm=f"{abs(one.width_mm):.2f}",
                    wider=wider,
                    u95_mm=f"{one.u95_mm:.2f}",
                )
            )
    bow = part.straight.bow_mm
    if 2.0 * bow > tolerance_mm:
        found.append(doubt("part-edge-bowed", bow_mm=f"{bow:.2f}", width_mm=f"{2.0 * bow:.2f}"))
    return tuple(found)


def _answer(told: Sequence[Doubt]) -> str:
    codes = {one.code for one in told}
    if "part-hollow" in codes:
        return "hollow"
    if "part-proud" in codes:
        return "sand"
    return "look" if any(one.weight not in ("note",) for one in told) else "fits"
