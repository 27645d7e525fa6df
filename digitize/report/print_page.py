"""print-check.html: is the copy true to size, what to ask the shop for, and what it does to the body."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from calibration.feed import FeedTest
from calibration.frames import FloatArray
from calibration.units import MM_PER_INCH
from digitize.report import words
from digitize.report.arrows import ErrorMap, ErrorPicture, error_picture
from digitize.report.charts import residual_chart
from digitize.report.context import ReportContext
from digitize.report.page import card_sentences, made
from digitize.report.template import STYLE, data, filled, flat, timings
from digitize.shapes import Picture, Rule, Unit

TEMPLATE = "print-check.html.j2"
FEW_IN_MANY = 1e-4  # a smaller chance is told as "less than"


@dataclass(frozen=True, eq=False)
class PrintShown:
    """What the page shows besides the record."""

    picture: Picture
    rules: tuple[Rule, ...]
    outline_px: FloatArray | None  # (N, 2) as traced on the copy
    feeds: tuple[FeedTest, ...]
    axis_rad: float  # of the copy's x in the picture
    unit: Unit = "mm"


@dataclass(frozen=True)
class Way:
    """One direction of the copy in words."""

    way: str
    copy: str  # "1.30 % too large"
    sure: str  # "± 0.02 %"
    ask: str  # "98.72 %"
    again: str  # for a copy of this copy on the same machine
    answer: str
    below: str  # "below 100, because the copy is too large"


def write_print_page(record: Mapping[str, Any], shown: PrintShown, path: Path) -> None:
    """Write the page; everything is inside the one file.

    Raises:
        OSError: the file cannot be written.
    """
    path.write_text(filled(TEMPLATE, view(record, shown)), encoding="utf-8")


def view(record: Mapping[str, Any], shown: PrintShown) -> dict[str, Any]:
    """Return what the template shows."""
    part = record["print_check"]
    ways = [way_view(part[axis]) for axis in ("x", "y")]
    return {
        "css": Markup(data(STYLE)),
        "file": str(words.dig(record, "input", "file") or "the sheet"),
        "verdict": verdict(record, ways),
        "ways": ways,
        "tolerance": tolerance_words(part),
        "is_true": part["answer"] == "true",
        "asked": [way for way in ways if way.ask != words.DASH],
        "single": single_sentence(part["single"]),
        "body": body_rows(part["body"], shown.unit),
        "picture": _picture(part, shown),
        "by": part["paper_by"],
        "by_dpi": dpi_sentences(part),
        "cards": card_sentences(record),
        "shear": shear_sentence(part["shear"]),
        "parts": [(part[axis]["way"], part_rows(part[axis]["parts"])) for axis in ("x", "y")],
        "scanner": scanner_sentences(part.get("scanner")),
        "feeds": feed_views(part["feed"], shown.feeds),
        "reasons": words.reasons(record),
        "made": made(record, ReportContext(picture=shown.picture)),
        "settings": flat(words.dig(record, "settings") or {}),
        "timings": timings(record),
    }


def way_view(axis: Mapping[str, Any]) -> Way:
    """Return one direction."""
    if not axis["measured"]:
        return Way(axis["way"], "not measured", words.DASH, words.DASH, words.DASH, axis["answer"], "")
    off = axis["percent"] - words.PERCENT
    kind = "too large" if off > 0 else "too small"
    side = "below" if off > 0 else "above"
    return Way(
        way=axis["way"],
        copy=f"{words.number(abs(off), 2)} % {kind}",
        sure=f"± {words.sure_percent(axis['u95_percent'])} %",
        ask=f"{words.number(axis['ask_percent'], 2)} %",
        again=f"{words.number(axis['ask_percent'] ** 2 / words.PERCENT, 2)} %",
        answer=axis["answer"],
        below=f"{words.number(axis['ask_percent'], 2)} is {side} 100 because the copy came out {kind} that way",
    )


def verdict(record: Mapping[str, Any], ways: list[Way]) -> words.Verdict:
    """Return the top of the page."""
    part = record["print_check"]
    within = tolerance_words(part)
    heavy = [one for one in words.reasons(record) if one.weight == "look"]
    told = words.joined([f"{way.copy} {way.way}" for way in ways])
    again = "Scan the new copy, with the same rules, and check it again before you cut."
    if part["answer"] == "true":
        if heavy:
            steps = words.unique([f"{one.text} {one.remedy}" for one in heavy])
            sentence = f"The numbers say yes, within {within}, but something needs your eyes first."
            return words.Verdict("look", "True to size, if", sentence, steps)
        return words.Verdict("sound", "True to size", f"Within {within} both ways: {told}.", ("Use it as it is.",))
    others = [f"{one.text} {one.remedy}" for one in heavy[1:]]
    if part["answer"] == "not true":
        steps = words.unique(["Do not cut from this sheet as it is.", heavy[0].remedy, *others, again])
        return words.Verdict("look", "Not true to size", f"{heavy[0].text} The tolerance is {within}.", steps)
    return words.Verdict("look", "Cannot tell yet", heavy[0].text, words.unique([heavy[0].remedy, *others]))


def tolerance_words(part: Mapping[str, Any]) -> str:
    """Return ``0.1 %`` or ``0.5 mm over the body``."""
    percent, mm = part["tolerance"]["percent"], part["tolerance"]["mm"]
    return f"{percent:g} %" if percent is not None else f"{mm:g} mm over the body"


def single_sentence(single: Mapping[str, Any] | None) -> str:
    """Return the best one setting; empty when it is not known."""
    if single is None:
        return ""
    percent, left = words.number(single["ask_percent"], 1), words.number(single["left_mm"], 1)
    return f"If the machine takes one number only, {percent} % is the best, and leaves {left} mm on the body."


def body_rows(body: list[Mapping[str, Any]], unit: Unit) -> list[tuple[str, str, str, str]]:
    """Return (size, on the plan, on this copy, how far off) of every size of the body."""
    rows = []
    for one in body:
        off, u95 = one["off_mm"], one["u95_mm"]
        wide = {"length": ("long", "short")}.get(one["name"], ("wide", "narrow"))
        kind = wide[0 if off > 0 else 1]
        much = "as it should be" if abs(off) <= u95 else f"{words.number(abs(off), 1)} mm too {kind}"
        copy = words.short_length(one["plan_mm"] + off, unit)
        rows.append((one["name"], words.short_length(one["plan_mm"], unit), copy, f"{much} ({words.plus_minus(u95)})"))
    return rows


def dpi_sentences(part: Mapping[str, Any]) -> list[str]:
    """Return what the scanner's own scale says, where real rules are what counts."""
    found = []
    for axis in ("x", "y"):
        one = part[axis]
        if one["by_dpi_percent"] is None or not one["measured"] or "rules" not in part["paper_by"]:
            continue
        size, u95 = words.number(one["by_dpi_percent"], 2), words.number(one["by_dpi_u95_percent"], 2)
        found.append(f"By the scanner's own scale alone it would be {size} % (± {u95} %) {one['way']}.")
    return found


