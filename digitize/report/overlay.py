"""The outline drawn over the scan: the whole sheet reduced, close-ups at full resolution, strips of the rules.

Every meaning has its own line style as well as its colour. No copy of the whole page is made in
anything wider than a byte, and none at full size at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from weakref import WeakKeyDictionary

import cv2
import numpy as np
import numpy.typing as npt

from calibration.frames import BodyPoints, BoolArray, FloatArray
from digitize.paged import averaged
from digitize.shapes import Picture, Rule

Image = npt.NDArray[np.uint8]
PointMm = tuple[float, float]

# Colours are blue, green, red, as OpenCV has them; each has 4.5:1 or more on white paper.
TRACED_BGR = (176, 74, 10)
BRIDGED_BGR = (10, 64, 190)
AXIS_BGR = (60, 105, 0)
RULE_BGR = (130, 30, 120)
INK_BGR = (40, 40, 40)

LIGHTEN = 0.55  # how far the scan is drawn towards white below the lines
OVERLAY_SIDE_PX = 2400
LINE_PX_AT_2400 = 2.5
DASH_IN_LINES = 5.0  # a dash is this many line widths long, and so is its gap
END_MARK_IN_LINES = 10.0
RING_IN_LINES = 9.0  # around a bridged stretch, beyond its ends
RINGS_AT_MOST = 8  # a dashed outline has too many gaps to ring them all
GRADUATION_IN_LINES = 4.0
PNG_EFFORT = 3  # of 9: the usual 6 takes twice as long for a file a seventh smaller
OVERVIEWS: WeakKeyDictionary[Picture, tuple[Image, int]] = WeakKeyDictionary()
SUB_PX_BITS = 4  # OpenCV draws at sixteenths of a pixel


def to_px(body_to_px: FloatArray, xy_mm: FloatArray) -> FloatArray:
    """Return (N, 2) picture pixels of (N, 2) body mm."""
    return np.asarray(xy_mm @ body_to_px[:, :2].T + body_to_px[:, 2], dtype=np.float64)


def write_overlay(
    picture: Picture,
    body_to_px: FloatArray,
    body: BodyPoints,
    traced: BoolArray | None,
    centerline: tuple[PointMm, PointMm] | None,
    rules: Sequence[Rule],
    path: Path,
    max_side_px: int = OVERLAY_SIDE_PX,
) -> None:
    """Write a PNG of the reduced scan with outline, centerline, its ends and the rules' graduations.

    Args:
        picture: the page.
        body_to_px: (2, 3) affine from body mm to picture px.
        body: (N, 2) mm, closed loop, first point not repeated.
        traced: (N,) False where bridged; None when all of it was traced.
        centerline: its tail and neck end in body mm; None takes x = 0 over the body's length.
        rules: whose graduations are marked.
        path: the PNG to write.
        max_side_px: longest side of the PNG.

    Raises:
        ValueError: ``traced`` is not one value per point.
        OSError: the file cannot be written.
    """
    lines = OutlineLines(to_px(body_to_px, body.xy), traced, _ends_px(body_to_px, body, centerline))
    image = draw_overlay(picture, lines, rules, max_side_px)
    done, coded = cv2.imencode(".png", image, [cv2.IMWRITE_PNG_COMPRESSION, PNG_EFFORT])
    if not done:
        raise OSError(f"{path.name} could not be coded as PNG")
    path.write_bytes(coded.tobytes())


@dataclass(frozen=True, eq=False)
class OutlineLines:
    """The outline and its centerline in picture px."""

    loop_px: FloatArray  # (N, 2) closed
    traced: BoolArray | None  # (N,)
    ends_px: FloatArray | None  # (2, 2) tail, neck

    def __post_init__(self) -> None:
        """Check that flags and points match.

        Raises:
            ValueError: they do not.
        """
        if self.traced is not None and self.traced.shape != (len(self.loop_px),):
            raise ValueError(f"traced needs {len(self.loop_px)} values, got shape {self.traced.shape}")


def _ends_px(body_to_px: FloatArray, body: BodyPoints, centerline: tuple[PointMm, PointMm] | None) -> FloatArray:
    y_mm = body.xy[:, 1]
    ends = centerline or ((0.0, float(y_mm.min())), (0.0, float(y_mm.max())))
    return to_px(body_to_px, np.array(ends, dtype=np.float64))


def outline_lines(body_to_px: FloatArray, body: BodyPoints, traced: BoolArray | None) -> OutlineLines:
    """Return the outline in px with the centerline x = 0 over its length."""
    return OutlineLines(to_px(body_to_px, body.xy), traced, _ends_px(body_to_px, body, None))


def draw_overlay(picture: Picture, lines: OutlineLines | None, rules: Sequence[Rule], max_side_px: int) -> Image:
    """Return the (h, w, 3) picture of the whole sheet, longest side at most ``max_side_px``."""
    image, factor = reduced(picture, max_side_px)
    width = max(1.5, LINE_PX_AT_2400 * max(image.shape[:2]) / OVERLAY_SIDE_PX)
    for rule in rules:
        _draw_rule(image, rule, factor, width)
    if lines is not None:
        _draw_lines(image, _rescaled(lines, np.zeros(2), factor), width)
    return image


def reduced(picture: Picture, max_side_px: int) -> tuple[Image, float]:
    """Return the page lightened, in three channels, and the factor it was reduced by."""
    longest = max(picture.grey.shape)
    factor = min(1.0, max_side_px / longest)
    page, whole = _overview(picture) if max_side_px <= OVERLAY_SIDE_PX else (picture.grey, 1)
    height, width = (side * whole for side in page.shape)
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    small = cv2.resize(page, size, interpolation=cv2.INTER_AREA) if factor < 1.0 else page
    return lightened(small), factor


def _overview(picture: Picture) -> tuple[Image, int]:
    """Return the page averaged over whole pixels, still twice as large as any picture of all of it, and over how many.

    That is several times faster than going down in one step, done once for a picture, and nothing is to be seen of it.
    """
    if picture not in OVERVIEWS:
        height, width = picture.grey.shape
        whole = max(1, max(height, width) // (2 * OVERLAY_SIDE_PX))
        OVERVIEWS[picture] = averaged(picture.grey, whole), whole
    return OVERVIEWS[picture]


def lightened(grey: Image) -> Image:
    """Return a grey picture drawn towards white, in three channels."""
    table = np.round(255.0 - (255.0 - np.arange(256)) * (1.0 - LIGHTEN)).astype(np.uint8)
    return np.asarray(cv2.cvtColor(cv2.LUT(np.ascontiguousarray(grey), table), cv2.COLOR_GRAY2BGR), dtype=np.uint8)


def _rescaled(lines: OutlineLines, corner_px: FloatArray, factor: float) -> OutlineLines:
    """Return the lines in the pixels of a cut whose top-left pixel is ``corner_px``, enlarged by ``factor``."""
    ends = None if lines.ends_px is None else moved(lines.ends_px, corner_px, factor)
    return OutlineLines(moved(lines.loop_px, corner_px, factor), lines.traced, ends)


def moved(xy_px: FloatArray, corner_px: FloatArray, factor: float) -> FloatArray:
    """Return places in a resized cut; pixel centres are whole numbers in both."""
    return np.asarray((xy_px - corner_px + 0.5) * factor - 0.5, dtype=np.float64)


def _draw_lines(image: Image, lines: OutlineLines, width: float, ends: bool = True) -> None:
    if lines.ends_px is not None:
        for dash in dashes(lines.ends_px, (4 * DASH_IN_LINES * width, DASH_IN_LINES * width)):
            stroke(image, dash, AXIS_BGR, 0.8 * width)
    for run, is_traced in runs(lines.loop_px, lines.traced):
        if is_traced:
            stroke(image, run, TRACED_BGR, width)
            continue
        for dash in dashes(run, (DASH_IN_LINES * width, DASH_IN_LINES * width)):
            stroke(image, dash, BRIDGED_BGR, 1.6 * width)
    if ends:
        _draw_rings(image, lines, width)
    if ends and lines.ends_px is not None:
        _draw_ends(image, lines.ends_px, END_MARK_IN_LINES * width, width)


def _draw_rings(image: Image, lines: OutlineLines, width: float) -> None:
    """Ring the longest bridged stretches, so that they are found on a small screen."""
    bridged = [run for run, is_traced in runs(lines.loop_px, lines.traced) if not is_traced]
    around = sorted(
        ((run.mean(axis=0), float(np.hypot(*np.ptp(run, axis=0)))) for run in bridged), key=lambda one: -one[1]
    )
    turn = np.linspace(0.0, 2 * np.pi, 60)
    for middle, extent in around[:RINGS_AT_MOST]:
        radius = extent / 2 + RING_IN_LINES * width
        stroke(image, middle + radius * np.column_stack([np.cos(turn), np.sin(turn)]), BRIDGED_BGR, 0.8 * width)


def _draw_ends(image: Image, ends_px: FloatArray, size: float, width: float) -> None:
    """Mark the tail with a square and the neck with a triangle, both outside the body."""
    along = ends_px[1] - ends_px[0]
    along = along / max(float(np.hypot(*along)), 1e-9)
    across = np.array([-along[1], along[0]])
    tail, neck = ends_px[0] - 1.5 * size * along, ends_px[1] + 0.7 * size * along
    square = tail + size * np.array([along + across, along - across, -along - across, -along + across]) * 0.7
    triangle = neck + size * np.array([across, -across, 1.7 * along])
    for shape in (square, triangle):
        stroke(image, np.vstack([shape, shape[:1]]), AXIS_BGR, width)


def _draw_rule(image: Image, rule: Rule, factor: float, width: float) -> None:
    """Draw a rule's graduations as short ticks across it, and its length as a thin line beside them."""
    places = moved(rule.control.places.xy, np.zeros(2), factor)
    across = _across(places) * GRADUATION_IN_LINES * width
    for place in places:
        stroke(image, np.array([place - across, place + across]), RULE_BGR, 0.4 * width)
    for side in (-1.6, 1.6):
        stroke(image, np.array([places[0], places[-1]]) + side * across, RULE_BGR, 0.7 * width)


