"""A photo of a plan -> a flat picture with a known scale, so that everything after it is as for a scan."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.adjust import adjust
from calibration.budget import Term
from calibration.controls import Control, StraightLine
from calibration.errors import Refusal, UsageError
from calibration.flags import Doubt
from calibration.flatness import Flatness, flatness
from calibration.frames import FloatArray, PxPoints, SheetPoints
from calibration.known_lens import KnownLens
from calibration.photo import PhotoCalibration
from calibration.solve import Calibration, FailedFit
from digitize.beside_rules import Laid, gap_in_sheet, own_edges
from digitize.photo_faults import explained, gap_doubt, refuse_gap, short_rule
from digitize.rectify import FlatSheet, px_per_mm_for, rectify
from digitize.rule import PhotoRuleSearch, find_photo_rules, span_places, with_lifts
from digitize.settings import PlanSettings
from digitize.shapes import OutlineHints, Picture, Rule, SheetView, SpanPlaces
from digitize.sheet import find_sheet, flat_light
from digitize.sources import photo_controls
from digitize.traced import Clock

# Of the points that the geometry's uncertainty is worked out at, this share does not exceed the term in the budget.
SHARE = 0.95
# The frame of a photo is followed by so many places a side where paper fills it, this far inside it.
FRAME_PLACES, FRAME_INSET_PX = 12, 4.0
# A focal length that the file states is rounded, and focusing changes it: 1 sigma is 10 %, and three are another lens.
OTHER_LENS_LOG = 0.3


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
        points = SheetPoints(on_sheet.xy + np.array([self.sheet.left_mm, self.sheet.top_mm]))
        shape = float(np.quantile(self.photo.u_outline_mm(points), SHARE))
        bent = float(np.quantile(self.flatness.u_outline_mm(self.photo, points), SHARE))
        return (
            Term("the camera's place and its lens", shape, "the adjustment of all rules, lines and angles, carried on"),
            Term("the flatness of the sheet", bent, "what lift the photo would not show, or shows"),
        )


def photographed(picture: Picture, plan: PlanSettings, clock: Clock) -> Photographed:
    """Find the sheet, its rules and the camera, and lay the sheet flat.

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
        search = with_lifts(picture.grey, find_photo_rules(picture, plan.rules), plan.rules)
        spans = span_places(picture.grey, plan.spans)
        bodies = [Laid.of(one) for one in search.rules if one.rule.role == "laid"]
        view, gap_px = own_edges(view, bodies), gap_in_sheet(view, bodies)
        if plan.body.near is None:
            refuse_gap(gap_px)
    with clock("solve"):
        controls = photo_controls([one.rule for one in search.rules], spans)
        photo, lines = _adjusted(picture, controls, view, search, lens)
        bent = flatness(photo, controls, lines)
    with clock("flatten"):
        even = replace(picture, grey=flat_light(picture.grey, view.polygon_px))
        doubts = (*search.doubts, *photo.doubts, *bent.doubts, *short_rule(controls), *gap_doubt(gap_px))
        return _laid_flat(even, view, search, spans, photo, bent, doubts)


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


def _adjusted(
    picture: Picture, controls: tuple[Control, ...], view: SheetView, search: PhotoRuleSearch, lens: KnownLens | None
) -> tuple[PhotoCalibration, tuple[StraightLine, ...]]:
    """Return the camera, and the lines that it was found with."""
    in_the_way = [one for one in search.doubts if one.weight == "refused"]
    if not controls and in_the_way:
        raise explained(Refusal.of(in_the_way[0]), picture, controls)
    height, width = picture.grey.shape
    lines = (*view.edges, *view.lines)
    names = {control.name for control in controls} | {line.name for line in lines}
    angles = [one for one in (*view.angles, *search.angles) if {one.first, one.second} <= names]
    found = adjust(controls, lines, angles, (width, height), picture.focal_px, lens)
    if isinstance(found, FailedFit):
        raise explained(Refusal(found.code, **found.facts), picture, controls, found.facts)
    return found, lines


def _laid_flat(
    even: Picture,
    view: SheetView,
    search: PhotoRuleSearch,
    spans: Sequence[SpanPlaces],
    photo: PhotoCalibration,
    bent: Flatness,
    doubts: tuple[Doubt, ...],
) -> Photographed:
    rim = _frame(even) if view.polygon_px is None else view.polygon_px
    region = photo.to_sheet(PxPoints(rim))
    covered = [photo.to_sheet(one.polygon).xy for one in search.rules if one.rule.role == "laid"]
    sheet = rectify(even, photo.to_px, region.xy, px_per_mm_for(photo.mm_per_px(region)), covered)
    calibration = replace(photo.over(region), matrix=sheet.matrix, doubts=())
    return Photographed(
        sheet,
        photo,
        bent,
        calibration,
        tuple(_on_flat(one.rule, sheet, photo) for one in search.rules),
        tuple(spans),
        doubts,
    )


def _frame(picture: Picture) -> FloatArray:
    """Return (N, 2) px round the frame of a picture."""
    height, width = picture.grey.shape
    low, (right, lower) = FRAME_INSET_PX, (width - 1 - FRAME_INSET_PX, height - 1 - FRAME_INSET_PX)
    corners = np.array([(low, low), (right, low), (right, lower), (low, lower)])
    share = np.linspace(0.0, 1.0, FRAME_PLACES, endpoint=False)[:, None]
    return np.concatenate([a + share * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])


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
