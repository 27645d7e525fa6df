"""print-check.html of a tiled print: which of its pages is off."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from markupsafe import Markup

from digitize.report import words
from digitize.report.template import STYLE, data, filled, flat, timings

TEMPLATE = "print-pages.html.j2"
ANSWERS = {"true": "yes", "not true": "no", "cannot tell": "cannot tell"}


def write_pages_page(record: Mapping[str, Any], path: Path) -> None:
    """Write the page; everything is inside the one file.

    Raises:
        OSError: the file cannot be written.
    """
    path.write_text(filled(TEMPLATE, view(record)), encoding="utf-8")


def view(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the template shows."""
    part = record["print_pages"]
    return {
        "css": Markup(data(STYLE)),
        "verdict": verdict(record),
        "tolerance": f"{part['tolerance_percent']:g} %",
        "rows": [row for page in part["pages"] for row in rows(page)],
        "reasons": words.reasons(record),
        "settings": flat(words.dig(record, "settings") or {}),
        "timings": timings(record),
    }


def verdict(record: Mapping[str, Any]) -> words.Verdict:
    """Return the top of the page."""
    part = record["print_pages"]
    count, heavy = len(part["pages"]), [one for one in words.reasons(record) if one.weight == "look"]
    steps = words.unique([f"{one.text} {one.remedy}" for one in heavy])
    if part["answer"] == "true":
        sentence = f"All {count} pages are within {part['tolerance_percent']:g} % of true."
        return words.Verdict("sound", "True to size", sentence, steps or ("Join them by their marks.",))
    if part["answer"] == "not true":
        off = words.joined([f"page {page['number']}" for page in part["pages"] if page["answer"] == "not true"])
        kind = "One page is off" if off.count("page") == 1 else "Some pages are off"
        return words.Verdict("look", kind, f"Of {count} pages, {off} would spoil the joined sheet.", steps)
    return words.Verdict("look", "Cannot tell yet", heavy[0].text if heavy else "", steps)


def rows(page: Mapping[str, Any]) -> list[tuple[str, str, str, str, str]]:
    """Return (page, direction, size, against the others, whether true) of every way of a page."""
    name = f"Page {page['number']}: {page['file']}"
    if not page["ways"]:
        return [(name, words.DASH, "not measured", words.DASH, ANSWERS[page["answer"]])]
    found = []
    for one in page["ways"]:
        size = f"{words.number(one['percent'], 2)} % (± {words.number(one['u95_percent'], 2)} %)"
        off, u95 = one["off_others_percent"], one["off_others_u95_percent"]
        others = words.DASH if off is None else f"{words.number(off, 2)} % (± {words.number(u95, 2)} %)"
        found.append((name, one["way"], size, others, ANSWERS[one["answer"]]))
    return found
