"""One call from a spec to a photo with its truth.

Sheet and body frame are those of the paper as it lies there, in its own mm; px is the upright picture, its
orientation tag applied. ``MadePhoto.to_px`` goes through the lift of the paper and the true camera.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import shapely
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from calibration.frames import FloatArray
from tests.maker.camera import FULL_FRAME_DIAGONAL_MM, Camera, aimed, looking
from tests.maker.photo_laid import Placed, corners, put
from tests.maker.photo_layers import second_corners
from tests.maker.photo_objects import Scale, Strip, indices, positions, tall_mm
from tests.maker.photo_paper import Paper, body_points, lay, sheet_points
from tests.maker.photo_press import render
from tests.maker.photo_spec import PhotoSpec
from tests.maker.rules import tick_mm
from tests.maker.spec import MM_PER_INCH, RuleSpec
from tests.maker.truth import measure

STORED_TURN = {1: 0, 3: 2, 6: 1, 8: 3}  # quarter turns counter-clockwise of the stored picture from the upright one
ORIENTATION, EXIF_IFD = 0x0112, 0x8769
EXPOSURE_TIME, F_NUMBER, FOCAL_LENGTH, FOCAL_35 = 0x829A, 0x829D, 0x920A, 0xA405
SENSOR_DIAGONAL_MM = 9.6


@dataclass(frozen=True, eq=False)
class EdgeTruth:
    """One graduated edge of a laid rule."""

    name: str  # of its object, and the edge's number
    unit: str
    pitch_mm: float  # nominal
    at_mm: FloatArray  # (G,) nominal distance from its zero, as the rule says it
    true_mm: FloatArray  # (G,) what it really is
    places_px: FloatArray  # (G, 2) where graduations meet the edge
    inner_px: FloatArray  # (G, 2) where they end on the rule
    world_mm: FloatArray  # (G, 3) of places_px: sheet frame and height above the table


@dataclass(frozen=True, eq=False)
class LaidTruth:
    """One object on the sheet."""

    name: str  # its model
    kind: str  # "rule", "square", "card"
    thick_mm: float
    error: float  # relative, of its graduations
    edges: tuple[EdgeTruth, ...]
    covered_px: tuple[FloatArray, ...]  # polygons that hide what lies under them; together the object
    corners_px: FloatArray  # (4 S, 2) top corners, strip by strip


@dataclass(frozen=True, eq=False)
class MadePhoto:
    """A photo and everything that is true of it."""

    spec: PhotoSpec
    path: Path
    size_px: tuple[int, int]  # upright
    paper: Paper
    camera: Camera
    outline_mm: FloatArray  # (N, 2) body frame, whole body, closed, counter-clockwise from the tail
    half_mm: FloatArray  # (M, 2) the open half as drawn; empty for a whole drawing
    corners_mm: FloatArray  # (C, 2)
    centerline_mm: FloatArray  # (2, 2) drawn ends, tail first
    measures: dict[str, float]
    plan_outline_mm: FloatArray  # (N, 2) the drawing's own mm; differs from outline_mm by the copier
    drawn: tuple[EdgeTruth, ...]  # rules drawn on the sheet: at_mm is the plan's, true_mm the paper's
    laid: tuple[LaidTruth, ...]
    help: dict[str, tuple[float, float]]  # "near": inside the body; "through": on the outline; px

    def sheet_to_px(self, points_mm: FloatArray) -> FloatArray:
        """Return (N, 2) sheet-frame points in the px frame."""
        return self.camera.project(self.paper.world(points_mm))

    def to_px(self, points_mm: FloatArray) -> FloatArray:
        """Return (N, 2) body-frame points in the px frame."""
        return self.sheet_to_px(sheet_points(self.paper, points_mm))

    def plan_file(self, body_line: str = "") -> str:
        """Return the plan file: the picture, and one line about the body."""
        lines = ["[plan]", f'image = "{self.path.name}"']
        return "\n".join([*lines, *(["[body]", body_line] if body_line else []), ""])

    @property
    def sheet_mm(self) -> tuple[float, float]:
        """Width and height of the sheet."""
        return self.paper.size_mm

    @property
    def sheet_corners_px(self) -> FloatArray:
        """(4, 2) lower left, lower right, upper right, upper left of the sheet's own frame."""
        return self.sheet_to_px(self.paper.corners_mm)

    @property
    def edges(self) -> tuple[EdgeTruth, ...]:
        """Every graduated edge of every object."""
        return tuple(edge for thing in self.laid for edge in thing.edges)


