"""One plan of a level through the whole command: first alone, then with one line of help; pictures of what failed."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pyvips

from tests.bench.compare import carry
from tests.bench.help_lines import help_line
from tests.bench.one import SOURCE, Row, _failed, _row, _where, read_body
from tests.bench.pictures import ANSWER, TRUTH, _draw
from tests.maker.level_plan import LevelPlan, describe_level, make_level_plan
from tests.maker.level_spec import LEVELS, LevelSpec

PICTURE_PX = 1600
BAR_PX = 26
KEEP_PICTURES = 30


@dataclass(frozen=True, eq=False)
class LevelRow:
    """What one plan came to, alone and (when that was not right) with one line of help."""

    spec: LevelSpec
    alone: Row
    helped: Row | None
    line: str  # the help given

    @property
    def right_alone(self) -> bool:
        """Right with no help; where no eye could tell which line is meant, saying so is right too."""
        return self.alone.right or (self.spec.ambiguous and self.alone.verdict in ("look", "refused"))

    @property
    def right_at_last(self) -> bool:
        """Right alone, or with the one line."""
        return self.alone.right or (self.helped is not None and self.helped.right)


def cached_level(spec: LevelSpec) -> LevelPlan:
    """Return the plan, made once for as long as the maker stays as it is."""
    key = hashlib.sha256(SOURCE + repr(spec).encode()).hexdigest()[:16]
    folder = Path(tempfile.gettempdir()) / "boutline-bench" / key
    plan, _, _ = describe_level(spec, folder / f"{spec.name}{spec.suffix}")
    if not plan.path.exists():
        made = make_level_plan(spec, folder / "making")
        made.path.rename(plan.path)
    return plan


def _plan_file(plan: LevelPlan, line: str) -> str:
    """Return the plan file with one line more: of the body, or the rules."""
    return f"{line}\n{plan.plan_file()}" if line.startswith("rule") else plan.plan_file(line)


def _attempt(plan: LevelPlan, line: str, out: Path) -> Row:
    """Run the command on one plan file; whatever goes wrong becomes a row that says so."""
    from unittest import mock

    from digitize import pipeline
    from digitize.traced import body_to_px

    kept = []

    def watched(*given):  # type: ignore[no-untyped-def]
        kept.append(trace(*given))
        return kept[-1]

    trace = pipeline.trace_plan
    start = time.perf_counter()
    try:
        file = plan.path
        if line or plan.spans:
            file = plan.path.with_suffix(".helped.toml" if line else ".alone.toml")
            file.write_text(_plan_file(plan, line), encoding="utf-8")
        with mock.patch.object(pipeline, "trace_plan", watched):
            outcome = pipeline.run_outline(file, out, replace=True, progress=None)
        seconds = time.perf_counter() - start
        record = outcome.record
        if record["verdict"] == "refused":
            return _failed(plan.spec, "refused", tuple(reason["code"] for reason in record["reasons"]), seconds)
        return _row(plan, record, body_to_px(kept[0].body, kept[0].calibration), out, seconds)
    except Exception as fault:
        code = getattr(fault, "code", None)
        seconds = time.perf_counter() - start
        return _failed(plan.spec, "refused" if code else "fault", (str(code),) if code else (), seconds, _where(fault))


def run_level(spec: LevelSpec, out: Path) -> LevelRow:
    """Run one plan alone and, when that is not right, with one line of help."""
    try:
        plan = cached_level(spec)
    except Exception as fault:
        return LevelRow(spec, _failed(spec, "fault", (), 0.0, "maker: " + _where(fault)), None, "")
    alone = _attempt(plan, "", out / spec.name)
    if alone.right:
        return LevelRow(spec, alone, None, "")
    answer = None if alone.compared is None else read_body(out / spec.name / "outline.dxf")
    line = help_line(plan, alone, answer)
    return LevelRow(spec, alone, _attempt(plan, line, out / f"{spec.name}-helped"), line)


def _small(plan: LevelPlan) -> tuple[np.ndarray, float]:
    """Return the page in colour, made small, and its zoom."""
    zoom = min(1.0, PICTURE_PX / max(plan.size_px))
    image = pyvips.Image.new_from_file(str(plan.path))
    values = image.cast("uchar").resize(zoom).numpy()
    if values.ndim == 2 or values.shape[2] == 1:
        return cv2.cvtColor(values.reshape(values.shape[0], values.shape[1]), cv2.COLOR_GRAY2BGR), zoom
    return np.ascontiguousarray(values[:, :, ::-1]), zoom


def write_failure(row: LevelRow, out: Path, folder: Path) -> None:
    """Write the page with truth green and, where there is one, the answer red and its worst place ringed."""
    if not row.alone.compared and "maker" in row.alone.note:
        return
    folder.mkdir(parents=True, exist_ok=True)
    plan = cached_level(row.spec)
    picture, zoom = _small(plan)
    _draw(picture, (plan.to_px(plan.outline_mm) + 0.5) * zoom - 0.5, TRUTH)
    got = row.alone.compared
    if got is not None:
        answer = plan.to_px(carry(read_body(out / row.spec.name / "outline.dxf"), got.to_truth))
        _draw(picture, (answer + 0.5) * zoom - 0.5, ANSWER)
        worst = plan.to_px(got.worst_at_mm[None])[0] * zoom
        cv2.circle(picture, (int(worst[0]), int(worst[1])), 22, (200, 0, 200), 2, cv2.LINE_AA)
    worst_mm = "" if got is None else f" {got.max_mm:.2f} mm"
    words = f"{row.spec.name} {row.spec.group}: {row.alone.verdict}{worst_mm} {' '.join(row.alone.reasons)}"
    bar = np.full((BAR_PX, picture.shape[1], 3), 255, np.uint8)
    cv2.putText(bar, words, (6, BAR_PX - 8), cv2.FONT_HERSHEY_SIMPLEX, 0.5, (0, 0, 0), 1, cv2.LINE_AA)
    cv2.imwrite(str(folder / f"{row.spec.name}.png"), np.vstack([bar, picture]))
    told = json.dumps(dataclasses.asdict(row.spec), indent=1, default=str)
    (folder / f"{row.spec.name}.json").write_text(told + "\n", encoding="utf-8")
    pages = [page for level in LEVELS for page in folder.glob(f"{level}-*.png")]
    pages.sort(key=lambda path: -path.stat().st_mtime)
    for old in pages[KEEP_PICTURES:]:
        old.unlink()
        old.with_suffix(".json").unlink(missing_ok=True)
