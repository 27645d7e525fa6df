"""The speed table: ``python -m tests.bench.speed`` (155 and 622 megapixels take long; ``--megapixels 8 35`` is quick).

Made scans of one plan, on larger and larger sheets, go through the whole command, from decoding to all files written.
Beside it, in turn in the same call, three yardsticks (``tests.bench.speed_yardsticks``): decoding alone; OpenCV's blur,
threshold and contours of the whole picture; the same streamed by libvips. Every process is measured from outside:
wall time, CPU time of all its threads, and peak memory; figures are medians.

wall, CPU  the command's wall and CPU time over those of OpenCV's whole picture; on a busy machine only CPU tells
growth     exponent of what the command's CPU takes beyond decoding, from the second largest picture to the largest
"""

from __future__ import annotations

import argparse
import json
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyvips
from tabulate import tabulate

from tests.maker.marks import Mark
from tests.maker.press import ink_page, save, scan, specks
from tests.maker.spec import MM_PER_INCH, PlanSpec, specs
from tests.maker.truth import describe

SIZES = (8.0, 35.0, 155.0, 622.0)
FORMATS = ("png", "jpg", "g4", "pdf")
WAYS = ("decode", "whole", "streamed", "boutline")
GOALS = {155.0: {"png": 1.6, "jpg": 1.9, "g4": 2.4}, 622.0: {"png": 1.2, "jpg": 1.5, "g4": 1.5}}
PEAK_GOALS_MIB = {155.0: 400.0, 622.0: 500.0}
MOST_DPI = 600.0
SIDES = 4.0 / 3.0
LINES_PER_MEGAPIXEL = 0.5
OVER = 2  # drawn this many times finer: places matter less here than time
KIB_PER_MIB = 1024.0


@dataclass(frozen=True)
class Cost:
    """What one process took."""

    wall_s: float
    cpu_s: float
    peak_mib: float
    code: int


def cost(call: list[str]) -> Cost:
    """Run a command to its end and return what it took, all its threads and no other process counted."""
    start = time.perf_counter()
    process = subprocess.Popen(call, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=_installed())
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    wall_s = time.perf_counter() - start
    return Cost(wall_s, used.ru_utime + used.ru_stime, used.ru_maxrss / KIB_PER_MIB, process.returncode)


