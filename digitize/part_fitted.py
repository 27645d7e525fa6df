"""One picture of a cut part -> its edge laid on the outline: scale, place, contour, straight edge, in this order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from calibration.errors import Refusal
from calibration.flags import Doubt, doubt
from calibration.frames import BoolArray, FloatArray, SheetPoints, frozen_floats
from calibration.part_apart import stretches_apart
from calibration.part_fit import Held, PartFit, fit_part, size_u_mm
from calibration.part_runs import OffMap, StraightFit, longest_unseen_mm, off_map, running_mean
from calibration.part_size import SURE, part_size, size_explains
from digitize.arcs import distances, mirrored, sampled
from digitize.curve import resample, right_normals, unit_tangents
from digitize.fit_settings import TOLERANCE_MM
from digitize.fit_shapes import EdgePlaces, HalfCurve, RoughPlace, Side
from digitize.mold_settings import MoldJob
from digitize.part_dowels import Dowel, apart_mm, dowels_of, moved_onto, seen_dowels
from digitize.part_edge import REACH_MM, follow, follow_line, nearest_on, rough_places
from digitize.part_straight import SIDES, OutlineSeen, StraightSeen, side_of
from digitize.part_view import PartView
from digitize.part_walls import seen_edge
from digitize.parts.regions import right_run
from digitize.shapes import ArcPath
from digitize.traced import Clock

Half = Literal["right", "left"]
Hold = Literal["free", "edge", "dowels"]

STATION_MM = 0.5
FINE_MM = 0.05  # the outline is sampled so finely before it is cut into equal stations
# No normal is sure where the outline turns by more than this within 3 mm; nor is a tool.
SHARP_DEG, SHARP_STATIONS, SHARP_ROOM = 30.0, 3, 4
# Stations whose errors go together: profiles are averaged over 0.6 mm, and texture is about as long.
ALIKE = 4.0
# For the fit, whose distances also hold the saw's own wobble, which goes on for several millimetres.
FIT_ALIKE = 10.0
# 1 sigma of what an edge's place is off by over longer stretches, with a shadow on one side: pixels. On made scans
# (tests.bench.fits) the means of 10 mm are off by 0.03 to 0.2 px rms, most on grained plywood over a bench.
EDGE_BIAS_PX = 0.12
LEAST_SCORE = 0.6  # share of the outline that must have an edge near it
LEAST_WALLED = 0.3  # the same where a part's walls, not yet known of, may have hidden it
ALIKE_HALVES_MM = 0.05  # halves that differ by less are one shape to anybody who cuts
NEAR_MM = 0.5  # an edge this near to the outline speaks for a half
# Across the rim of a filled shape light changes by some six times its steepest slope a pixel, across a line by none.
LINE_PX = 2.0
# A drawn line shows along so much of the half, is no wider than this, and as wide as usual to this share of it.
LEAST_DRAWN, WIDEST_LINE_MM, ALIKE_SHARE = 0.6, 1.5, 0.4
WALL_ROUNDS_MM = (4.0, 0.0, 0.0)  # a thick wall has drawn the first fit so much further away
TELLS_HALF = 1.4  # times the scatter: the other half of a body whose halves differ fits so much worse


@dataclass(frozen=True, eq=False)
class FittedPart:
    """A part laid on the outline's half; distances are + where material stands beyond the line."""

    view: PartView
    curve: HalfCurve
    half: Half
    face_down: bool
    alike: bool  # the outline's halves are the same
    material: Side
    fit: PartFit
    edge: EdgePlaces
    used: BoolArray  # (N,) stations that were seen and are no corner
    map: OffMap
    u_local_mm: FloatArray  # (N,) 1 sigma of a mean against the rest of the part
    u_total_mm: FloatArray  # (N,) with the size of everything
    straight: StraightFit | None
    straight_mm: FloatArray  # (S, 2) the straight edge's places, body frame
    doubts: tuple[Doubt, ...]
    straight_u_mm: float = 0.0  # 1 sigma of the straight edge's place by a wall beside it
    line_mm: float | None = None  # of a drawn line in place of a part: its width

    @property
    def share(self) -> float:
        """Share of the outline along which the edge was followed, corners apart."""
        return float(self.used.sum() / max(1, int((~self.curve.sharp).sum())))

    @property
    def unseen_mm(self) -> float:
        """The longest stretch along which it was not."""
        return longest_unseen_mm(self.curve.along_mm, self.edge.seen | self.curve.sharp)

    @property
    def outward(self) -> float:
        """+1 where proud material stands out of the body's outline, -1 where it reaches into it."""
        return 1.0 if self.material == "inside" else -1.0


