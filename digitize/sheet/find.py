"""From a photo to its sheet: outline, edges, straight drawn lines, and what angles they make."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from calibration.controls import StraightLine
from calibration.frames import FloatArray, PxPoints
from digitize.shapes import Gap, Picture, SheetView
from digitize.sheet.angles import border_angles, find_border, sheet_angles
from digitize.sheet.chains import find_chains
from digitize.sheet.drawn import DrawnLine, line_candidates, measure_line
from digitize.sheet.edges import measure_edge
from digitize.sheet.folds import without_folds
from digitize.sheet.joined import Ground, table_inside
from digitize.sheet.lens import Lens, Together, fitted_lens, rough_lens
from digitize.sheet.outline import Bound, bound_sheet, count_sheets, paper_about
from digitize.sheet.polygon import Half, cut_frame, inside_polygon, seen_polygon, side_ends
from digitize.sheet.profile import STATION_PX, smooth_course
from digitize.sheet.rim import paper_rim
from digitize.sheet.sides import plain_tones, side_lines, stronger
from digitize.sheet.tint import tinted

Grey = npt.NDArray[np.uint8]

# More pixels than about so many are averaged first: phones that give more do not see more.
MEASURED_PIXELS = 14e6
# All is first found on a copy of about so many pixels.
REDUCED_PIXELS = 1.3e6
# Thin lines vanish from it: they are also looked for on a finer one, of about so many.
FINER_PIXELS = 3e6
# What vanishes from that copy as ink: up to 4 mm on a sheet of 600 mm.
INK_PX = 7
# Differences of table and paper are made so many times as large before edges are looked for.
STRONGER = (3, 7)
# Edges on the copy: what the lens is first told by, what lines are looked for in, and sides of the sheet.
LENS_CHAIN_PX, LINE_CHAIN_PX, SIDE_CHAIN_PX = 60.0, 25.0, 30.0
CHAIN_SIGMA_PX = 0.35
STRAIGHT_CHAIN_PX = 0.6
# A line whose places leave the lens's straight one by more than this, root mean square, is none. Where the others
# agree much better, neither is one that leaves it by so many times what they do.
MOST_OFF_PX, TIMES_USUAL, LEAST_OFF_PX = 0.3, 6.0, 0.08
EDGE_SIGMA_PX = 0.6  # as the lens is told by them: paper is not cut as straight as lines are drawn
LEAST_LINE_SIGMA_PX = 0.1
# Places that leave the sheet's straight edge by more than this are none of it (paper that lifts bows less), and most
# must not.
MOST_EDGE_OFF_PX, LEAST_ON_LINE, LEAST_EDGE_PLACES = 2.5, 0.8, 8
# An edge with places along less than this part of it is in pieces, and those must be on one line nearer than this.
LEAST_COVERED, MOST_OFF_IN_PIECES_PX = 0.5, 0.5
# With fewer straight things than this no lens is told: a few that are not straight could make one up.
LEAST_TOGETHER = 5
# Nor is one whose places scatter by so many times what the others' do, and by more than this.
SURELY_SHARP_PX, TIMES_USUAL_SIGMA = 0.35, 4.0
MOST_LINES, MOST_MEASURED = 30, 150
# Of many lines side by side (graph paper) few are taken: within this part of the diagonal they are neighbours.
NEIGHBOUR_PART, NEIGHBOUR_TURN = 0.02, 0.05
NEIGHBOUR_COSTS = 0.3

SIDE_NAMES = ("right", "lower", "left", "upper")


@dataclass(frozen=True, eq=False)
class _Copy:
    """The reduced copy of a picture."""

    grey: Grey
    factor: int


def find_sheet(picture: Picture) -> SheetView:
    """Return how a photo shows the sheet: where it ends, what is straight on it, and the rough lens; px.

    Edges and lines are measured at full resolution where a reduced copy shows them. Nothing is given that a lens of
    few terms does not make straight together with the rest. A picture of far more pixels than its lens resolves is
    averaged down first.
    """
    finer = max(1, round(float(np.sqrt(picture.grey.size / MEASURED_PIXELS))))
    grey = _averaged(picture.grey, finer)
    focal_px = picture.focal_px / finer if picture.focal_px else None
    factor = max(1, round(float(np.sqrt(grey.size / REDUCED_PIXELS))))
    copy = _Copy(_averaged(grey, factor), factor)
    view = _found(grey, focal_px, copy, None)
    if len(view.edges) < len(SIDE_NAMES) and picture.colours is not None:
        tint = tinted(picture.colours, copy.grey.shape[:2])
        by_tint = None if tint is None else _found(grey, focal_px, copy, _Copy(tint, factor))
        view = by_tint if by_tint is not None and _better(by_tint, view) else view
    return _scaled(view, finer)


def _better(by_tint: SheetView, by_light: SheetView) -> bool:
    """Whether colour alone tells more of the sheet.

    What bounds it by colour may be a rule that lies on it, of a colour that neither paper nor table has; the paper
    beyond then looks like another sheet.
    """
    return len(by_tint.edges) > len(by_light.edges) and (by_tint.sheets == 1 or not by_light.edges)


def _found(grey: Grey, focal_px: float | None, copy: _Copy, tint: _Copy | None) -> SheetView:
    """Return what a picture shows; where a copy by colour alone is given, the sheet's edges are looked for in that."""
    rough = _lens_of_chains(copy)
    lens = replace(Lens.plain(grey.shape), terms=rough.terms)
    found = _bounded(tint or copy, rough)
    bound = found.bound
    halves = _halves(bound, copy.factor)
    if tint is None:
        measured = _edges(grey, lens, halves, _paper(bound, copy.factor))
    else:
        on_copy = _edges(tint.grey, rough, _halves(bound, 1), _paper(bound, 1))
        measured = {k: _scaled_line(edge, copy.factor) for k, edge in on_copy.items()}
    outline = seen_polygon(cut_frame(lens, grey.shape, halves), lens, halves)[0] if halves else None
    drawn = _drawn(grey, lens, copy, rough, outline)
    lens = _told_by_all(lens, list(measured.values()), drawn)
    measured = _sure_ones(measured, lens)
    # what has no edge that could be measured bounds nothing
    halves = tuple(_half_of(measured.get(k), half, lens) for k, half in enumerate(halves)) if measured else ()
    polygon_px, sides = seen_polygon(cut_frame(lens, grey.shape, halves), lens, halves) if halves else (None, ())
    edges = list(measured.values())
    lines = _lines(lens, drawn, polygon_px)
    area = _area(polygon_px) if polygon_px is not None else float(grey.size)
    border = find_border(lines, lens, focal_px, area)
    angles = sheet_angles(edges, border, lens, focal_px) + border_angles(border)
    return SheetView(
        polygon_px, sides, tuple(edges), lines, angles, found.sheets, polygon_px is None, lens.k1, found.gaps,
        found.rim_px,
    )  # fmt: skip


