"""What ``boutline outline`` prints of many plans: a line for each as it is done, then one table.

The lines are shown on a terminal only; what a person has to do about a plan is always told on standard error.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from digitize.batch import plans_in, run_many, worst
from digitize.cli.guard import say, stdout_to_stderr

HEAD = ("plan", "verdict", "length", "lower bout", "within", "results")
NOTHING = "-"


def run_plans(told: Sequence[Path], out: Path, *, replace: bool, jobs: int | None, as_json: bool, verbose: bool) -> int:
    """Run plans, print what came of them and return the exit code that stands for all.

    Raises:
        UsageError: no plan is meant, or the out folder cannot be written.
    """
    plans = plans_in(told)
    count = 0

    def tell(result: dict[str, Any]) -> None:
        nonlocal count
        count += 1
        if sys.stderr.isatty():
            took = "as before" if result["as_before"] else f"{result.get('took_s', 0.0):.0f} s"
            say(f"{count}/{len(plans)} {result['plan']}: {shown(result)}, {took}", err=True)
        _complain(result, verbose)

    with stdout_to_stderr():
        summary = run_many(plans, out, replace=replace, jobs=jobs, tell=tell)
    if as_json:
        say(json.dumps(summary, indent=1, sort_keys=True, ensure_ascii=False))
    else:
        say(table(summary["plans"], out))
    return worst([one["exit_code"] for one in summary["plans"]])


def _complain(result: dict[str, Any], verbose: bool) -> None:
    """Tell what is doubtful about a plan, or went wrong; notes are in its record."""
    from calibration.flags import TABLE

    if verbose and "traceback" in result:
        say(result["traceback"], err=True)
    for reason in result["reasons"]:
        if TABLE.get(reason["code"], ("fault",))[0] != "note":
            text = " ".join(reason["text"].split())
            say(f"boutline: {result['plan']}: {text}\n  what to do: {reason['remedy']}", err=True)


def table(results: Sequence[dict[str, Any]], out: Path) -> str:
    """Return one line for each plan, in columns."""
    rows = [HEAD, *(_row(one, out) for one in results)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEAD))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    )


# What plans.json calls a plan whose call or plan file is wrong; its reason is on the standard error output.
SHOWN = {"usage": "not run"}


def shown(result: dict[str, Any]) -> str:
    """Return a plan's verdict in plain words."""
    verdict = str(result["verdict"])
    return SHOWN.get(verdict, verdict)


def _row(one: dict[str, Any], out: Path) -> tuple[str, ...]:
    from calibration.units import format_length

    sizes = [one.get("length_mm"), one.get("lower_bout_mm")]
    told = [NOTHING if mm is None else format_length(mm, one["unit"]) for mm in sizes]
    within = NOTHING if one.get("u95_mm") is None else f"{one['u95_mm']:.2f} mm"
    place = str(out / one["folder"]) if one["exit_code"] in (0, 3) else NOTHING
    return (one["plan"], shown(one) + (" (as before)" if one["as_before"] else ""), *told, within, place)
