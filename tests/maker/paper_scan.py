"""A page that another program turned into dots, printed by a printer that is off, and scanned."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from tests.maker.press import ink_page
from tests.maker.rules import draw_rule
from tests.maker.spec import RuleSpec

Grey = npt.NDArray[np.uint8]
PAPER, INK, LID = 236.0, 30.0, 200
ROOM_MM, BELOW_MM = 3.0, 26.0  # of glass round the page, and below it for a rule
MM_PER_INCH = 25.4


def scan_page(
    dots: Grey, dots_dpi: float, printer: tuple[float, float], path: Path, *, dpi: float = 150.0,
    scanner: tuple[float, float] = (1.0, 1.0), turn_deg: float = 0.4, rule_mm: float = 0.0, seed: int = 1,
) -> tuple[float, float]:
    """Write a scan; return where the middle of the rule beside the page is, px.

    Args:
        dots: of the page.
        dots_dpi: of them.
        printer: mm on paper for each mm of the page, x and y of the page as it is read.
        path: of the picture; its resolution is stated as ``dpi``.
        dpi: of the scan.
        scanner: px for each px that the resolution promises, x and y of the glass.
        turn_deg: of the page on the glass.
        rule_mm: length of a real rule lying below it; 0 for none.
        seed: of the noise.
    """
    angle = np.radians(turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    on_glass = np.diag(scanner) @ turn @ np.diag(printer) * (dpi / dots_dpi)
    high, wide = dots.shape
    corners = np.array([(0, 0), (wide, 0), (wide, high), (0, high)]) @ on_glass.T
    per_mm = dpi / MM_PER_INCH
    low, up = corners.min(axis=0) - ROOM_MM * per_mm, corners.max(axis=0) + ROOM_MM * per_mm
    below = BELOW_MM * per_mm if rule_mm else 0.0
    size = (int(up[0] - low[0]), int(up[1] - low[1] + below))
    soft = cv2.GaussianBlur(dots, (0, 0), 0.35 * dots_dpi / dpi)
    page = cv2.warpAffine(
        soft, np.column_stack([on_glass, -low]), size, flags=cv2.INTER_LINEAR, borderValue=(LID,)
    ).astype(np.float64)  # fmt: skip
    middle = (0.0, 0.0)
    if rule_mm:
        rule = draw_rule(RuleSpec(length_mm=rule_mm), (0.0, 0.0), np.random.default_rng(seed))[0]
        start = np.array([8.0 * per_mm, size[1] - 6.0 * per_mm])
        affine = np.column_stack([np.diag([per_mm, -per_mm]) @ np.diag(scanner), start])
        ink = ink_page(rule.marks, affine, size, 0.0, 0.5)
        strip = size[1] - int((BELOW_MM - 2.0) * per_mm)
        page[strip:] = 245.0
        page = np.minimum(page, 255.0 - ink)
        middle = (float(start[0] + rule_mm * per_mm * scanner[0] / 2.0), float(start[1]))
    seen = INK + page * (PAPER - INK) / 255.0 + np.random.default_rng(seed).normal(0.0, 3.0, page.shape)
    Image.fromarray(np.clip(np.rint(seen), 0, 255).astype(np.uint8)).save(path, dpi=(dpi, dpi))
    return middle
