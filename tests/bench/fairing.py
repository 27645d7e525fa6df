"""Few arcs and splines on bodies of many families: how many, how near, how even; and radii under noise.

Called by tests.bench.halves; on points alone. Arcs are held against the lower bound n = I / (192 tol)^(1/3), I the
integral of |dk/ds|^(1/3) ds along what is smooth of the outline, which jumps of curvature (a line that meets an arc)
add nothing to: there each piece drawn counts for one.
"""

from __future__ import annotations

import itertools
import time
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import CubicSpline

from calibration.frames import BodyPoints, FloatArray
from digitize import arcs, bsplines
from digitize.curve import arc_length, resample
from digitize.fair import fair_outline, fair_spline, few_arcs
from digitize.fair.few_arcs import TOLERANCE_MM
from digitize.fair.spline import TOLERANCE_MM as SPLINE_MM
from digitize.shapes import ArcPath, FairOutline, FairSpline
from digitize.symmetry import place_body
from tests.digitize.bodies import noisy, spaced, traced
from tests.maker.bodies import Body, make_body
from tests.maker.more_bodies import MAKERS, SYMMETRIC, more_body
from tests.maker.spec import PlanSpec

FAMILIES = ("cassini", "guitar", "parlour", "pineapple", "teardrop", "violin", "fiddle", "cutaway", "florentine",
            "small", "dulcimer", "box", "horns", "angular", "offset", "double cutaway")  # fmt: skip
EVEN = ("guitar", "small", "violin", "cassini", *SYMMETRIC)
# Whose curvature goes on evenly between corners, so that the bound is theirs.
SMOOTH = ("cassini", "guitar", "parlour", "pineapple", "teardrop", "violin", "fiddle")
STEP_MM = 0.25
# The bound's curvature is taken over so much of the curve: the drawn polylines have steps of 0.4 mm.
OVER_MM = 3.0
CIRCLE_MM, CIRCLE_NOISE_MM = 60.0, 0.1
NOISE_MM = (0.0, 0.03)
CHORD_MM, LEAST_TURN_DEG = 4.0, 0.05


def made(family: str, seed: int) -> Body:
    if family in MAKERS:
        return more_body(family, seed)
    return make_body(PlanSpec(name="x", seed=seed, family=family))  # type: ignore[arg-type]


def exact(body: Body, even: bool) -> FairOutline:
    """The body as a fair outline without any noise."""
    xy, corners = body.outline_mm, body.corners_mm
    stops = sorted({int(np.argmin(np.hypot(*(xy - one).T))) for one in corners})
    whole = np.vstack([run[:-1] for run in _runs(xy, stops)])
    if even:
        whole = np.roll(whole, -int(np.argmin(np.abs(whole[:, 0]) + whole[:, 1])), axis=0)
        back = np.flatnonzero((whole[:-1, 0] > 0.0) & (whole[1:, 0] <= 1e-9))[-1] + 1
        right = np.vstack([[0.0, whole[0, 1]], whole[1:back], [0.0, whole[back, 1]]])
        right = right[np.append(True, np.hypot(*np.diff(right, axis=0).T) > 0.05)]
        whole = np.vstack([right, (right * (-1.0, 1.0))[-2:0:-1]])
    rows = tuple((float(x), float(y), 90.0) for x, y in corners)
    return FairOutline(BodyPoints(whole), arcs.polygon(whole), rows, 0.0, 0.0, 0.0, even)


def _runs(xy: FloatArray, stops: list[int]) -> list[FloatArray]:
    """A closed outline from corner to corner, evenly spaced on the cubic through its points."""
    ring = np.vstack([xy, xy])
    ends = [*stops, stops[0] + len(xy)] if stops else [0, len(xy)]
    runs = []
    for a, b in itertools.pairwise(ends):
        at = arc_length(ring[a : b + 1], closed=False)
        curve = CubicSpline(at, ring[a : b + 1], bc_type="not-a-knot" if stops else "periodic")
        runs.append(curve(np.linspace(0.0, at[-1], max(round(at[-1] / STEP_MM), 4) + 1)))
    return runs


