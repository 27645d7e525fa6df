"""The table of photos: ``python -m tests.bench.photos --count 100 --seed 1``.

Every made photo goes through the whole command with no help.

right            an outline was written and it is the body's: nowhere more than 1 mm off after the best rigid fit
wrong but sound  called sound, and more than 0.3 mm off somewhere, or more of the curve outside its claim than 5 %
                 by over 0.1 mm
scale            error of the size of the outline, from the best similarity, the rule's own error apart
length           the larger of the relative errors of the outline's length and of the root of its area, likewise; the
                 tips of corners that are cut short and a line's small wriggles count in it
covered          at least 95 % of the curve lies within the claimed outline.u95_mm

Of copies ("copied", "drawn only") the plan is the truth, not the paper; "copy" is by how much the factors told are off.
"""

from __future__ import annotations

import argparse
import dataclasses
import hashlib
import json
import math
import pickle
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from tabulate import tabulate

from calibration.frames import FloatArray
from tests.bench.accuracy import FAILURES, middle, p95
from tests.bench.compare import Comparison, carry, compare
from tests.bench.one import SOURCE, _where, read_body
from tests.maker.found_bodies import missing
from tests.maker.photo import MadePhoto, make_photo
from tests.maker.photo_mix import KINDS, photo_specs
from tests.maker.photo_spec import PhotoSpec
from tests.maker.truth import measure

RIGHT_MM, WRONG_MM = 1.0, 0.3
# kind -> rms median mm, largest deviation p95 mm, scale p95 %, found %
GOALS = {"two rules or square": (0.10, 0.30, 0.05, 95.0), "one rule": (math.inf, 0.6, math.inf, 95.0),
         "copied": (0.10, 0.30, 0.05, 95.0)}
HEAD = ["photos", "right %", "rms median", "max p95", "scale % p95", "length % p95", "sound", "look", "refused",
        "fault", "wrong but sound", "covered %", "lift told %", "s median"]
# their words say so
LIFT_CODES = {"sheet-not-flat", "photo-bent", "photo-bowed", "photo-lifted", "photo-open-bent", "rules-or-bent"}


@dataclass(frozen=True, eq=False)
class PhotoRow:
    """What one photo came to."""

    spec: PhotoSpec
    verdict: str
    reasons: tuple[str, ...]
    seconds: float
    u95_mm: float
    scale: float  # relative error
    length: float  # the larger of the relative errors of the outline's length and of the root of its area
    compared: Comparison | None
    note: str = ""
    copy_off: tuple[float, float, float] | None = None  # percent: of both factors told, and their 95 % interval

    @property
    def right(self) -> bool:
        """The outline is the body's."""
        return self.compared is not None and self.compared.max_mm <= RIGHT_MM

    @property
    def covered(self) -> bool:
        """The claim holds."""
        return self.compared is not None and self.compared.p95_mm <= self.u95_mm

    @property
    def wrong_but_sound(self) -> bool:
        """The worst fault."""
        if self.verdict != "sound" or self.compared is None:
            return False
        return self.compared.max_mm > max(WRONG_MM, self.u95_mm) or self.compared.p95_mm > self.u95_mm + 0.1

    @property
    def lift_told(self) -> bool:
        """The sheet was said not to be flat."""
        return bool(LIFT_CODES & set(self.reasons))


def cached_photo(spec: PhotoSpec) -> MadePhoto:
    """Return the photo, made once for as long as the maker stays as it is."""
    key = hashlib.sha256(SOURCE + repr(spec).encode()).hexdigest()[:16]
    folder = Path(tempfile.gettempdir()) / "boutline-bench" / key
    kept = folder / "truth.pickle"
    if not kept.exists():
        made = make_photo(spec, folder)
        kept.write_bytes(pickle.dumps(made))
    return pickle.loads(kept.read_bytes())


def run_photo(spec: PhotoSpec, out: Path) -> PhotoRow:
    """Run the command on one photo."""
    photo = cached_photo(spec)
    return run_plan(photo.path, photo, out)


