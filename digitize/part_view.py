"""The picture of a cut part with its scale: a scan by the rules beside it, or a photo laid flat."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
import numpy.typing as npt

from calibration.errors import Refusal
from calibration.flags import Doubt, doubt
from calibration.frames import FloatArray, SheetPoints
from calibration.part_fit import Sways
from calibration.part_size import freed
from calibration.part_sways import PhotoSways
from calibration.solve import Calibration
from calibration.units import MM_PER_INCH
from digitize.cross_check import refuse_unfit_picture
from digitize.fit_shapes import InkSide
from digitize.read import read_picture
from digitize.scaled import Scaled, scaled_flat, scaled_picture
from digitize.settings import PlanSettings, RuleHint
from digitize.shapes import Picture
from digitize.sources import refuse_absurd_size, refuse_wrong_places
from digitize.traced import Clock

if TYPE_CHECKING:
    from digitize.photographed import Photographed

# How square a flatbed's two directions are, 1 sigma: a cheap one was up to 0.25 mm off in places, raw (Boroń, ISPRS
# archives), which over the width of its glass is half of this.
SQUARE_DEG = 0.1
THIN_DARK_MM = 1.3  # graduations are thinner than this
USUAL_DPI = 300.0
# A part's thickness is told to about this, 1 sigma; not told, it is anything a template or a layer is made of.
THICKNESS_U_MM, UNTOLD_U_MM = 0.15, 6.0
LEFT_OUT = 1e-14  # variance of a strain that is told elsewhere


@dataclass(frozen=True, eq=False)
class PartView:
    """The picture of a part whose pixels are known in millimetres of the plane of the part's face."""

    picture: Picture
    calibration: Calibration
    doubts: tuple[Doubt, ...]
    rules: int
    u_across: Callable[[SheetPoints], FloatArray] | None  # of a photo
    foot_mm: FloatArray | None = None  # (2,) under the camera, sheet mm
    stand_mm: float | None = None
    thickness_mm: float = 0.0  # of the part: how far its face is above the paper
    thickness_u_mm: float = 0.0
    thickness_told: bool = True
    ink: InkSide = "middle"  # which edge of a drawn line is meant
    drawn: bool = False  # the part is a drawn line
    sways: Sways | None = None  # of a photo whose scale is that of its paper: what its geometry may have wrong
    free_size: bool = False  # the part as a whole may be larger or smaller than it should be

    @property
    def strain_covariance(self) -> FloatArray:
        """(3, 3) of log scale x, log scale y and shear by which a part may have to be strained."""
        by_scale = np.asarray(self.calibration.covariance)
        return freed(by_scale) if self.free_size else by_scale

    @property
    def scale_taken_exact(self) -> PartView:
        """The same with nothing left open by which a part could be strained."""
        calibration = replace(self.calibration, covariance=LEFT_OUT * np.eye(3))
        return replace(self, calibration=calibration, sways=None, free_size=False)


def part_view(plan: PlanSettings, thickness_mm: float | None, clock: Clock) -> PartView:
    """Return a part's picture with its scale; every rule in it is taken for a real one.

    Raises:
        Refusal: nothing fixes the scale, or what does contradicts itself.
    """
    told = _told(plan)
    picture = _read(told, clock)
    if picture.captured == "photo":
        return _photo_view(picture, told, thickness_mm, clock)
    scaled = _as_scanned(picture, told, clock)
    return PartView(
        scaled.picture, scaled.calibration, (*scaled.doubts, *scaled.calibration.doubts), len(scaled.rules), None,
        ink=plan.line,
    )  # fmt: skip


def part_scaled(plan: PlanSettings, thickness_mm: float | None, clock: Clock) -> tuple[PartView, Scaled]:
    """Return a part's picture with its scale, and as any picture of known scale; every rule is taken for a real one.

    Raises:
        Refusal: ``cut-photo``; nothing fixes the scale, or what does contradicts itself.
    """
    told = _told(plan)
    picture = _read(told, clock)
    if picture.captured == "photo":
        if thickness_mm is None:
            raise Refusal("cut-photo")
        from digitize.photographed import photographed  # scans need nothing of it

        flat = photographed(picture, told, clock, checked=True, as_lit=True)
        view = photo_view(flat, told, thickness_mm)
        scaled = scaled_flat(flat, told)
        grown = view.calibration.covariance + scaled.calibration.covariance
        calibration = replace(view.calibration, covariance=grown)
        return view, replace(scaled, calibration=calibration, doubts=view.doubts)
    scaled = _as_scanned(picture, told, clock)
    doubts = (*scaled.doubts, *scaled.calibration.doubts)
    return PartView(scaled.picture, scaled.calibration, doubts, len(scaled.rules), None), scaled


def _told(plan: PlanSettings) -> PlanSettings:
    plan = plan.one_picture()
    if all(rule.near is not None for rule in plan.rules):
        plan = plan.model_copy(update={"rules": (*plan.rules, RuleHint(role="laid"))})
    return plan


def _read(plan: PlanSettings, clock: Clock) -> Picture:
    with clock("read"):
        picture = read_picture(plan.image, plan.page, plan.captured, plan=False)
        clock.picture = picture
        refuse_unfit_picture(picture)
        refuse_wrong_places(picture, plan)
    return picture


