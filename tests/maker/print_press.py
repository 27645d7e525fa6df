"""A copy on the scanner's glass with real rules beside it, and the plan file that tells which rule is which."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.frames import FloatArray
from tests.maker.marks import Mark, box, moved
from tests.maker.press import HALF_PX, Grey, ink_page, save, scan, sheet_to_px, specks
from tests.maker.print_spec import LaidSpec, PrintSpec, limit_mm
from tests.maker.rules import DrawnRule, draw_rule
from tests.maker.sheet import Sheet, draw_sheet
from tests.maker.spec import MM_PER_INCH
from tests.maker.truth import RuleTruth, _rule_truth

BODY_MM = 16.0  # width of a laid rule
END_MM = 5.0  # of its body beyond the first and last graduation
CLEAR_MM = 14.0  # between it and the sheet
BODY_INK = 0.06  # steel is a little darker than paper
EDGE_PX = 4  # beyond a laid rule's body, for its blur
ROOM_MM = BODY_MM + 2 * CLEAR_MM


@dataclass(frozen=True, eq=False)
class MadePrint:
    """A scan of a copy, and everything that is true of it."""

    spec: PrintSpec
    path: Path  # the picture
    plan_path: Path  # the plan file
    sheet: Sheet
    sheet_to_px: FloatArray  # (2, 3)
    size_px: tuple[int, int]
    drawn: tuple[RuleTruth, ...]
    laid: tuple[RuleTruth, ...]
    x: float  # true factors of the copy, along the sheet's own x and y
    y: float
    shear_deg: float


def _scanner(spec: PrintSpec) -> FloatArray:
    """Return (2, 2): mm on the glass, y up -> px."""
    own = np.array([[spec.scanner_x, spec.scanner_shear], [0.0, -spec.scanner_y]])
    return np.asarray(spec.dpi / MM_PER_INCH * own)


def _glass(spec: PrintSpec, size_mm: tuple[float, float]) -> tuple[FloatArray, tuple[int, int], FloatArray]:
    """Return sheet -> px, the picture's size, and glass -> px, with room for rules left of the sheet and below."""
    affine, _ = sheet_to_px(spec, size_mm)
    to_glass = np.linalg.inv(spec.dpi / MM_PER_INCH * np.diag([1.0, -1.0])) @ affine[:, :2]
    matrix = _scanner(spec) @ to_glass
    corners = np.array([(0, 0), (size_mm[0], 0), size_mm, (0, size_mm[1])], dtype=float) @ to_glass.T
    room = ROOM_MM if spec.laid else 3.0
    low, high = corners.min(axis=0) - room, corners.max(axis=0) + 3.0
    for laid in spec.laid:  # the glass reaches as far as the longest rule
        axis = 0 if laid.rule.along == "x" else 1
        high[axis] = max(high[axis], low[axis] + ROOM_MM + laid.rule.length_mm + 3 * CLEAR_MM)
    px = _scanner(spec)
    shift = -np.array([px[0, 0] * low[0], px[1, 1] * high[1]]) - HALF_PX
    width, height = (int(np.ceil(v)) for v in (px[0, 0] * (high[0] - low[0]), -px[1, 1] * (high[1] - low[1])))
    return np.column_stack([matrix, shift]), (width, height), np.column_stack([px, shift])


def _laid_rule(spec: PrintSpec, laid: LaidSpec, to_glass: FloatArray, size_mm: tuple[float, float],
               rng: np.random.Generator) -> tuple[tuple[Mark, ...], Mark, DrawnRule]:
    """Return the graduations, the body and the rule, in mm on the glass."""
    zero = np.array([(0.0, 0.0), (size_mm[0], 0.0), size_mm, (0.0, size_mm[1])]) @ to_glass.T
    low = zero.min(axis=0)
    upright = laid.rule.along == "y"
    stretch = 1.0 + laid.off_mm / laid.rule.length_mm
    flat = draw_rule(replace(laid.rule, along="x"), (0.0, 0.0), rng)[0]
    body = box(-END_MM, -2.0, laid.rule.length_mm + 2 * END_MM, BODY_MM, 0.3)
    angle = np.radians(laid.skew_deg + (90.0 if upright else 0.0))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    away = (-CLEAR_MM, 2 * CLEAR_MM) if upright else (2 * CLEAR_MM, -CLEAR_MM - BODY_MM + 4.0)
    start = low + np.array(away)
    place = np.column_stack([turn * stretch, start])
    rule = DrawnRule(flat.unit, flat.pitch_mm, start, place[:, 0], flat.present, ())
    return tuple(moved(mark, place) for mark in flat.marks), moved(body, place), rule


