"""Many plans: a folder for each, a process for each core, and what came of every one of them in one file.

joblib is the engine, and nobody names a backend here: whatever ``joblib.parallel_config`` says around a call is taken,
so other machines (Dask) work through the same lines. What was done before for the same pictures, settings and version
is not done again; what goes wrong with one plan is told as its result, and the others go on.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
import tomllib
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.errors import BoutlineError, UsageError
from digitize import __version__
from digitize.outbox import OUTLINE_FILES, clear_drafts, has_drafts, unwritable
from digitize.tables import printable

PICTURES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".pdf", ".heic", ".heif", ".gif", ".webp")
PLAN_FILE, LIST_FILE = ".toml", ".txt"
LEDGER = "plans.json"
SCHEMA = 1
# From good to bad: sound, look, refused, wrong usage, fault. Answers are kept; the last two are tried again.
EXIT_CODES = (0, 3, 4, 2, 1)
ANSWERED = (0, 3, 4)
CLEAR_UP_S = 3.0

Result = dict[str, Any]


@dataclass(frozen=True)
class Job:
    """One plan and the folder of its results."""

    plan: Path
    out: Path
    replace: bool
    before: Result | None  # what came of it last time


def several(told: Sequence[Path]) -> bool:
    """Return whether a call means many plans: more than one, a folder, or a list of them."""
    return len(told) != 1 or told[0].is_dir() or told[0].suffix.lower() == LIST_FILE


def plans_in(told: Sequence[Path]) -> list[Path]:
    """Return the plans that files, folders and lists (text, one plan a line) stand for, each once, in order.

    Raises:
        UsageError: ``no-such-file`` for a list that is none, or ``no-plans``.
    """
    found = list(dict.fromkeys(plan for one in told for plan in _meant(one)))
    if not found:
        raise UsageError("no-plans", place=", ".join(str(one) for one in told))
    return found


def _meant(one: Path) -> Iterator[Path]:
    if one.is_dir():
        yield from _in_folder(one)
    elif one.suffix.lower() == LIST_FILE:
        if not one.is_file():
            raise UsageError("no-such-file", file=one)
        lines = (line.strip() for line in one.read_text(encoding="utf-8").splitlines())
        for line in lines:
            if line and not line.startswith("#"):
                yield from _meant(one.parent / line)
    else:
        yield one


def _in_folder(folder: Path) -> list[Path]:
    """Return a folder's plan files, and its pictures that no plan file names, by name."""
    files = [path for path in sorted(folder.iterdir()) if path.is_file() and not path.name.startswith(".")]
    plans, named = [], set()
    for path in (path for path in files if path.suffix.lower() == PLAN_FILE):
        images = _images(path)
        if images is not None:
            plans.append(path)
            named.update(images)
    pictures = [path for path in files if path.suffix.lower() in PICTURES and path.name not in named]
    return sorted([*plans, *pictures])


def _images(path: Path) -> list[str] | None:
    """Return the pictures that a plan file names; None when it is no plan file. What is wrong with it is told later."""
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        return []
    if not isinstance(plan := content.get("plan"), dict):
        return None
    images = plan.get("image", [])
    return [str(one) for one in ([images] if isinstance(images, str) else images if isinstance(images, list) else [])]


def folders_for(plans: Sequence[Path]) -> list[str]:
    """Return the name of each plan's folder: its own without the suffix, with it where two would be the same."""
    stems = [printable(plan.stem) for plan in plans]
    names: list[str] = []
    for plan, stem in zip(plans, stems, strict=True):
        name = stem if stems.count(stem) == 1 else printable(plan.name).replace(".", "-")
        number, free = 2, name
        while free in names:
            number, free = number + 1, f"{name}-{number}"
        names.append(free)
    return names


def run_many(
    plans: Sequence[Path], out: Path, *, replace: bool = False, jobs: int | None = None,
    tell: Callable[[Result], None] = lambda result: None,
) -> Result:  # fmt: skip
    """Take plans to their outlines and return what came of each, in order, under ``plans``; it is kept in LEDGER too.

    Args:
        plans: as :func:`plans_in` gives them.
        out: holds a folder for each plan.
        replace: results of other pictures or settings may be overwritten.
        jobs: plans at the same time; one for each core if left out.
        tell: is called with each result as it comes.

    Raises:
        UsageError: ``out-not-writable`` or ``disk-full``.
    """
    kept = _read(out / LEDGER)
    names = folders_for(plans)
    wanted = {name: Job(plan, out / name, replace, kept.get(name)) for name, plan in zip(names, plans, strict=True)}
    done: dict[str, Result] = {}
    try:
        for result in _results(wanted, done, jobs or -1):
            done[result["folder"]] = result
            _write(out / LEDGER, _summary([{**kept, **done}[name] for name in sorted({**kept, **done})]))
            tell(result)
    except BaseException:  # also an interrupt: what is at work is ended, and leaves its draft
        _clear_up([wanted[name].out for name in names if name not in done])
        raise
    return _summary([done[name] for name in names])


