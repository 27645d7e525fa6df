"""The table of rules in photos: ``python -m tests.bench.photo_rules --count 60 --seed 1``.

Made photos with the truth of every graduation kept. Every graduated edge found is held against the edge that it lies
on: its unit and value, every number (a slip of one graduation is a wrong scale), and every place across the graduation.
found: rules and arms of squares with one usable edge at least. ready: photos with two of them (one where there is one),
all right. WRONG must never happen: an edge given as certain with a wrong value or a slipped number, or where no
graduations are. slow: rms of what of the place errors changes slowly along a rule. across: rms by which places leave
the true edge's direction.
"""

from __future__ import annotations

import argparse
import pickle
from dataclasses import dataclass, field
from pathlib import Path
from time import process_time

import cv2
import numpy as np
from PIL import Image, ImageOps
from tabulate import tabulate

from calibration.frames import FloatArray, IntArray
from digitize.rule import PhotoRule, PhotoRuleSearch, find_photo_rules
from digitize.shapes import Picture
from tests.maker.photo import MadePhoto, make_photo
from tests.maker.photo_mix import KINDS, photo_specs

NEAR_PX = 45.0  # graduations found are those of an edge this near
MISPLACED = 0.3  # of a graduation: another one was meant
FAIL_WIDTH = 1600  # of the pictures kept


@dataclass(frozen=True)
class TrueEdge:
    """Graduations that are there."""

    name: str
    body: str
    role: str
    pitch_mm: float
    at_mm: FloatArray
    places_px: FloatArray
    inner_px: FloatArray


@dataclass
class Seen:
    """One found edge against the truth."""

    edge: TrueEdge | None
    why: str = ""  # what is wrong; empty when right
    off_px: FloatArray = field(default_factory=lambda: np.zeros(0))  # along the rule, across the graduations
    sigma_px: float = 1.0
    slow_px: float = 0.0  # rms of the part of it that changes slowly
    across_px: float = 0.0  # rms by which the places leave a line along the edge
    part: float = 0.0  # of the edge's length
    role_right: bool = True


def true_edges(photo: MadePhoto) -> list[TrueEdge]:
    """Return every graduated edge of the things laid, and of the drawn rules where they show."""
    out = []
    for thing in photo.laid:
        for edge in thing.edges:
            arm = edge.name.rsplit(" ", 1)[1].split(".")[0]
            body = f"{thing.name} {arm}"
            out.append(TrueEdge(edge.name, body, "laid", edge.pitch_mm, edge.at_mm, edge.places_px, edge.inner_px))
    return out + (_drawn_edges(photo) if photo.spec.drawn_rules else [])


def _drawn_edges(photo: MadePhoto) -> list[TrueEdge]:
    matrix = photo.paper.plan_to_sheet
    out = []
    for number, rule in enumerate(photo.paper.drawing.sheet.rules):
        at = rule.present * rule.pitch_mm
        along = np.asarray(rule.along)
        feet = rule.start_mm + at[:, None] * along
        ends = feet + 3.0 * np.array([-along[1], along[0]])
        px = [photo.sheet_to_px(points @ matrix[:, :2].T + matrix[:, 2]) for points in (feet, ends)]
        name = f"drawn {number + 1}"
        out.append(TrueEdge(name, name, "drawn", rule.pitch_mm, at.astype(float), px[0], px[1]))
    return out


