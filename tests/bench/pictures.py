"""Pictures of the worst places: truth and answer over the scan."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pyvips

from calibration.frames import FloatArray
from tests.bench.compare import carry
from tests.bench.one import Row, cached_plan, read_body

TRUTH, ANSWER = (60, 150, 0), (40, 40, 230)  # BGR
CROP_PX, ZOOM = 90, 9
WHOLE_PX = 1400


def _draw(picture: np.ndarray, points: FloatArray, colour: tuple[int, int, int]) -> None:
    fixed = np.round(points * 16).astype(np.int32)
    cv2.polylines(picture, [fixed], True, colour, 1, cv2.LINE_AA, 4)


def _save(page: pyvips.Image, corner: FloatArray, zoom: float, curves: list[FloatArray], path: Path) -> None:
    """Write one part of the page with truth and answer on it."""
    grey = page.resize(zoom, kernel="nearest" if zoom > 1 else "linear").numpy()
    picture = cv2.cvtColor(grey.reshape(grey.shape[0], grey.shape[1]), cv2.COLOR_GRAY2BGR)
    for points, colour in zip(curves, (TRUTH, ANSWER), strict=True):
        _draw(picture, (points - corner + 0.5) * zoom - 0.5, colour)
    cv2.imwrite(str(path), picture)


def write_worst(row: Row, out: Path, folder: Path) -> None:
    """Write the whole page and the worst place of one plan into ``folder``."""
    if row.compared is None:
        return
    folder.mkdir(parents=True, exist_ok=True)
    plan = cached_plan(row.spec)
    answer = plan.to_px(carry(read_body(out / row.spec.name / "outline.dxf"), row.compared.to_truth))
    curves = [plan.to_px(plan.outline_mm), answer]
    page = pyvips.Image.new_from_file(str(plan.path)).extract_band(0).cast("uchar")
    _save(page, np.zeros(2), WHOLE_PX / max(plan.size_px), curves, folder / f"{row.spec.name}-whole.png")
    worst = plan.to_px(row.compared.worst_at_mm[None])[0]
    left, top = (int(np.clip(v - CROP_PX / 2, 0, size - CROP_PX)) for v, size in zip(worst, plan.size_px, strict=True))
    part = page.crop(left, top, CROP_PX, CROP_PX)
    _save(part, np.array([left, top], float), ZOOM, curves, folder / f"{row.spec.name}-worst.png")
