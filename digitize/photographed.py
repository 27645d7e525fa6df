"""A photo of a plan -> a flat picture with a known scale, so that everything after it is as for a scan."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.budget import Term
from calibration.controls import Control
from calibration.errors import Refusal, UsageError
from calibration.flags import Doubt, doubt
from calibration.flatness import Flatness, flatness
from calibration.frames import FloatArray, PxPoints, SheetPoints
from calibration.known_lens import KnownLens
from calibration.photo import PhotoCalibration
from calibration.photo_copy import FLIP, LiftsOnPlan, PlanScale, plan_scale_on_paper
from calibration.print_factors import PrintFactors
from calibration.solve import Calibration, FailedFit
from digitize.beside_rules import Laid, clear_of, gap_in_sheet, own_edges
from digitize.paper_sides import Bow, Rim, Step, worst_bow, worst_step
from digitize.photo_evidence import Evidence
from digitize.photo_faults import gap_doubt, refuse_bent, refuse_gap, short_rule, side_doubts
from digitize.rectify import FlatSheet, px_per_mm_for, rectify
from digitize.rule import PhotoRuleSearch, find_photo_rules, span_places, with_lifts, with_walls
from digitize.settings import PlanSettings
from digitize.shapes import OutlineHints, Picture, Rule, SheetView, SpanPlaces
from digitize.sheet import find_sheet, flat_light
from digitize.sources import factors_size
from digitize.traced import Clock, CopySize

# Of the points that the geometry's uncertainty is worked out at, this share does not exceed the term in the budget.
SHARE = 0.95
# The frame of a photo is followed by so many places a side where paper fills it, this far inside it.
FRAME_PLACES, FRAME_INSET_PX = 12, 4.0
AROUND_MM = 25.0  # shown round the sheet where a thing on it is meant
# A focal length that the file states is rounded, and focusing changes it: 1 sigma is 10 %, and three are another lens.
OTHER_LENS_LOG = 0.3
SCALE_RESTS = ("photo-rests", "shear-assumed")  # doubts about the paper's own scale


@dataclass(frozen=True, eq=False)
class Photographed:
    """The flat picture and how its places and its scale follow from the photo."""

    sheet: FlatSheet
    photo: PhotoCalibration
    flatness: Flatness
    calibration: Calibration  # of the flat picture
    rules: tuple[Rule, ...]  # their places in the flat picture
    spans: tuple[SpanPlaces, ...]
    doubts: tuple[Doubt, ...]
    scale: PlanScale | None  # where drawn lengths are the scale: of the plan, not of this copy's paper
    covered: tuple[FloatArray, ...] = ()  # (V, 2) px of the flat picture each, round what lies on the sheet

    def factors(self, scale: PlanScale) -> PrintFactors:
        """Return what the copier did by known lengths of the plan."""
        return scale.factors(LiftsOnPlan.of(self.flatness, scale))

    def scale_by(self, stated: Sequence[Control]) -> PlanScale:
        """Return the plan's scale by known lengths between places of the flat picture.

        Raises:
            Refusal: they disagree.
        """
        on_paper = [_rescaled(control, self._on_paper(control), 1.0 / self.sheet.px_per_mm) for control in stated]
        found = plan_scale_on_paper(self.photo, on_paper)
        if isinstance(found, FailedFit):
            raise Refusal(found.code, **found.facts)
        return found

    @property
    def drawn(self) -> tuple[Control, ...]:
        """The lengths that the plan's scale rests on, in the flat picture."""
        px = self.sheet.px_per_mm
        return tuple(
            _rescaled(one, self.sheet.to_flat_px(SheetPoints(one.places.xy * FLIP)), px)
            for one in (self.scale.drawn if self.scale else ())
        )

    @property
    def by_noise(self) -> Calibration | None:
        """The calibration without the camera's part in it, which ``terms`` tell, where the plan is the scale."""
        return replace(self.calibration, covariance=self.scale.by_noise.covariance) if self.scale else None

    @property
    def rests(self) -> tuple[Doubt, ...]:
        """What the paper's own scale rests on, where that is not said already."""
        return tuple(one for one in self.photo.doubts if one.code in SCALE_RESTS and one not in self.doubts)

    def _on_paper(self, control: Control) -> FloatArray:
        return np.asarray(self.sheet.to_sheet(control.places.xy).xy * FLIP)

    @property
    def copy(self) -> CopySize | None:
        """The copy's size against the plan, where real rules are in the photo too."""
        laid = any(rule.role == "laid" for rule in self.rules)
        return factors_size(self.factors(self.scale)) if self.scale and laid else None

    def hints(self, told: OutlineHints) -> OutlineHints:
        """Return what the person said, places in the flat picture, and how to tell the person a place."""
        return replace(
            told,
            near=None if told.near is None else self._flat(told.near),
            ignore=tuple(tuple(self._flat(place) for place in ring) for ring in told.ignore),
            through=tuple(self._flat(place) for place in told.through),
            shown=self.in_photo,
        )

    def neck(self, told: tuple[float, float] | None) -> tuple[float, float] | None:
        """Return a place told at the neck, in the flat picture."""
        return None if told is None else self._flat(told)

    def in_photo(self, flat_px: FloatArray) -> FloatArray:
        """Return (N, 2) px of the photo for px of the flat picture."""
        return self.photo.to_px(self.sheet.to_sheet(flat_px)).xy

    def in_flat(self, photo_px: FloatArray) -> FloatArray:
        """Return (N, 2) px of the flat picture for px of the photo."""
        return self.sheet.to_flat_px(self.photo.to_sheet(PxPoints(photo_px)))

    def _flat(self, place: tuple[float, float]) -> tuple[float, float]:
        x, y = self.in_flat(np.array([place]))[0]
        return float(x), float(y)

    def terms(self, on_sheet: SheetPoints) -> tuple[Term, ...]:
        """Return what the budget of a closed outline gains: perspective and lens beyond the scale, and flatness.

        Args:
            on_sheet: the outline in the frame of the flat picture's calibration, in order.
        """
        shape, bent = (float(np.quantile(u, SHARE)) for u in self._u_parts(on_sheet))
        return (
            Term("the camera's place and its lens", shape, "the adjustment of all rules, lines and angles, carried on"),
            Term("the flatness of the sheet", bent, "what lift the photo would not show, or shows"),
        )

    def u_across(self, on_sheet: SheetPoints) -> FloatArray:
        """Return (N,) 1 sigma across an outline by all that ``terms`` tell of it at large."""
        return np.asarray(np.hypot(*self._u_parts(on_sheet)))

    def _u_parts(self, on_sheet: SheetPoints) -> tuple[FloatArray, FloatArray]:
        """Return (N,) 1 sigma across an outline by the camera, and by the flatness of the sheet."""
        points = self.sheet.to_sheet(self.calibration.to_px(on_sheet).xy)
        if self.scale is None:
            return self.photo.u_outline_mm(points), self.flatness.u_outline_mm(self.photo, points)
        lifts = LiftsOnPlan.of(self.flatness, self.scale)
        return self.scale.u_outline_mm(points), lifts.u_outline_mm(self.photo, points)