def _edge(placed: Placed, strip: Strip, scale: Scale, name: str, camera: Camera) -> EdgeTruth:
    index = indices(scale, strip)
    along = positions(scale, strip, index, placed.spec.error)
    edge, up = (strip.wide_mm, -1.0) if scale.far else (0.0, 1.0)
    tall = np.array([tall_mm(scale, strip, int(i)) for i in index])
    rim = np.column_stack([along, np.full_like(along, edge)])
    ends = np.column_stack([along, edge + up * tall])
    thick = placed.model.thick_mm
    world = placed.world(strip, rim, strip.height_mm(rim[:, 1], thick))
    inner = camera.project(placed.world(strip, ends, strip.height_mm(ends[:, 1], thick)))
    at = index * scale.pitch_mm
    return EdgeTruth(name, scale.unit, scale.pitch_mm, at, at * (1.0 + placed.spec.error), camera.project(world), inner,
                     world)


def _covered(placed: Placed, strip: Strip, camera: Camera) -> FloatArray:
    """Return the px polygon that a strip hides: the hull of its lower and its upper corners."""
    ring = corners(strip)
    if strip.bevel_mm:
        ring = np.vstack([ring, [(0.0, strip.bevel_mm), (strip.long_mm, strip.bevel_mm)]])
    tops = placed.world(strip, ring, strip.height_mm(ring[:, 1], placed.model.thick_mm))
    both = camera.project(np.vstack([tops, placed.world(strip, ring, 0.0)]))
    return np.asarray(shapely.MultiPoint(both).convex_hull.exterior.coords)[:-1]


def _laid(placed: Placed, camera: Camera) -> LaidTruth:
    model = placed.model
    edges = [_edge(placed, strip, scale, f"{placed.spec.model} edge {i + 1}.{j + 1}", camera)
             for i, strip in enumerate(model.strips) for j, scale in enumerate(strip.scales)]
    tops = np.vstack([placed.world(s, corners(s), s.height_mm(corners(s)[:, 1], model.thick_mm)) for s in model.strips])
    covered = tuple(_covered(placed, strip, camera) for strip in model.strips)
    return LaidTruth(placed.spec.model, model.kind, model.thick_mm, placed.spec.error, tuple(edges), covered,
                     camera.project(tops))


def _drawn(paper: Paper, camera: Camera) -> tuple[EdgeTruth, ...]:
    """Return the rules drawn on the sheet, as the copier left them."""
    edges = []
    matrix, shift = paper.plan_to_sheet[:, :2], paper.plan_to_sheet[:, 2]
    for number, rule in enumerate(paper.drawing.sheet.rules if paper.spec.drawn_rules else ()):
        at, up = rule.present * rule.pitch_mm, np.array([-rule.along[1], rule.along[0]])
        like = RuleSpec(rule.unit, round(MM_PER_INCH / rule.pitch_mm))  # type: ignore[arg-type]
        feet = rule.start_mm + np.outer(at, rule.along)
        heads = feet + np.outer([tick_mm(like, int(index)) for index in rule.present], up)
        world, ends = (paper.world(spots @ matrix.T + shift) for spots in (feet, heads))
        long = at * float(np.hypot(*(matrix @ rule.along)))
        edges.append(EdgeTruth(f"drawn rule {number + 1}", rule.unit, rule.pitch_mm, at, long, camera.project(world),
                               camera.project(ends), world))
    return tuple(edges)