def _with_laid(ink: Grey, made: list[tuple[tuple[Mark, ...], Mark, DrawnRule]], to_px: FloatArray,
               spec: PrintSpec) -> Grey:
    """Return the page with the laid rules over it, which hide what is under them."""
    page = ink.copy()
    for marks, body, _ in made:
        around = body.points @ to_px[:, :2].T + to_px[:, 2]
        low = np.maximum(np.floor(around.min(axis=0)).astype(int) - EDGE_PX, 0)
        high = np.minimum(np.ceil(around.max(axis=0)).astype(int) + EDGE_PX, [ink.shape[1], ink.shape[0]])
        part = np.column_stack([to_px[:, :2], to_px[:, 2] - low])
        size = (int(high[0] - low[0]), int(high[1] - low[1]))
        cover = ink_page((Mark(body.points, closed=True, filled=True),), part, size, 0.0, spec.blur_px) / 255.0
        own = ink_page((*marks, body), part, size, 0.0, spec.blur_px) / 255.0
        under = page[low[1] : high[1], low[0] : high[0]]
        steel = np.maximum((BODY_INK + (1.0 - BODY_INK) * own) * cover, own)
        under[:] = np.rint(under * (1.0 - cover) + 255.0 * steel).clip(0, 255).astype(np.uint8)
    return page


def _toml(made: MadePrint, image: str) -> str:
    """Return the plan file: every rule's role by a pixel on it, and how far the laid ones may be off."""
    lines = [f'[plan]\nimage = "{image}"\ncaptured = "scan"\n']
    for role, rules in (("drawn", made.drawn), ("laid", made.laid)):
        for rule in rules:
            x, y = (rule.from_px + rule.to_px) / 2
            lines.append(f'[[rule]]\nrole = "{role}"\nnear = [{x:.0f}, {y:.0f}]\nunit = "{rule.unit}"')
            if role == "laid":
                own, within = made.spec.own, limit_mm(made.spec.own, rule.length_mm)
                lines.append(f'within = "{within:.4f} mm"' if own == "certified" else f'grade = "{own}"')
            lines.append("")
    return "\n".join(lines)


def make_print(spec: PrintSpec, folder: Path) -> MadePrint:
    """Draw, copy and scan one sheet with rules beside it; write its plan file."""
    folder.mkdir(parents=True, exist_ok=True)
    made, laid, glass = describe_print(spec, folder)
    marks = made.sheet.marks + specks(spec, made.sheet.size_mm)
    ink = ink_page(marks, made.sheet_to_px, made.size_px, spec.gain_mm, spec.blur_px)
    save(scan(_with_laid(ink, laid, glass, spec), spec), spec, made.path)
    made.plan_path.write_text(_toml(made, made.path.name))
    return made


def describe_print(
    spec: PrintSpec, folder: Path
) -> tuple[MadePrint, list[tuple[tuple[Mark, ...], Mark, DrawnRule]], FloatArray]:
    """Return the truth, the laid rules and glass -> px, nothing drawn."""
    sheet = draw_sheet(spec)
    affine, size_px, glass = _glass(spec, sheet.size_mm)
    to_glass = np.linalg.inv(_scanner(spec)) @ affine[:, :2]
    rng = np.random.default_rng([spec.seed, 9])
    laid = [_laid_rule(spec, one, to_glass, sheet.size_mm, rng) for one in spec.laid]
    shear = np.tan(np.radians(spec.shear_deg))
    made = MadePrint(
        spec, folder / f"{spec.name}{spec.suffix}", folder / f"{spec.name}.toml", sheet, affine, size_px,
        tuple(_rule_truth(rule, affine) for rule in sheet.rules),
        tuple(_rule_truth(rule, glass) for _, _, rule in laid),
        spec.copier_x, float(np.hypot(spec.copier_y, shear)), float(np.degrees(np.arctan2(shear, spec.copier_y))),
    )
    return made, laid, glass