def photographed(
    picture: Picture, plan: PlanSettings, clock: Clock, *, checked: bool = False, as_lit: bool = False
) -> Photographed:
    """Find the sheet, its rules and the camera, and lay the sheet flat.

    Args:
        picture: the photo.
        plan: what the person says.
        clock: of the stages.
        checked: the copy itself is in question; drawn lengths are never taken to be true on the paper.
        as_lit: a thing on the sheet is meant, not the sheet: nothing is made paper, and the light is not evened, which
            would take the tone of whatever is large and dark for a shadow.

    Raises:
        Refusal: ``lens-other-camera``, ``two-sheets``, ``sheet-outline``, ``photo-no-rule`` or what stood in a rule's
            way, or the adjustment's own reason, or what is likeliest to be behind either.
        UsageError: ``lens-shape``.
    """
    lens = lens_for(picture, plan)
    with clock("sheet"):
        view = find_sheet(picture)
        if view.sheets > 1:
            raise Refusal("two-sheets")
    with clock("rule"):
        search = with_lifts(picture, find_photo_rules(picture, plan.rules), plan.rules)
        spans = span_places(picture.grey, plan.spans)
        bodies = [Laid.of(one) for one in search.rules if one.rule.role == "laid"]
        view, gap = own_edges(view, bodies), gap_in_sheet(view, bodies)
        if plan.body.near is None:
            refuse_gap(gap)
    with clock("solve"):
        evidence = Evidence.of(picture, view, search, spans, lens)
        photo, scale = evidence.checked() if checked else evidence.adjusted()
        walls = with_walls(picture.grey, search, plan.rules, photo.rise_px)
        drawn = evidence.drawn_by(photo)
        if walls is not search or drawn:  # the rules' heights and the camera's tilt are known better than they were
            search, evidence = walls, Evidence.of(picture, view, walls, spans, lens).with_angles(drawn)
            photo, scale = evidence.checked() if checked else evidence.adjusted()
        bent = flatness(photo, evidence.controls, evidence.lines)
        # what is lighter than the table may be the thing that is meant, whose sides are no paper's
        bow, step = (None, None) if as_lit else _of_sides(photo, view, bodies)
        refuse_bent(bent, photo, bow)
    with clock("flatten"):
        even = picture if as_lit else replace(picture, grey=flat_light(picture.grey, view.polygon_px))
        seen = (*short_rule(evidence.controls), *gap_doubt(gap), *side_doubts(bow, step))
        flat = _laid_flat(even, view, search, spans, photo, bent, scale, seen, as_lit=as_lit)
    return flat if checked else replace(flat, doubts=(*flat.doubts, *_untold(plan, evidence, scale)))