def nearest(edge: TrueEdge, xy: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Return (number, px beyond) of the true graduation whose line passes each place, and how far the edge is."""
    ahead = edge.inner_px - edge.places_px
    ahead = ahead / np.hypot(*ahead.T)[:, None]
    away = xy[:, None] - edge.places_px[None]
    beyond = away[..., 0] * ahead[None, :, 1] - away[..., 1] * ahead[None, :, 0]
    far = np.hypot(away[..., 0], away[..., 1])
    score = np.where(far < NEAR_PX, np.abs(beyond), np.inf)
    best = np.argmin(score, axis=1)
    each = np.arange(len(xy))
    return best, beyond[each, best], float(np.median(far.min(axis=1)))


def judge(found: PhotoRule, edges: list[TrueEdge]) -> Seen:
    """Return what a found edge comes to."""
    control, rule = found.rule.control, found.rule
    xy = control.places.xy
    if not edges:
        return Seen(None, "no graduations there")
    edge = min(edges, key=lambda one: nearest(one, xy)[2])
    number, off, far = nearest(edge, xy)
    if far > NEAR_PX:
        return Seen(None, f"no graduations there: {rule.pitch_mm:.4f} at {rule.from_px}")
    times = rule.pitch_mm / edge.pitch_mm
    px_step = np.median(np.hypot(*np.diff(edge.places_px, axis=0).T))
    step = np.abs(np.diff(edge.at_mm[number]))
    why = ""
    if abs(times - round(times)) > 1e-6 or round(times) not in (1, 2, 4):
        why = f"value {rule.pitch_mm:.4f} for {edge.pitch_mm:.4f}"
    elif not np.allclose(step, np.diff(control.at_mm), atol=1e-6) or np.abs(off).max() > MISPLACED * px_step * times:
        why = f"slipped: off by {np.abs(off).max():.2f} px"
    part = float(np.ptp(edge.at_mm[number]) / np.ptp(edge.at_mm))
    along = np.linspace(-1.0, 1.0, len(off))
    slow = np.polyval(np.polyfit(along, off, 3), along) - off.mean()
    return Seen(edge, why, off - off.mean(), float(control.sigma_px[0]), float(np.sqrt(np.mean(slow**2))),
                across_of(edge, number, xy), part, rule.role == edge.role)


def across_of(edge: TrueEdge, number: IntArray, xy: FloatArray) -> float:
    """Return the rms by which places leave a line at one height along the shortest marks, px."""
    mark = edge.inner_px - edge.places_px
    size = np.hypot(*mark.T)
    near = np.array([size[max(0, n - 12) : n + 13].min() for n in range(len(size))])
    short = size < 1.15 * near
    tall = np.interp(np.arange(len(size)), np.nonzero(short)[0], size[short])
    high = np.sum((xy - edge.places_px[number]) * mark[number], axis=1) / size[number]
    share = float(np.median(high / tall[number]))
    return float(np.sqrt(np.mean((high - share * tall[number]) ** 2)))


@dataclass
class Result:
    """One photo."""

    photo: MadePhoto
    search: PhotoRuleSearch
    seen: list[Seen]
    bodies: list[str]  # rules and arms that are laid there
    seconds: float

    @property
    def found(self) -> set[str]:
        """Laid bodies with one right edge."""
        return {one.edge.body for one in self.seen if one.edge is not None and not one.why} & set(self.bodies)

    @property
    def wrong(self) -> list[Seen]:
        """Edges given as certain that are not right."""
        return [one for one in self.seen if one.why]

    @property
    def ready(self) -> bool:
        """Two rules or arms are usable, or the one that is there, and nothing is wrong."""
        return len(self.found) >= min(2, len(self.bodies)) and not self.wrong


def picture_of(path: Path) -> Picture:
    """Return the upright grey picture."""
    image = ImageOps.exif_transpose(Image.open(path))
    grey = np.asarray(image.convert("L"), dtype=np.uint8)
    return Picture(grey, path.name, "0" * 64, None, "photo")


def run(photo: MadePhoto, path: Path) -> Result:
    """Return what the search of one photo came to."""
    picture = picture_of(path)
    begin = process_time()
    search = find_photo_rules(picture)
    seconds = process_time() - begin
    edges = true_edges(photo)
    bodies = sorted({edge.body for edge in edges if edge.role == "laid"})
    return Result(photo, search, [judge(one, edges) for one in search.rules], bodies, seconds)


def keep(result: Result, path: Path, folder: Path) -> None:
    """Write the photo with what was found drawn over it."""
    folder.mkdir(parents=True, exist_ok=True)
    view = cv2.cvtColor(picture_of(path).grey, cv2.COLOR_GRAY2BGR)
    for one, seen in zip(result.search.rules, result.seen, strict=True):
        colour = (0, 0, 255) if seen.why else (0, 160, 0)
        cv2.polylines(view, [np.rint(one.polygon.xy).astype(np.int32)], True, colour, 5)
        for x, y in one.rule.control.places.xy[::10]:
            cv2.circle(view, (round(x), round(y)), 7, colour, -1)
    scale = FAIL_WIDTH / max(view.shape)
    small = cv2.resize(view, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(folder / f"{path.stem}.png"), small)


def _made(spec, folder: Path) -> tuple[MadePhoto, Path]:
    """Return a photo, from the folder where it was made before."""
    kept, path = folder / f"{spec.name}.pkl", folder / f"{spec.name}.jpg"
    if not (kept.exists() and path.exists()):
        photo = make_photo(spec, folder)
        kept.write_bytes(pickle.dumps(photo))
    return pickle.loads(kept.read_bytes()), path


def line_of(name: str, results: list[Result]) -> list[object]:
    """Return one line of the table."""
    bodies, found = sum(len(r.bodies) for r in results), sum(len(r.found) for r in results)
    seen = [one for r in results for one in r.seen]
    right = [one for one in seen if not one.why and one.edge is not None]
    off = np.concatenate([one.off_px for one in right]) if right else np.zeros(1)
    slow, across = ([getattr(one, name) for one in right] or [0.0] for name in ("slow_px", "across_px"))
    parts = [float(np.mean([one.part for one in right]))] if right else [0.0]
    squares = [r for r in results if any(t.kind == "square" for t in r.photo.laid)]
    angled = sum(len(r.search.angles) > 0 for r in squares)
    seconds = [r.seconds for r in results]
    figures = [_rms(off), float(np.abs(off).max()), _rms(slow), _rms(across)]
    return [name, len(results), f"{found}/{bodies}", sum(r.ready for r in results), len(seen),
            sum(bool(one.why) for one in seen), sum(not one.role_right for one in right), f"{angled}/{len(squares)}",
            *figures, *parts, float(np.median(seconds)), float(np.max(seconds))]


def _rms(values: FloatArray | list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


HEAD = ["kind", "photos", "found", "ready", "edges", "WRONG", "role wrong", "angles", "rms px", "largest", "slow",
        "across", "part", "s", "s worst"]


def main() -> None:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", choices=KINDS, default=KINDS[0])
    parser.add_argument("--photos", type=Path, default=Path("failures/photo-rules/made"), help="where photos are made")
    parser.add_argument("--failures", type=Path, default=Path("failures/photo-rules"))
    given = parser.parse_args()
    cv2.setNumThreads(1)
    groups: dict[str, list[Result]] = {}
    for spec in photo_specs(given.seed, given.count, given.kind):
        photo, path = _made(spec, given.photos)
        result = run(photo, path)
        groups.setdefault(spec.group, []).append(result)
        if not result.ready:
            keep(result, path, given.failures)
            why = "; ".join(f"{one.edge.name if one.edge else '-'}: {one.why}" for one in result.wrong)
            lost = ", ".join(sorted(set(result.bodies) - result.found))
            said = ", ".join(doubt.code for doubt in result.search.doubts)
            print(f"{spec.name}: not found {lost or 'nothing'}; WRONG {why or 'nothing'}; {said}", flush=True)
    lines = [line_of(name, results) for name, results in groups.items()]
    lines.append(line_of("all", [one for results in groups.values() for one in results]))
    print("\n" + tabulate(lines, HEAD, floatfmt=".3f"))


if __name__ == "__main__":
    main()


__all__ = ["TrueEdge", "judge", "nearest", "run", "true_edges"]