def _as_scanned(picture: Picture, plan: PlanSettings, clock: Clock) -> Scaled:
    scaled = _scan_scaled(picture, plan, clock)
    refuse_absurd_size(scaled.picture, scaled.calibration)
    calibration, square = _squared(scaled.calibration)
    if not square:
        return scaled
    rest = tuple(one for one in calibration.doubts if one.code != "shear-assumed")
    return replace(scaled, calibration=replace(calibration, doubts=(*rest, *square)))


def _squared(calibration: Calibration) -> tuple[Calibration, tuple[Doubt, ...]]:
    """Return the scale with the squareness of a scanner, where rules tell no better: no copier was in between."""
    u, usual = float(np.sqrt(calibration.covariance[2, 2])), float(np.radians(SQUARE_DEG))
    if u <= usual:
        return calibration, ()
    share = np.diag([1.0, 1.0, usual / u])
    return replace(calibration, covariance=share @ calibration.covariance @ share), (doubt("part-square"),)


def _scan_scaled(picture: Picture, plan: PlanSettings, clock: Clock) -> Scaled:
    """Return the scale by rules as they are, or by what is thin and dark alone: steel on a black lid shows no more.

    Raises:
        Refusal: the first reason, when neither gives a scale.
    """
    try:
        return scaled_picture(picture, plan, clock)
    except Refusal as refusal:
        thin = replace(picture, grey=_thin_and_dark(picture))
        try:
            scaled = scaled_picture(thin, plan, clock)
        except Refusal:
            raise refusal from None
    if scaled.picture is not thin:  # an uneven feed was taken out of the wrong picture
        raise Refusal("no-rule")
    return replace(scaled, picture=picture)


def _thin_and_dark(picture: Picture) -> npt.NDArray[np.uint8]:
    """Return the picture with nothing but what is thin and darker than what is round it, as a plan's ink is."""
    dpi = picture.dpi[0] if picture.dpi else USUAL_DPI
    size = max(5, round(THIN_DARK_MM * dpi / MM_PER_INCH) | 1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    grey = cv2.bitwise_not(cv2.morphologyEx(picture.grey, cv2.MORPH_BLACKHAT, kernel))
    grey.setflags(write=False)
    return np.asarray(grey, dtype=np.uint8)


def _photo_view(picture: Picture, plan: PlanSettings, thickness_mm: float | None, clock: Clock) -> PartView:
    """Return the photo laid flat, its scale that of the part's face, which is so much nearer to the camera.

    Raises:
        Refusal: nothing fixes the scale, or what does contradicts itself.
    """
    from digitize.photographed import photographed  # scans need nothing of it

    return photo_view(photographed(picture, plan, clock, checked=True, as_lit=True), plan, thickness_mm)


def photo_view(flat: Photographed, plan: PlanSettings, thickness_mm: float | None) -> PartView:
    """Return a photo that was laid flat, its scale that of the part's face."""
    scaled = scaled_flat(flat, plan)
    refuse_absurd_size(scaled.picture, scaled.calibration)
    stand, pose = flat.photo.pose.distance_mm, flat.photo.pose
    nearer = (thickness_mm or 0.0) / stand
    u_mm = THICKNESS_U_MM if thickness_mm is not None else UNTOLD_U_MM
    given = scaled.calibration.covariance if flat.scale else LEFT_OUT * np.eye(3)  # else the sways hold it
    grown = given.copy()
    grown[:2, :2] += (u_mm / stand) ** 2
    calibration = replace(scaled.calibration, matrix=scaled.calibration.matrix * (1.0 - nearer), covariance=grown)
    foot = flat.sheet.to_flat_px(SheetPoints(pose.foot_mm[None])) @ calibration.matrix.T
    told = () if thickness_mm is not None else (doubt("part-thickness", stand=f"{stand:.0f}"),)
    parallax = (doubt("part-parallax", thickness=f"{thickness_mm:g}", percent=f"{100 * nearer:.2f}"),) if nearer else ()
    return PartView(
        scaled.picture, calibration, (*scaled.doubts, *told, *parallax), len(scaled.rules),
        scaled.u_across, foot[0], stand, thickness_mm or 0.0, u_mm,
        thickness_mm is not None, plan.line, sways=None if flat.scale else _sways(flat, calibration),
    )  # fmt: skip


def _sways(flat: Photographed, calibration: Calibration) -> Sways:
    """Return what the photo's geometry may have wrong, for places in the frame of the part's face."""
    size = flat.sheet.picture.grey.shape[::-1]
    corners = np.array([(0.0, 0.0), (size[0], 0.0), size, (0.0, size[1])], dtype=np.float64)
    found = PhotoSways.over(flat.photo, flat.flatness, flat.sheet.to_sheet(corners))
    grown = float(np.abs(calibration.matrix[0, 0])) * flat.sheet.px_per_mm

    def sways(points: FloatArray) -> FloatArray:
        return grown * found(flat.sheet.to_sheet(calibration.to_px(SheetPoints(points)).xy))

    return sways
