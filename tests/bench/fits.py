"""Cut parts with known truth against their outlines: ``python -m tests.bench.fits --count 20 --seed 1``.

Every made part goes through the whole command with no help.

found            a run with the right sign overlaps the stretch that was left standing or taken off
size             of those found, how far off their size is (95th percentile, mm)
false            parts with a run where nothing was changed
wrong fits       said to fit, and the truth is more than 0.05 mm beyond the tolerance somewhere
rms, max         of the map against the truth after the best rigid motion, median and 95th percentile, mm
side             parts whose side, way up or material was told wrong
"""

from __future__ import annotations

import argparse
import math
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from tabulate import tabulate

from digitize.fit import run_fit
from digitize.fit_settings import FitWanted
from digitize.shapes import Drawing
from digitize.writers.dxf import write_dxf
from tests.bench.accuracy import middle, p95
from tests.digitize.mold_bodies import outline_of
from tests.maker.cut_part import CutSpec, MadePart, make_part, part_specs
from tests.maker.cut_photo import make_part_photo

TOLERANCE_MM, WRONG_BY_MM = 0.25, 0.05
MEAN_MM = 10.0
# kind -> how far proud (+) or hollow (-), and whether it is photographed
KINDS = {
    "true": (0.0, False),
    "proud 0.2": (0.2, False),
    "hollow 0.2": (-0.2, False),
    "proud 0.5": (0.5, False),
    "photo true": (0.0, True),
    "photo proud 0.5": (0.5, True),
}
HEAD = [
    "parts",
    "answered",
    "found",
    "size p95",
    "false",
    "wrong fits",
    "rms",
    "max p95",
    "side",
    "fits",
    "sand",
    "hollow",
    "look",
    "refused",
    "s median",
]


@dataclass(eq=False)
class PartRow:
    """What one part came to."""

    spec: CutSpec
    answer: str
    codes: tuple[str, ...]
    seconds: float
    found: bool = False
    size_off_mm: float = math.nan
    false: int = 0
    wrong_fit: bool = False
    side_wrong: bool = False
    rms_mm: float = math.nan
    max_mm: float = math.nan
    runs: list[Any] = field(default_factory=list)


def write_outline(spec: CutSpec, folder: Path) -> Path:
    """Write the outline that a part is cut for."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "outline.dxf"
    write_dxf(Drawing((("BODY", outline_of(spec.family, spec.seed)),)), path)
    return path


def run_part(spec: CutSpec, photo: bool, folder: Path) -> PartRow:
    """Run the command on one part."""
    made = make_part_photo(spec, folder) if photo else make_part(spec, folder)
    outline = write_outline(spec, folder)
    start = time.perf_counter()
    wanted = FitWanted(thickness=f"{made.thickness_mm} mm" if photo else None)
    record = run_fit(made.path, outline, folder / f"out-{spec.name}", wanted, replace=True).record
    seconds = time.perf_counter() - start
    codes = tuple(reason["code"] for reason in record["reasons"])
    if record["verdict"] == "refused":
        return PartRow(spec, "refused", codes, seconds)
    return _compared(made, record["fit"], PartRow(spec, record["fit"]["answer"], codes, seconds))


def truth(made: MadePart, along_mm: np.ndarray) -> np.ndarray:
    """Return the mean over 10 mm of what stands beyond the outline at places along it."""
    step = float(np.median(np.diff(made.along_mm)))
    count = max(1, round(MEAN_MM / step))
    sums = np.convolve(made.proud_mm, np.ones(count), "same")
    means = sums / np.convolve(np.ones(len(made.proud_mm)), np.ones(count), "same")
    return np.asarray(np.interp(along_mm, made.along_mm, means))


def _compared(made: MadePart, fit: dict[str, Any], row: PartRow) -> PartRow:
    spec, found = made.spec, fit["map"]
    along, off = np.array(found["along_mm"]), np.array(found["off_mm"])
    miss = off - truth(made, along)
    row.rms_mm, row.max_mm = float(np.sqrt(np.mean(miss**2))), float(np.abs(miss).max())
    middle_mm = spec.proud_at * float(made.along_mm[-1])
    reach = spec.proud_long_mm / 2.0
    for run in fit["runs"]:
        over = run["from_mm"] < middle_mm + reach and run["to_mm"] > middle_mm - reach
        if spec.proud_mm and over and run["size_mm"] * spec.proud_mm > 0:
            row.found, row.size_off_mm = True, abs(run["size_mm"] - spec.proud_mm)
        else:
            row.false += 1
    row.runs = fit["runs"]
    worst = float(np.abs(truth(made, along)).max())
    row.wrong_fit = row.answer == "fits" and worst > TOLERANCE_MM + WRONG_BY_MM
    right = ("left" if spec.face_down else "right", "outside" if spec.kind == "template" else "inside")
    row.side_wrong = (fit["half"], fit["material"]) != right or fit["face_down"]
    return row


def show(row: PartRow) -> None:
    """Print one part as soon as it is done."""
    spec = row.spec
    runs = " ".join(f"{one['size_mm']:+.2f}@{one['from_mm']:.0f}-{one['to_mm']:.0f}" for one in row.runs)
    flag = " WRONG FIT" * row.wrong_fit + " FALSE" * bool(row.false) + " SIDE" * row.side_wrong
    print(
        f"{spec.name} {spec.kind} {spec.stuff} on {spec.ground}{' mirrored' * spec.face_down}: {row.answer} [{runs}] "
        f"rms {row.rms_mm:.3f} max {row.max_mm:.3f}{flag} [{' '.join(row.codes)}] {row.seconds:.1f} s",
        flush=True,
    )


def line_of(rows: list[PartRow]) -> list[object]:
    """Return the figures of a kind, in the order of HEAD."""
    answered = [row for row in rows if row.answer != "refused"]
    counts = Counter(row.answer for row in rows)
    changed = bool(rows[0].spec.proud_mm)
    return [
        len(rows),
        len(answered),
        f"{100.0 * sum(row.found for row in rows) / len(rows):.0f} %" if changed else "-",
        p95(row.size_off_mm for row in rows if row.found),
        sum(bool(row.false) for row in rows),
        sum(row.wrong_fit for row in rows),
        middle(row.rms_mm for row in answered),
        p95(row.max_mm for row in answered),
        sum(row.side_wrong for row in rows),
        *(counts[word] for word in ("fits", "sand", "hollow", "look", "refused")),
        middle(row.seconds for row in rows),
    ]


def main() -> None:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=20, help="parts of each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", choices=KINDS, action="append")
    parser.add_argument("--only", type=int, nargs="*", help="numbers of the parts to run")
    given = parser.parse_args()
    lines = []
    with tempfile.TemporaryDirectory() as folder:
        for kind in given.kind or KINDS:
            proud_mm, photo = KINDS[kind]
            rows = []
            for number, spec in enumerate(part_specs(given.seed, given.count, proud_mm)):
                if given.only is not None and number not in given.only:
                    continue
                rows.append(run_part(spec, photo, Path(folder) / kind))
                show(rows[-1])
            if rows:
                lines.append([kind, *line_of(rows)])
    print("\n" + tabulate(lines, ["kind", *HEAD], floatfmt=".3f"))


if __name__ == "__main__":
    main()