def bound(body: Body) -> float:
    """The least number of arcs: the integral over each run between corners, each at least one whole arc."""
    stops = sorted({int(np.argmin(np.hypot(*(body.outline_mm - one).T))) for one in body.corners_mm})
    total = 0.0
    for run in _runs(body.outline_mm, stops):
        step = arc_length(run, closed=False)[-1] / (len(run) - 1)
        size = round(OVER_MM / step)
        heading = np.unwrap(np.arctan2(*np.diff(run, axis=0).T[::-1]))
        if len(heading) <= 2 * size + 1:
            total += 1.0
            continue
        # slopes of the heading, and of those, each over a window: what is less is the polyline's own
        bend = (heading[size:] - heading[:-size]) / (size * step)
        change = (bend[size:] - bend[:-size]) / (size * step)
        least = float(np.sum(np.cbrt(np.abs(change)))) * step * len(heading) / len(change)
        least /= float(np.cbrt(192.0 * TOLERANCE_MM))
        total += np.ceil(least) if stops else least
    return total


def joints_deg(fair: FairOutline, path: ArcPath) -> float:
    """The largest kink where two pieces meet, corners left out."""
    chord = np.roll(path.xy_mm, -1, axis=0) - path.xy_mm
    heading, half = np.arctan2(chord[:, 1], chord[:, 0]), 2.0 * np.arctan(path.bulge)
    turn = np.abs((heading - half - np.roll(heading + half, 1) + np.pi) % (2 * np.pi) - np.pi)
    corner = np.array([row[:2] for row in fair.corners]).reshape(-1, 2)
    near = np.array([len(corner) > 0 and np.hypot(*(corner - at).T).min() < 0.05 for at in path.xy_mm])
    return float(np.degrees(turn[~near]).max(initial=0.0))


def inflections(runs: list[FloatArray], closed: bool) -> int:
    """How often the outline changes between left and right, corners not counted; turns under 0.05 degree are none.

    The same measure for what was drawn and for what stands for it: directions of chords of 4 mm.
    """
    total = 0
    for run in runs:
        chords = np.diff(resample(run, CHORD_MM, closed=False), axis=0)
        heading = np.unwrap(np.arctan2(chords[:, 1], chords[:, 0]))
        senses: list[float] = []
        extreme = heading[0]
        for value in heading:
            step = value - extreme
            if abs(step) > np.radians(LEAST_TURN_DEG) and (not senses or np.sign(step) != senses[-1]):
                senses.append(float(np.sign(step)))
            if senses and np.sign(step) == senses[-1]:
                extreme = value
        total += max(len(senses) - 1, 0) + (closed and len(senses) > 1 and senses[0] != senses[-1])
    return total


def drawn_runs(fair: FairOutline) -> list[FloatArray]:
    xy = fair.points.xy
    cuts = sorted({int(np.argmin(np.hypot(*(xy - row[:2]).T))) for row in fair.corners}) or [0]
    ring = np.vstack([xy, xy])
    return [ring[a : b + 1] for a, b in itertools.pairwise([*cuts, cuts[0] + len(xy)])]


def spline_runs(spline: FairSpline) -> list[FloatArray]:
    return [bsplines.values(curve, bsplines.spread(curve, STEP_MM)) for curve in spline.curves]


@dataclass
class Tally:
    """What one family came to."""

    pieces: list[int] = field(default_factory=list)
    ratio: list[float] = field(default_factory=list)
    joint_deg: list[float] = field(default_factory=list)
    off_mm: list[float] = field(default_factory=list)
    no_chain: int = 0
    points: list[int] = field(default_factory=list)
    spline_off_mm: list[float] = field(default_factory=list)
    no_spline: int = 0
    more_inflections: int = 0
    seconds: float = 0.0


