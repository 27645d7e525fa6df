"""Photos that no one should trust, by name: each has one fault that a person would see."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from calibration.frames import FloatArray
from tests.maker.level_spec import LevelSpec
from tests.maker.photo_laid import put
from tests.maker.photo_mix import with_sheet
from tests.maker.photo_paper import Paper, body_points, lay, sheet_points
from tests.maker.photo_spec import PhotoSpec, SecondSheet

BASE_INDEX = 0  # families go round from here: none of those that only some machines can draw
AROUND_MM = 6.0  # round body and rule, when everything else is outside the frame
FAR_PAPER_MM = 90.0  # of blank paper then
LAYOUT = {"no rule": "no rule", "rule too short": "short rule", "one direction, edges out": "one rule"}
FAULTS = ("no rule", "rule too short", "blurred", "moved", "one direction, edges out", "two sheets", "rolled",
          "curled edge")


def _wanted(paper: Paper, spec: PhotoSpec) -> FloatArray:
    """Return low and high corner of what has to be seen: body and objects, sheet frame."""
    ground = paper.drawing.ground
    body = sheet_points(paper, body_points(paper, ground.drawn_outline()))
    things = [shapely.get_coordinates(put(thing, paper).footprint()) for thing in spec.laid]
    every = np.vstack([body, *things])
    return np.array([every.min(axis=0) - AROUND_MM, every.max(axis=0) + AROUND_MM])


def edges_out(spec: PhotoSpec) -> PhotoSpec:
    """Return ``spec`` so close that no edge of the sheet is in the frame; the paper is wide enough for that."""
    left, low, right, up = spec.pad_mm
    pad = (left + FAR_PAPER_MM, low + FAR_PAPER_MM, right + FAR_PAPER_MM, up + FAR_PAPER_MM)
    laid = tuple(replace(t, at_mm=(t.at_mm[0] + FAR_PAPER_MM, t.at_mm[1] + FAR_PAPER_MM)) for t in spec.laid)
    spec = replace(spec, pad_mm=pad, laid=laid, tilt_deg=min(spec.tilt_deg, 6.0))
    paper = lay(spec)
    (x0, y0), (x1, y1) = _wanted(paper, spec)
    wide, high = paper.size_mm
    return replace(spec, crop_mm=(x0, y0, wide - x1, high - y1), fill=0.99)


def two_sheets(spec: PhotoSpec, seed: int) -> PhotoSpec:
    """Return ``spec`` with another drawing over the sheet's right border."""
    plan = LevelSpec(name="second", seed=50_000_000 + seed, family="small", rules=(), specks=0, smudges=0, fold=False)
    wide, _ = lay(spec).size_mm
    return replace(spec, second=SecondSheet(plan, (wide - 8.0, 20.0), 3.0), fill=0.95)


def _with_fault(spec: PhotoSpec, fault: str, seed: int) -> PhotoSpec:
    if fault == "one direction, edges out":
        return edges_out(spec)
    if fault == "two sheets":
        return two_sheets(spec, seed)
    changes: dict[str, dict[str, object]] = {
        "blurred": {"blur_px": 5.0}, "moved": {"motion_px": 18.0, "motion_deg": 35.0},
        "rolled": {"lift": "cylinder", "lift_mm": 25.0, "lift_to_deg": 20.0},
        "curled edge": {"lift": "edge", "lift_mm": 30.0, "lift_to_deg": 170.0},
    }
    return replace(spec, **changes.get(fault, {}))  # type: ignore[arg-type]


def bad_specs(seed: int, long_px: int = 4000) -> dict[str, PhotoSpec]:
    """Return a photo for every fault in ``FAULTS``, plain but for that fault."""
    made = {}
    for number, fault in enumerate(FAULTS):
        name = f"bad-{seed:02d}-{fault.replace(', ', '-').replace(' ', '-')}"
        spec = PhotoSpec(name=name, seed=seed * 10_000 + 9_000 + number, kind=f"bad: {fault}", long_px=long_px)
        spec = with_sheet(spec, LAYOUT.get(fault, "two rules"), (seed, 9), BASE_INDEX + number)
        spec = replace(spec, drawn_rules=False)  # they would mend some of the faults
        wide, high = lay(spec).size_mm
        made[fault] = _with_fault(replace(spec, portrait=high > wide), fault, seed)
    return made
