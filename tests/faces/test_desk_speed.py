"""The page of a large scan is there at once and moves without a jerk; of a few tries the best counts."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests.bench.desk import big_scan, quickness
from tests.faces.desk_browser import needs_browser

FIRST_VIEW_MS = 500.0
FRAME_MS = 34.0  # two frames of a screen at 60 Hz


@needs_browser
def test_a_scan_of_155_megapixels_is_seen_at_once_and_moves_smoothly(tmp_path: Path) -> None:
    big_scan(tmp_path / "big.png", 155.0)
    found = quickness(tmp_path / "big.png", loadings=2, passes=2)
    assert min(found.first_view_ms) < FIRST_VIEW_MS
    assert min(np.quantile(frames, 0.98) for frames in found.frames_ms) < FRAME_MS
