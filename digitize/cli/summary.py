"""What a command prints of its record when the record itself is not asked for.

Units are imported where they are used: ``--help`` loads this file too.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

ANSWERS = {"true": "true to size", "not true": "not true to size", "cannot tell": "cannot tell"}


def _short(mm: float, unit: str, form: str = ".2f") -> str:
    """Return a deviation: to a hundredth of a millimetre (or as said), or a thousandth of an inch."""
    from calibration.units import MM_PER_INCH

    plus = "+" if form.startswith("+") else ""
    return f"{mm / MM_PER_INCH:{plus}.3f} in" if unit == "in" else f"{mm:{form}} mm"


def _long(mm: float, unit: str) -> str:
    """Return a length that says where: to a millimetre, or a sixteenth of an inch."""
    from calibration.units import MM_PER_INCH, format_length

    sixteenth = MM_PER_INCH / 16
    return format_length(round(mm / sixteenth) * sixteenth, "in") if unit == "in" else f"{mm:.0f} mm"


def _unit(record: dict[str, Any]) -> str:
    return str(record["settings"].get("unit") or "mm")


def print_check_summary(record: dict[str, Any], out: Path) -> str:
    """Return the answer, the factors and what to ask the shop for."""
    if record.get("print_pages"):
        return _pages_summary(record, out)
    part, unit = record["print_check"], _unit(record)
    lines = [ANSWERS[part["answer"]]]
    for axis in (part["x"], part["y"]):
        size = f"{axis['percent']:.2f} % (+-{axis['u95_percent']:.2g} %)" if axis["measured"] else "not measured"
        asks = f"; ask for {axis['ask_percent']:.2f} %" if part["answer"] == "not true" and axis["measured"] else ""
        lines.append(f"  {axis['way']}: {size}{asks}")
    if part["answer"] == "not true" and part["single"]:
        single = part["single"]
        left = _short(single["left_mm"], unit, ".1f")
        lines.append(f"  one setting only: {single['ask_percent']:.1f} % leaves {left}")
    surely = [one for one in part["body"] if abs(one["off_mm"]) > one["u95_mm"]]
    off = [f"{one['name']} {_short(one['off_mm'], unit, '+.1f')}" for one in surely]
    lines += [f"  this copy makes the body's {', '.join(off)}"] if off else []
    return "\n".join([*lines, f"files in {out}: {', '.join([*record['files'], 'record.json'])}"])


def halves_summary(record: dict[str, Any], out: Path) -> str:
    """Return where the halves differ and what each choice would change."""
    part, unit = record["halves"], _unit(record)
    one = "one half, cut out" if part["cut"] else "only one half is drawn"
    lines = ["both halves compared" if part["whole"] else one]
    lines += [
        f"  {place['side']} reaches {_short(place['size_mm'], unit)} further out, "
        f"{_long(place['y_mm'], unit)} from the tail" + (" (on purpose)" if place["on_purpose"] else "")
        for place in part["differences"]
    ]
    if part["whole"] and not part["differences"]:
        lines.append("  no difference beyond the line's own unsteadiness")
    choices = [keep for keep in part["keeps"] if keep["keep"] != "as drawn"]
    lines += [f"  keep {keep['keep']}: changes up to {_short(keep['max_mm'], unit)}" for keep in choices]
    return "\n".join([*lines, f"files in {out}: {', '.join([*record['files'], 'record.json'])}"])


def outline_summary(record: dict[str, Any], out: Path) -> str:
    """Return the verdict and the main sizes, or what a reprint is."""
    from calibration.units import format_length

    if record.get("reprint"):
        return f"{record['verdict']}: {_printed(record)}\nfiles in {out}: {', '.join(record['files'])}"
    unit, body = record["settings"]["unit"], record["body"]
    sizes = [(name, body[f"{name}_mm"]) for name in ("length", "lower_bout", "waist", "upper_bout")]
    told = ", ".join(f"{name.replace('_', ' ')} {format_length(mm, unit)}" for name, mm in sizes if mm is not None)
    certain = f"outline within {_short(record['outline']['u95_mm'], unit)} (95 %)"
    return f"{record['verdict']}: {told}; {certain}\nfiles in {out}: {', '.join([*record['files'], 'record.json'])}"


def lens_summary(record: dict[str, Any], out: Path) -> str:
    """Return the lens with its sigmas."""
    found = record["lens"]
    lens, sigma, rests_on, picture = found["lens"], found["sigma"], found["rests_on"], found["picture"]
    terms = ", ".join(f"{name} {lens[name]:.4f} ± {sigma[name]:.4f}" for name in ("k1", "k2", "p1", "p2"))
    (x, y), (x_u, y_u) = lens["centre_px"], sigma["centre_px"]
    return (
        f"{record['verdict']}: focal length {lens['focal_px']:.1f} ± {sigma['focal_px']:.1f} px, "
        f"centre {x:.1f} ± {x_u:.1f}, {y:.1f} ± {y_u:.1f} px of {picture['width_px']} x {picture['height_px']}\n"
        f"{terms} (± is 1 sigma)\n"
        f"from {rests_on['shots']} shots, {rests_on['corners']} corners, {rests_on['rms_px']:.3f} px off (rms)\n"
        f'written to {out}; in a plan file: [plan] lens = "{out.name}"'
    )


def mold_summary(record: dict[str, Any], out: Path) -> str:
    """Return the parts, the sheets and the side blanks."""
    from calibration.units import format_length

    unit, totals = record["settings"]["output"]["unit"], record["totals"]
    counts = ", ".join(f"{part['count']} x {part['title']}" for part in record["parts"])
    sheets = f"{totals['sheets']} sheet{'' if totals['sheets'] == 1 else 's'}"
    right, left = (format_length(mm, unit) for mm in totals["side_blank_mm"])
    blanks = f"side blanks {right}" if right == left else f"side blanks {right} (right), {left} (left)"
    return (
        f"{record['verdict']}: {counts}\n"
        f"{totals['pieces']} pieces from {sheets}, {totals['weight_kg']:.1f} kg; {blanks}\n"
        f"files in {out}: {', '.join([*record['files'], 'mold.json'])}"
    )


def _printed(record: dict[str, Any]) -> str:
    """Return what a reprint is, in a line or two."""
    part, u95, unit = record["reprint"], record["scale"]["u95_percent"], _unit(record)
    left, low, right, top = part["box_mm"]
    count = len(part["pages"])
    pages = f"one page of {part['page_width_mm']:.0f} x {part['page_height_mm']:.0f} mm"
    if count > 1:
        pages = f"a map and {count} pages of {part['paper']} to join"
    drawn = ""
    if (part["drawn_x_percent"], part["drawn_y_percent"]) != (100.0, 100.0):
        drawn = f"; drawn at {part['drawn_x_percent']:.2f} x {part['drawn_y_percent']:.2f} % for that printer alone"
    turned = "mirrored, " if part["mirrored"] else ""
    more = f" and {_short(part['shape_u95_mm'], unit)}" if part["shape_u95_mm"] else ""
    true = f"lengths true within {u95:.2g} %{more} (95 %)"
    size = f"{right - left:.1f} x {top - low:.1f} mm"
    if unit == "in":
        size = f"{_long(right - left, unit)} x {_long(top - low, unit)}"
    return f"{turned}{size} on {pages}; {true}{drawn}"


def _pages_summary(record: dict[str, Any], out: Path) -> str:
    part = record["print_pages"]
    lines = [ANSWERS[part["answer"]]]
    for page in part["pages"]:
        ways = [f"{one['percent']:.2f} % (+-{one['u95_percent']:.2g} %) {one['way']}" for one in page["ways"]]
        told = ", ".join(ways) or "not measured"
        lines.append(f"  page {page['number']} ({page['file']}): {told}: {ANSWERS[page['answer']]}")
    return "\n".join([*lines, f"files in {out}: {', '.join([*record['files'], 'record.json'])}"])


def _straight_lines(line: dict[str, Any] | None, unit: str) -> list[str]:
    """Return how straight a part's straight edge is and where it lies, and what both do to the flipped width."""
    if line is None:
        return ["  straight edge: none was found"]
    ends = ", ".join(
        f"{_short(one['width_mm'], unit, '+.2f')} (+-{_short(one['u95_mm'], unit)}) at the {one['end']}"
        for one in line["ends"]
    )
    bow, wide = (_short(line[name], unit) for name in ("bow_mm", "bow_width_mm"))
    return [
        f"  straight edge: straight to {bow}, which is {wide} of the flipped width; "
        f"by where it lies that is off by {ends}"
    ]


