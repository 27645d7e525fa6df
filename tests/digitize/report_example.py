"""An invented Plover plan, its record and what the report is given besides; drawn here, measured by nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from calibration.controls import Control
from calibration.flags import doubt
from calibration.frames import BodyPoints, BoolArray, FloatArray, PxPoints
from digitize.report.context import ReportContext
from digitize.shapes import BodyMeasures, Picture, Rule, SymmetryAudit

PX_PER_MM = 8.0
LENGTH_MM = 402.0
SHEET_PX = (3700, 3000)  # height, width
TAIL_PX = (1500.0, 3420.0)


@dataclass(frozen=True)
class Example:
    record: dict[str, Any]
    context: ReportContext


def body_points(count: int = 1600) -> BodyPoints:
    """A guitar-like loop, counter-clockwise from the tail, 402 mm long."""
    station = np.linspace(0.0, 1.0, count // 2)
    height = LENGTH_MM * (1 - np.cos(np.pi * station)) / 2
    at = height / LENGTH_MM
    half = 158 * np.sqrt(np.clip(at * 5.5, 0, 1) * np.clip((1 - at) * 9, 0, 1))
    half *= 1 - 0.40 * np.exp(-(((at - 0.60) / 0.15) ** 2)) - 0.25 * np.clip((at - 0.55) / 0.45, 0, 1)
    half = np.convolve(np.pad(half, 30, mode="edge"), np.ones(61) / 61, mode="valid")
    half[[0, -1]] = 0.0
    right = np.column_stack([half, height])
    left = np.column_stack([-half, height])[::-1]
    return BodyPoints(np.vstack([right[:-1], left[:-1]]))


def body_to_px() -> FloatArray:
    return np.array([[PX_PER_MM, 0.0, TAIL_PX[0]], [0.0, -PX_PER_MM, TAIL_PX[1]]])


def traced_flags(body: BodyPoints) -> BoolArray:
    """All but 9 mm near the waist of the left side."""
    away = np.hypot(body.xy[:, 0] - body.xy[:, 0].min() * 0.62, body.xy[:, 1] - 240.0)
    side = body.xy[:, 0] < 0
    return ~(side & (away < np.sort(away[side])[12]))


def picture(body: BodyPoints, traced: BoolArray) -> Picture:
    grey = np.full(SHEET_PX, 244, dtype=np.uint8)
    px = body.xy @ body_to_px()[:, :2].T + body_to_px()[:, 2]
    for start, stop, inked in zip(px, np.roll(px, -1, axis=0), traced, strict=True):
        if inked:
            ends = np.round(np.array([start, stop]) * 16).astype(np.int32)
            cv2.polylines(grey, [ends.reshape(-1, 1, 2)], False, 60, 3, cv2.LINE_AA, 4)
    cv2.line(grey, (1500, 150), (1500, 3500), 110, 1, cv2.LINE_AA)
    for one in (drawn_rule(), laid_rule()):
        for place in one.control.places.xy:
            level = one.to_px[1] == one.from_px[1]
            across = np.array([0, 22]) if level else np.array([22, 0])
            ends = np.round((np.array([place - across, place + across])) * 16).astype(np.int32)
            cv2.polylines(grey, [ends.reshape(-1, 1, 2)], False, 40, 2, cv2.LINE_AA, 4)
    noise = np.random.default_rng(7).normal(0, 5, grey.shape[:2])
    grey = np.clip(grey + noise, 0, 255).astype(np.uint8)
    return Picture(grey, "plover <sheet 2> & notes.png", "0f" * 32, (203.0, 203.0), "scan", ("turned upright",))


EVIDENCE = {
    1.0: ("mm", "Every tenth mark is longer, and 1 mm fits the other rule to 0.02 %."),
    1.5875: ("in", "Marks halve in length down to 1/16, which only inch rules do."),
}


def rule(
    name: str, role: str, start: tuple[float, float], step: tuple[float, float], count: int, pitch_mm: float
) -> Rule:
    places = np.array(start) + np.arange(count)[:, None] * np.array(step)
    pitch_px = float(np.hypot(*step))
    control = Control(
        name,
        "drawn rule" if role == "drawn" else "laid rule",
        PxPoints(places),
        np.arange(count) * pitch_mm,
        np.full(count, 0.1),
        0.3,
    )
    unit, evidence = EVIDENCE[pitch_mm]
    return Rule(
        control,
        role,
        unit,
        pitch_mm,
        tuple(places[0]),
        tuple(places[-1]),
        count,
        1,
        pitch_px,
        0.12,
        evidence,  # type: ignore[arg-type]
    )


def drawn_rule() -> Rule:
    return rule("rule 1", "drawn", (250.0, 3600.0), (PX_PER_MM, 0.0), 251, 1.0)


def laid_rule() -> Rule:
    return rule("rule 2", "laid", (2890.0, 900.0), (0.0, PX_PER_MM * 1.5875), 97, 1.5875)


def audit() -> SymmetryAudit:
    y = np.linspace(5.0, 395.0, 160)
    gap = 0.35 * np.sin(y / 60.0) + 0.5 * np.exp(-(((y - 118) / 30) ** 2))
    worst = int(np.argmax(np.abs(gap)))
    return SymmetryAudit(
        0.31,
        float(np.abs(gap).max()),
        ("left", -140.2, float(y[worst])),
        0.22,
        89.8,
        91.2,
        y,
        gap,
        "both",
        0.12,
        0.03,
        True,
        True,
    )


def record(verdict: str = "look") -> dict[str, Any]:
    entries = [
        doubt("bridged", length="9.1", percent="0.7", place="(718, 1493)"),
        doubt("shear-assumed", evidence="two rules at right angles"),
    ]
    rules = [
        {
            "role": one.role,
            "unit": one.unit,
            "from_px": list(one.from_px),
            "to_px": list(one.to_px),
            "length_mm": float(np.ptp(one.control.at_mm)),
            "graduations": one.graduations,
            "residual_rms_mm": 0.015,
        }
        for one in (drawn_rule(), laid_rule())
    ]
    return {
        "schema": 1,
        "tool": {"name": "boutline", "version": "0.1.0"},
        "verdict": verdict,
        "reasons": [{"code": one.code, "text": one.text, "remedy": one.remedy} for one in entries],
        "input": {
            "file": "plover <sheet 2> & notes.png",
            "sha256": "0f" * 32,
            "width_px": 3000,
            "height_px": 3700,
            "captured": "scan",
        },
        "settings": {
            "image": "plover <sheet 2> & notes.png",
            "page": 1,
            "captured": None,
            "unit": "mm",
            "line": "middle",
            "rules": [],
            "spans": [],
            "body": {"length_mm": 402.0, "keep": "auto", "hand": "right", "near": None, "ignore": []},
        },
        "scale": {"mm_per_px_x": 0.12503, "mm_per_px_y": 0.12498, "u95_percent": 0.028, "rules": rules, "spans": []},
        "copy": {
            "x_percent": 101.3,
            "y_percent": 100.05,
            "shear_deg": 0.02,
            "model": "two scales",
            "u95_percent": 0.12,
        },
        "body": {
            "length_mm": 402.04,
            "length_u95_mm": 0.18,
            "lower_bout_mm": 301.62,
            "waist_mm": 190.3,
            "upper_bout_mm": 222.47,
            "perimeter_mm": 1192.4,
            "area_mm2": 88231.0,
            "min_radius_mm": 38.2,
            "corners": [],
        },
        "outline": {
            "u95_mm": 0.21,
            "points": 1598,
            "arcs": 148,
            "traced_fraction": 0.993,
            "chosen": "the largest smooth closed line on the sheet, 3 in all",
            "stretches": [
                {"from_mm": 0.0, "to_mm": 700.0, "seen": "both edges", "sigma_mm": 0.01},
                {"from_mm": 700.0, "to_mm": 708.4, "seen": "bridged", "sigma_mm": 0.06},
                {"from_mm": 708.4, "to_mm": 1192.4, "seen": "both edges", "sigma_mm": 0.01},
            ],
        },
        "symmetry": {
            "rms_mm": 0.31,
            "max_mm": 0.84,
            "max_at": {"side": "left", "x_mm": -140.2, "y_mm": 118.0},
            "u95_mm": 0.22,
            "tail_angle_deg": 89.8,
            "neck_angle_deg": 91.2,
        },
        "budget": [
            {"term": "line on the paper", "u_mm": 0.04, "how": "scatter of the ink's two edges about the fair curve"},
            {"term": "scale", "u_mm": 0.08, "how": "graduations of rule 1 and rule 2, fitted together"},
            {"term": "rule as printed", "u_mm": 0.05, "how": "assumed: 1 part in 5000 of the plan's own rule"},
        ],
        "files": {
            "outline.dxf": "a1" * 32,
            "outline.svg": "b2" * 32,
            "outline.pdf": "c3" * 32,
            "overlay.png": "d4" * 32,
        },
        "timings_s": {
            "read": 0.41,
            "rule": 1.2,
            "solve": 0.02,
            "ink": 3.75,
            "contour": 2.1,
            "symmetry": 0.2,
            "fair": 0.4,
            "write": 0.9,
        },
        "peak_mib": 412.0,
    }


def example() -> Example:
    body = body_points()
    traced = traced_flags(body)
    rng = np.random.default_rng(3)
    rules = (drawn_rule(), laid_rule())
    residuals = tuple(rng.normal(0, 0.015, len(one.control.places)) for one in rules)
    sigma = 0.03 + 0.02 * (body.xy[:, 1] / LENGTH_MM) + np.where(traced, 0.0, 0.2)
    measures = BodyMeasures(402.04, 301.62, 190.3, 222.47, 92.0, 236.0, 318.0, 1192.4, 88231.0, 38.2)
    context = ReportContext(
        picture(body, traced),
        rules,
        residuals,
        audit(),
        body,
        traced,
        sigma,
        body_to_px(),
        "mm",
        measures,
        "the mean of both halves, because they agree within what a drawing can be off",
    )
    return Example(record(), context)