def _clear_up(folders: Sequence[Path]) -> None:
    """Remove the drafts of plans whose processes are ended, which may take them a moment."""
    until = time.monotonic() + CLEAR_UP_S
    while True:
        for folder in folders:
            clear_drafts(folder)
        if not any(has_drafts(folder) for folder in folders) or time.monotonic() > until:
            return
        time.sleep(0.1)


def worst(codes: Sequence[int]) -> int:
    """Return the exit code that stands for all."""
    return max(codes, key=EXIT_CODES.index)


def _results(wanted: dict[str, Job], done: dict[str, Result], jobs: int) -> Iterator[Result]:
    """Yield results as they come; what was at work when a process died is done again, each in a process of its own."""
    from joblib import Parallel, delayed

    try:
        yield from Parallel(n_jobs=min(jobs, len(wanted)), return_as="generator_unordered", batch_size=1)(
            delayed(run_one)(job) for job in wanted.values()
        )
    except BrokenProcessPool:
        for name in [name for name in wanted if name not in done]:
            try:
                yield from Parallel(n_jobs=2)([delayed(run_one)(wanted[name])])
            except BrokenProcessPool:
                yield _failed(wanted[name], 1, "its process was ended, perhaps for want of memory")


def run_one(job: Job) -> Result:
    """Take one plan to its outline and return what came of it; whatever goes wrong is in that."""
    start = time.perf_counter()
    try:
        digest = _digest(job.plan)
        if _is_done(job, digest):
            return {**(job.before or {}), "as_before": True}
        from digitize.pipeline import run_outline

        outcome = run_outline(job.plan, job.out, replace=job.replace)
    except BoutlineError as fault:
        return _failed(job, fault.exit_code, fault.doubt.text, fault.doubt.remedy, fault.doubt.code)
    except Exception as fault:
        return _failed(job, 1, f"{type(fault).__name__}: {fault}") | {"traceback": traceback.format_exc()}
    record = outcome.record
    body, outline = record["body"] or {}, record["outline"] or {}
    return {
        **_head(job), "digest": digest, "verdict": record["verdict"], "exit_code": outcome.exit_code,
        "reasons": record["reasons"], "unit": record["settings"]["unit"], "length_mm": body.get("length_mm"),
        "lower_bout_mm": body.get("lower_bout_mm"), "u95_mm": outline.get("u95_mm"),
        "took_s": round(time.perf_counter() - start, 1), "as_before": False,
    }  # fmt: skip


def _digest(plan: Path) -> str:
    """Return what a plan's results follow from: the version, all settings and the bytes of the pictures."""
    from digitize.settings import load_plan

    settings = load_plan(plan)
    made_of = [__version__, json.dumps(settings.as_record(), sort_keys=True)]
    for picture in (settings.image, *settings.more):
        with picture.open("rb") as stream:
            made_of.append(hashlib.file_digest(stream, "sha256").hexdigest())
    return hashlib.sha256("\n".join(made_of).encode()).hexdigest()


def _is_done(job: Job, digest: str) -> bool:
    """Return whether the same plan was answered before, and its folder holds what that left: all files, or none."""
    if job.before is None or job.before.get("digest") != digest or job.before["exit_code"] not in ANSWERED:
        return False
    there = [(job.out / name).exists() for name in OUTLINE_FILES]
    return not any(there) if job.before["verdict"] == "refused" else all(there)


def _head(job: Job) -> Result:
    return {"plan": printable(str(job.plan)), "folder": job.out.name}


def _failed(job: Job, exit_code: int, text: str, remedy: str = "", code: str = "fault") -> Result:
    remedy = remedy or "Run it alone with -v and report what it prints."
    reason = {"code": code, "text": printable(text), "remedy": printable(remedy)}
    return {
        **_head(job), "digest": None, "verdict": "fault" if exit_code == 1 else "usage", "exit_code": exit_code,
        "reasons": [reason], "as_before": False,
    }  # fmt: skip


def _summary(results: list[Result]) -> Result:
    return {"schema": SCHEMA, "tool": {"name": "boutline", "version": __version__}, "plans": results}


def _read(path: Path) -> dict[str, Result]:
    """Return what came of earlier plans by folder; nothing where there is no such file, or another program's."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        return {one["folder"]: one for one in content["plans"] if content["schema"] == SCHEMA}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _write(path: Path, content: Result) -> None:
    """Write the file whole or not at all: a run may be ended at any time.

    Raises:
        UsageError: ``out-not-writable`` or ``disk-full``.
    """
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        draft.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        draft.replace(path)
    except OSError as fault:
        raise unwritable(path.parent, fault) from fault
    finally:
        with suppress(OSError):
            draft.unlink(missing_ok=True)
