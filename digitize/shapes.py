"""The data types passed between stages: frozen, read-only, one frame each.

Stages import this module and never each other.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import IntEnum
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from calibration.controls import Control, KnownAngle, StraightLine
from calibration.flags import Doubt
from calibration.frames import BodyPoints, BoolArray, FloatArray, IntArray, PxPoints, SheetPoints, frozen_floats
from digitize.paged import every

Unit = Literal["mm", "in"]
Hand = Literal["right", "left"]
Keep = Literal["auto", "mean", "left", "right", "as drawn"]
AxisSource = Literal["drawn centerline", "outline", "both", "as told"]

LEVEL_STEP = 7  # every so many pixels are looked at to tell a 1-bit picture


Colours = npt.NDArray[np.uint8]  # (h, w, 3) red, green, blue


@dataclass(frozen=True, eq=False)
class Picture:
    """One page as grey values; dark ink on light paper after reading."""

    grey: npt.NDArray[np.uint8]  # (H, W), 0 black, 255 white, read-only
    file: str  # name only, no folder
    sha256: str  # of the file's bytes
    dpi: tuple[float, float] | None  # declared, (x, y); a cross-check only
    captured: Literal["scan", "photo"]
    notes: tuple[str, ...] = ()  # what was done on reading, in plain words
    focal_px: float | None = None  # of the camera's lens, pixels of this picture, as its file tells it
    quarters: int | None = None  # clockwise quarter turns from what the camera stored to this, where its file tells
    colours: Colours | None = None  # of a photo in colour: all of it, reduced
    pages: int = 1  # of its file; only one was read

    @cached_property
    def two_level(self) -> bool:
        """A 1-bit picture: only two grey values, so every edge lies on whole pixels."""
        sample = every(self.grey, LEVEL_STEP)
        return bool(((sample == sample.min()) | (sample == sample.max())).all())


SheetSide = Literal["edge", "cut", "hidden"]


@dataclass(frozen=True)
class GapPlace:
    """Table that shows inside the paper's outline, or what looks like it."""

    px: tuple[float, float]
    small: bool  # no larger than a bank card, and it may be one


@dataclass(frozen=True, eq=False)
class Gap:
    """A piece of table that shows inside the paper's outline, or what looks like one."""

    places_px: FloatArray  # (N, 2) spread over it
    wide: bool  # wider than any rule or square that may look like the table
    side_px: FloatArray  # (M, 2) along the side of the sheet, as it was found, that it lies along

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("places_px", "side_px"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name)))


@dataclass(frozen=True, eq=False)
class SheetView:
    """How a photo shows the sheet: its outline and what is straight on it, px."""

    polygon_px: FloatArray | None  # (V, 2) clockwise as seen; None: paper all over the picture, or no table told
    sides: tuple[SheetSide, ...]  # of the polygon from vertex i to i + 1: a sheet's edge, the frame's, a thing's on it
    edges: tuple[StraightLine, ...]  # the sheet's own, where they are seen
    lines: tuple[StraightLine, ...]  # drawn ones, the longest
    angles: tuple[KnownAngle, ...]  # between edges, and between lines, by their names
    sheets: int  # seen in the picture; 1 also where no edge is
    fills_frame: bool  # paper reaches out of the picture on all sides, as far as can be told
    k1_rough: float  # of the lens, lengths in halves of the diagonal: seen at u (1 + k1 u^2)
    gaps: tuple[Gap, ...] = ()  # the largest first
    rim_px: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))  # (N, 2) where the paper ends, in order

    def __post_init__(self) -> None:
        """Freeze the arrays.

        Raises:
            ValueError: not one side for each vertex.
        """
        object.__setattr__(self, "rim_px", frozen_floats(self.rim_px))
        if self.polygon_px is not None:
            object.__setattr__(self, "polygon_px", frozen_floats(self.polygon_px))
        if len(self.sides) != (0 if self.polygon_px is None else len(self.polygon_px)):
            raise ValueError("a polygon needs one side for each vertex")


Window = tuple[float, float, float, float]  # x_min, y_min, x_max, y_max, mm


