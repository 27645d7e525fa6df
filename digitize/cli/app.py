"""The commands and their exit codes.

0 sound; 1 unexpected fault; 2 wrong usage; 3 done, but a person must look; 4 refused, no outline written.
Nothing heavy is imported before a command runs.
"""

from __future__ import annotations

import json
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from calibration.errors import BoutlineError
from digitize import __version__
from digitize.cli.guard import stdout_to_stderr
from digitize.cli.summary import (
    fit_summary,
    halves_summary,
    lens_summary,
    mold_summary,
    outline_summary,
    print_check_summary,
)

if TYPE_CHECKING:
    from digitize.fit_settings import FitWanted
    from digitize.pipeline import Outcome
    from digitize.print_settings import PrintSettings

UNEXPECTED = 1
DEFAULT_OUT = Path("boutline-out")
DEMO_OUT = Path("boutline-demo")
PRINT_OUT = Path("boutline-print-check")
MOLD_OUT = Path("boutline-mold")
HALVES_OUT = Path("boutline-halves")
FIT_OUT = Path("boutline-fit")

SCANS = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".pdf", ".toml")  # what --measured takes for a file's name

PlanArgument = Annotated[Path, typer.Argument(metavar="PLAN", help="A picture of the plan, or a plan file (TOML).")]
OutOption = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the results.")]
ReplaceOption = Annotated[bool, typer.Option("--replace", help="Overwrite results that are already there.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the record on standard output.")]
VerboseOption = Annotated[bool, typer.Option("--verbose", "-v", help="Show the traceback of a fault.")]

app = typer.Typer(
    name="boutline",
    help="From a scanned instrument plan to the body outline in true millimetres.",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # the decorated help costs more than the rest of a start
)


def main() -> None:
    """Run the command line."""
    app(prog_name="boutline")


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"boutline {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    """From a scanned instrument plan to the body outline in true millimetres."""


@app.command()
def outline(
    plan: Annotated[
        list[Path],
        typer.Argument(
            metavar="PLAN",
            help="A picture of the plan, or a plan file (TOML); several, a folder, or a list of them (.txt).",
        ),
    ],
    out: OutOption = DEFAULT_OUT,
    replace: ReplaceOption = False,
    jobs: Annotated[
        int | None, typer.Option("--jobs", metavar="N", min=1, help="Plans at the same time; left out, one a core.")
    ] = None,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Find the body outline.

    Writes outline.dxf, .svg, .pdf, record.json, report.html and overlay.png; of many plans, into a folder for each.
    """
    from digitize.batch import several

    if several(plan):
        _run_many(plan, out, replace, jobs, as_json, verbose)
    _run(lambda: _outline(plan[0], out, replace), out, as_json, verbose)


