"""All that one photo shows of its camera and its sheet, and the camera that comes of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from calibration.adjust import adjust
from calibration.controls import Control, KnownAngle, StraightLine
from calibration.drawn_angles import drawn_angles
from calibration.errors import Refusal
from calibration.known_lens import KnownLens
from calibration.photo import PhotoCalibration
from calibration.photo_copy import PlanScale, plan_scale
from calibration.solve import FailedFit
from calibration.square_consensus import consensus_angles
from digitize.photo_faults import explained
from digitize.rule import PhotoRuleSearch
from digitize.shapes import Picture, SheetView, SpanPlaces
from digitize.sources import drawn_controls, photo_controls

# Why lengths that are all taken for true may fail where a copy is not true to size.
COPY_IS_OFF = ("rules-disagree", "rules-or-bent")


@dataclass(frozen=True, eq=False)
class Evidence:
    """All that one photo shows of its camera and its sheet."""

    picture: Picture
    lens: KnownLens | None
    controls: tuple[Control, ...]
    drawn: tuple[Control, ...]  # those that went through the copier
    told: tuple[str, ...]  # rules that the plan file calls drawn
    lines: tuple[StraightLine, ...]
    angles: tuple[KnownAngle, ...]

    @classmethod
    def of(
        cls,
        picture: Picture,
        view: SheetView,
        search: PhotoRuleSearch,
        spans: Sequence[SpanPlaces],
        lens: KnownLens | None,
    ) -> Evidence:
        """Gather it.

        Raises:
            Refusal: there is no known length, and why.
        """
        rules = [one.rule for one in search.rules]
        controls = photo_controls(rules, spans)
        in_the_way = [one for one in search.doubts if one.weight == "refused"]
        if not controls and in_the_way:
            raise explained(Refusal.of(in_the_way[0]), picture, controls)
        lines = (*view.edges, *view.lines)
        names = {control.name for control in controls} | {line.name for line in lines}
        angles = tuple(one for one in (*view.angles, *search.angles) if {one.first, one.second} <= names)
        drawn = drawn_controls(rules, spans)
        told = tuple(one.rule.control.name for one in search.rules if one.role_sure == 1.0 and one.rule.role == "drawn")
        return cls(picture, lens, controls, drawn, told, lines, angles)

    def drawn_by(self, photo: PhotoCalibration) -> tuple[KnownAngle, ...]:
        """Return the angles that drawn lines make by a camera that is known roughly, or by themselves."""
        found = drawn_angles(photo, self.lines, self.angles)
        square = any(one.angle_rad > 0.0 for one in (*found, *self.angles))
        return found if square else consensus_angles(photo, self.lines) or found

    def with_angles(self, more: Sequence[KnownAngle]) -> Evidence:
        """Return it with angles beside its own."""
        return replace(self, angles=(*self.angles, *more))

    def adjusted(self) -> tuple[PhotoCalibration, PlanScale | None]:
        """Return the camera, and the plan's scale where drawn lengths carry it both ways.

        Where they do not, everything is taken to be true together: the millimetres are those of the paper. Where that
        cannot be, the copy is off, and its drawn lengths are the scale for what they are worth.

        Raises:
            Refusal: the adjustment's own reason.
        """
        copied = self._found(copied=True) if self.drawn else None
        scale = plan_scale(copied, self.drawn, self.told) if isinstance(copied, PhotoCalibration) else None
        if isinstance(scale, PlanScale) and all(scale.calibration.certified):
            return scale.photo, scale
        found = self._found(copied=False)
        if isinstance(found, PhotoCalibration):
            return found, None
        if isinstance(scale, PlanScale) and found.code in COPY_IS_OFF:
            return scale.photo, scale
        failed = copied if isinstance(copied, FailedFit) else found  # it allowed more, and so knows better why
        squared = self._squared() if found.code == "photo-scale-open" else None
        if squared is None:
            raise self._refusal(failed)
        return squared.adjusted()

    def _squared(self) -> Evidence | None:
        """Return it with the angles that drawn lines agree on by themselves; None where they tell nothing new."""
        photo = self._found(copied=True)
        if isinstance(photo, FailedFit) or any(one.tentative for one in self.angles):
            return None
        more = consensus_angles(photo, self.lines)
        return self.with_angles(more) if more else None

    def checked(self) -> tuple[PhotoCalibration, PlanScale | None]:
        """Return the camera by what is real, and the plan's scale as far as drawn lengths carry it.

        Raises:
            Refusal: the adjustment's own reason, or that drawn lengths disagree.
        """
        photo = self._found(copied=True)
        if isinstance(photo, FailedFit):
            raise self._refusal(photo)
        scale = plan_scale(photo, self.drawn, self.told) if self.drawn else None
        if isinstance(scale, FailedFit):
            raise self._refusal(scale)
        return photo, scale

    def _refusal(self, failed: FailedFit) -> Refusal:
        """Return why nothing came of it, with what is likeliest to be behind it."""
        return explained(Refusal(failed.code, **failed.facts), self.picture, self.controls, failed.facts)

    def _found(self, *, copied: bool) -> PhotoCalibration | FailedFit:
        height, width = self.picture.grey.shape
        return adjust(
            self.controls, self.lines, self.angles, (width, height), self.picture.focal_px, self.lens, copied=copied
        )
