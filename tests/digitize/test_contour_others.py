"""Edges of a crossing line beside the outline's own; places known by construction, pixels."""

from __future__ import annotations

import numpy as np

from digitize.contour.others import OtherLine, not_own

COUNT, WIDTH_PX = 400, 5.0


def seen(slant_deg: float, other_px: float) -> tuple[np.ndarray, ...]:
    """Return edges of a straight line's ink where another one crosses it, path, normals and the crossing line."""
    x = np.arange(COUNT, dtype=np.float64)
    path, across = np.stack([x, np.zeros(COUNT)], axis=1), np.tile([0.0, 1.0], (COUNT, 1))
    off = (x - COUNT / 2) * np.tan(np.radians(slant_deg))
    half = other_px / 2.0 / np.cos(np.radians(slant_deg))
    joined = np.abs(off) < half + WIDTH_PX / 2.0  # else there is paper between the two
    low = np.where(joined, np.minimum(-WIDTH_PX / 2.0, off - half), -WIDTH_PX / 2.0)
    high = np.where(joined, np.maximum(WIDTH_PX / 2.0, off + half), WIDTH_PX / 2.0)
    return low, high, path, across, np.stack([x, off], axis=1)


def test_the_edge_that_a_crossing_line_shows_is_not_the_outlines_own() -> None:
    low, high, path, across, middle = seen(8.0, 4.0)
    low_bad, high_bad = not_own(low, high, path, across, WIDTH_PX, (OtherLine(middle, 4.0),))
    assert (low[~low_bad] > -WIDTH_PX / 2.0 - 0.5).all() and (high[~high_bad] < WIDTH_PX / 2.0 + 0.5).all()
    # before the crossing the other line lies on the low side, after it on the high side
    assert low_bad[: COUNT // 2 - 20].any() and not low_bad[COUNT // 2 + 10 :].any()
    assert high_bad[COUNT // 2 + 20 :].any() and not high_bad[: COUNT // 2 - 10].any()


def test_a_thin_line_within_the_outlines_ink_spoils_nothing() -> None:
    low, high, path, across, middle = seen(0.0, 2.0)
    low_bad, high_bad = not_own(low, high, path, across, WIDTH_PX, (OtherLine(middle, 2.0),))
    assert not low_bad.any() and not high_bad.any()


def test_a_line_that_crosses_squarely_is_left_to_the_width() -> None:
    low, high, path, across, _ = seen(0.0, 2.0)
    middle = np.stack([np.full(80, COUNT / 2.0), np.linspace(-40, 40, 80)], axis=1)
    low_bad, high_bad = not_own(low, high, path, across, WIDTH_PX, (OtherLine(middle, 4.0),))
    assert not low_bad.any() and not high_bad.any()