def shear_sentence(shear: Mapping[str, Any]) -> str:
    """Return how far the copy is out of square."""
    if not shear["measured"]:
        return "Whether its corners are still square was not measured: no two drawn lengths at right angles were found."
    deg, u95 = abs(shear["deg"]), shear["u95_deg"]
    if deg <= u95:
        return f"Its corners are square as far as can be told: {words.number(deg, 2)}° (± {words.number(u95, 2)}°)."
    way = "closed" if shear["deg"] > 0 else "opened"
    return f"The corner between right and up {way} by {words.number(deg, 2)}° (± {words.number(u95, 2)}°)."


def scanner_sentences(scanner: Mapping[str, Any] | None) -> list[str]:
    """Return what a second scan tells of the scanner itself; empty without one, or where it told nothing."""
    if not scanner or not scanner["found"]:
        return []
    peak, u95 = words.number(scanner["peak_mm"], 2, "mm"), words.plus_minus(scanner["u95_mm"])
    if scanner["proven"]:
        found = [f"It shows places of its glass up to {peak} off ({u95}), whatever sheet lies on it."]
    else:
        found = [f"No error of its own is proven: what shows is {peak} at most ({u95})."]
    for key, far, near in (("right", "right", "left"), ("below", "lower", "upper")):
        off, sure = scanner[f"{key}_percent"], scanner[f"{key}_u95_percent"]
        kind = "as large as" if abs(off) <= sure else "larger than" if off > 0 else "smaller than"
        size = f"{words.number(abs(off), 3)} ± {words.number(sure, 3)} %"
        found.append(f"Things near the {far} edge come out {kind} near the {near} one ({size}).")
    for rule in scanner["rules"]:
        whose = "proven" if rule["left_proven"] else "not proven"
        found.append(
            f"The {rule['rule']} looks uneven by {words.number(rule['seen_mm'], 2, 'mm')}. The scanner makes "
            f"{words.number(rule['scanner_mm'], 2, 'mm')} there; without that {words.number(rule['left_mm'], 2, 'mm')} "
            f"are left ({whose}), the sheet's or what this cannot tell."
        )
    return found


