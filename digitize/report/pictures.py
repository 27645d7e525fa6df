"""Pictures for the page: the sheet, close-ups of the outline at full resolution, strips of the rules."""

from __future__ import annotations

import base64
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.frames import BoolArray, FloatArray
from digitize.paged import window
from digitize.report.context import ReportContext
from digitize.report.overlay import (
    INK_BGR,
    RULE_BGR,
    Image,
    OutlineLines,
    draw_lines,
    draw_overlay,
    lightened,
    outline_lines,
    stroke,
    to_px,
)
from digitize.shapes import Picture, Rule

JPEG_QUALITY = 82
SHEET_SIDE_PX = 1500
CLOSE_UP_MM = 24.0  # side of what a close-up shows
CLOSE_UP_MIN_PX = 480  # coarser scans are enlarged to this
CLOSE_UP_MAX_PX = 720
CLOSE_UP_LINE_PX = 2.0
SCALE_BAR_MM = 5.0
BRIDGED_SHOWN_MM = 3.0  # shorter gaps in the tracing have no picture of their own
BRIDGED = "Bridged, not traced"
APART_MM = 15.0  # two close-ups nearer than this show the same
STRIP_WIDTH_PX = 900
STRIP_GRADUATIONS = 40  # shown of a long rule, at each of its ends
STRIP_HALF_MM = 5.0  # paper shown above and below the graduations
STRIP_PX_PER_GRADUATION = 8.0  # fewer than this and the strip shows the rule's ends instead of all of it
STRIP_MARK_PX = 14


@dataclass(frozen=True)
class Shot:
    """One picture with its words."""

    uri: str  # data: address
    title: str
    caption: str
    width: int
    height: int


def as_uri(image: Image) -> str:
    """Return a picture as a JPEG data address.

    Raises:
        OSError: it could not be coded.
    """
    done, coded = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not done:
        raise OSError("a picture of the report could not be coded")
    return "data:image/jpeg;base64," + base64.b64encode(coded.tobytes()).decode("ascii")


def _shot(image: Image, title: str, caption: str) -> Shot:
    return Shot(as_uri(image), title, caption, image.shape[1], image.shape[0])


def sheet_shot(context: ReportContext) -> Shot | None:
    """Return the whole sheet with everything found drawn over it; None without a picture."""
    if context.picture is None:
        return None
    found = "with the outline found" if _lines(context) else "as it was read"
    image = draw_overlay(context.picture, _lines(context), context.rules, SHEET_SIDE_PX)
    return _shot(image, f"The sheet {found}", "")


def _lines(context: ReportContext) -> OutlineLines | None:
    if context.body is None or context.body_to_px is None:
        return None
    return outline_lines(context.body_to_px, context.body, context.traced)


def close_ups(context: ReportContext) -> tuple[Shot, ...]:
    """Return the outline magnified at the tail, the neck, the widest place and where it is least certain."""
    lines = _lines(context)
    if lines is None or context.picture is None or context.body_to_px is None:
        return ()
    px_per_mm = float(np.sqrt(abs(np.linalg.det(context.body_to_px[:, :2]))))
    return tuple(
        _shot(_close_up(context.picture, lines, index, px_per_mm), title, caption)
        for index, title, caption in _places(context)
    )


def _places(context: ReportContext) -> list[tuple[int, str, str]]:
    """Return (index of the body point, title, caption) of each close-up; places that repeat one are left out."""
    assert context.body is not None  # the caller saw to it
    xy = context.body.xy
    wanted = [
        (_end_index(xy, -1), "Tail end", "where the end block sits"),
        (_end_index(xy, 1), "Neck end", "where the neck block sits"),
        (
            int(np.argmax(np.where(_on_page(context), np.abs(xy[:, 0]), -1.0))),
            "Widest place",
            "of the lower bout" if _widest_low(xy) else "of the body",
        ),
        *_doubtful(context),
    ]
    kept: list[tuple[int, str, str]] = []
    for place in wanted:
        if all(np.hypot(*(xy[place[0]] - xy[other[0]])) > APART_MM for other in kept):
            kept.append(place)
    if any(title == BRIDGED for _, title, _ in kept):
        return kept
    return kept + _least_certain(context, [index for index, _, _ in kept])


def _on_page(context: ReportContext) -> BoolArray:
    """Return which body points are in the picture: the mirrored half of a half drawing may not be."""
    assert context.body is not None and context.body_to_px is not None and context.picture is not None
    px = to_px(context.body_to_px, context.body.xy)
    return np.asarray(np.all((px >= 0) & (px < context.picture.grey.shape[::-1]), axis=1))