def hold(spec: PhotoSpec, paper: Paper, placed: list[Placed]) -> Camera:
    """Return the camera of a photo: turned and tilted as asked, as far away as the sheet needs."""
    long = max(spec.size_px)
    middle = (np.array(spec.size_px) - 1) / 2 + np.array(spec.centre_share) * long
    start = Camera(spec.size_px, spec.f_share * long, middle, np.array(spec.lens),
                   looking(spec.turn_deg, spec.tilt_deg, spec.tilt_to_deg), np.zeros(3))
    left, low, right, up = spec.crop_mm
    shrunk = paper.corners_mm + np.array([(left, low), (-right, low), (-right, -up), (left, -up)])
    things = [thing.world(s, corners(s), thing.model.thick_mm) for thing in placed for s in thing.model.strips]
    things += [second_corners(spec.second)] if spec.second else []
    return aimed(start, np.vstack([paper.world(shrunk), *things]), spec.fill, spec.align)


def _help(paper: Paper, camera: Camera) -> dict[str, tuple[float, float]]:
    """Return whole pixels that a person would click."""
    ground = paper.drawing.ground
    area = ground.shape.intersection(ground.kept)
    spot = area.buffer(-25.0)
    near = np.asarray((area if spot.is_empty else spot).representative_point().coords[0])
    points = ground.drawn_outline()
    through = points[int(np.argmin(np.abs(points[:, 1] - 0.25 * ground.neck_y)))]
    sheet = sheet_points(paper, body_points(paper, np.array([near, through])))
    places = np.rint(camera.project(paper.world(sheet)))
    return {name: (float(p[0]), float(p[1])) for name, p in zip(("near", "through"), places, strict=True)}


def _other_way(ring: FloatArray) -> FloatArray:
    """Return a closed loop from the same first point, the other way round."""
    return np.vstack([ring[:1], ring[:0:-1]])


def describe_photo(spec: PhotoSpec, path: Path) -> tuple[MadePhoto, list[Placed]]:
    """Return the truth and the objects in their places without making the picture."""
    paper = lay(spec)
    placed = [put(thing, paper) for thing in spec.laid]
    camera = hold(spec, paper, placed)
    ground = paper.drawing.ground
    outline, plan_outline = body_points(paper, ground.body.outline_mm), ground.body.outline_mm
    if spec.plan.mirrored:
        outline, plan_outline = _other_way(outline), _other_way(plan_outline * [-1.0, 1.0])
    half = body_points(paper, ground.drawn_outline()) if spec.plan.half else np.zeros((0, 2))
    photo = MadePhoto(
        spec, path, spec.size_px, paper, camera, outline, half, body_points(paper, ground.body.corners_mm),
        body_points(paper, paper.drawing.sheet.centerline_mm), measure(outline), plan_outline,
        _drawn(paper, camera),
        tuple(_laid(thing, camera) for thing in placed), _help(paper, camera),
    )
    return photo, placed


def _exif(spec: PhotoSpec, camera: Camera) -> Image.Exif:
    """Return what a phone writes beside the picture; its focal length is that of a far view.

    Focused near, the lens stands further out: the picture's own f is larger by the magnification, about 1 %.
    """
    exif = Image.Exif()
    exif[ORIENTATION] = spec.orientation
    own = exif.get_ifd(EXIF_IFD)
    own[EXPOSURE_TIME], own[F_NUMBER] = IFDRational(1, 60), IFDRational(18, 10)
    if spec.exif_focal:
        near_mm = camera.equivalent_mm / FULL_FRAME_DIAGONAL_MM * SENSOR_DIAGONAL_MM
        share = 1.0 / (1.0 + near_mm / float(camera.place_mm[2]))
        focal = Fraction(near_mm * share).limit_denominator(100)
        own[FOCAL_LENGTH] = IFDRational(focal.numerator, focal.denominator)
        own[FOCAL_35] = round(camera.equivalent_mm * share)
    return exif


def make_photo(spec: PhotoSpec, folder: Path) -> MadePhoto:
    """Draw, lay out and photograph one plan into ``folder``; the picture is named after the spec."""
    folder.mkdir(parents=True, exist_ok=True)
    photo, placed = describe_photo(spec, folder / f"{spec.name}.jpg")
    rgb = render(spec, photo.camera, photo.paper, placed)
    stored = np.ascontiguousarray(np.rot90(rgb, STORED_TURN[spec.orientation]))
    Image.fromarray(stored).save(photo.path, quality=spec.quality, exif=_exif(spec, photo.camera))
    return photo
