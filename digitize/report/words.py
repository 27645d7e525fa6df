"""Numbers and verdicts in plain words; every number with its uncertainty, a dash where there is none."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from calibration.flags import TABLE, Weight
from calibration.units import MM_PER_INCH, format_length
from digitize.shapes import Unit

DASH = "–"
FINEST_U_MM = 0.01  # nothing is printed finer than a hundredth of a millimetre
FINEST_FRACTION_MM = MM_PER_INCH / 64  # thousandths behind a fraction say nothing beyond half of this
SQUARE_TOLERANCE_DEG = 0.5  # closer to a right angle than a hand-cut block is
PERCENT = 100.0


def dig(record: Mapping[str, Any], *keys: str) -> Any:
    """Return the value below ``keys``; None as soon as one is missing or None."""
    value: Any = record
    for key in keys:
        if not isinstance(value, Mapping):
            return None
        value = value.get(key)
    return value


def number(value: float | None, digits: int = 2, unit: str = "") -> str:
    """Return a plain number, a true minus sign, or a dash for None."""
    if value is None or not math.isfinite(value):
        return DASH
    shown = f"{value:.{digits}f}"
    if float(shown) == 0.0:
        shown = shown.lstrip("-")
    return shown.replace("-", "−") + (f" {unit}" if unit else "")


def digits_for(u: float | None) -> int:
    """Return decimals so that the uncertainty shows two figures, never finer than 0.01."""
    if u is None or not math.isfinite(u) or u <= 0:
        return 2
    return 2 if u < 1 else 1 if u < 10 else 0


def length(value_mm: float | None, u95_mm: float | None, unit: Unit) -> str:
    """Return ``505.10 mm`` or ``19 57/64 in +0.004``, as fine as ``u95_mm`` warrants; a dash for None."""
    if value_mm is None or not math.isfinite(value_mm):
        return DASH
    if unit == "in":
        told = u95_mm is None or u95_mm <= FINEST_FRACTION_MM / 2
        return format_length(value_mm, "in").replace("-", "−") if told else short_length(value_mm, "in")
    return number(value_mm, digits_for(u95_mm), "mm")


def short_length(value_mm: float, unit: Unit) -> str:
    """Return a length for a drawing: a tenth of a millimetre, or the nearest 1/64 in without its remainder."""
    return number(value_mm, 1, "mm") if unit == "mm" else format_length(value_mm, "in").split(" in")[0] + " in"


def plus_minus(u95_mm: float | None, unit: Unit = "mm") -> str:
    """Return ``± 0.21 mm``, or in inches to a thousandth; a dash for None."""
    if u95_mm is None or not math.isfinite(u95_mm):
        return DASH
    if unit == "in":
        return f"± {max(u95_mm / MM_PER_INCH, 0.001):.3f} in"
    return f"± {max(u95_mm, FINEST_U_MM):.{digits_for(u95_mm)}f} mm"


def count(amount: int | None, one: str, many: str) -> str:
    """Return ``1 rule``, ``3 rules`` or ``no rule``."""
    if not amount:
        return f"no {one}"
    return f"{amount} {one if amount == 1 else many}"


def joined(parts: list[str]) -> str:
    """Return ``a, b and c``."""
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1] if parts else ""


@dataclass(frozen=True)
class Reason:
    """One doubt of the record with its weight looked up."""

    weight: Weight
    text: str
    remedy: str

    @property
    def label(self) -> str:
        """The weight in a word or two."""
        return {"note": "Good to know", "look": "Look", "refused": "Refused", "usage": "Mend the plan file"}[
            self.weight
        ]


def reasons(record: Mapping[str, Any]) -> tuple[Reason, ...]:
    """Return the record's doubts, the heaviest first; a code that is not in the table weighs ``look``."""
    order: list[Weight] = ["refused", "usage", "look", "note"]
    found = []
    for entry in dig(record, "reasons") or []:
        weight: Weight = TABLE[entry["code"]][0] if entry.get("code") in TABLE else "look"
        if weight in ("refused", "usage") and dig(record, "verdict") in ("sound", "look"):
            weight = "look"  # it cost one rule or one line, not the outline
        found.append(Reason(weight, str(entry.get("text") or ""), str(entry.get("remedy") or "")))
    return tuple(sorted(found, key=lambda reason: order.index(reason.weight)))


@dataclass(frozen=True)
class Verdict:
    """The top of the page."""

    kind: str  # "sound" | "look" | "refused"
    word: str
    sentence: str
    steps: tuple[str, ...]  # what to do now, in order


def verdict(record: Mapping[str, Any], unit: Unit) -> Verdict:
    """Return the verdict in a sentence with what to do now."""
    kind = str(dig(record, "verdict") or "refused")
    heavy = [reason for reason in reasons(record) if reason.weight != "note"]
    if kind == "refused":
        return Verdict(
            "refused",
            "Refused",
            refused_sentence(record),
            (*unique([one.remedy for one in heavy]), "Then run it again."),
        )
    u95 = plus_minus(dig(record, "outline", "u95_mm"), unit)
    if kind == "look":
        return Verdict(
            "look",
            "Look before you cut",
            look_sentence(record, u95),
            (*unique([f"{one.text} {one.remedy}" for one in heavy]), f"When that is settled: {PRINT_STEP}"),
        )
    sentence = f"The outline holds to {u95} along 95 % of it (95 in 100). Nothing needs a second look."
    return Verdict(
        "sound", "Sound", sentence,
        (f"P{PRINT_STEP[1:]}", "Check the check lines, across and along the paper, with a steel rule, then cut."),
    )  # fmt: skip