def _end_index(xy: FloatArray, sign: int) -> int:
    """Return the point where the outline meets the centerline, at the tail (-1) or the neck (1)."""
    half = np.flatnonzero(sign * (xy[:, 1] - xy[:, 1].mean()) > 0)
    return int(half[np.argmin(np.abs(xy[half, 0]))])


def _widest_low(xy: FloatArray) -> bool:
    return bool(xy[np.argmax(np.abs(xy[:, 0])), 1] < xy[:, 1].mean())


def _doubtful(context: ReportContext) -> list[tuple[int, str, str]]:
    found = []
    if (bridged := _longest_bridge(context)) is not None:
        index, length_mm = bridged
        found.append((index, BRIDGED, f"the longest of the gaps: {length_mm:.0f} mm"))
    return found


def _least_certain(context: ReportContext, shown: list[int]) -> list[tuple[int, str, str]]:
    """Return the point with the largest uncertainty, away from the places already shown."""
    if context.sigma_mm is None or context.body is None:
        return []
    xy = context.body.xy
    away = _on_page(context) & np.all([np.hypot(*(xy - xy[index]).T) > APART_MM for index in shown], axis=0)
    worst = int(np.argmax(np.where(away, context.sigma_mm, -1.0)))
    title = "Least certain" if context.sigma_mm[worst] == context.sigma_mm.max() else "Least certain elsewhere"
    return [(worst, title, f"the line is held to ±{2 * context.sigma_mm[worst]:.2f} mm here")]