def half_curve(path: ArcPath, half: Half) -> HalfCurve:
    """Return half of an outline as stations, the left one mirrored to the right.

    Raises:
        Refusal: ``half-not-single``.
    """
    run = right_run(path if half == "right" else mirrored(path))
    fine = sampled(run, FINE_MM)
    xy = resample(fine, STATION_MM, closed=False)
    tangents = unit_tangents(xy, closed=False)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    ahead, back = np.roll(tangents, -SHARP_STATIONS, axis=0), np.roll(tangents, SHARP_STATIONS, axis=0)
    turn = np.einsum("ni,ni->n", ahead, back) < np.cos(np.radians(SHARP_DEG))
    turn[:SHARP_STATIONS] = turn[-SHARP_STATIONS:] = False
    sharp = np.convolve(turn, np.ones(2 * SHARP_ROOM + 1), "same") > 0.0
    return HalfCurve(frozen_floats(xy), right_normals(tangents), frozen_floats(along), sharp)


def fitted_part(
    view: PartView, path: ArcPath, half: Half | None, material: Side | None, hold: Hold, clock: Clock,
    job: MoldJob | None = None, *, tolerance_mm: float = TOLERANCE_MM,
) -> FittedPart:  # fmt: skip
    """Lay a part on the outline; where it is plainly a wrong size that is off, with its size taken out.

    Args:
        view: its picture.
        path: the whole outline, body frame.
        half: which half it is cut for; None: found.
        material: on which side of the outline the part's material is; None: found by its straight edge.
        hold: what the fit is held to.
        clock: of the stages.
        job: the mold's choices, which say where its dowel holes are.
        tolerance_mm: a wrong size that moves the ends of the body by less is not looked for.

    Raises:
        Refusal: ``half-not-single``, ``fit-not-found``, ``part-hidden``, ``part-is-line``, ``fit-side``,
            ``fit-no-straight-edge``, ``fit-no-dowels`` or ``no-room-for-dowels``.
    """
    same = float(distances(path, sampled(mirrored(path), 1.0)).max()) < ALIKE_HALVES_MM
    tried: list[Half] = ["right"] if same else [half] if half else ["right", "left"]
    found: list[_Laid] = []
    hidden = False
    for one in tried:
        curve = half_curve(path, one)
        with clock(f"place {one}" if len(tried) > 1 else "place"):
            places = rough_places(view.picture.grey, view.calibration, curve)
        for place in _both_ways(places):
            if place.score >= (LEAST_WALLED if view.thickness_mm else LEAST_SCORE):
                laid = _Laid.of(view, curve, one, place, clock, material)
                hidden = laid is None or hidden
                found += [laid.resized(clock, material, tolerance_mm)] if laid else []
    if view.thickness_mm:
        found = [laid for laid in found if laid.is_line or laid.nearest >= LEAST_SCORE]
    if not found:
        raise Refusal("part-hidden" if hidden else "fit-not-found")
    if all(laid.is_line for laid in found):
        found = _as_lines(found)
    found.sort(key=lambda laid: laid.misfit)
    best = found[0]
    doubts: tuple[Doubt, ...] = ()
    if len(found) > 1 and found[1].misfit < TELLS_HALF * best.misfit:
        same_half = found[1].half == best.half
        doubts = (doubt("fit-either-way") if same_half else doubt("fit-either-half", half=best.half),)
    half_of = half or (("left" if best.place.mirrored else "right") if same else best.half)
    face_down = best.place.mirrored != (half_of == "left") if same else best.place.mirrored != (best.half == "left")
    with clock("fit"):
        dowels = dowels_of(path, best.half, job or MoldJob()) if hold == "dowels" else ()
        return best.finished(half_of, face_down, same, material, hold, dowels, doubts)