@app.command("print-check")
def print_check(
    plan: Annotated[
        list[Path],
        typer.Argument(metavar="PLAN...", help="A scan of the copy, or a plan file (TOML); several: a print's pages."),
    ],
    tolerance: Annotated[
        str | None,
        typer.Option("--tolerance", metavar="T", help='Too far off is: "0.1 %" (default), or "0.5 mm" over the body.'),
    ] = None,
    turned: Annotated[
        Path | None,
        typer.Option("--turned", metavar="SCAN", help="The sheet scanned again, turned half round: is it the scanner?"),
    ] = None,
    out: OutOption = PRINT_OUT,
    replace: ReplaceOption = False,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Is this copy true to size?

    The factors both ways and what to ask the shop for: print-check.html and record.json.
    """
    _run(lambda: _print_check(plan, tolerance, turned, out, replace), out, as_json, verbose, print_check_summary)


@app.command()
def halves(
    plan: PlanArgument,
    cut: Annotated[bool, typer.Option("--cut", help="The picture is a scan of a solid half, cut out.")] = False,
    out: OutOption = HALVES_OUT,
    replace: ReplaceOption = False,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Do the halves agree?

    Left against right, the ends, what each keep would change: halves.html and record.json.
    """
    _run(lambda: _halves(plan, cut, out, replace), out, as_json, verbose, halves_summary)


@app.command()
def lens(
    shots: Annotated[list[Path], typer.Argument(metavar="SHOTS...", help="Pictures of one chessboard by one camera.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The lens file to write (TOML).")],
    corners: Annotated[
        str, typer.Option("--corners", metavar="AxB", help="Inner corners: 9x6 for a board of 10 by 7 squares.")
    ] = "9x6",
    square: Annotated[str, typer.Option("--square", metavar="LENGTH", help="Side of one square.")] = "25 mm",
    replace: ReplaceOption = False,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Measure a camera's lens.

    From shots of a chessboard to a lens file for plan files: [plan] lens = "FILE".
    """
    _run(lambda: _lens(shots, out, corners, square, replace), out, as_json, verbose, lens_summary)


@app.command()
def reprint(
    plan: PlanArgument,
    paper: Annotated[
        str,
        typer.Option(help="A4, A3, Letter, Tabloid ...: pages to join; fit: one that holds all; whole: one page."),
    ] = "whole",
    mirrored: Annotated[bool, typer.Option("--mirrored", help="Turn the sheet over, left for right.")] = False,
    one_bit: Annotated[bool, typer.Option("--one-bit", help="Black and white only.")] = False,
    tiff: Annotated[bool, typer.Option("--tiff", help="Write one TIFF of the whole besides.")] = False,
    region: Annotated[
        tuple[float, float, float, float] | None,
        typer.Option(metavar="X Y W H", help="Only a part: upper left corner, width, height, pixels of the picture."),
    ] = None,
    measured: Annotated[
        str | None,
        typer.Option(
            help='A first print\'s check lines, across x along: "99.6 mm x 100.2 mm"; or a scan of a page of it.'
        ),
    ] = None,
    out: OutOption = DEFAULT_OUT,
    replace: ReplaceOption = False,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Print the corrected sheet at true size.

    Writes reprint.pdf, the whole on one page or on pages to join.
    """
    from digitize.print_settings import PrintSettings

    scan = Path(measured) if measured and Path(measured).suffix.lower() in SCANS else None
    wanted = PrintSettings(paper, mirrored, one_bit, tiff, region, None if scan else measured, scan)
    _run(lambda: _reprint(plan, out, wanted, replace), out, as_json, verbose)


@app.command()
def mold(
    outline_file: Annotated[
        Path, typer.Argument(metavar="OUTLINE", help="The outline.dxf or record.json that 'boutline outline' wrote.")
    ],
    job: Annotated[Path | None, typer.Option("--job", metavar="FILE", help="Every choice of the mold (TOML).")] = None,
    out: OutOption = MOLD_OUT,
    replace: ReplaceOption = False,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Draw the mold and its cut list.

    Master, layers and spreaders as DXF, SVG and true-size paper, and laid out on sheets.
    """
    _run(lambda: _mold(outline_file, job, out, replace), out, as_json, verbose, mold_summary)


@app.command()
def fit(
    part: Annotated[Path, typer.Argument(metavar="PART", help="A picture of the cut part with rules, or a plan file.")],
    outline_file: Annotated[
        Path, typer.Argument(metavar="OUTLINE", help="The outline.dxf or record.json it is cut for, or their folder.")
    ],
    tolerance: Annotated[
        str | None, typer.Option("--tolerance", metavar="LENGTH", help="How far off its shape may be: 0.25 mm.")
    ] = None,
    hold: Annotated[
        str, typer.Option(help="free, edge (the straight edge on the centerline), or dowels (their holes in place).")
    ] = "free",
    job: Annotated[
        Path | None, typer.Option("--job", metavar="JOB", help="The mold's job file, which places its dowel holes.")
    ] = None,
    half: Annotated[str, typer.Option(help="Which half it is cut for: left, right or auto.")] = "auto",
    material: Annotated[
        str, typer.Option(help="Where its material is: inside the outline, outside (template, mold layer), or auto.")
    ] = "auto",
    thickness: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="Of a photo: how far the part's face is above the paper."),
    ] = None,
    against: Annotated[
        Path | None, typer.Option("--against", metavar="PART_B", help="Hold a second part against the first.")
    ] = None,
    paper: Annotated[str, typer.Option(help="Of fit.pdf: A4, A3, Letter, Tabloid ...")] = "A4",
    out: OutOption = FIT_OUT,
    replace: ReplaceOption = False,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Is the cut part true?

    Where it is proud or hollow, and by how much: fit.html, fit.pdf (true size) and record.json.
    """
    from digitize.fit_settings import FitWanted

    wanted = FitWanted(tolerance, hold, half, material, thickness, against, paper, job)
    _run(lambda: _fit(part, outline_file, out, wanted, replace), out, as_json, verbose, fit_summary)


@app.command()
def desk(
    plan: PlanArgument,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Folder for the results; beside the plan if left out.")
    ] = None,
    port: Annotated[int, typer.Option(help="Port of this machine; 0 for any free one.", min=0, max=65535)] = 0,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open it in the browser.")] = True,
    replace: ReplaceOption = False,
    verbose: VerboseOption = False,
) -> None:
    """See, correct and finish a plan.

    On a page in the browser of this machine; Ctrl-C ends it.
    """
    _serve(plan, out, port, browser, replace, verbose)


@app.command()
def demo(
    out: OutOption = DEMO_OUT,
    replace: ReplaceOption = False,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Take the shipped example from start to finish."""
    _run(lambda: _demo(out, replace), out, as_json, verbose)


def _outline(plan: Path, out: Path, replace: bool) -> Outcome:
    with _progress() as progress:
        progress("start")
        from digitize.ahead import run_outline

        return run_outline(plan, out, replace=replace, progress=progress)


def _lens(shots: list[Path], out: Path, corners: str, square: str, replace: bool) -> Outcome:
    with _progress() as progress:
        progress("start")
        from digitize.pipeline import run_lens

        return run_lens(shots, out, corners, square, replace=replace, progress=progress)


def _reprint(plan: Path, out: Path, wanted: PrintSettings, replace: bool) -> Outcome:
    wanted.check()  # a wrong call is told before anything heavy is loaded
    with _progress() as progress:
        progress("start")
        from digitize.reprint import run_reprint

        return run_reprint(plan, out, wanted, replace=replace, progress=progress)


def _print_check(plan: list[Path], tolerance: str | None, turned: Path | None, out: Path, replace: bool) -> Outcome:
    with _progress() as progress:
        progress("start")
        from digitize.print_check import run_print_check

        return run_print_check(plan, out, tolerance=tolerance, turned=turned, replace=replace, progress=progress)


def _mold(outline_file: Path, job: Path | None, out: Path, replace: bool) -> Outcome:
    with _progress() as progress:
        progress("start")
        from digitize.mold import run_mold

        return run_mold(outline_file, job, out, replace=replace, progress=progress)


def _fit(part: Path, outline_file: Path, out: Path, wanted: FitWanted, replace: bool) -> Outcome:
    wanted.check()  # a wrong call is told before anything heavy is loaded
    with _progress() as progress:
        progress("start")
        from digitize.fit import run_fit

        return run_fit(part, outline_file, out, wanted, replace=replace, progress=progress)


def _halves(plan: Path, cut: bool, out: Path, replace: bool) -> Outcome:
    with _progress() as progress:
        progress("start")
        from digitize.halves import run_halves

        return run_halves(plan, out, cut=cut, replace=replace, progress=progress)


def _demo(out: Path, replace: bool) -> Outcome:
    from digitize.cli.demo import copy_demo

    return _outline(copy_demo(out, replace=replace), out, replace)


def _serve(plan: Path, out: Path | None, port: int, browser: bool, replace: bool, verbose: bool) -> None:
    try:
        from digitize.desk.serve import run_desk

        run_desk(plan, out, port=port, browser=browser, replace=replace, tell=typer.echo)
    except BoutlineError as fault:
        _complain(fault.doubt.text, fault.doubt.remedy, verbose)
        raise typer.Exit(fault.exit_code) from fault


def _run(
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
        _complain(fault.doubt.text, fault.doubt.remedy, verbose)
        code = fault.exit_code
    except Exception as fault:
        _complain(
            f"unexpected fault: {type(fault).__name__}: {fault}",
            "Run again with -v and report what it prints, with the plan.",
            verbose,
        )
        code = UNEXPECTED
    raise typer.Exit(code)


def _run_many(plans: list[Path], out: Path, replace: bool, jobs: int | None, as_json: bool, verbose: bool) -> NoReturn:
    """Run many plans and leave with the exit code that stands for all."""
    from digitize.cli.many import run_plans

    try:
        code = run_plans(plans, out, replace=replace, jobs=jobs, as_json=as_json, verbose=verbose)
    except BoutlineError as fault:
        _complain(fault.doubt.text, fault.doubt.remedy, verbose)
        code = fault.exit_code
    raise typer.Exit(code)


def _complain(text: str, remedy: str, verbose: bool) -> None:
    if verbose:
        typer.echo(traceback.format_exc(), err=True)
    typer.echo(f"boutline: {' '.join(text.split())}\n  what to do: {remedy}", err=True)


def _show(record: dict[str, Any], out: Path, as_json: bool, summary: Callable[[dict[str, Any], Path], str]) -> None:
    """Print the record or a summary on stdout, and every doubt on stderr."""
    from calibration.flags import TABLE

    for reason in record["reasons"]:
        if TABLE[reason["code"]][0] == "note":
            typer.echo(f"note: {' '.join(reason['text'].split())}", err=True)
        else:
            _complain(reason["text"], reason["remedy"], verbose=False)
    if as_json:
        typer.echo(json.dumps(record, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False))
    elif record["verdict"] != "refused":
        typer.echo(summary(record, out))


@contextmanager
def _progress() -> Iterator[Callable[[str], None]]:
    """Yield what shows the stage at work, on a terminal only."""
    if not sys.stderr.isatty():
        yield lambda stage: None
        return
    from rich.console import Console

    with Console(stderr=True).status("boutline") as status:
        yield lambda stage: status.update(f"boutline: {stage}")
