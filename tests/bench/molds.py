"""A mold for every body that the maker of plans knows: does each give parts, or a clear reason?

    python -m tests.bench.molds --seeds 1 2

Each body is tried with the default job and with a thin wall, all spreaders and both forms. A line each; at the end how
many gave all parts, how many left some out with a reason, how many were refused, and what the parts are off at most.
Exit code 1 when anything ended in a fault.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter

from calibration.errors import BoutlineError
from digitize.mold_made import Mold, made
from digitize.mold_settings import Forms, MoldJob, MoldShape, Spreaders
from digitize.outcome import Clock
from digitize.outline_file import OutlineFile
from tests.digitize.mold_bodies import EVERY_FAMILY, is_missing, outline_of

JOBS = {
    "default": MoldJob(),
    "thin, all": MoldJob(
        mold=MoldShape(wall=12.7), spreaders=Spreaders(waist=True, closed=60.0, open=80.0),
        forms=Forms(bending=True, inside=True),
    ),
}  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--quick", action="store_true", help="every third body only")
    wanted = parser.parse_args()
    families = [family for family in EVERY_FAMILY if not is_missing(family)][:: 3 if wanted.quick else 1]
    counts: Counter[str] = Counter()
    layer_off, face_off = 0.0, 0.0
    for seed in wanted.seeds:
        for family in families:
            for name, job in JOBS.items():
                kind, words, mold = _one(family, seed, job)
                counts[kind] += 1
                if mold is not None:
                    layer_off = max(layer_off, mold.proof.layer_off_mm)
                    face_off = max(face_off, mold.proof.face_off_mm or 0.0)
                print(f"{kind:8} {family} {seed}, {name}: {words}", flush=True)
    print(dict(counts), f"closed halves off by {layer_off:.6f} mm, faces by {face_off:.6f} mm at most")
    return 1 if counts["fault"] else 0


def _one(family: str, seed: int, job: MoldJob) -> tuple[str, str, Mold | None]:
    body = outline_of(family, seed)
    start = time.perf_counter()
    try:
        mold = made(OutlineFile(body, family, "", None, ()), job, Clock())
    except BoutlineError as refused:
        return "refused", str(refused), None
    except Exception as fault:
        return "fault", f"{type(fault).__name__}: {fault}", None
    left = [one.text for one in mold.doubts if one.code == "part-left-out"]
    seconds = time.perf_counter() - start
    told = f"{len(mold.parts)} parts, {len(mold.sheets)} sheets, {seconds:.1f} s {' '.join(left)}"
    return "partly" if left else "whole", told, mold


if __name__ == "__main__":
    sys.exit(main())
