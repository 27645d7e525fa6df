"""What the commands run: each loads its own part of the program, shows its progress, and leaves with its exit code."""

from __future__ import annotations

import gc
import json
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import typer

from calibration.errors import BoutlineError, UsageError
from digitize.cli.guard import say, stdout_to_stderr
from digitize.cli.summary import outline_summary

if TYPE_CHECKING:
    from digitize.fit_settings import FitWanted
    from digitize.pipeline import Outcome
    from digitize.print_settings import PrintSettings

UNEXPECTED = 1


def outline(plan: Path, out: Path, replace: bool) -> Outcome:
    """Find the body outline."""
    with _progress() as progress:
        progress("start")
        with _loading():
            from digitize.ahead import run_outline

        return run_outline(plan, out, replace=replace, progress=progress)


def lens(shots: list[Path], out: Path, corners: str, square: str, replace: bool) -> Outcome:
    """Measure a lens by its shots of a chessboard."""
    with_units(square)
    with _progress() as progress:
        progress("start")
        from digitize.pipeline import run_lens

        return run_lens(shots, out, corners, square, replace=replace, progress=progress)


def reprint(plan: Path, out: Path, wanted: PrintSettings, replace: bool) -> Outcome:
    """Print the corrected sheet."""
    wanted.check()  # a wrong call is told before anything heavy is loaded
    with _progress() as progress:
        progress("start")
        from digitize.reprint import run_reprint

        return run_reprint(plan, out, wanted, replace=replace, progress=progress)


def print_check(plan: list[Path], tolerance: str | None, turned: Path | None, out: Path, replace: bool) -> Outcome:
    """Hold a copy against what is known of its plan."""
    with _progress() as progress:
        progress("start")
        from digitize.print_check import run_print_check

        return run_print_check(plan, out, tolerance=tolerance, turned=turned, replace=replace, progress=progress)


def mold(outline_file: Path, job: Path | None, out: Path, replace: bool) -> Outcome:
    """Make the mold's parts."""
    with _progress() as progress:
        progress("start")
        from digitize.mold import run_mold

        return run_mold(outline_file, job, out, replace=replace, progress=progress)


def fit(part: Path, outline_file: Path, out: Path, wanted: FitWanted, replace: bool) -> Outcome:
    """Hold a cut part against its outline."""
    with_units(wanted.tolerance, wanted.thickness)
    wanted.check()  # a wrong call is told before anything heavy is loaded
    with _progress() as progress:
        progress("start")
        from digitize.fit import run_fit

        return run_fit(part, outline_file, out, wanted, replace=replace, progress=progress)


def halves(plan: Path, cut: bool, thickness: str | None, out: Path, replace: bool) -> Outcome:
    """Audit the halves."""
    with_units(thickness)
    with _progress() as progress:
        progress("start")
        from digitize.halves import run_halves

        return run_halves(plan, out, cut=cut, thickness=thickness, replace=replace, progress=progress)


def demo(out: Path, replace: bool) -> Outcome:
    """Take the shipped example from start to finish."""
    from digitize.cli.demo import copy_demo

    return outline(copy_demo(out, replace=replace), out, replace)


def serve(plan: Path, out: Path | None, port: int, browser: bool, replace: bool, verbose: bool) -> None:
    """Open the page in the browser and serve it until it is ended."""
    try:
        from digitize.desk.serve import run_desk

        run_desk(plan, out, port=port, browser=browser, replace=replace, tell=say)
    except BoutlineError as fault:
        complain(fault.doubt.text, fault.doubt.remedy, verbose)
        raise typer.Exit(fault.exit_code) from fault


def with_units(*told: str | None) -> None:
    """Refuse a length of the call that is a number alone; whatever else is wrong with it is told by who reads it.

    Raises:
        UsageError: ``length-without-unit``.
    """
    from digitize.tables import length_with_unit

    for text in told:
        try:
            length_with_unit(text or "0")
        except UsageError as fault:
            if fault.code == "length-without-unit":
                raise


def run(
    job: Callable[[], Outcome],
    out: Path,
    as_json: bool,
    verbose: bool,
    summary: Callable[[dict[str, Any], Path], str] | None = None,
) -> None:
    """Run a job, print its product and leave with its exit code."""
    try:
        with stdout_to_stderr():
            outcome = job()
        _show(outcome.record, out, as_json, summary or outline_summary)
        code = outcome.exit_code
    except BoutlineError as fault:
        complain(fault.doubt.text, fault.doubt.remedy, verbose)
        code = fault.exit_code
    except Exception as fault:
        complain(
            f"unexpected fault: {type(fault).__name__}: {fault}",
            "Run again with -v and report what it prints, with the plan.",
            verbose,
        )
        code = UNEXPECTED
    raise typer.Exit(code)


def run_many(plans: list[Path], out: Path, replace: bool, jobs: int | None, as_json: bool, verbose: bool) -> NoReturn:
    """Run many plans and leave with the exit code that stands for all."""
    from digitize.cli.many import run_plans

    try:
        code = run_plans(plans, out, replace=replace, jobs=jobs, as_json=as_json, verbose=verbose)
    except BoutlineError as fault:
        complain(fault.doubt.text, fault.doubt.remedy, verbose)
        code = fault.exit_code
    raise typer.Exit(code)


def complain(text: str, remedy: str, verbose: bool) -> None:
    """Say what is wrong and what to do, with the traceback where it is asked for."""
    if verbose:
        say(traceback.format_exc(), err=True)
    say(f"boutline: {' '.join(text.split())}\n  what to do: {remedy}", err=True)


def _show(record: dict[str, Any], out: Path, as_json: bool, summary: Callable[[dict[str, Any], Path], str]) -> None:
    """Print the record or a summary on stdout, and every doubt on stderr."""
    from calibration.flags import TABLE

    for reason in record["reasons"]:
        if TABLE[reason["code"]][0] == "note":
            say(f"note: {' '.join(reason['text'].split())}", err=True)
        else:
            complain(reason["text"], reason["remedy"], verbose=False)
    if as_json:
        say(json.dumps(record, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False))
    elif record["verdict"] != "refused":
        say(summary(record, out))


@contextmanager
def _loading() -> Iterator[None]:
    """Load without looking for garbage among it again and again, which takes a sixth of the time; nothing of it is."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


@contextmanager
def _progress() -> Iterator[Callable[[str], None]]:
    """Yield what shows the stage at work, on a terminal only."""
    if not sys.stderr.isatty():
        yield lambda stage: None
        return
    from rich.console import Console

    with Console(stderr=True).status("boutline") as status:
        yield lambda stage: status.update(f"boutline: {stage}")