PRINT_STEP = "print outline.pdf at true size (100 %, no fitting to the page)."


def unique(parts: list[str]) -> tuple[str, ...]:
    """Return the parts in order, each once, without the empty ones."""
    return tuple(dict.fromkeys(part for part in parts if part.strip()))


def refused_sentence(record: Mapping[str, Any]) -> str:
    """Return why there is no outline."""
    why = next((reason.text for reason in reasons(record) if reason.weight in ("refused", "usage")), "")
    return f"No outline was written, because nobody should trust one from this sheet yet. {why}".strip()


def look_sentence(record: Mapping[str, Any], u95: str) -> str:
    """Return what a person must look at, counted."""
    looks = [reason for reason in reasons(record) if reason.weight == "look"]
    things = "One thing needs" if len(looks) == 1 else f"{len(looks)} things need" if looks else "Something needs"
    holds = f"the outline holds to {u95} along 95 % of it (95 in 100)"
    return f"{things} your eyes first. If it is all as it should be, {holds}."


def copy_sentence(percent: float | None, u95_percent: float | None, way: str, size_mm: float | None, over: str) -> str:
    """Return ``Across the body: 1.3 % large (± 0.1 %), which is 5.1 mm too much over the lower bout``.

    ``percent`` is the copy's size against the plan, 100 = true; ``size_mm`` the plan's own size over ``over``.
    """
    if percent is None:
        return f"{way}: the copy's size cannot be told; it takes a length drawn on it and the paper's own millimetres."
    off = percent - PERCENT
    u = f" (± {sure_percent(u95_percent)} %)" if u95_percent is not None else ""
    if u95_percent is not None and abs(off) <= u95_percent:
        return f"{way}: true to size as far as can be told, {number(percent, 2)} %{u}."
    kind = "large" if off > 0 else "small"
    far = (
        ""
        if size_mm is None
        else f", which is {number(abs(off) / PERCENT * size_mm, 1)} mm too {much(off)} over {over}"
    )
    return f"{way}: {number(abs(off), 2)} % {kind}{u}{far}."


def much(off: float) -> str:
    """Return the word for the sign."""
    return "much" if off > 0 else "little"


def sure_percent(u95_percent: float) -> str:
    """Return the uncertainty of a copy's size, %: as fine as it is known."""
    return number(max(u95_percent, 0.001), 3 if u95_percent < 0.1 else 2)


def ask_shop(
    percents: tuple[float | None, float | None], u95_percent: float | None, ask_percent: float | None
) -> str:
    """Return what to ask the copy shop for; empty when the copy is true or nothing is known.

    ``ask_percent`` is the best one setting for the sizes of the body, as the print check has it.
    """
    known = [percent for percent in percents if percent]
    spread = u95_percent or 0.0
    if ask_percent is None or all(abs(percent - PERCENT) <= spread for percent in known):
        return ""
    corrected = "The outline in these files is already corrected."
    ask = f"{corrected} To have the sheet itself true, ask for a copy at {number(ask_percent, 1)} %"
    if len(known) == 2 and abs(known[0] - known[1]) > 2 * spread:
        return f"{ask} – but this copy is stretched more one way than the other, which one setting cannot mend."
    return f"{ask} of this one."


def angle_sentence(angle_deg: float | None, end: str) -> str:
    """Return how square the outline meets the centerline at one end; 90 = square."""
    if angle_deg is None:
        return f"{end}: not measured."
    off = abs(angle_deg - 90.0)
    square = "square to the centerline" if off <= SQUARE_TOLERANCE_DEG else f"{number(off, 1)}° from square"
    return f"{end}: {number(angle_deg, 1)}°, {square}."


def gap_sentence(symmetry: Mapping[str, Any], agree: bool | None, by_shear: bool = False) -> str:
    """Return the largest difference between the halves with its place."""
    worst, at = symmetry.get("max_mm"), symmetry.get("max_at") or {}
    if worst is None:
        return "The plan shows half a body, so there is no second half to compare; the other half is its mirror image."
    u = plus_minus(symmetry.get("u95_mm"))
    where = f", on the {at['side']} side {number(at.get('y_mm'), 0)} mm from the tail" if at.get("side") else ""
    meaning = {True: " Drawing alone explains that.", False: " That is more than drawing alone explains.", None: ""}[
        agree
    ]
    if by_shear:
        meaning = " A sheet out of square explains that, by no more than this one may be."
    typical = number(symmetry.get("rms_mm"), 2, "mm")
    return f"The halves differ by {number(worst, 2, 'mm')} at most ({u}){where}; typically by {typical}.{meaning}"
