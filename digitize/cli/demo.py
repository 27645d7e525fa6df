"""The shipped example plan, wherever the package is installed."""

from __future__ import annotations

import shutil
from pathlib import Path

import digitize
from calibration.errors import UsageError
from digitize.outbox import unwritable

PACKAGE = Path(digitize.__file__).parent
# Inside an installed wheel; beside the packages in a checkout.
PLACES = (PACKAGE / "demo", PACKAGE.parent / "fixtures" / "demo")


def copy_demo(out: Path, *, replace: bool) -> Path:
    """Copy the example's plan file and sheet into ``out`` and return the plan file there.

    Raises:
        UsageError: ``no-such-file`` when the example was not installed; ``out-has-results`` when a file of its
            name is there and ``replace`` is not given; ``out-not-writable`` or ``disk-full``.
    """
    source = next((place for place in PLACES if place.is_dir()), None)
    plans = sorted(source.glob("*.toml")) if source else []
    if source is None or not plans:
        raise UsageError("no-such-file", file="The shipped example")
    shipped = [path for path in source.iterdir() if path.is_file()]
    there = next((path.name for path in shipped if (out / path.name).exists()), None)
    if there is not None and not replace:
        raise UsageError("out-has-results", folder=out, file=there)
    try:
        out.mkdir(parents=True, exist_ok=True)
        for path in shipped:
            shutil.copyfile(path, out / path.name)
    except OSError as fault:
        raise unwritable(out, fault) from fault
    return out / plans[0].name
