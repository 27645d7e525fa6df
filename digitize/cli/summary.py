"""What a command prints of its record when the record itself is not asked for.

Units are imported where they are used: ``--help`` loads this file too.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

ANSWERS = {"true": "true to size", "not true": "not true to size", "cannot tell": "cannot tell"}


def print_check_summary(record: dict[str, Any], out: Path) -> str:
    """Return the answer, the factors and what to ask the shop for."""
    if record.get("print_pages"):
        return _pages_summary(record, out)
    part = record["print_check"]
    lines = [ANSWERS[part["answer"]]]
    for axis in (part["x"], part["y"]):
        size = f"{axis['percent']:.2f} % (+-{axis['u95_percent']:.2g} %)" if axis["measured"] else "not measured"
        asks = f"; ask for {axis['ask_percent']:.2f} %" if part["answer"] == "not true" and axis["measured"] else ""
        lines.append(f"  {axis['way']}: {size}{asks}")
    if part["answer"] == "not true" and part["single"]:
        single = part["single"]
        lines.append(f"  one setting only: {single['ask_percent']:.1f} % leaves {single['left_mm']:.1f} mm")
    off = [f"{one['name']} {one['off_mm']:+.1f} mm" for one in part["body"] if abs(one["off_mm"]) > one["u95_mm"]]
    lines += [f"  this copy makes the body's {', '.join(off)}"] if off else []
    return "\n".join([*lines, f"files in {out}: {', '.join([*record['files'], 'record.json'])}"])


def halves_summary(record: dict[str, Any], out: Path) -> str:
    """Return where the halves differ and what each choice would change."""
    part = record["halves"]
    one = "one half, cut out" if part["cut"] else "only one half is drawn"
    lines = ["both halves compared" if part["whole"] else one]
    lines += [
        f"  {place['side']} reaches {place['size_mm']:.2f} mm further out, {place['y_mm']:.0f} mm from the tail"
        + (" (on purpose)" if place["on_purpose"] else "")
        for place in part["differences"]
    ]
    if part["whole"] and not part["differences"]:
        lines.append("  no difference beyond the line's own unsteadiness")
    choices = [keep for keep in part["keeps"] if keep["keep"] != "as drawn"]
    lines += [f"  keep {keep['keep']}: changes up to {keep['max_mm']:.2f} mm" for keep in choices]
    return "\n".join([*lines, f"files in {out}: {', '.join([*record['files'], 'record.json'])}"])


def outline_summary(record: dict[str, Any], out: Path) -> str:
    """Return the verdict and the main sizes, or what a reprint is."""
    from calibration.units import format_length

    if record.get("reprint"):
        return f"{record['verdict']}: {_printed(record)}\nfiles in {out}: {', '.join(record['files'])}"
    unit, body = record["settings"]["unit"], record["body"]
    sizes = [(name, body[f"{name}_mm"]) for name in ("length", "lower_bout", "waist", "upper_bout")]
    told = ", ".join(f"{name.replace('_', ' ')} {format_length(mm, unit)}" for name, mm in sizes if mm is not None)
    certain = f"outline within {record['outline']['u95_mm']:.2f} mm (95 %)"
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
    part, u95 = record["reprint"], record["scale"]["u95_percent"]
    left, low, right, top = part["box_mm"]
    count = len(part["pages"])
    pages = f"one page of {part['page_width_mm']:.0f} x {part['page_height_mm']:.0f} mm"
    if count > 1:
        pages = f"a map and {count} pages of {part['paper']} to join"
    drawn = ""
    if (part["drawn_x_percent"], part["drawn_y_percent"]) != (100.0, 100.0):
        drawn = f"; drawn at {part['drawn_x_percent']:.2f} x {part['drawn_y_percent']:.2f} % for that printer alone"
    turned = "mirrored, " if part["mirrored"] else ""
    more = f" and {part['shape_u95_mm']:.2f} mm" if part["shape_u95_mm"] else ""
    true = f"lengths true within {u95:.2g} %{more} (95 %)"
    return f"{turned}{right - left:.1f} x {top - low:.1f} mm on {pages}; {true}{drawn}"


def _pages_summary(record: dict[str, Any], out: Path) -> str:
    part = record["print_pages"]
    lines = [ANSWERS[part["answer"]]]
    for page in part["pages"]:
        ways = [f"{one['percent']:.2f} % (+-{one['u95_percent']:.2g} %) {one['way']}" for one in page["ways"]]
        told = ", ".join(ways) or "not measured"
        lines.append(f"  page {page['number']} ({page['file']}): {told}: {ANSWERS[page['answer']]}")
    return "\n".join([*lines, f"files in {out}: {', '.join([*record['files'], 'record.json'])}"])


def _straight_lines(line: dict[str, Any] | None) -> list[str]:
    """Return how straight a part's straight edge is and where it lies, and what both do to the flipped width."""
    if line is None:
        return ["  straight edge: none was found"]
    ends = ", ".join(f"{one['width_mm']:+.2f} (+-{one['u95_mm']:.2f}) at the {one['end']}" for one in line["ends"])
    return [
        f"  straight edge: straight to {line['bow_mm']:.2f} mm, which is {line['bow_width_mm']:.2f} mm of the flipped "
        f"width; by where it lies that is off by {ends}, mm"
    ]


def fit_summary(record: dict[str, Any], out: Path) -> str:
    """Return whether the part fits, and where it is proud or hollow."""
    part = record["fit"]
    word = {"fits": "it fits", "sand": "sand it", "hollow": "too far gone", "look": "look before you trust it"}
    lines = [f"{word[part['answer']]}: the {part['half']} half" + (", lying face down" if part["face_down"] else "")]
    lines += [
        f"  {abs(one['size_mm']):.2f} mm (+-{one['u95_mm']:.2f}) {'proud' if one['size_mm'] > 0 else 'hollow'} over "
        f"{one['to_mm'] - one['from_mm']:.0f} mm, {one['y_mm']:.0f} mm from the tail"
        + ("" if one["beyond"] else " (within the tolerance)")
        for one in part["runs"]
    ]
    lines += _straight_lines(part["straight_edge"])
    shape, size = part["u95_mm"], part["size_u95_mm"]
    lines.append(f"  shape known to {shape:.2f} mm, the size of the whole to {size:.2f} mm (95 %)")
    return "\n".join([*lines, f"files in {out}: {', '.join([*record['files'], 'record.json'])}"])
