"""Heights that the edges of one flat thing share, against cameras that OpenCV's projector stands for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.adjust_model import LIFT
from calibration.frames import SheetPoints
from tests.bench.photo_points import body
from tests.calibration.test_adjust import adjusted, made


@pytest.mark.parametrize(("level", "counts"), [("one thing", 1.0), ("", 4.0)])
def test_a_height_that_edges_share_is_not_averaged_away(level, counts):
    """Four edges that one camera above sees: either of one thickness, or each of its own, which average."""
    sheet = made("four rules", 6, 0.0)
    heights = [replace(one, lift_u_mm=0.0, level="") for one in sheet.controls]
    unsure = [replace(one, lift_u_mm=0.5, level=level) for one in sheet.controls]
    spread = []
    for controls in (heights, unsure):
        sheet.controls = controls
        photo = adjusted(sheet)
        spread.append(photo.scale_covariance(SheetPoints(body()))[0, 0])
    by_height = np.sqrt(spread[1] - spread[0])
    assert by_height == pytest.approx(0.5 / np.sqrt(counts) / photo.pose.distance_mm, rel=0.15)


def test_edges_of_one_thing_come_out_as_high_as_each_other():
    sheet = made("a square", 6, 25.0)
    apart = np.ptp(adjusted(sheet).solution.state.own[:2, LIFT])
    sheet.controls = [replace(one, level="") for one in sheet.controls]
    assert apart < 0.02
    assert np.ptp(adjusted(sheet).solution.state.own[:2, LIFT]) > 3.0 * apart