@dataclass(frozen=True, eq=False)
class TrueSheet:
    """A sheet as it is to be printed, true size: its grey values wherever and as finely as they are asked for.

    Frame: sheet mm, x right, y up; x runs the other way when it was mirrored.
    """

    box: Window  # what is printed
    px_per_mm: float  # of the picture that it comes from, where that is finest
    ink_mm: FloatArray  # (N, 2) where there is ink, a place every few mm
    one_bit: bool  # bands hold 0 and 255 only
    # (window, (columns, rows) of its pixels, first row, last row + 1) -> grey (rows, columns), uint8
    band: Callable[[Window, tuple[int, int], int, int], npt.NDArray[np.uint8]]


@dataclass(frozen=True, eq=False)
class Rule:
    """One graduated rule found in the picture."""

    control: Control  # the graduations, px <-> mm
    role: Literal["drawn", "laid"]
    unit: Unit
    pitch_mm: float  # nominal distance of two graduations
    from_px: tuple[float, float]
    to_px: tuple[float, float]
    graduations: int  # found and used
    missing: int  # expected between the ends, not found
    pitch_px: float
    residual_rms_px: float
    unit_evidence: str  # one sentence
    lift_evidence: str = ""  # one sentence on how far its graduations are above the paper; of a laid rule in a photo


@dataclass(frozen=True, eq=False)
class Stroke:
    """One drawn line between two junctions or ends, at the middle of its ink."""

    points: PxPoints  # (N, 2) in order
    sigma_px: FloatArray  # (N,) one standard deviation across the line
    width_px: FloatArray  # (N,) ink width
    darkness: FloatArray  # (N,) 0 paper .. 1 full ink
    closed: bool
    nodes: tuple[int, int]  # ids of the junctions at both ends; equal when closed


@dataclass(frozen=True, eq=False)
class Ink:
    """All strokes of a page."""

    strokes: tuple[Stroke, ...]
    junctions: PxPoints  # (J, 2); row = node id
    line_width_px: float  # typical


@dataclass(frozen=True, eq=False)
class SheetLine:
    """A straight drawn line, maybe dashed, fitted as one."""

    start: tuple[float, float]  # mm, sheet frame
    end: tuple[float, float]
    inked_fraction: float  # 1 continuous; less when dashed
    offset_sigma_mm: float
    angle_sigma_rad: float
    neck: int = 0  # a neck's edges show at its end (+1), at its start (-1), or nothing tells (0)


class Seen(IntEnum):
    """What of the outline's line was seen at a place, the least first."""

    BRIDGED = 0  # no ink, or nothing that could be told from other ink
    THREADED = 1  # other ink all round; the smoothest way between what shows of its edges
    ONE_EDGE = 2  # other ink on one side; the other edge and the line's own width
    BOTH_EDGES = 3


@dataclass(frozen=True, eq=False)
class TracedOutline:
    """The body's line as found on the sheet, before anything is averaged.

    Whole drawings give a closed loop, without repeating the first point. Half drawings give
    an open curve from one end of the centerline to the other.
    """

    points: SheetPoints  # (N, 2), about 0.25 mm apart
    sigma_mm: FloatArray  # (N,) across the curve
    seen: IntArray  # (N,) what of the line was seen there, as Seen says
    corners: IntArray  # (C,) indices of sharp corners
    half: bool
    lines: tuple[SheetLine, ...]  # straight lines that may be the centerline
    width_mm: float  # typical ink width of the outline
    doubts: tuple[Doubt, ...] = ()
    evidence: tuple[str, ...] = ()  # plain sentences: why this curve
    told_axis: SheetLine | None = None  # the centerline that the person gave, from one end to the other

    @property
    def traced(self) -> BoolArray:
        """(N,) False where bridged."""
        return np.asarray(self.seen != Seen.BRIDGED)


def _as_it_is(xy: FloatArray) -> FloatArray:
    return xy


