"""The shipped example plan, wherever the package is installed."""

from __future__ import annotations

import shutil
from pathlib import Path

import digitize
from calibration.errors import UsageError

PACKAGE = Path(digitize.__file__).parent
# Inside an installed wheel; beside the packages in a checkout.
PLACES = (PACKAGE / "demo", PACKAGE.parent / "fixtures" / "demo")


def copy_demo(out: Path) -> Path:
    """Copy the example's plan file and sheet into ``out`` and return the plan file there.

    Raises:
        UsageError: ``no-such-file`` when the example was not installed; ``out-not-writable``.
    """
    source = next((place for place in PLACES if place.is_dir()), None)
    plans = sorted(source.glob("*.toml")) if source else []
    if source is None or not plans:
        raise UsageError("no-such-file", file="The shipped example")
    try:
        out.mkdir(parents=True, exist_ok=True)
        for path in (path for path in source.iterdir() if path.is_file()):
            shutil.copyfile(path, out / path.name)
    except OSError as fault:
        raise UsageError("out-not-writable", folder=out, why=fault.strerror or str(fault)) from fault
    return out / plans[0].name