def _installed() -> dict[str, str]:
    """Return an environment in which modules are compiled once, as those of an installed package are."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, "PYTHONPYCACHEPREFIX": str(Path(tempfile.gettempdir()) / "boutline-bench" / "compiled")}


def median(costs: list[Cost]) -> Cost:
    """Return the medians of some runs."""
    middle = [float(np.median([getattr(one, name) for one in costs])) for name in ("wall_s", "cpu_s", "peak_mib")]
    return Cost(*middle, max(one.code for one in costs))


def make_sheet(megapixels: float, folder: Path) -> dict[str, Path]:
    """Make one scan in every format; return the files by format."""
    spec = _spec(megapixels)
    files = {kind: folder / f"{spec.name}.{'tif' if kind == 'g4' else kind}" for kind in FORMATS}
    if all(path.exists() for kind, path in files.items() if kind != "pdf"):
        if not files["pdf"].exists():
            _save_pdf(files["jpg"], spec.dpi, files["pdf"])
        return files
    _, sheet, affine = describe(spec, files["png"])
    width = round(math.sqrt(megapixels * 1e6 * SIDES))
    size = width, round(width / SIDES)
    affine = affine + np.array([[0.0, 0.0, 0.03 * size[0]], [0.0, 0.0, 0.03 * size[1]]])
    marks = sheet.marks + specks(spec, sheet.size_mm) + _beside(megapixels, affine, size)
    grey = scan(ink_page(marks, affine, size, spec.gain_mm, spec.blur_px, OVER), spec)
    save(grey, spec, files["png"])
    pyvips.Image.new_from_array(grey).copy(
        interpretation="b-w", xres=spec.dpi / MM_PER_INCH, yres=spec.dpi / MM_PER_INCH
    ).jpegsave(str(files["jpg"]), Q=85)
    save(grey, replace(spec, one_bit=True, suffix=".tif"), files["g4"])
    _save_pdf(files["jpg"], spec.dpi, files["pdf"])
    return files


def _save_pdf(jpeg: Path, dpi: float, path: Path) -> None:
    """Write a PDF whose page is one scanned picture: the JPEG as it is, as scanners pack it."""
    image = pyvips.Image.new_from_file(str(jpeg), access="sequential")
    width, height = (side * 72.0 / dpi for side in (image.width, image.height))
    content = f"{width:.4f} 0 0 {height:.4f} 0 0 cm /Scan Do".encode()
    scan = f"/Subtype /Image /Width {image.width} /Height {image.height} /ColorSpace /DeviceGray".encode()
    scan += b" /BitsPerComponent 8 /Filter /DCTDecode"
    parts = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {width:.4f} {height:.4f}] /Contents 4 0 R "
        "/Resources << /XObject << /Scan 5 0 R >> >> >>".encode(),
        _stream(b"", content),
        _stream(scan, jpeg.read_bytes()),
    ]
    with path.open("wb") as file:
        file.write(b"%PDF-1.4\n")
        starts = []
        for number, part in enumerate(parts, 1):
            starts.append(file.tell())
            file.write(b"%d 0 obj\n" % number + part + b"\nendobj\n")
        table = file.tell()
        file.write(b"xref\n0 %d\n0000000000 65535 f \n" % (len(parts) + 1))
        file.write(b"".join(b"%010d 00000 n \n" % start for start in starts))
        file.write(b"trailer << /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (len(parts) + 1, table))


def _stream(entries: bytes, held: bytes) -> bytes:
    return b"<< " + entries + b" /Length %d >>\nstream\n" % len(held) + held + b"\nendstream"


def _spec(megapixels: float) -> PlanSpec:
    """Return the plan, at the resolution at which it fills a small sheet; a large one has more beside it."""
    smallest = min(specs(1, 20), key=lambda one: math.prod(describe(one, Path("none.png"))[1].size_mm))
    spec = replace(smallest, one_bit=False, suffix=".png", skew_deg=0.3)
    _, sheet, _ = describe(replace(spec, dpi=MOST_DPI), Path("none.png"))
    width, height = (side / MM_PER_INCH for side in sheet.size_mm)
    fill = math.sqrt(megapixels * 1e6 / SIDES) * 0.9 / max(height, width / SIDES)
    dpi = min(MOST_DPI, math.floor(fill))
    return replace(spec, name=f"sheet-{megapixels:g}-{dpi:.0f}dpi", dpi=dpi)


def _beside(megapixels: float, affine: np.ndarray, size_px: tuple[int, int]) -> tuple[Mark, ...]:
    """Return lines strewn over the part of the sheet that the plan leaves free."""
    rng = np.random.default_rng(8)
    found = []
    for start in rng.uniform((0.0, 0.0), size_px, (round(megapixels * LINES_PER_MEGAPIXEL), 2)):
        ends = np.array([start, start + rng.uniform(-1500.0, 1500.0, 2)])
        mm = np.linalg.solve(affine[:, :2], (ends - affine[:, 2]).T).T
        if mm[:, 1].max() < -5.0 or mm[:, 0].min() > 500.0:
            found.append(Mark(mm, width_mm=0.3))
    return tuple(found)


def measured(path: Path, runs: int, folder: Path) -> dict[str, Cost]:
    """Return what each way takes for a picture; the ways take turns."""
    calls = {way: [sys.executable, "-m", "tests.bench.speed_yardsticks", way, str(path)] for way in WAYS[:-1]}
    if path.suffix == ".pdf":
        calls["streamed"] = calls["decode"]  # libvips as installed here reads no PDF
    out = folder / "out"
    calls["boutline"] = [sys.executable, "-m", "digitize.cli", "outline", str(path), "--out", str(out), "--replace"]
    shutil.rmtree(out, ignore_errors=True)  # a refused run leaves the last one's record
    costs: dict[str, list[Cost]] = {way: [] for way in WAYS}
    for _ in range(runs):
        for way in WAYS:
            costs[way].append(cost(calls[way]))
    return {way: median(some) for way, some in costs.items()}


def stages(folder: Path) -> str:
    """Return the last run's stages, the longest first, from its record."""
    path = folder / "out" / "record.json"
    if not path.exists():
        return "no record"
    took = json.loads(path.read_text(encoding="utf-8"))["timings_s"]
    return ", ".join(f"{name} {s:.2f}" for name, s in sorted(took.items(), key=lambda one: -one[1]) if s >= 0.05)


def main() -> None:
    """Make the sheets, measure them and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=float, nargs="+", default=SIZES)
    parser.add_argument("--formats", nargs="+", choices=FORMATS, default=FORMATS)
    parser.add_argument("--runs", type=int, default=5)
    told = parser.parse_args()
    folder = Path(tempfile.gettempdir()) / "boutline-bench" / "speed"
    folder.mkdir(parents=True, exist_ok=True)
    rows, beyond = [], {}
    for size in told.megapixels:
        files = make_sheet(size, folder)
        for kind in told.formats:
            costs = measured(files[kind], told.runs, folder)
            own, whole, plain = costs["boutline"], costs["whole"], costs["decode"]
            beyond[kind, size] = own.cpu_s - plain.cpu_s
            goal, peak = GOALS.get(size, {}).get(kind), PEAK_GOALS_MIB.get(size)
            rows.append([
                f"{size:g}", kind, own.code, own.wall_s, own.cpu_s, own.wall_s / whole.wall_s, goal,
                own.cpu_s / whole.cpu_s, whole.wall_s, whole.cpu_s, plain.cpu_s, costs["streamed"].cpu_s,
                own.peak_mib, peak, whole.peak_mib,
            ])  # fmt: skip
            print(f"{size:g} {kind}: exit {own.code}, {own.wall_s:.1f} s; {stages(folder)}", flush=True)
    head = ["MP", "file", "exit", "s", "CPU s", "wall", "goal", "CPU", "OpenCV s", "OpenCV CPU s", "decode CPU s",
            "streamed CPU s", "peak MiB", "goal", "OpenCV MiB"]  # fmt: skip
    print(tabulate(rows, head, floatfmt=".2f"))
    if len(told.megapixels) > 1:
        low, high = sorted(told.megapixels)[-2:]
        for kind in told.formats:
            power = math.log(max(beyond[kind, high], 1e-3) / max(beyond[kind, low], 1e-3)) / math.log(high / low)
            print(f"growth {kind}, {low:g} to {high:g} MP: {power:.2f} (goal 0.5)")


if __name__ == "__main__":
    main()
