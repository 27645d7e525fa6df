"""From an outline to everything of its mold: the order of reading, making and writing."""

from __future__ import annotations

from pathlib import Path

from calibration.errors import Refusal
from digitize.aside import Aside
from digitize.outbox import Outbox
from digitize.outcome import EXIT_CODES, Clock, Outcome, Progress

MOLD_FILES = ("mold.html", "mold.json", "cut-list.csv")


def run_mold(
    outline_path: Path, job_path: Path | None, out: Path, *, replace: bool = False, progress: Progress | None = None
) -> Outcome:
    """Take an outline to all parts of its mold; write all files, or none.

    Raises:
        UsageError: the call, the job file, the outline's file or the out folder is wrong.
    """
    with Aside("digitize.writers.svg", "digitize.writers.pdf") as aside:
        # imported here, so that both processes load at the same time
        from digitize.cross_check import refuse_senseless_outline
        from digitize.mold_made import clear_old, made, refused, written
        from digitize.mold_settings import load_job
        from digitize.outline_file import load_outline
        from digitize.writers.sheets import candidates

        job = load_job(job_path)
        # a sheet that is not known is refused at once
        candidates(job.output.page, job.output.unit, job_path.name if job_path else "", "output.page")
        clock = Clock(progress)
        with Outbox(out, MOLD_FILES, replace=replace) as outbox:
            try:
                with clock("read"):
                    outline = load_outline(outline_path)
                    refuse_senseless_outline(outline.length_mm, outline.name)
                record = written(made(outline, job, clock), job, clock, outbox.draft, aside)
            except Refusal as refusal:
                record = refused(outline_path, job, clock, refusal)
            else:
                clear_old(out, set(record["files"]))
                outbox.deliver()
    return Outcome(EXIT_CODES[record["verdict"]], record)
