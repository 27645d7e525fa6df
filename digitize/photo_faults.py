"""Why a photo gives no scale, and what to change in the next one.

That nothing was found says little to a person; what stands in the way is looked for only then.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from calibration.controls import Control
from calibration.errors import Refusal
from calibration.flags import Doubt, doubt
from calibration.flatness import Flatness
from calibration.photo import PhotoCalibration
from digitize.paper_sides import Bow, Step
from digitize.shapes import GapPlace, Picture
from digitize.sheet import sharpness_of

# Faults that a sharper picture may mend.
BY_BLUR = ("no-rule", "unit-uncertain", "photo-scale-open", "photo-not-solved")
# A sheet that surely rises further is not measured: the forms that are tried for a bend are not its own, and of made
# sheets that rise by 4 to 16 mm a third of the claims did not hold where such a lift was found.
MOST_LIFT_MM, SURE_SIGMAS = 3.0, 2.0
MOST_BOW_MM = 5.0  # of a side of the paper; whoever cuts it cuts it straighter (common practice, no source)
SHORT_MM = 120.0  # graduations in view; a rule of 150 mm is the shortest that is worth laying down


def explained(
    refusal: Refusal, picture: Picture, controls: Sequence[Control], facts: Mapping[str, str] | None = None
) -> Refusal:
    """Return a refusal of a photo with the likeliest reason behind it, or as it is.

    Args:
        refusal: what stopped the photo.
        picture: as read.
        controls: what was measured in it; none of it need be enough.
        facts: of the refusal.
    """
    if refusal.code in BY_BLUR and (blur := _blur(picture)) is not None:
        return Refusal.of(blur)
    if refusal.code == "no-rule":
        return Refusal("photo-no-rule")
    long_mm = longest_mm(controls)
    if refusal.code == "photo-scale-open" and 0.0 < long_mm < SHORT_MM:
        return Refusal("photo-rule-too-short", length_mm=f"{long_mm:.0f}", **(facts or {}))
    return refusal


def _blur(picture: Picture) -> Doubt | None:
    """Return that a picture is blurred or moved, with how much, or nothing."""
    seen = sharpness_of(picture.grey)
    if seen is None:
        return None
    if seen.moved:
        return doubt("photo-moved", px=f"{seen.most_px:.1f}", sharp_px=f"{seen.least_px:.1f}")
    return doubt("photo-blurred", px=f"{seen.least_px:.1f}") if seen.blurred else None


def longest_mm(controls: Sequence[Control]) -> float:
    """Return the length of the longest rule or span, mm; 0 of none."""
    return max((float(np.ptp(control.at_mm)) for control in controls), default=0.0)


def short_rule(controls: Sequence[Control]) -> tuple[Doubt, ...]:
    """Return that the longest known length is short, or nothing."""
    long_mm = longest_mm(controls)
    return (doubt("photo-rule-short", length_mm=f"{long_mm:.0f}"),) if long_mm < SHORT_MM else ()


def gap_doubt(gap: GapPlace | None) -> tuple[Doubt, ...]:
    """Return that table shows inside the paper's outline at a place, or nothing where there is none."""
    return () if gap is None else (doubt("sheet-gap", place=_place(gap.px)),)


def refuse_gap(gap: GapPlace | None) -> None:
    """Refuse a sheet whose outline is not that of one flat sheet; a bank card as dark as the table is no gap.

    Raises:
        Refusal: ``sheet-outline``.
    """
    if gap is not None and not gap.small:
        raise Refusal("sheet-outline", place=_place(gap.px))


def side_doubts(bow: Bow | None, step: Step | None) -> tuple[Doubt, ...]:
    """Return that a side of the paper bows, or has a step, or nothing where none does."""
    found = []
    if bow is not None:
        found.append(doubt("side-bowed", side=bow.side, bow_mm=f"{bow.bow_mm:.1f}"))
    if step is not None:
        found.append(doubt("side-stepped", side=step.side, step_mm=f"{step.step_mm:.1f}"))
    return tuple(found)


def refuse_bent(bent: Flatness, photo: PhotoCalibration, bow: Bow | None = None) -> None:
    """Refuse a sheet whose bend nobody can tell the size of.

    A camera that is not a usual one has taken on some of it; a rule may ride on all of a high lift or on none; and
    where a side of the paper bows too, lines that bow with it are missing from what was measured.

    Args:
        bent: whether the sheet is flat.
        photo: as adjusted.
        bow: the side of the paper that bows most, if one does.

    Raises:
        Refusal: ``photo-bent``, ``photo-lifted`` or ``photo-bowed``.
    """
    if bow is not None and (not bent.flat or bow.bow_mm > MOST_BOW_MM):
        raise Refusal("photo-bowed", side=bow.side, bow_mm=f"{bow.bow_mm:.1f}")
    if bent.flat:
        return
    if any(one.code == "photo-strange" for one in photo.doubts):
        raise Refusal("photo-bent")
    if bent.lift_mm - SURE_SIGMAS * bent.lift_u_mm > MOST_LIFT_MM:
        raise Refusal("photo-lifted", **bent.facts(photo))


def _place(px: tuple[float, float]) -> str:
    return f"{px[0]:.0f}, {px[1]:.0f}"