def run_with_thickness(spec: PhotoSpec, out: Path) -> PhotoRow:
    """Run the command on one photo whose plan file tells how thick every laid rule is, to 0.05 mm, as callipers do."""
    photo = cached_photo(spec)
    edges = [(edge, "laid") for thing in photo.laid for edge in thing.edges] + [(edge, "drawn") for edge in photo.drawn]
    tables = []
    for edge, role in edges:
        x, y = edge.places_px[len(edge.places_px) // 2]
        high = 0.05 * round(float(np.median(edge.world_mm[:, 2])) / 0.05)
        thick = f'thickness = "{high:.2f} mm"\n' if role == "laid" else ""
        tables.append(f'[[rule]]\nrole = "{role}"\nnear = [{x:.0f}, {y:.0f}]\n{thick}')
    plan = photo.path.with_name(f"{photo.path.stem}-told.toml")
    plan.write_text(photo.plan_file() + "\n".join(tables), encoding="utf-8")
    return run_plan(plan, photo, out)


def run_plan(plan: Path, photo: MadePhoto, out: Path) -> PhotoRow:
    """Run the command on a photo or a plan file of it; whatever goes wrong becomes a row that says so."""
    from digitize.pipeline import run_outline

    spec = photo.spec
    start = time.perf_counter()
    try:
        record = run_outline(plan, out / spec.name, replace=True).record
    except Exception as fault:
        code = getattr(fault, "code", None)
        return PhotoRow(spec, "refused" if code else "fault", (str(code),) if code else (),
                        time.perf_counter() - start, math.nan, math.nan, math.nan, None, _where(fault))
    seconds = time.perf_counter() - start
    codes = tuple(reason["code"] for reason in record["reasons"])
    if record["verdict"] == "refused":
        return PhotoRow(spec, "refused", codes, seconds, math.nan, math.nan, math.nan, None)
    return _compared(photo, record, codes, out / spec.name, seconds)


def _compared(photo: MadePhoto, record: dict, codes: tuple[str, ...], out: Path, seconds: float) -> PhotoRow:
    """Return the row of a photo that gave an outline; the truth is stretched as the rules' own errors say."""
    found = np.array([(c["x_mm"], c["y_mm"]) for c in record["body"]["corners"]]).reshape(-1, 2)
    true, corners = (plan_truth(photo) if of_plan(photo.spec) else (photo.outline_mm, photo.corners_mm))
    compared = compare(read_body(out / "outline.dxf"), true, corners, found)
    laid_error = float(np.mean([thing.error for thing in photo.laid if thing.edges] or [0.0]))
    by_drawn = of_plan(photo.spec) or record["copy"]["x_percent"] is not None  # the plan's own mm: no laid rule counts
    told = 1.0 + (0.0 if by_drawn else laid_error)
    body, size = record["body"], measure(true)
    length = max(abs(body["perimeter_mm"] / size["perimeter_mm"] * told - 1.0),
                 abs(math.sqrt(body["area_mm2"] / size["area_mm2"]) * told - 1.0))
    return PhotoRow(photo.spec, record["verdict"], codes, seconds, float(record["outline"]["u95_mm"]),
                    abs(compared.scale * told - 1.0), length, compared,
                    copy_off=copy_errors(photo, record["copy"]))


def of_plan(spec: PhotoSpec) -> bool:
    """Return whether the answer is to be in mm of the plan, and the copy is off."""
    return spec.drawn_rules and (spec.plan.copier_x, spec.plan.copier_y) != (1.0, 1.0)


def plan_truth(photo: MadePhoto) -> tuple[FloatArray, FloatArray]:
    """Return the outline and its corners in the plan's own mm."""
    corners = np.asarray(photo.paper.drawing.ground.body.corners_mm).reshape(-1, 2)
    return photo.plan_outline_mm, corners * [-1.0, 1.0] if photo.spec.plan.mirrored else corners


def copy_errors(photo: MadePhoto, told: dict) -> tuple[float, float, float] | None:
    """Return by how many percent both factors told are off, and what was claimed of them."""
    if told["x_percent"] is None:
        return None
    plan = photo.spec.plan
    quarter = round(photo.spec.turn_deg / 90.0) % 2
    x, y = (plan.copier_y, plan.copier_x) if quarter else (plan.copier_x, plan.copier_y)
    return told["x_percent"] - 100.0 * x, told["y_percent"] - 100.0 * y, told["u95_percent"]


def show(row: PhotoRow) -> None:
    """Print one photo as soon as it is done."""
    spec = row.spec
    worst = ""
    if row.compared is not None:
        worst = (f" rms {row.compared.rms_mm:.3f} max {row.compared.max_mm:.3f} mm (u95 {row.u95_mm:.3f}) "
                 f"scale {100 * row.scale:.3f} % length {100 * row.length:.3f} %")
    if row.copy_off is not None:
        worst += " copy off {:+.3f} {:+.3f} % (u95 {:.3f})".format(*row.copy_off)
    flag = " WRONG BUT SOUND" if row.wrong_but_sound else "" if row.covered or row.compared is None else " not covered"
    laid = "+".join(one.model for one in spec.laid)
    mark = "ok  " if row.right else "FAIL"
    print(f"{mark} {spec.name} {spec.plan.family} {laid} tilt {spec.tilt_deg:.0f} k1 {spec.lens[0]:.2f}: "
          f"{row.verdict}{worst}{flag} [{' '.join([*row.reasons, row.note]).strip()}] {row.seconds:.1f} s", flush=True)


def line_of(rows: list[PhotoRow]) -> list[object]:
    """Return the figures of a set of photos, in the order of HEAD."""
    got = [row.compared for row in rows if row.right and row.compared is not None]
    verdicts = [sum(row.verdict == verdict for row in rows) for verdict in ("sound", "look", "refused", "fault")]
    answered = [row for row in rows if row.compared is not None]
    return [
        len(rows), 100.0 * len(got) / max(1, len(rows)), middle(one.rms_mm for one in got),
        p95(one.max_mm for one in got), 100.0 * p95(row.scale for row in rows if row.right),
        100.0 * p95(row.length for row in rows if row.right), *verdicts,
        sum(row.wrong_but_sound for row in rows),
        100.0 * sum(row.covered for row in answered) / max(1, len(answered)),
        100.0 * sum(row.lift_told for row in rows) / max(1, len(rows)), middle(row.seconds for row in rows),
    ]


def check_print(spec: PhotoSpec, out: Path) -> None:
    """Run the print check on one photo and print by how much its factors are off, and their 95 % intervals."""
    from digitize.print_check import run_print_check

    photo, start = cached_photo(spec), time.perf_counter()
    record = run_print_check(photo.path, out / f"check-{spec.name}", replace=True).record
    told, codes = record["print_check"], " ".join(reason["code"] for reason in record["reasons"])
    if record["verdict"] == "refused":
        print(f"{spec.name}: refused [{codes}]", flush=True)
        return
    off_x, off_y, _ = copy_errors(photo, record["copy"])
    laid = " ".join(f"{100 * thing.error:+.3f}" for thing in photo.laid)
    both = zip((off_x, off_y), (told["x"]["u95_percent"], told["y"]["u95_percent"]), strict=True)
    parts = " ".join(f"{off:+.3f}/{u95:.3f}{'' if abs(off) <= u95 else ' OUTSIDE'}" for off, u95 in both)
    plan = spec.plan
    shear = f"{told['shear']['deg'] - plan.shear_deg:+.3f}/{told['shear']['u95_deg']:.3f}"
    print(f"{spec.name}: copier {100 * plan.copier_x:.2f} {100 * plan.copier_y:.2f} rules {laid} %: {told['answer']} "
          f"off {parts} % shear {shear} deg [{codes}] {time.perf_counter() - start:.1f} s", flush=True)


def write_failure(row: PhotoRow, out: Path, folder: Path) -> None:
    """Write the photo with the truth green and the answer red."""
    folder.mkdir(parents=True, exist_ok=True)
    photo = cached_photo(row.spec)
    picture = cv2.imread(str(photo.path))
    zoom = 1600 / max(picture.shape[:2])
    picture = cv2.resize(picture, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA)
    _draw(picture, photo.to_px(photo.outline_mm) * zoom, (0, 160, 0))
    if row.compared is not None:
        answer = carry(read_body(out / row.spec.name / "outline.dxf"), row.compared.to_truth)
        _draw(picture, photo.to_px(answer) * zoom, (0, 0, 255))
    cv2.imwrite(str(folder / f"{row.spec.name}.jpg"), picture)
    told = json.dumps(dataclasses.asdict(row.spec), indent=1, default=str)
    (folder / f"{row.spec.name}.json").write_text(told + "\n", encoding="utf-8")


def _draw(picture: np.ndarray, points: FloatArray, colour: tuple[int, int, int]) -> None:
    cv2.polylines(picture, [np.rint(points * 16).astype(np.int32)], True, colour, 2, cv2.LINE_AA, 4)


def specs_of(kind: str, seed: int, count: int, lift_mm: float | None = None) -> Iterator[PhotoSpec]:
    """Yield the photos of a kind whose drawing is on this machine, lifted ones as high as told."""
    for spec in photo_specs(seed, count, kind):  # type: ignore[arg-type]
        if lift_mm is not None and spec.lift_mm:
            spec = dataclasses.replace(spec, name=f"{spec.name}-{lift_mm:g}", lift_mm=lift_mm)
        if not missing(spec.plan.family):
            yield spec


def main() -> None:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=100, help="photos of each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", choices=KINDS, action="append")
    parser.add_argument("--only", type=int, nargs="*", help="numbers of the photos to run")
    parser.add_argument("--lift", type=float, help="mm by which lifted sheets are lifted, in place of 1")
    parser.add_argument("--check", action="store_true", help="run the print check in place of the outline")
    parser.add_argument("--thickness", action="store_true", help="tell how thick every laid rule is")
    given = parser.parse_args()
    run = run_with_thickness if given.thickness else run_photo
    out = Path(tempfile.gettempdir()) / "boutline-bench" / f"photos-{given.seed}"
    lines = []
    for kind in given.kind or KINDS:
        rows = []
        for spec in specs_of(kind, given.seed, given.count, given.lift):
            if given.only is not None and int(spec.name.split("-")[2]) not in given.only:
                continue
            if given.check:
                check_print(spec, out)
                continue
            rows.append(run(spec, out))
            show(rows[-1])
            if not rows[-1].right or rows[-1].wrong_but_sound:
                write_failure(rows[-1], out, FAILURES / "photos")
        if rows:
            lines.append([kind, *line_of(rows)])
    form = ("g", "g", ".1f", *[".3f"] * 4, *["g"] * 5, ".1f", ".1f", ".1f")
    print("\n" + tabulate(lines, ["kind", *HEAD], floatfmt=form))
    goals = [[kind, *map(str, goal)] for kind, goal in GOALS.items()]
    print("\n" + tabulate(goals, ["to reach", "rms median", "max p95", "scale % p95", "right %"]))


if __name__ == "__main__":
    main()