def part_rows(parts: list[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Return what an uncertainty is made of."""
    return [(one["name"], f"± {words.number(one['u95_percent'], 4)} %") for one in parts if one["u95_percent"] >= 5e-5]


@dataclass(frozen=True)
class FeedView:
    """One rule's test for uneven feeding."""

    title: str
    sentence: str
    chart: Markup


def feed_views(feed: list[Mapping[str, Any]], tests: tuple[FeedTest, ...]) -> list[FeedView]:
    """Return every test in words, with its curve."""
    views = []
    for one, test in zip(feed, tests, strict=True):
        chance = f"{one['chance']:.2g}" if one["chance"] > FEW_IN_MANY else f"less than {FEW_IN_MANY:g}"
        kind = "It was fed unevenly" if one["proven"] else "No uneven feeding is proven"
        peak = words.number(one["peak_mm"], 3, "mm")
        sentence = (
            f"{kind}: a curve through its graduations departs from the straight scale by {peak} at most; "
            f"F({one['dof'][0]:.0f}, {one['dof'][1]:.0f}) = {one['f']:.1f}, which an even feed gives with a chance of "
            f"{chance}."
        )
        views.append(FeedView(one["rule"], sentence, residual_chart(test.at_mm, test.curve_mm, None)))
    return views


def _picture(part: Mapping[str, Any], shown: PrintShown) -> ErrorPicture | None:
    """Return the sheet with its error arrows; None where a direction was not measured."""
    if not (part["x"]["measured"] and part["y"]["measured"]):
        return None
    shear = math.radians(part["shear"]["deg"]) if part["shear"]["measured"] else 0.0
    # picture px, y down: the corner that closes between right and up opens between right and down
    x, y = (part[axis]["percent"] / words.PERCENT - 1.0 for axis in ("x", "y"))
    off = np.array([[x, -shear / 2.0], [-shear / 2.0, y]])
    turn = np.array([[math.cos(shown.axis_rad), -math.sin(shown.axis_rad)],
                     [math.sin(shown.axis_rad), math.cos(shown.axis_rad)]])  # fmt: skip
    rule = max(shown.rules, key=lambda one: one.graduations, default=None)
    dpi = shown.picture.dpi
    mm_per_px = rule.pitch_mm / rule.pitch_px if rule else MM_PER_INCH / dpi[0] if dpi else 0.0
    return error_picture(shown.picture, ErrorMap(turn @ off @ turn.T, mm_per_px), shown.outline_px)
