"""One made plan through the whole command, compared with its truth."""

from __future__ import annotations

import hashlib
import math
import tempfile
import time
import traceback
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import ezdxf
import numpy as np
from ezdxf.path import make_path

from calibration.frames import FloatArray
from tests.bench.compare import Comparison, carry, compare
from tests.maker import MadePlan, PlanSpec, describe, make_plan

FLATTEN_MM = 0.0005  # chord error when bulges become points
RIGHT_MM = 0.3  # an outline off by more than this anywhere is another line, not a poor trace
WRONG_MM = 0.3  # a sound answer off by more than this is a wrong outline called sound, whatever it claimed
MAKER = Path(__file__).resolve().parents[1] / "maker"
SOURCE = b"".join(path.read_bytes() for path in sorted(MAKER.glob("*.py")) if not path.name.startswith("test_"))


@dataclass(frozen=True, eq=False)
class Row:
    """What one plan came to; errors are nan where there was no outline."""

    spec: PlanSpec
    verdict: str  # sound, look, refused or fault
    reasons: tuple[str, ...]
    seconds: float
    peak_mib: float
    u95_mm: float
    scale_x: float  # relative error
    scale_y: float
    length: float
    width: float
    compared: Comparison | None
    frame: tuple[float, float, float] = (math.nan, math.nan, math.nan)  # x0 mm, angle deg, y0 mm, sign dropped
    note: str = ""

    @property
    def right(self) -> bool:
        """An outline was written and it is the body's."""
        return self.compared is not None and self.compared.max_mm <= RIGHT_MM

    @property
    def wrong_but_sound(self) -> bool:
        """The worst fault: called sound, and far outside what was claimed."""
        if self.verdict != "sound" or self.compared is None:
            return False
        return self.compared.max_mm > WRONG_MM

    @property
    def covered(self) -> bool:
        """The claim holds: 95 % of the curve lies within u95 of the truth."""
        return self.compared is not None and self.compared.p95_mm <= self.u95_mm


def cached_plan(spec: PlanSpec) -> MadePlan:
    """Return the plan, made once for as long as the maker stays as it is."""
    key = hashlib.sha256(SOURCE + repr(spec).encode()).hexdigest()[:16]
    folder = Path(tempfile.gettempdir()) / "boutline-bench" / key
    plan, _, _ = describe(spec, folder / f"{spec.name}{spec.suffix}")
    if not plan.path.exists():
        made = make_plan(spec, folder / "making")
        made.path.rename(plan.path)
    return plan


def read_body(path: Path) -> FloatArray:
    """Return the BODY loop of outline.dxf as fine points, mm."""
    loops = ezdxf.readfile(path).modelspace().query('LWPOLYLINE[layer=="BODY"]')
    if len(loops) != 1:
        raise ValueError(f"{len(loops)} loops on BODY")
    points = np.array([(p.x, p.y) for p in make_path(loops[0]).flattening(FLATTEN_MM)])
    return points[:-1] if np.allclose(points[0], points[-1]) else points


def _failed(spec: PlanSpec, verdict: str, reasons: tuple[str, ...], seconds: float, note: str = "") -> Row:
    nan = math.nan
    return Row(spec, verdict, reasons, seconds, nan, nan, nan, nan, nan, nan, None, note=note)


def frame_errors(plan: MadePlan, claimed_to_px: FloatArray, compared: Comparison) -> tuple[float, float, float]:
    """Return how far the claimed frame is from the true one: x0 mm at mid body, angle deg, y0 mm at the tail.

    Taken twice, the larger counts: from where the claimed frame lies in the picture (which shows a
    centerline misplaced before the halves were averaged), and from where the outline lies in its frame.
    """
    length = plan.measures["length_mm"]
    claimed = np.array([(0.0, 0.0), (0.0, length / 2), (0.0, length)])
    matrix, shift = plan.plan_to_px[:, :2], plan.plan_to_px[:, 2]
    tail, mid, neck = np.linalg.solve(matrix, (carry(claimed, claimed_to_px) - shift).T).T
    angle = math.degrees(math.atan2(neck[0] - tail[0], neck[1] - tail[1]))
    return (
        max(abs(float(mid[0])), abs(compared.frame_x_mm)), max(abs(angle), abs(compared.frame_deg)),
        max(abs(float(tail[1])), abs(compared.frame_y_mm)),
    )


def _row(plan: MadePlan, record: dict, claimed_to_px: FloatArray, out: Path, seconds: float) -> Row:
    """Return the row of a plan that came back with an outline."""
    found = np.array([(c["x_mm"], c["y_mm"]) for c in record["body"]["corners"]]).reshape(-1, 2)
    compared = compare(read_body(out / "outline.dxf"), plan.outline_mm, plan.corners_mm, found)
    body, scale = record["body"], record["scale"]
    return Row(
        plan.spec, record["verdict"], tuple(reason["code"] for reason in record["reasons"]), seconds,
        float(record.get("peak_mib") or math.nan), float(record["outline"]["u95_mm"]),
        scale["mm_per_px_x"] / plan.mm_per_px_x - 1, scale["mm_per_px_y"] / plan.mm_per_px_y - 1,
        body["length_mm"] / plan.measures["length_mm"] - 1, body["lower_bout_mm"] / plan.measures["width_mm"] - 1,
        compared, frame_errors(plan, claimed_to_px, compared),
    )


def _where(fault: BaseException) -> str:
    """Return the last place in this project that a fault went through."""
    frames = traceback.extract_tb(fault.__traceback__)
    own = [f for f in frames if "site-packages" not in f.filename] or frames
    return f"{type(fault).__name__}: {fault} ({Path(own[-1].filename).name}:{own[-1].lineno} {own[-1].name})"


def run_one(spec: PlanSpec, out: Path) -> Row:
    """Run one plan; whatever goes wrong becomes a row that says so."""
    from digitize import pipeline
    from digitize.traced import Traced, body_to_px

    kept: list[Traced] = []

    def watched(*given: object) -> Traced:
        kept.append(trace(*given))  # type: ignore[arg-type]
        return kept[-1]

    trace = pipeline.trace_plan
    start = time.perf_counter()
    try:
        plan = cached_plan(spec)
        start = time.perf_counter()
        with mock.patch.object(pipeline, "trace_plan", watched):
            outcome = pipeline.run_outline(plan.path, out / spec.name, replace=True, progress=None)
        seconds = time.perf_counter() - start
        record = outcome.record
        if record["verdict"] == "refused":
            return _failed(spec, "refused", tuple(reason["code"] for reason in record["reasons"]), seconds)
        return _row(plan, record, body_to_px(kept[0].body, kept[0].calibration), out / spec.name, seconds)
    except Exception as fault:
        code = getattr(fault, "code", None)
        seconds = time.perf_counter() - start
        return _failed(spec, "refused" if code else "fault", (str(code),) if code else (), seconds, _where(fault))