def _longest_bridge(context: ReportContext) -> tuple[int, float] | None:
    """Return the middle point and the length of the longest stretch not traced; None when there is none to show."""
    if context.traced is None or context.body is None or context.traced.all() or not context.traced.any():
        return None
    steps = np.hypot(*(np.roll(context.body.xy, -1, axis=0) - context.body.xy).T)
    starts = np.flatnonzero(context.traced & ~np.roll(context.traced, -1)) + 1
    stretches = [_stretch(context.traced, int(start)) for start in starts]
    longest = max(stretches, key=lambda members: float(steps[members].sum()))
    length_mm = float(steps[longest].sum())
    return (int(longest[len(longest) // 2]), length_mm) if length_mm >= BRIDGED_SHOWN_MM else None


def _stretch(traced: BoolArray, start: int) -> list[int]:
    members: list[int] = []
    while not traced[(start + len(members)) % len(traced)]:
        members.append((start + len(members)) % len(traced))
    return members


def _close_up(picture: Picture, lines: OutlineLines, index: int, px_per_mm: float) -> Image:
    side = max(8, round(CLOSE_UP_MM * px_per_mm))
    side = min(side, CLOSE_UP_MAX_PX)
    corner = np.floor(lines.loop_px[index]).astype(int) - side // 2
    factor = max(1.0, CLOSE_UP_MIN_PX / side)
    image = lightened(_enlarged(cut(picture.grey, corner, (side, side)), factor))
    draw_lines(image, lines, corner.astype(np.float64), factor, CLOSE_UP_LINE_PX)
    _scale_bar(image, px_per_mm * factor)
    return image


def cut(grey: Image, corner_px: np.ndarray[tuple[int], np.dtype[np.int64]], size: tuple[int, int]) -> Image:
    """Return (height, width) pixels from the (x, y) corner; white where the page does not reach."""
    x, y = (int(value) for value in corner_px)
    height, width = size
    out = np.full(size, 255, dtype=np.uint8)
    rows = slice(max(0, y), max(0, min(grey.shape[0], y + height)))
    columns = slice(max(0, x), max(0, min(grey.shape[1], x + width)))
    piece = window(grey, rows, columns)
    if piece.size:
        out[rows.start - y : rows.stop - y, columns.start - x : columns.stop - x] = piece
    return out


def _enlarged(grey: Image, factor: float) -> Image:
    if factor == 1.0:
        return grey
    size = (round(grey.shape[1] * factor), round(grey.shape[0] * factor))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)


def _scale_bar(image: Image, px_per_mm: float) -> None:
    """Draw a bar of 5 mm with its length in the lower left corner, on white."""
    length = SCALE_BAR_MM * px_per_mm
    x, y = 18.0, image.shape[0] - 18.0
    width = max(length, 60.0)
    cv2.rectangle(image, (8, round(y) - 34), (round(x + width) + 10, image.shape[0] - 8), (255, 255, 255), -1)
    stroke(image, np.array([[x, y], [x + length, y]]), INK_BGR, 3)
    for end in (x, x + length):
        stroke(image, np.array([[end, y - 6], [end, y + 6]]), INK_BGR, 2)
    cv2.putText(
        image, f"{SCALE_BAR_MM:g} mm", (round(x), round(y) - 12), cv2.FONT_HERSHEY_SIMPLEX, 0.5, INK_BGR, 1, cv2.LINE_AA
    )


def reads_forward(rule: Rule) -> bool:
    """Return whether the rule runs as it is read in the picture: to the right, or upwards when it stands."""
    x, y = np.subtract(rule.to_px, rule.from_px)
    return bool(x > 0 if abs(x) >= abs(y) else y < 0)


def rule_strips(picture: Picture, rule: Rule) -> tuple[Shot, ...]:
    """Return the rule turned to be read, its graduations marked as found: all of it, or its two ends when long."""
    places = rule.control.places.xy if reads_forward(rule) else rule.control.places.xy[::-1]
    stretches = _stretches(rule)
    titles = ("All of it",) if len(stretches) == 1 else ("One end", "The other end")
    shots = []
    for (first, last), title in zip(stretches, titles, strict=True):
        image = _strip(picture, rule, places[first : last + 1])
        caption = f"{last + 1 - first} graduations, each marked above and below where it was found"
        shots.append(_shot(image, title, caption))
    return tuple(shots)


def _stretches(rule: Rule) -> list[tuple[int, int]]:
    """Return the (first, last) graduations of each strip."""
    count = len(rule.control.places)
    if count <= max(2, round(STRIP_WIDTH_PX / STRIP_PX_PER_GRADUATION)):
        return [(0, count - 1)]
    return [(0, STRIP_GRADUATIONS - 1), (count - STRIP_GRADUATIONS, count - 1)]


def _strip(picture: Picture, rule: Rule, places: FloatArray) -> Image:
    """Return one stretch turned level, about ``STRIP_WIDTH_PX`` wide."""
    along = places[-1] - places[0]
    length = float(np.hypot(*along))
    margin = max(rule.pitch_px * 2.0, 0.02 * length)
    factor = STRIP_WIDTH_PX / (length + 2 * margin)
    half = np.clip(STRIP_HALF_MM * rule.pitch_px / rule.pitch_mm * factor, 40.0, 90.0)
    turn = _turn(places[0], along / length, factor, margin, half)
    image = lightened(_turned(picture.grey, turn, (STRIP_WIDTH_PX, round(2 * half))))
    for x, _ in places @ turn[:, :2].T + turn[:, 2]:
        stroke(image, np.array([[x, 0.0], [x, STRIP_MARK_PX]]), RULE_BGR, 1)
        stroke(image, np.array([[x, image.shape[0] - STRIP_MARK_PX], [x, image.shape[0]]]), RULE_BGR, 1)
    return image


def _turn(origin: FloatArray, along: FloatArray, factor: float, margin: float, half: float) -> FloatArray:
    """Return the (2, 3) affine from picture px to strip px: the rule level, its start at the left."""
    turn = factor * np.array([[along[0], along[1]], [-along[1], along[0]]])
    shift = np.array([margin * factor, half]) - turn @ origin
    return np.column_stack([turn, shift])


def _turned(grey: Image, turn: FloatArray, size: tuple[int, int]) -> Image:
    """Return the strip; only the part of the page below it is handed over, as OpenCV takes 32767 px at most."""
    back = np.linalg.inv(turn[:, :2])
    corners = (np.array([[0, 0], [size[0], 0], [0, size[1]], size]) - turn[:, 2]) @ back.T
    low, high = np.floor(corners.min(axis=0)).astype(int) - 2, np.ceil(corners.max(axis=0)).astype(int) + 2
    piece = cut(grey, low, (int(high[1] - low[1]), int(high[0] - low[0])))
    shrink = min(1.0, 2.0 * float(np.sqrt(abs(np.linalg.det(turn[:, :2])))))
    local = np.column_stack([turn[:, :2], turn[:, 2] + turn[:, :2] @ low])
    if shrink < 1.0:  # a long rule on a fine scan: averaged first, so that thin graduations do not vanish
        piece = cv2.resize(piece, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        local = np.column_stack([local[:, :2] / shrink, local[:, 2]])
    return np.asarray(
        cv2.warpAffine(piece, local, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=255),
        dtype=np.uint8,
    )
