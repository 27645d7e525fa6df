"""A picture decoded while the program loads: decoding needs no Python, loading nothing else, and there are two cores.

What is slow to load and needed last (writers, the report) loads while the picture is waited for.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from digitize.read import read_picture
from digitize.settings import load_plan

if TYPE_CHECKING:
    from digitize.outcome import Outcome, Progress, Reader
    from digitize.shapes import Picture


def run_outline(plan_path: Path, out: Path, *, replace: bool = False, progress: Progress | None = None) -> Outcome:
    """Do what :func:`digitize.pipeline.run_outline` does, sooner.

    Raises:
        UsageError: the call, the plan file or the out folder is wrong.
    """
    plan = load_plan(plan_path)
    reader = read_picture if plan.more else _begun(plan.image, plan.page, plan.captured)
    pipeline = import_module("digitize.pipeline")
    threading.Thread(target=import_module, args=(pipeline.LAST,), daemon=True).start()
    outcome: Outcome = pipeline.run_outline(plan_path, out, replace=replace, progress=progress, reader=reader)
    return outcome


def _begun(*wanted: object) -> Reader:
    """Begin to read one picture and return what reads any, that one once it is there."""
    done: list[Picture | BaseException] = []

    def work(read: Callable[..., Picture]) -> None:
        try:
            done.append(read(*wanted))
        except BaseException as fault:  # told to whoever asks for the picture
            done.append(fault)

    thread = threading.Thread(target=work, args=(read_picture,), daemon=True)
    thread.start()

    def reader(*asked: object) -> Picture:
        thread.join()
        if asked != wanted or not done:
            return read_picture(*asked)  # type: ignore[arg-type]
        found = done.pop()
        if isinstance(found, BaseException):
            raise found
        return found

    return reader