@dataclass(frozen=True, eq=False)
class OutlineHints:
    """What the person said about where the outline is, full-resolution pixels, and how places are told to them."""

    near: tuple[float, float] | None = None  # inside the body
    ignore: tuple[tuple[tuple[float, float], ...], ...] = ()  # polygons that hold nothing of the outline
    through: tuple[tuple[float, float], ...] = ()  # points that the outline passes through
    line: Literal["middle", "outer", "inner"] = "middle"
    shown: Callable[[FloatArray], FloatArray] = _as_it_is  # (N, 2) px searched -> px of the picture the person has

    def place(self, xy: npt.ArrayLike) -> str:
        """Return a place (2,) px in words, as the person finds it in their own picture."""
        x, y = self.shown(np.asarray(xy, dtype=np.float64)[None])[0]
        return f"{x:.0f}, {y:.0f}"


@dataclass(frozen=True)
class SpanPlaces:
    """Two marks whose distance the plan states, as near to the middle of their ink as can be told; px."""

    from_px: tuple[float, float]
    to_px: tuple[float, float]
    length_mm: float
    sigma_px: tuple[float, float]  # of either end


@dataclass(frozen=True, eq=False)
class SymmetryAudit:
    """Left against right before anything is averaged; gap = (mirrored left) - right, mm."""

    rms_mm: float
    max_mm: float
    max_at: tuple[Literal["left", "right"], float, float]  # side, x_mm, y_mm (body frame)
    u95_mm: float  # of one gap value, with what the sheet may be out of square
    tail_angle_deg: float  # between outline and centerline at the tail; 90 = square
    neck_angle_deg: float
    gap_y_mm: FloatArray  # (G,) station along the body
    gap_mm: FloatArray  # (G,) signed gap there; left larger = +
    axis_source: AxisSource
    axis_offset_mm: float  # drawn against outline's own axis, at mid body
    axis_angle_deg: float
    agree: bool  # the halves agree within what a drawing can be off
    measured: bool  # False for a half drawing: nothing to compare
    by_shear: bool = False  # they agree once a shear is taken out that the sheet may have


@dataclass(frozen=True)
class Difference:
    """One place where the halves differ by more than the drawing's own unsteadiness; body frame."""

    side: Literal["left", "right"]  # which half reaches further out there
    x_mm: float
    y_mm: float
    place_mm: float  # along the half outline from the tail
    size_mm: float  # at its largest
    u95_mm: float
    from_mm: float  # along the half outline
    to_mm: float
    on_purpose: bool  # too large to be anything else: a cutaway


@dataclass(frozen=True, eq=False)
class DifferenceMap:
    """Left against right all along the half outline; gap = (mirrored left) - right, mm."""

    place_mm: FloatArray  # (M,) along the right half from the tail
    xy_mm: FloatArray  # (M, 2) on the right half, body frame
    gap_mm: FloatArray  # (M,) NaN where one half was not seen
    u95_mm: FloatArray  # (M,) of one value
    found: tuple[Difference, ...]  # the real ones, the largest first


@dataclass(frozen=True)
class EndMeeting:
    """How one half meets the centerline at one end."""

    angle_deg: float  # inside, between outline and centerline; 90 = square
    u95_deg: float
    kink_deg: float  # what the mirrored body turns there: + a peak, - a dent
    tip_mm: float  # how far the end stands out of a round one over the same stretch: + out, - in


@dataclass(frozen=True)
class KeepChange:
    """What one choice of ``keep`` would change against the drawing."""

    keep: Keep
    rms_mm: float
    max_mm: float
    x_mm: float  # where it changes most
    y_mm: float
    length_mm: float  # what the body's length and greatest width change by
    width_mm: float


@dataclass(frozen=True, eq=False)
class HalvesAudit:
    """Left against right, or one half alone, in the body frame."""

    whole: bool
    map: DifferenceMap | None  # of a whole outline
    ends: tuple[tuple[Literal["left", "right"], EndMeeting, EndMeeting], ...]  # each half: tail, neck
    axis_source: AxisSource
    axis_offset_mm: float  # drawn against the outline's own, at mid body
    axis_angle_deg: float
    axis_u95_mm: float
    axis_u95_deg: float
    roughness: tuple[float, float] | None  # of the left and the right half: rms change of curvature, 1/mm2
    fairer: Literal["left", "right"] | None  # None where neither clearly is
    keeps: tuple[KeepChange, ...]
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, eq=False)
class BodyTrace:
    """The outline in the body frame, closed, after ``keep`` and ``hand``."""

    points: BodyPoints  # (N, 2) closed loop, first not repeated, counter-clockwise from the tail
    sigma_mm: FloatArray
    seen: IntArray  # (N,) as Seen says
    corners: IntArray
    audit: SymmetryAudit
    kept: str  # plain words: what was kept and why
    symmetric: bool  # the points are exactly mirrored
    sheet_to_body: FloatArray  # (2, 3) affine from sheet mm to body mm
    axis_u_mm: float  # 1 sigma of x = 0
    doubts: tuple[Doubt, ...] = ()

    @property
    def traced(self) -> BoolArray:
        """(N,) False where bridged."""
        return np.asarray(self.seen != Seen.BRIDGED)


