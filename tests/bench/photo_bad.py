"""Photos that no one should trust, one line per fault: ``python -m tests.bench.photo_bad --seed 1``.

Every fault goes through the whole command on a plan of its own. named: a reason says what is wrong with this photo
(the codes in NAMED), so that the next one can be better. An outline, where one is given, is compared with the truth:
wrong but sound as in tests.bench.photos; a claim too small is one that the outline does not keep.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from tests.bench.photos import PhotoRow, cached_photo, run_plan
from tests.maker.found_bodies import missing
from tests.maker.photo_bad import FAULTS, bad_specs
from tests.maker.photo_spec import PhotoSpec

WRONG_UNIT = "unit told wrong"  # of the photo that another fault has a single rule in
BENT = {"photo-bent", "photo-bowed", "photo-lifted", "photo-open-bent", "rules-bent", "rules-or-bent",
        "sheet-not-flat", "sheet-outline"}
ONE_WAY = {"photo-scale-open", "photo-rests"}
NAMED: dict[str, set[str]] = {
    "no rule": {"photo-no-rule"},
    "rule too short": {"photo-rule-short", "photo-rule-too-short"},
    "blurred": {"photo-blurred"},
    "moved": {"photo-moved"},
    "one direction, edges out": ONE_WAY,
    "two sheets": {"two-sheets", "sheet-outline", "side-stepped"},
    "rolled": BENT,
    "curled edge": BENT,
    WRONG_UNIT: {"unit-contradicted"},
}


def run_fault(fault: str, spec: PhotoSpec, out: Path) -> PhotoRow | None:
    """Run the command on the photo of a fault, or on a plan file that is wrong about it; None: that cannot be wrong."""
    photo = cached_photo(spec)
    units = {edge.unit for edge in photo.edges}
    plan = photo.path
    if fault == WRONG_UNIT:
        if len(units) != 1:
            return None
        wrong = "in" if units == {"mm"} else "mm"
        plan = out / f"{spec.name}.toml"
        out.mkdir(parents=True, exist_ok=True)
        plan.write_text(f'[plan]\nimage = "{photo.path}"\n[[rule]]\nunit = "{wrong}"\n', encoding="utf-8")
    return run_plan(plan, photo, out)


def line_of(fault: str, row: PhotoRow) -> str:
    """Return what a fault came to."""
    told = "named" if NAMED[fault] & set(row.reasons) else "NOT NAMED"
    parts = [f"{fault}: {row.verdict}, {told} [{' '.join([*row.reasons, row.note]).strip()}]"]
    if row.compared is not None:
        parts.append(f"max {row.compared.max_mm:.2f} mm, claimed {row.u95_mm:.2f} mm")
        parts.append("WRONG BUT SOUND" if row.wrong_but_sound else "kept" if row.covered else "CLAIM TOO SMALL")
    return "; ".join(parts) + f" ({row.seconds:.0f} s)"


def main() -> None:
    """Run the bench and print its lines."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--long", type=int, default=4000, help="longer side of the pictures, px")
    parser.add_argument("--fault", choices=[*FAULTS, WRONG_UNIT], action="append")
    given = parser.parse_args()
    out = Path(tempfile.gettempdir()) / "boutline-bench" / f"bad-{given.seed}-{given.long}"
    specs = bad_specs(given.seed, given.long)
    specs[WRONG_UNIT] = specs["one direction, edges out"]
    for fault in given.fault or NAMED:
        if missing(specs[fault].plan.family):
            print(f"{fault}: not made, this machine has no file of its body")
            continue
        row = run_fault(fault, specs[fault], out)
        print(line_of(fault, row) if row else f"{fault}: not made, the rule has both units", flush=True)


if __name__ == "__main__":
    main()