def fit_summary(record: dict[str, Any], out: Path) -> str:
    """Return whether the part fits, and where it is proud or hollow."""
    part, unit = record["fit"], _unit(record)
    word = {"fits": "it fits", "sand": "sand it", "hollow": "too far gone", "look": "look before you trust it"}
    lines = [f"{word[part['answer']]}: the {part['half']} half" + (", lying face down" if part["face_down"] else "")]
    if whole := part["whole_size"]:
        way = "larger" if whole["percent"] > 0 else "smaller"
        size = f"{abs(whole['percent']):.2f} % (+-{whole['u95_percent']:.2f} %) {way} than the outline"
        lines.append(f"  the whole part is {size}; its size apart:")
    lines += [
        f"  {_short(abs(one['size_mm']), unit)} (+-{_short(one['u95_mm'], unit)}) "
        f"{'proud' if one['size_mm'] > 0 else 'hollow'} over {_long(one['to_mm'] - one['from_mm'], unit)}, "
        f"{_long(one['y_mm'], unit)} from the tail" + ("" if one["beyond"] else " (within the tolerance)")
        for one in part["runs"]
    ]
    lines += _straight_lines(part["straight_edge"], unit)
    shape, size = (_short(part[name], unit) for name in ("u95_mm", "size_u95_mm"))
    lines.append(f"  shape known to {shape}, the size of the whole to {size} (95 %)")
    return "\n".join([*lines, f"files in {out}: {', '.join([*record['files'], 'record.json'])}"])
