"""The print check of a tiled print: its order, from the scans of its pages to the page and the record."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from calibration.errors import Refusal, UsageError
from calibration.print_check import Tolerance
from digitize.assemble import pages_record, refusal_record
from digitize.outbox import Outbox, sha256_of
from digitize.outcome import EXIT_CODES, Clock, Outcome, Progress
from digitize.print_pages import check_pages
from digitize.report.pages_page import write_pages_page
from digitize.settings import PLAN_SUFFIX, PlanSettings, load_plan
from digitize.writers.record import write_record


def told_plan(paths: Path | Sequence[Path]) -> PlanSettings:
    """Return the settings of a plan file, a picture, or several pictures.

    Raises:
        UsageError: one does not exist, or is a plan file among several.
    """
    every = [paths] if isinstance(paths, Path) else list(paths)
    plans = [load_plan(path) for path in every]
    if len(every) == 1:
        return plans[0]
    if any(path.suffix.lower() == PLAN_SUFFIX for path in every):
        raise UsageError("one-plan-file")
    return plans[0].model_copy(update={"more": tuple(plan.image for plan in plans[1:])})


def run_pages(
    plan: PlanSettings,
    out: Path,
    names: tuple[str, str],
    tolerance: Tolerance,
    *,
    replace: bool = False,
    progress: Progress | None = None,
) -> Outcome:
    """Hold a tiled print's pages against true size, each by what is known of it; ``names`` are those of the files.

    Raises:
        UsageError: ``pages-tolerance``, or the out folder is wrong.
    """
    if tolerance.share is None:
        raise UsageError("pages-tolerance")
    clock = Clock(progress)
    with Outbox(out, names, replace=replace) as outbox:
        try:
            found = check_pages(plan, tolerance, clock)
            pictures = [page.picture for page in found.pages]
            record = pages_record(plan, clock, pictures, found.part(), found.doubts, {})
            write_pages_page(record, outbox.draft / names[0])
            record = pages_record(plan, clock, pictures, found.part(), found.doubts, sha256_of(outbox.draft))
            write_record(record, outbox.draft / names[1])
        except Refusal as refusal:
            record = refusal_record(plan, clock, refusal)
        else:
            outbox.deliver()
    return Outcome(EXIT_CODES[record["verdict"]], record)
