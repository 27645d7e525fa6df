"""Graduated rules as drawn on a sheet, in sheet mm."""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd

import numpy as np

from calibration.frames import FloatArray
from tests.maker.marks import Mark, line, moved, text
from tests.maker.spec import RuleSpec

PEN_MM = 0.18
STRIP_MM = 27.0  # from edge to edge when both are graduated


@dataclass(frozen=True, eq=False)
class DrawnRule:
    """What was drawn: where the graduations stand and what they are."""

    unit: str
    pitch_mm: float
    start_mm: FloatArray  # (2,) sheet mm, the zero graduation on the baseline
    along: FloatArray  # (2,) unit vector
    present: FloatArray  # (G,) index of every graduation drawn
    marks: tuple[Mark, ...]


def tick_mm(spec: RuleSpec, index: int) -> float:
    """Return the length of graduation ``index``."""
    if spec.unit == "mm":
        return 7.0 if index % 10 == 0 else 5.2 if index % 5 == 0 else 3.4
    part = spec.per_inch // gcd(index, spec.per_inch)  # 1 whole inch, 2 half, 4 quarter ...
    return {1: 9.0, 2: 7.2, 4: 5.8, 8: 4.6, 16: 3.5, 32: 2.6, 64: 1.9}[part]


def _edge(spec: RuleSpec, left_out: set[int], up: float) -> tuple[list[Mark], list[int]]:
    """Return the marks of one edge along +x from the origin; ``up`` is +1 or -1."""
    count = int(np.floor(spec.length_mm / spec.pitch_mm + 1e-9))
    long = 10 if spec.unit == "mm" else spec.per_inch
    marks, present = [], []
    for index in range(count + 1):
        if index in left_out:
            continue
        x, tall = index * spec.pitch_mm, tick_mm(spec, index)
        marks.append(line((x, 0.0), (x, up * tall), width_mm=PEN_MM))
        present.append(index)
        if index % long == 0:
            words = str(index if spec.unit == "mm" else index // long)
            marks += text(words, (x, up * (tall + 1.3) - (0.0 if up > 0 else 2.4)), 2.4, middle=True)
    return marks, present


def _other(spec: RuleSpec) -> RuleSpec:
    """Return what stands on the far edge: the other unit."""
    unit = "in" if spec.unit == "mm" else "mm"
    return RuleSpec(unit=unit, per_inch=16, along=spec.along, length_mm=spec.length_mm)  # type: ignore[arg-type]


def _place(spec: RuleSpec, corner: tuple[float, float]) -> FloatArray:
    """Return the rigid affine from the rule's own frame to the sheet."""
    if spec.along == "x":
        return np.array([[1.0, 0.0, corner[0]], [0.0, 1.0, corner[1]]])
    return np.array([[0.0, -1.0, corner[0]], [1.0, 0.0, corner[1]]])


def draw_rule(spec: RuleSpec, corner: tuple[float, float], rng: np.random.Generator) -> list[DrawnRule]:
    """Return the rule, two when both edges are graduated; ``corner`` is its zero, sheet mm."""
    place = _place(spec, corner)
    count = int(np.floor(spec.length_mm / spec.pitch_mm))
    left_out = set(rng.choice(np.arange(2, count - 1), spec.missing, replace=False).tolist()) if spec.missing else set()
    edges = [(spec, 0.0, 1.0, left_out)]
    if spec.both_edges:
        edges.append((_other(spec), STRIP_MM, -1.0, set()))
    drawn = []
    for edge, lift, up, gone in edges:
        marks, present = _edge(edge, gone, up)
        marks.append(line((-2.0, 0.0), (spec.length_mm + 2.0, 0.0), width_mm=0.25))
        if edge is spec:
            words = "MILLIMETRES" if spec.unit == "mm" else "INCHES"
            marks += text(f"SCALE OF {words}", (0.0, -4.6 * up), 2.2)
        if edge is spec and spec.crossed:
            middle = 0.43 * spec.length_mm
            marks.append(line((middle - 7.0, -5.5), (middle + 16.0, 11.0), width_mm=0.2))
        rise = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, lift]])
        marks = [moved(moved(mark, rise), place) for mark in marks]
        start = place[:, :2] @ np.array([0.0, lift]) + place[:, 2]
        drawn.append(DrawnRule(edge.unit, edge.pitch_mm, start, place[:, 0], np.array(present, float), tuple(marks)))
    return drawn


def rule_length_mm(rule: DrawnRule) -> float:
    """Return the distance from the first to the last graduation."""
    return float(rule.present[-1] - rule.present[0]) * rule.pitch_mm