def _of_sides(photo: PhotoCalibration, view: SheetView, bodies: Sequence[Laid]) -> tuple[Bow | None, Step | None]:
    """Return how far a side of the paper bows and what step one has, None where none does."""
    free, edges = clear_of(bodies, view.rim_px), [edge.places.xy for edge in view.edges]
    rim = Rim.of(photo, view.rim_px, free, edges)
    return (None, None) if rim is None else (worst_bow(rim), worst_step(rim))


def _untold(plan: PlanSettings, evidence: Evidence, scale: PlanScale | None) -> tuple[Doubt, ...]:
    """Return a doubt where nothing shows or tells that a rule was drawn with the plan; a clear one looks the same."""
    names = [one.name for one in evidence.drawn if one.source == "drawn rule" and one.name not in evidence.told]
    if not names or plan.body.states_size or plan.spans or (scale is not None and scale.proven):
        return ()
    return (doubt("drawn-untold", rules=" and ".join(names)),)


def lens_for(picture: Picture, plan: PlanSettings) -> KnownLens | None:
    """Return the lens that the plan names, as it is in this picture.

    Raises:
        Refusal: ``lens-other-camera``.
        UsageError: ``lens-shape``.
    """
    if plan.lens is None or plan.lens_file is None:
        return None
    given = plan.lens.known(plan.lens_file)
    height, width = picture.grey.shape
    lens = given.in_picture((width, height), picture.quarters)
    if lens is None:
        taken = "{} x {}".format(*given.size_px)
        raise UsageError("lens-shape", lens=taken, photo=f"{width} x {height}")
    if picture.focal_px and abs(math.log(picture.focal_px / lens.lens.focal_px)) > OTHER_LENS_LOG:
        raise Refusal("lens-other-camera", photo=f"{picture.focal_px:.0f}", lens=f"{lens.lens.focal_px:.0f}")
    return lens


