"""A picture decoded while the program loads: decoding needs no Python, loading nothing else, and there are two cores.

So do the first parts of the stages that follow, and what is slow to load and needed last (writers, the report).
"""

from __future__ import annotations

import gc
import threading
from collections.abc import Callable
from concurrent.futures import Future
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

from digitize.read import read_picture
from digitize.settings import load_plan

BESIDE = "beside"

if TYPE_CHECKING:
    from digitize.outcome import Outcome, Progress, Reader
    from digitize.shapes import Picture


def run_outline(plan_path: Path, out: Path, *, replace: bool = False, progress: Progress | None = None) -> Outcome:
    """Do what :func:`digitize.pipeline.run_outline` does, sooner.

    Raises:
        UsageError: the call, the plan file or the out folder is wrong.
    """
    plan = load_plan(plan_path)
    loaded, dropped = threading.Event(), threading.Event()
    reader = read_picture if plan.more else _begun(loaded, dropped, plan.image, plan.page, plan.captured)
    try:
        pipeline = _loaded(loaded)
        outcome: Outcome = pipeline.run_outline(plan_path, out, replace=replace, progress=progress, reader=reader)
    except BaseException:
        dropped.set()
        raise
    finally:
        loaded.set()
        for thread in threading.enumerate():
            if thread.name == BESIDE:  # a refused run has not waited for it; left to itself it would be cut off at work
                thread.join()
    return outcome


def _loaded(loaded: threading.Event) -> ModuleType:
    """Load the program, say so, and begin to load what it needs last."""
    gc.disable()  # what is loaded is no garbage; looking for some in it takes a sixth of the time
    try:
        pipeline = import_module("digitize.pipeline")
        gc.freeze()
    finally:
        gc.enable()
    loaded.set()
    threading.Thread(target=import_module, args=(pipeline.LAST,), daemon=True).start()
    return pipeline


def _begun(loaded: threading.Event, dropped: threading.Event, *wanted: object) -> Reader:
    """Begin to read one picture and return what reads any, that one once it is there.

    The parts of the stages wait for the program to be loaded, and are left out once the run is dropped: of two
    threads that load modules which load each other, Python ends one with a deadlock (``importlib``'s module locks).
    """
    reading: Future[Picture] = Future()

    def work(read: Callable[..., Picture]) -> None:
        try:
            picture = read(*wanted)
            loaded.wait()
            begun = [] if dropped.is_set() else _first_parts(picture)
        except BaseException as fault:  # told to whoever asks for the picture
            reading.set_exception(fault)
            return
        reading.set_result(picture)
        for part in begun:
            if not dropped.is_set():
                part()

    thread = threading.Thread(target=work, args=(read_picture,), daemon=True, name=BESIDE)
    thread.start()
    waiting = [reading]

    def reader(*asked: object) -> Picture:
        if asked != wanted or not waiting:
            return read_picture(*asked)  # type: ignore[arg-type]
        return waiting.pop().result()

    return reader


def _first_parts(picture: Picture) -> list[Callable[[], None]]:
    """Return what the first stages of a scan will ask for that needs hardly any Python, either."""
    if picture.captured == "photo":
        return []
    from digitize.ink import begin_strokes
    from digitize.rule import begin_rules

    return [part for part in (begin_rules(picture), begin_strokes(picture)) if part is not None]