def _across(places: FloatArray) -> FloatArray:
    along = places[-1] - places[0]
    return np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9)


def runs(loop_px: FloatArray, traced: BoolArray | None) -> list[tuple[FloatArray, bool]]:
    """Return the closed loop cut into stretches traced and bridged, each joined to the next one's start."""
    if traced is None or bool(traced.all()) or not bool(traced.any()):
        return [(np.vstack([loop_px, loop_px[:1]]), traced is None or bool(traced.all()))]
    starts = np.flatnonzero(traced != np.roll(traced, 1))
    stops = np.append(starts[1:], starts[0] + len(traced))
    pieces = [np.arange(start, stop + 1) % len(traced) for start, stop in zip(starts, stops, strict=True)]
    return [(loop_px[piece], bool(traced[piece[0]])) for piece in pieces]


def dashes(line_px: FloatArray, pattern_px: tuple[float, float]) -> list[FloatArray]:
    """Return a polyline cut into dashes of ``pattern_px`` (dash, gap) by its length."""
    steps = np.hypot(*np.diff(line_px, axis=0).T)
    at = np.concatenate([[0.0], np.cumsum(steps)])
    found = []
    for start in np.arange(0.0, at[-1], sum(pattern_px)):
        stop = min(start + pattern_px[0], float(at[-1]))
        inner = at[(at > start) & (at < stop)]
        stations = np.concatenate([[start], inner, [stop]])
        found.append(np.column_stack([np.interp(stations, at, line_px[:, axis]) for axis in (0, 1)]))
    return found


def stroke(image: Image, line_px: FloatArray, colour: tuple[int, int, int], width: float) -> None:
    """Draw one polyline, anti-aliased, at sub-pixel places."""
    fixed = np.round(line_px * 2**SUB_PX_BITS).astype(np.int32)
    thick = max(1, round(width))
    cv2.polylines(image, [fixed.reshape(-1, 1, 2)], False, colour, thick, cv2.LINE_AA, SUB_PX_BITS)


def draw_lines(image: Image, lines: OutlineLines, corner_px: FloatArray, factor: float, width: float) -> None:
    """Draw the outline and centerline over a cut of the page whose top-left pixel is ``corner_px``."""
    _draw_lines(image, _rescaled(lines, corner_px, factor), width, ends=False)