def _laid_flat(
    even: Picture,
    view: SheetView,
    search: PhotoRuleSearch,
    spans: Sequence[SpanPlaces],
    photo: PhotoCalibration,
    bent: Flatness,
    scale: PlanScale | None,
    seen: tuple[Doubt, ...],
    *,
    as_lit: bool = False,
) -> Photographed:
    rim = _frame(even) if view.polygon_px is None else view.polygon_px
    region = photo.to_sheet(PxPoints(rim))
    # A thing on the sheet may lie over a rule, or its straight side be taken for the sheet's: paint would cut into it.
    room = AROUND_MM if as_lit else 0.0
    covered = [photo.to_sheet(one.polygon).xy for one in search.rules if one.rule.role == "laid"]
    sheet = rectify(even, photo.to_px, region.xy, px_per_mm_for(photo.mm_per_px(region)), covered, as_seen_mm=room)
    if scale:
        calibration = replace(scale.calibration, matrix=scale.calibration.matrix / sheet.px_per_mm)
    else:
        calibration = replace(photo.over(region), matrix=sheet.matrix, doubts=())
    return Photographed(
        sheet,
        photo,
        bent,
        calibration,
        tuple(_as_taken(_on_flat(one.rule, sheet, photo), scale) for one in search.rules),
        tuple(spans),
        (*_scale_doubts(search, photo, bent, scale), *seen),
        scale,
        tuple(sheet.to_flat_px(SheetPoints(ring)) for ring in covered),
    )


def _frame(picture: Picture) -> FloatArray:
    """Return (N, 2) px round the frame of a picture."""
    height, width = picture.grey.shape
    low, (right, lower) = FRAME_INSET_PX, (width - 1 - FRAME_INSET_PX, height - 1 - FRAME_INSET_PX)
    corners = np.array([(low, low), (right, low), (right, lower), (low, lower)])
    share = np.linspace(0.0, 1.0, FRAME_PLACES, endpoint=False)[:, None]
    return np.concatenate([a + share * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])


def _rescaled(control: Control, places: FloatArray, by: float) -> Control:
    """Return a control with its places elsewhere, where pixels are so much finer."""
    return replace(
        control, places=PxPoints(places), sigma_px=control.sigma_px * by, sigma_across_px=control.sigma_across_px * by
    )


def _scale_doubts(
    search: PhotoRuleSearch, photo: PhotoCalibration, bent: Flatness, scale: PlanScale | None
) -> tuple[Doubt, ...]:
    """Return the doubts; where drawn lengths are the scale, without what the photo's own rests on."""
    if scale is None:
        return (*search.doubts, *photo.doubts, *bent.doubts)
    return (*search.doubts, *(one for one in photo.doubts if one.code not in SCALE_RESTS), *bent.doubts, *scale.doubts)


def _as_taken(rule: Rule, scale: PlanScale | None) -> Rule:
    """Return a rule as what it was taken for in the end."""
    return replace(rule, role="laid") if scale and rule.control.name in scale.left_out else rule


def _on_flat(rule: Rule, sheet: FlatSheet, photo: PhotoCalibration) -> Rule:
    """Return a rule with its places in the flat picture."""
    places = sheet.to_flat_px(photo.to_sheet(rule.control.places))
    pitch_px = float(np.hypot(*(places[-1] - places[0]))) / float(np.ptp(rule.control.at_mm)) * rule.pitch_mm
    return replace(
        rule,
        control=replace(rule.control, places=PxPoints(places)),
        from_px=(float(places[0, 0]), float(places[0, 1])),
        to_px=(float(places[-1, 0]), float(places[-1, 1])),
        pitch_px=pitch_px,
        residual_rms_px=rule.residual_rms_px * pitch_px / rule.pitch_px,
    )
