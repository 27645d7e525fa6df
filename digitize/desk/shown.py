"""What of a run the page draws over the picture: places in px of the picture as the person has it."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import numpy as np

from calibration.frames import FloatArray
from digitize.evidence import NAMES
from digitize.report.context import carry_over
from digitize.scaled import Scaled
from digitize.shapes import Rule, Seen
from digitize.traced import Traced, body_to_px

DECIMALS = 3  # of a pixel
MARKS = 400  # graduations drawn of one rule; every second, third ... of more


class Shown:
    """Looks on at a run and keeps what can be drawn of it, also where it ends in a refusal."""

    def __init__(self) -> None:
        """Start with nothing seen."""
        self.content: dict[str, Any] = {"rules": [], "spans": [], "outline": None, "centerline": None, "gap": None}
        self._to_person: Callable[[FloatArray], FloatArray] = lambda px: px

    def scaled(self, scaled: Scaled) -> None:
        """Keep the rules and spans that fixed the scale."""
        self._to_person = scaled.hints.shown
        used = set(scaled.calibration.names)
        self.content["rules"] = [self._rule(rule, rule.control.name in used) for rule in scaled.rules]
        self.content["spans"] = [
            {"from": self._one(span.from_px), "to": self._one(span.to_px), "length_mm": span.length_mm}
            for span in scaled.spans
        ]

    def traced(self, traced: Traced) -> None:
        """Keep the outline as it is written, its centerline and how far the halves are apart."""
        to_px = body_to_px(traced.body, traced.calibration)
        xy_mm = traced.fair.points.xy
        places = self._places(xy_mm @ to_px[:, :2].T + to_px[:, 2])
        seen = carry_over(traced.body.seen, traced.body.points, traced.fair.points)
        self.content["outline"] = _stretches(places, seen.tolist())
        ends_mm = np.array([[0.0, 0.0], [0.0, traced.measures.length_mm]])
        self.content["centerline"] = self._places(ends_mm @ to_px[:, :2].T + to_px[:, 2])
        audit = traced.body.audit
        if audit.measured:
            worst = np.array([audit.max_at[1:]])
            self.content["gap"] = {
                "y_mm": np.round(audit.gap_y_mm, 2).tolist(),
                "gap_mm": np.round(audit.gap_mm, 4).tolist(),
                "worst": self._places(worst @ to_px[:, :2].T + to_px[:, 2])[0],
            }
        self.content["kept"] = traced.body.kept

    def _rule(self, rule: Rule, used: bool) -> dict[str, Any]:
        marks = rule.control.places.xy
        return {
            "name": rule.control.name,
            "role": rule.role,
            "unit": rule.unit,
            "used": used,
            "length_mm": float(np.ptp(rule.control.at_mm)),
            "graduations": rule.graduations,
            "missing": rule.missing,
            "pitch_mm": rule.pitch_mm,
            "residual_rms_mm": rule.residual_rms_px * rule.pitch_mm / rule.pitch_px,
            "unit_evidence": rule.unit_evidence,
            "marks": self._places(marks[:: 1 + len(marks) // MARKS]),
            "middle": self._one(marks[len(marks) // 2]),
        }

    def _places(self, xy_px: FloatArray) -> list[list[float]]:
        shown: list[list[float]] = np.round(self._to_person(np.asarray(xy_px, dtype=np.float64)), DECIMALS).tolist()
        return shown

    def _one(self, xy_px: Any) -> list[float]:
        return self._places(np.array([xy_px], dtype=np.float64))[0]


def _stretches(places: list[list[float]], seen: list[int]) -> list[dict[str, Any]]:
    """Return a closed line in stretches of what was seen there; each ends where the next begins."""
    count = len(places)
    starts = [0, *(i for i in range(1, count) if seen[i] != seen[i - 1]), count]
    return [
        {
            "seen": NAMES[Seen(seen[first])],
            "points": [places[i % count] for i in range(first, last + 1)],
        }
        for first, last in itertools.pairwise(starts)
    ]
