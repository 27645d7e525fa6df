"""The lens file: written, read back and compared."""

from __future__ import annotations

import math
from pathlib import Path

from calibration.errors import UsageError
from digitize.lens_file import LensFile, load_lens
from digitize.writers.check import fail

LENS_SUFFIX = ".toml"
SAME_REL = 1e-9


def check_place(path: Path, *, replace: bool) -> None:
    """Check where a lens file is to go, before any work.

    Raises:
        UsageError: ``lens-file-name`` or ``lens-file-there``.
    """
    if path.suffix.lower() != LENS_SUFFIX:
        raise UsageError("lens-file-name", file=path.name or path)
    if path.exists() and not replace:
        raise UsageError("lens-file-there", file=path)


def write_lens(lens: LensFile, path: Path) -> None:
    """Write a lens file and read it back.

    Raises:
        Refusal: ``file-check`` when it reads back differently.
    """
    path.write_text(lens.as_text(path.name), encoding="utf-8")
    try:
        back = load_lens(path)
    except UsageError as fault:
        raise fail(path, fault.doubt.text) from fault
    for name, wanted in _numbers(lens).items():
        given = _numbers(back).get(name)
        if given is None or not math.isclose(given, wanted, rel_tol=SAME_REL, abs_tol=0.0):
            raise fail(path, f"{name} reads back as {given}")
    if back.picture != lens.picture:
        raise fail(path, "its picture size does not read back as it was written")


def _numbers(lens: LensFile) -> dict[str, float]:
    found: dict[str, float] = {}
    for table in ("lens", "sigma", "rests_on"):
        for key, value in getattr(lens, table).model_dump().items():
            for number, one in enumerate(value if isinstance(value, tuple) else (value,)):
                found[f"{table}.{key}.{number}"] = float(one)
    return found