def _averaged(grey: Grey, factor: int) -> Grey:
    """Return the picture averaged over ``factor`` x ``factor`` pixels."""
    if factor == 1:
        return grey
    height, width = (side // factor for side in grey.shape)
    whole = grey[: height * factor, : width * factor]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _scaled(view: SheetView, times: int) -> SheetView:
    """Return what was found on an averaged picture in pixels of the picture itself."""
    if times == 1:
        return view
    shift = (times - 1) / 2
    polygon = None if view.polygon_px is None else view.polygon_px * times + shift
    edges, lines = (tuple(_scaled_line(line, times) for line in group) for group in (view.edges, view.lines))
    gaps = tuple(_gap_at(gap, lambda places: places * times + shift) for gap in view.gaps)
    rim_px = view.rim_px * times + shift
    return replace(view, polygon_px=polygon, edges=edges, lines=lines, gaps=gaps, rim_px=rim_px)


def _gap_at(gap: Gap, move: Callable[[FloatArray], FloatArray]) -> Gap:
    return replace(gap, places_px=move(gap.places_px), side_px=move(gap.side_px))


def _scaled_line(line: StraightLine, times: int) -> StraightLine:
    places = PxPoints(line.places.xy * times + (times - 1) / 2)
    return replace(line, places=places, sigma_px=line.sigma_px * times)


def _lens_of_chains(copy: _Copy) -> Lens:
    """Return the copy's lens by whatever is long and straight in it, table or sheet."""
    chains = find_chains(copy.grey, LENS_CHAIN_PX)
    lens = rough_lens(Lens.plain(copy.grey.shape), chains, CHAIN_SIGMA_PX)
    if not chains:
        return lens
    straight = [
        chain for chain, off in zip(chains, Together.of(chains).rms(lens), strict=True) if off < STRAIGHT_CHAIN_PX
    ]
    return fitted_lens(lens, straight, np.full(len(straight), CHAIN_SIGMA_PX))


@dataclass(frozen=True, eq=False)
class _Bounded:
    """The sheet on the straightened copy, and what lies about it, px of the picture itself."""

    bound: Bound | None
    sheets: int  # seen
    gaps: tuple[Gap, ...]  # where table shows inside the bound
    rim_px: FloatArray  # (N, 2) where the paper ends


def _bounded(copy: _Copy, lens: Lens) -> _Bounded:
    """Return the lines that bound the sheet on the straightened copy, and what else it shows of the outline."""
    height, width = copy.grey.shape
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    bent = lens.bend(np.stack([x.ravel(), y.ravel()], axis=1).astype(np.float64))
    at = bent.astype(np.float32).reshape(height, width, 2)
    seen = np.asarray(((at >= 0) & (at <= [width - 1, height - 1])).all(axis=2))
    flat = np.asarray(cv2.remap(copy.grey, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.uint8)
    tones = plain_tones(flat, INK_PX)
    chains = [chain for times in STRONGER for chain in find_chains(stronger(tones, times), SIDE_CHAIN_PX)]
    middle = np.array([width - 1, height - 1]) / 2
    lines = without_folds(side_lines(chains, tones), flat, tones, paper_about(tones, seen, middle))
    bound = bound_sheet(lines, tones, seen, middle)
    none = np.zeros((0, 2))
    if bound is None:
        return _Bounded(None, 1, (), none)
    ground = Ground.of(bound, tones, seen)

    def in_picture(places: FloatArray) -> FloatArray:
        return lens.bend(places) * copy.factor + (copy.factor - 1) / 2

    gaps = () if ground is None else tuple(_gap_at(gap, in_picture) for gap in table_inside(bound, ground, seen))
    rim_px = none if ground is None else in_picture(paper_rim(ground, seen))
    return _Bounded(bound, count_sheets(bound, tones, seen), gaps, rim_px)


def _halves(bound: Bound | None, factor: int) -> tuple[Half, ...]:
    """Return the bound at full resolution."""
    if bound is None:
        return ()
    shift = (factor - 1) / 2
    return tuple(
        Half(
            line.normal,
            factor * line.offset_px + shift * float(line.normal.sum()),
            "hidden" if hidden else "edge",
        )
        for line, hidden in zip(bound.lines, bound.hidden, strict=True)
    )


def _paper(bound: Bound | None, factor: int) -> Callable[[FloatArray], FloatArray]:
    """Return what gives the paper's grey at places of the straightened picture, full-resolution px."""

    def grey(places: FloatArray) -> FloatArray:
        return np.full(len(places), np.nan) if bound is None else bound.paper_grey((places - (factor - 1) / 2) / factor)

    return grey


def _edges(
    grey: Grey, lens: Lens, halves: Sequence[Half], paper: Callable[[FloatArray], FloatArray]
) -> dict[int, StraightLine]:
    """Return the sheet's own edges by the number of their half, in order round it, clockwise as seen."""
    polygon = cut_frame(lens, grey.shape, tuple(halves))
    order = sorted(range(len(halves)), key=lambda k: float(np.arctan2(*halves[k].normal[::-1])))
    names = _names([halves[k] for k in order])
    found = {}
    for name, k in zip(names, order, strict=True):
        ends = side_ends(polygon, k)
        if ends is None or halves[k].side != "edge":
            continue
        edge = measure_edge(grey, lens, *ends, name, paper)
        if edge is not None:
            found[k] = edge
    return found


def _sure_ones(edges: dict[int, StraightLine], lens: Lens) -> dict[int, StraightLine]:
    """Return the edges that are straight through the lens and do not scatter far more than the others."""
    on_line = {k: kept for k, edge in edges.items() if (kept := _on_one_line(edge, lens)) is not None}
    usual = float(np.median([np.median(edge.sigma_px) for edge in on_line.values()])) if on_line else 0.0
    most_px = max(SURELY_SHARP_PX, TIMES_USUAL_SIGMA * usual)
    return {k: edge for k, edge in on_line.items() if np.median(edge.sigma_px) < most_px}


def _on_one_line(edge: StraightLine, lens: Lens) -> StraightLine | None:
    """Return an edge with its places on one straight line, None when that is not most of them.

    A course that may bow a little can pass through the paper's edge here and a thing's there.
    """
    places = lens.straighten(edge.places.xy)
    along = places[-1] - places[0]
    station = (places - places[0]) @ along / np.hypot(*along)
    across = (places - places[0]) @ np.array([-along[1], along[0]]) / np.hypot(*along)
    line = smooth_course(station, across, 1)
    if line is None:
        return None
    off = np.abs(across - line.at)
    kept = off < MOST_EDGE_OFF_PX
    if kept.mean() < LEAST_ON_LINE or kept.sum() < LEAST_EDGE_PLACES:
        return None
    covered = len(station) * STATION_PX / float(np.ptp(station))
    if covered < LEAST_COVERED and np.sqrt(np.mean(off**2)) > MOST_OFF_IN_PIECES_PX:
        return None
    return replace(edge, places=PxPoints(edge.places.xy[kept]), sigma_px=edge.sigma_px[kept])


def _half_of(edge: StraightLine | None, half: Half, lens: Lens) -> Half:
    """Return the half that a measured edge bounds; ``half`` says which way is out, and is hidden without one."""
    if edge is None:
        return replace(half, side="hidden")
    places = lens.straighten(edge.places.xy)
    middle = places.mean(axis=0)
    normal = np.linalg.eigh((places - middle).T @ (places - middle))[1][:, 0]
    normal = normal if normal @ half.normal > 0 else -normal
    return Half(normal, float(normal @ middle), "edge")


def _names(halves: Sequence[Half]) -> list[str]:
    """Return a name for each side by the way it faces, all different."""
    names: list[str] = []
    for half in halves:
        quarter = round(float(np.arctan2(half.normal[1], half.normal[0])) / (np.pi / 2)) % 4
        name = f"{SIDE_NAMES[quarter]} edge of the sheet"
        names.append(name if name not in names else f"{name}, {len(names) + 1}")
    return names


def _drawn(grey: Grey, lens: Lens, copy: _Copy, rough: Lens, polygon_px: FloatArray | None) -> list[DrawnLine]:
    """Return what was measured of the candidates that the sheet's polygon holds, by their middles."""
    chains = [rough.straighten(chain) for chain in find_chains(copy.grey, LINE_CHAIN_PX)]
    chains += _finer_chains(grey, copy.factor, rough)
    candidates = line_candidates(chains, copy.factor, float(np.hypot(*grey.shape)))
    if polygon_px is not None and candidates:
        middles = lens.bend(np.array([(candidate.start + candidate.end) / 2 for candidate in candidates]))
        held = inside_polygon(polygon_px, middles)
        candidates = [candidate for candidate, is_held in zip(candidates, held, strict=True) if is_held]
    measured = [measure_line(grey, lens, candidate) for candidate in candidates[:MOST_MEASURED]]
    return [line for line in measured if line is not None]


def _finer_chains(grey: Grey, factor: int, rough: Lens) -> list[FloatArray]:
    """Return the chains of a finer copy, straightened, in px of the one of that factor; none where it is not finer."""
    finer = max(1, round(float(np.sqrt(grey.size / FINER_PIXELS))))
    if finer >= factor:
        return []
    small = _averaged(grey, finer)
    lens = replace(Lens.plain(small.shape), terms=rough.terms)
    chains = find_chains(small, LINE_CHAIN_PX * factor / finer)
    return [(lens.straighten(chain) + 0.5) * (finer / factor) - 0.5 for chain in chains]


def _told_by_all(lens: Lens, edges: Sequence[StraightLine], drawn: Sequence[DrawnLine]) -> Lens:
    """Return the lens by all that was measured at full resolution, one that bends nothing where that is too little."""
    places = [line.places for line in drawn] + [edge.places.xy for edge in edges]
    sigma = [max(float(line.sigma_px[0]), LEAST_LINE_SIGMA_PX) for line in drawn] + [EDGE_SIGMA_PX] * len(edges)
    told = fitted_lens(lens, places, np.array(sigma))
    straight = np.count_nonzero(Together.of(places).rms(told) < MOST_OFF_PX) if places else 0
    return told if straight >= LEAST_TOGETHER else replace(lens, terms=np.zeros(4))


def _lines(lens: Lens, drawn: Sequence[DrawnLine], polygon_px: FloatArray | None) -> tuple[StraightLine, ...]:
    """Return the drawn lines on the sheet that the lens makes straight, the longest, spread over it."""
    on_sheet = [line for line in drawn if polygon_px is None or inside_polygon(polygon_px, line.places).all()]
    if not on_sheet:
        return ()
    off = Together.of([line.places for line in on_sheet]).rms(lens)
    usual = float(np.median(off[off < MOST_OFF_PX])) if (off < MOST_OFF_PX).any() else MOST_OFF_PX
    most = min(MOST_OFF_PX, max(LEAST_OFF_PX, TIMES_USUAL * usual))
    straight = [line for line, o in zip(on_sheet, off, strict=True) if o < most]
    chosen = _spread(straight, lens)
    return tuple(
        StraightLine(f"drawn line {k + 1}", "drawn line", PxPoints(line.places), line.sigma_px)
        for k, line in enumerate(chosen)
    )


def _spread(lines: Sequence[DrawnLine], lens: Lens) -> list[DrawnLine]:
    """Return the longest lines, those beside lines already taken counting for less."""
    worth = np.array([line.length_px for line in lines])
    ends = np.array([lens.straighten(line.places[[0, -1]]) for line in lines]).reshape(-1, 2, 2)
    along = (ends[:, 1] - ends[:, 0]) / np.maximum(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1), 1e-9)[:, None]
    middle = ends.mean(axis=1)
    chosen: list[DrawnLine] = []
    for _ in range(min(MOST_LINES, len(lines))):
        k = int(np.argmax(worth))
        chosen.append(lines[k])
        worth[k] = -1.0
        turn = np.abs(along[k, 0] * along[:, 1] - along[k, 1] * along[:, 0])
        beside = np.abs((middle - middle[k]) @ np.array([-along[k, 1], along[k, 0]]))
        near = (turn < NEIGHBOUR_TURN) & (beside < NEIGHBOUR_PART * 2 * lens.half_px) & (worth > 0)
        worth[near] *= 1 - NEIGHBOUR_COSTS
    return chosen


def _area(polygon: FloatArray) -> float:
    x, y = polygon.T
    return float(abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) / 2)