def _as_lines(found: list[_Laid]) -> list[_Laid]:
    """Return halves as drawn.

    Raises:
        Refusal: ``part-is-line``: nor is there one dark line along any of them.
    """
    lines = [line for line in (one.as_line() for one in found) if line is not None]
    if not lines:
        raise Refusal("part-is-line")
    return lines


def _both_ways(places: list[RoughPlace]) -> list[RoughPlace]:
    """Return the best place, and the best of the other way up."""
    return places[:1] + [one for one in places if one.mirrored != places[0].mirrored][:1]


@dataclass(frozen=True, eq=False)
class _Laid:
    """A first fit of one half."""

    view: PartView
    curve: HalfCurve
    half: Half
    place: RoughPlace
    edge: EdgePlaces
    used: BoolArray
    fit: PartFit
    wall_u_mm: FloatArray  # (N,) 1 sigma of the edge's place by a wall beside it
    line_mm: float | None = None  # of a drawn line: its width
    sides: Mapping[Side, _Laid] = field(default_factory=dict)  # the same, its material taken to lie on either side

    @classmethod
    def of(
        cls, view: PartView, curve: HalfCurve, half: Half, place: RoughPlace, clock: Clock, material: Side | None
    ) -> _Laid | None:
        """Follow the edge along a half put roughly in its place; None where less than half of it shows."""
        matrix, grey = place.matrix, view.picture.grey
        with clock("edge"):
            for _ in range(2):
                edge = follow(grey, view.calibration, curve, matrix)
                used = edge.seen & ~curve.sharp
                if used.sum() < 0.5 * len(used):
                    return None
                fit = _fit(edge, used, curve, matrix, view, None)
                matrix = fit.matrix
        laid = cls(view, curve, half, place, edge, used, fit, np.zeros(len(used)))
        with clock("walls"):
            tried = (material,) if material else SIDES
            return replace(laid, sides={side: laid.beside(side) for side in tried})

    def resized(self, clock: Clock, material: Side | None, tolerance_mm: float) -> _Laid:
        """Return the fit with the part's size taken out where that is plainly what is off; else this one."""
        view = replace(self.view, free_size=True)
        first = _fit(self.edge, self.used, self.curve, self.fit.matrix, view, None)
        if not self._mis_sized(first, tolerance_mm):
            return self
        start = replace(self.place, matrix=first.matrix)
        free = _Laid.of(view, self.curve, self.half, start, clock, material)
        if free is None or not self._mis_sized(free.fit, tolerance_mm):
            return self
        # The strains of the scale would give way to a wrong size at last, however well they are known.
        true = _fit(free.edge, free.used, self.curve, free.fit.matrix, self.view.scale_taken_exact, None)
        return free if size_explains(free.fit, true) else self

    def _mis_sized(self, fit: PartFit, tolerance_mm: float) -> bool:
        """Whether a size is off for certain, and by what moves the ends of the body beyond the tolerance."""
        size = part_size(fit, np.asarray(self.view.calibration.covariance))
        from_middle_mm = float(np.ptp(self.curve.xy_mm[:, 1])) / 2.0
        return abs(size.share) > SURE * size.u and abs(size.share) * from_middle_mm > tolerance_mm

    def beside(self, side: Side) -> _Laid:
        """Return the fit with what a camera sees of the walls of a part whose material is on a side."""
        if self.view.stand_mm is None or self.view.drawn:
            return self
        out, found = 1.0 if side == "inside" else -1.0, self
        for further_mm in WALL_ROUNDS_MM:
            edge, wall_u = seen_edge(self.view, self.curve, found.fit.matrix, out, REACH_MM + further_mm)
            used = edge.seen & ~self.curve.sharp
            if used.sum() < 0.5 * len(used):
                return self
            fit = _fit(edge, used, self.curve, found.fit.matrix, self.view, None)
            found = replace(found, edge=edge, used=used, fit=fit, wall_u_mm=wall_u)
        return found

    def as_line(self) -> _Laid | None:
        """Return the fit of a drawn line's middle; None where no dark line, alike all along, runs there."""
        view = replace(self.view, drawn=True, thickness_mm=0.0)
        grey, calibration, matrix = view.picture.grey, view.calibration, self.fit.matrix
        for _ in range(2):
            edge, wide = follow_line(grey, calibration, self.curve, matrix, REACH_MM, view.ink)
            used = edge.seen & ~self.curve.sharp
            if used.sum() < LEAST_DRAWN * len(used):
                return None
            fit = _fit(edge, used, self.curve, matrix, view, None)
            matrix = fit.matrix
        usual = float(np.nanmedian(wide[used]))
        if usual > WIDEST_LINE_MM or np.mean(np.abs(wide[used] - usual) < ALIKE_SHARE * usual) < LEAST_DRAWN:
            return None
        return replace(self, view=view, edge=edge, used=used, fit=fit, line_mm=usual, sides={})

    @property
    def is_line(self) -> bool:
        """Both sides are alike a millimetre away: a drawn line, or the rim of something clear."""
        apart = np.abs(self.edge.outer - self.edge.inner)[self.used]
        return float(np.median(apart)) < LINE_PX * float(np.median(np.abs(self.edge.rise[self.used])))

    @property
    def nearest(self) -> float:
        """Share of the half with an edge near it, on the side where that is most."""
        if self.sides:
            return max(one.nearest for one in self.sides.values())
        return float((np.abs(self.fit.off_mm) < NEAR_MM).sum()) / len(self.used)

    @property
    def misfit(self) -> float:
        """Robust scatter, much more where the edge is elsewhere; on the side where it is least."""
        if self.sides:
            return min(one.misfit for one in self.sides.values())
        return self.fit.scatter_mm / max(0.05, self.nearest) ** 4

    def finished(
        self, half: Half, face_down: bool, same: bool, material: Side | None, hold: Hold, dowels: tuple[Dowel, ...],
        doubts: tuple[Doubt, ...],
    ) -> FittedPart:  # fmt: skip
        """Return everything measured, held as asked."""
        sided, seen, side = self._sided(material)
        return sided._held(seen, side, half, face_down, same, hold, dowels, doubts)

    def _sided(self, material: Side | None) -> tuple[_Laid, StraightSeen, Side]:
        """Return the fit and what was seen of the straight edge for the side on which the material is."""
        if self.line_mm is not None:
            material = material or "inside"  # half a body is what is drawn
        tried = (material,) if material else SIDES
        laid = {side: self.sides.get(side, self) for side in tried}
        outlines = {side: one.outline for side, one in laid.items()}
        seen = {side: StraightSeen.along(self.view, self.curve, outlines[side]) for side in tried}
        side = material or side_of(self.view, seen, outlines)
        return laid[side], seen[side], side

    @property
    def outline(self) -> OutlineSeen:
        """What its edge looks like."""
        used = self.used
        return OutlineSeen(self.fit.matrix, self.edge.rise[used], self.edge.inner[used], self.edge.outer[used])

    def _held(
        self, seen: StraightSeen, side: Side, half: Half, face_down: bool, same: bool, hold: Hold,
        dowels: tuple[Dowel, ...], doubts: tuple[Doubt, ...],
    ) -> FittedPart:  # fmt: skip
        fit, usable = self._apart()
        straight, points = seen.fitted(side, fit, ALIKE)
        if hold == "edge":
            if straight is None:
                raise Refusal("fit-no-straight-edge")
            on_sheet = seen.edge.points_mm[seen.chosen(side)][straight.used]
            held = Held(on_sheet, np.zeros_like(on_sheet), np.tile([1.0, 0.0], (len(on_sheet), 1)))
            fit = _fit(self.edge, self.used, self.curve, fit.matrix, self.view, held, usable)
            straight, points = seen.fitted(side, fit, ALIKE)
        if hold == "dowels":
            fit, told = self._by_dowels(fit, dowels)
            straight, points = seen.fitted(side, fit, ALIKE)
            doubts = (*doubts, told)
        found = self._measured(fit, half, face_down, same, side, straight, points, doubts)
        return replace(found, straight_u_mm=seen.wall_u(side), line_mm=self.line_mm)

    def _by_dowels(self, free: PartFit, dowels: tuple[Dowel, ...]) -> tuple[PartFit, Doubt]:
        """Return the fit held to the dowel holes, and how they lie."""
        middles = seen_dowels(self.view, dowels, free.matrix)
        fit = moved_onto(free, dowels, middles, self.edge.points_mm[self.used], self.curve)
        off = float(np.hypot(*(free.to_body(middles) - fit.to_body(middles)).T).max())
        further = apart_mm(dowels, fit.to_body(middles))
        way = "further apart" if further > 0 else "nearer to each other"
        return fit, doubt("fit-by-dowels", off_mm=f"{off:.2f}", apart_mm=f"{abs(further):.2f}", way=way)

    def _apart(self) -> tuple[PartFit, BoolArray | None]:
        """Return the fit without what the rest of the edge proves to be off, and which places (M,) it rests on."""
        covariance = self.view.strain_covariance
        along = self.curve.along_mm[self.used]
        apart = stretches_apart(self.fit, along, covariance, FIT_ALIKE, ALIKE, EDGE_BIAS_PX * self._mm_per_px)
        if not apart.any():
            return self.fit, None
        return _fit(self.edge, self.used, self.curve, self.fit.matrix, self.view, None, ~apart), ~apart

    @property
    def _mm_per_px(self) -> float:
        return float(np.sqrt(self.view.calibration.mm_per_px_x * self.view.calibration.mm_per_px_y))

    def _measured(
        self, fit: PartFit, half: Half, face_down: bool, same: bool, side: Side, straight: StraightFit | None,
        points: FloatArray, doubts: tuple[Doubt, ...],
    ) -> FittedPart:  # fmt: skip
        proud = 1.0 if side == "inside" else -1.0
        off, fit_u, size_u = (np.full(len(self.used), np.nan) for _ in range(3))
        off[self.used], fit_u[self.used] = proud * fit.off_mm, fit.u_mm
        size_u[self.used] = size_u_mm(fit, self.view.calibration.covariance)
        found = off_map(self.curve.along_mm, off, ALIKE)
        fit_u, size_u = _filled(fit_u), _filled(size_u)
        local = np.sqrt(found.u_mm**2 + fit_u**2 + (EDGE_BIAS_PX * self._mm_per_px) ** 2)
        local, size_u = self._as_photo(local, size_u, fit)
        return FittedPart(
            self.view, self.curve, half, face_down, same, side, fit, self.edge, self.used, found, frozen_floats(local),
            frozen_floats(np.hypot(local, size_u)), straight, points, doubts,
        )  # fmt: skip

    def _as_photo(self, local: FloatArray, size_u: FloatArray, fit: PartFit) -> tuple[FloatArray, FloatArray]:
        """Return local and size sigmas with what a camera adds: walls, and geometry that is not in the fit."""
        view = self.view
        wall = running_mean(self.curve.along_mm, self.wall_u_mm)
        local = np.hypot(local, wall)
        if view.u_across is None or view.sways is not None:
            return local, size_u
        linear = np.linalg.inv(fit.matrix[:, :2])
        on_sheet = (self.curve.xy_mm - fit.matrix[:, 2]) @ linear.T
        across = view.u_across(SheetPoints(on_sheet))
        beyond = np.sqrt(np.maximum(across**2 - size_u**2, 0.0))
        return np.hypot(local, beyond), np.maximum(size_u, across)


def _fit(
    edge: EdgePlaces, used: BoolArray, curve: HalfCurve, start: FloatArray, view: PartView, held: Held | None,
    usable: BoolArray | None = None,
) -> PartFit:  # fmt: skip
    return fit_part(
        edge.points_mm[used], nearest_on(curve), start, view.strain_covariance, held=held, alike=FIT_ALIKE,
        usable=usable, sways=view.sways,
    )  # fmt: skip


def _filled(values: FloatArray) -> FloatArray:
    """Return values with the gaps filled from both sides."""
    known = np.flatnonzero(np.isfinite(values))
    return np.asarray(np.interp(np.arange(len(values)), known, values[known]))