def tally(family: str, seeds: int, noise_mm: float) -> Tally:
    out = Tally()
    for seed in range(1, seeds + 1):
        body = made(family, seed)
        true = exact(body, family in EVEN)
        fair = fair_outline(place_body(traced(*_noisy(true, noise_mm, seed)))) if noise_mm else true
        began = time.process_time()
        few, spline = few_arcs(fair), fair_spline(fair)
        out.seconds += (time.process_time() - began) / seeds
        out.pieces.append(len(few.path.bulge))
        out.ratio.append(len(few.path.bulge) / bound(body))
        out.joint_deg.append(joints_deg(fair, few.path))
        out.off_mm.append(few.deviation_mm)
        out.no_chain += few.path is fair.path
        if spline is None:
            out.no_spline += 1
            continue
        out.points.append(sum(len(one.control_mm) for one in spline.curves))
        out.spline_off_mm.append(spline.deviation_mm)
        drawn = inflections(drawn_runs(true), closed=not true.corners)
        out.more_inflections += inflections(spline_runs(spline), closed=spline.smooth) > drawn
    return out


def _noisy(fair: FairOutline, noise_mm: float, seed: int) -> tuple[FloatArray, float, list[int]]:
    xy = fair.points.xy
    corners = sorted({int(np.argmin(np.hypot(*(xy - row[:2]).T))) for row in fair.corners})
    return noisy(xy, noise_mm, seed), noise_mm, corners


def row(family: str, seeds: int, noise_mm: float) -> str:
    one = tally(family, seeds, noise_mm)
    ratio = f"{max(one.ratio):>9.2f}" if family in SMOOTH else f"{'-':>9}"
    spline = f"{np.mean(one.points):>9.1f}{max(one.spline_off_mm):>9.4f}" if one.points else f"{'-':>9}{'-':>9}"
    return (
        f"{family:<16}{np.mean(one.pieces):>8.1f}{ratio}{max(one.joint_deg):>10.5f}{max(one.off_mm):>9.4f}"
        f"{one.no_chain:>9}{spline}{one.no_spline:>10}{one.more_inflections:>9}{one.seconds:>9.1f}"
    )


def head() -> str:
    names = ("pieces", "x bound", "kink deg", "off mm", "no chain", "points", "off mm", "no spline", "bends +", "secs")
    widths = (8, 9, 10, 9, 9, 9, 9, 10, 9, 9)
    told = "".join(f"{name:>{width}}" for name, width in zip(names, widths, strict=True))
    return f"{'arcs, then spline':<16}{told}"


def radius_bias(count: int) -> tuple[float, int]:
    """The mean error, in percent, of the radius of round ends on straight sides with noise, and of how many arcs."""
    angle = np.linspace(0, np.pi, 2000)
    cap = CIRCLE_MM * np.column_stack([np.cos(angle), np.sin(angle)])
    points, _ = spaced(np.vstack([np.add(cap, (0.0, 150.0)), -cap]))
    radii: list[float] = []
    for seed in range(count):
        few = few_arcs(fair_outline(place_body(traced(noisy(points, CIRCLE_NOISE_MM, seed), CIRCLE_NOISE_MM))))
        turn = np.degrees(4 * np.abs(np.arctan(few.path.bulge)))
        radii += arcs.centres(few.path)[1][turn > 60.0].tolist()
    return 100.0 * (float(np.mean(radii)) / CIRCLE_MM - 1.0), len(radii)


def print_fairing(seeds: int) -> None:
    for noise_mm in NOISE_MM:
        print(f"\nfew arcs within {TOLERANCE_MM} mm and splines within {SPLINE_MM} mm, {noise_mm} mm of white noise, "
              f"{seeds} bodies each: means, the rest the worst")  # fmt: skip
        print(head())
        for family in FAMILIES:
            print(row(family, seeds, noise_mm), flush=True)
    bias, many = radius_bias(3 * seeds)
    print(f"\nradius of {CIRCLE_MM:.0f} mm ends, {CIRCLE_NOISE_MM} mm of noise: {bias:+.4f} % over {many} arcs")
