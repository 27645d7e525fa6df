"""A kerfed lining drawn along the outline: its kerfs end on the line and cut it into pieces of a few millimetres."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from shapely.geometry import LineString, Polygon

from tests.digitize.test_contour import make_plan, off_truth, trace
from tests.maker import MadePlan, PlanSpec

LINING_MM, KERF_MM = 6.0, 5.0
RIGHT_MM = 0.15


def kerfed(made: MadePlan, pen_mm: float) -> None:
    """Draw a lining inside the outline: its inner line and kerfs from there to the outline."""
    body = Polygon(made.outline_mm)
    inner = LineString(body.buffer(-LINING_MM).exterior.coords)
    page = cv2.imread(str(made.path), cv2.IMREAD_GRAYSCALE)
    px_per_mm = made.spec.dpi / 25.4
    width = max(1, round(pen_mm * px_per_mm))

    def draw(points_mm: np.ndarray) -> None:
        cv2.polylines(page, [np.round(made.to_px(points_mm)).astype(np.int32)], False, 40, width, cv2.LINE_AA)

    draw(np.asarray(inner.coords))
    for at in np.arange(0.0, inner.length, KERF_MM):
        foot = inner.interpolate(at)
        rim = body.exterior.interpolate(body.exterior.project(foot))
        draw(np.array([[foot.x, foot.y], [rim.x, rim.y]]))
    cv2.imwrite(str(made.path), page)


@pytest.mark.parametrize("seed", [3, pytest.param(8, marks=pytest.mark.slow)])
@pytest.mark.parametrize("half", [False, pytest.param(True, marks=pytest.mark.slow)], ids=["whole", "half"])
def test_an_outline_with_a_kerfed_lining_is_found(tmp_path: Path, seed: int, half: bool) -> None:
    made = make_plan(PlanSpec(name="kerfed", seed=seed, family="small", half=half, blur_px=0.5), tmp_path)
    kerfed(made, 0.13)
    assert off_truth(made, trace(made)).max() < RIGHT_MM
