"""The commands and their exit codes.

0 sound; 1 unexpected fault; 2 wrong usage; 3 done, but a person must look; 4 refused, no outline written.
Nothing heavy is imported before a command runs.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from digitize import __version__
from digitize.cli import work
from digitize.cli.guard import open_streams
from digitize.cli.summary import (
    fit_summary,
    halves_summary,
    lens_summary,
    mold_summary,
    print_check_summary,
)

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
    open_streams()
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
        work.run_many(plan, out, replace, jobs, as_json, verbose)
    work.run(lambda: work.outline(plan[0], out, replace), out, as_json, verbose)


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
    check = print_check_summary
    work.run(lambda: work.print_check(plan, tolerance, turned, out, replace), out, as_json, verbose, check)


@app.command()
def halves(
    plan: PlanArgument,
    cut: Annotated[bool, typer.Option("--cut", help="It shows a solid half or a half template, cut out.")] = False,
    thickness: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Of a photo of it: how far its face is above the paper.")
    ] = None,
    out: OutOption = HALVES_OUT,
    replace: ReplaceOption = False,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Do the halves agree?

    Left against right, the ends, what each keep would change: halves.html and record.json. The outline in few arcs and
    as a spline: fair.dxf and fair.svg.
    """
    work.run(lambda: work.halves(plan, cut, thickness, out, replace), out, as_json, verbose, halves_summary)


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
    work.run(lambda: work.lens(shots, out, corners, square, replace), out, as_json, verbose, lens_summary)


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
    work.run(lambda: work.reprint(plan, out, wanted, replace), out, as_json, verbose)


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
    work.run(lambda: work.mold(outline_file, job, out, replace), out, as_json, verbose, mold_summary)


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
    drawn: Annotated[
        bool, typer.Option("--drawn", help="The part is a line drawn on paper, with its centerline.")
    ] = False,
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

    wanted = FitWanted(tolerance, hold, half, material, thickness, against, paper, job, drawn)
    work.run(lambda: work.fit(part, outline_file, out, wanted, replace), out, as_json, verbose, fit_summary)


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
    work.serve(plan, out, port, browser, replace, verbose)


@app.command()
def demo(
    out: OutOption = DEMO_OUT,
    replace: ReplaceOption = False,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """Take the shipped example from start to finish."""
    work.run(lambda: work.demo(out, replace), out, as_json, verbose)