@dataclass(frozen=True, eq=False)
class ArcPath:
    """Lines and arcs joined end to end: vertex i to i+1 with bulge i (tan of a quarter of the arc's angle).

    Positive bulges turn counter-clockwise. A closed path does not repeat its first vertex.
    """

    xy_mm: FloatArray  # (V, 2)
    bulge: FloatArray  # (V,) for a closed path, (V - 1,) for an open one
    closed: bool


@dataclass(frozen=True, eq=False)
class FairOutline:
    """The smooth outline: dense points and the arcs that stand for it."""

    points: BodyPoints  # (N, 2) dense, closed, first not repeated
    path: ArcPath  # within 0.01 mm of the points
    corners: tuple[tuple[float, float, float], ...]  # x_mm, y_mm, angle_deg (180 = none)
    path_deviation_mm: float  # measured, path against points
    moved_rms_mm: float  # fairing moved the traced points by
    moved_max_mm: float
    symmetric: bool
    moved_mean_mm: float = 0.0  # the largest mean over 10 mm of the line by which fairing moved it ...
    moved_at: tuple[float, float] = (0.0, 0.0)  # ... and where, x_mm, y_mm


@dataclass(frozen=True, eq=False)
class FewArcs:
    """The outline in as few arcs and lines as a tolerance lets it be; body frame."""

    path: ArcPath  # closed; joints tangent but at the outline's corners
    tolerance_mm: float
    deviation_mm: float  # measured, path against the fair points, both ways


@dataclass(frozen=True, eq=False)
class SplineCurve:
    """A plane cubic B-spline, clamped at both ends; its inner knots are single, so its curvature goes on evenly."""

    knots: FloatArray  # (K + 4,) about mm along it; the first and the last four are equal
    control_mm: FloatArray  # (K, 2)


@dataclass(frozen=True, eq=False)
class FairSpline:
    """The outline as curves of continuous curvature, corner to corner; body frame."""

    curves: tuple[SplineCurve, ...]  # counter-clockwise, each beginning where the last one ended, a closed loop
    smooth: bool  # one curve that goes on evenly where it ends, as an outline without corners does
    tolerance_mm: float
    deviation_mm: float  # measured, curves against the fair points, both ways


@dataclass(frozen=True, eq=False)
class BodyMeasures:
    """What a builder asks of the body first; body frame."""

    length_mm: float
    lower_bout_mm: float
    waist_mm: float | None
    upper_bout_mm: float | None
    lower_bout_y_mm: float
    waist_y_mm: float | None
    upper_bout_y_mm: float | None
    perimeter_mm: float
    area_mm2: float
    min_radius_mm: float  # corners left out
    outside_radius_mm: float | None = None  # the smallest where the body bulges, corners left out
    inside_radius_mm: float | None = None  # the smallest where it is hollow, as at the waist; None where nowhere
    side_mm: float | None = None  # the longer side from tail to neck


@dataclass(frozen=True, eq=False)
class TextMark:
    """A line of text at a place."""

    at: tuple[float, float]  # mm
    height_mm: float
    text: str


@dataclass(frozen=True, eq=False)
class Drawing:
    """Neutral record that every writer plays: layer name -> shapes, body frame, mm, y up."""

    paths: tuple[tuple[str, ArcPath], ...]  # (layer, path)
    texts: tuple[tuple[str, TextMark], ...] = ()
    title: str = ""
    length_unit: Unit = "mm"
    meta: dict[str, str] = field(default_factory=dict)
    splines: tuple[tuple[str, SplineCurve], ...] = ()  # (layer, curve); only DXF and SVG have them
