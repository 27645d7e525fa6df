"""The plan file of a desk, or the one that will be made beside a plain picture."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import tomlkit

from calibration.errors import UsageError
from digitize.desk.kept_file import History, KeptFile
from digitize.desk.plan_edit import OF_A_PLAN
from digitize.settings import PLAN_SUFFIX, check_plan, load_plan


class PlanFile(KeptFile):
    """A plan file; what is said before there is one makes it."""

    changeable = OF_A_PLAN

    def __init__(self, given: Path, history: History | None = None) -> None:
        """Open a plan file or a picture.

        Raises:
            UsageError: as ``load_plan``.
        """
        settings = load_plan(given)
        self.image, self.page, self.captured = settings.image, settings.page, settings.captured
        self.given_picture = given.suffix.lower() != PLAN_SUFFIX
        super().__init__(plan_beside(given) if self.given_picture else given, history or History())
        load_plan(self.runs)

    @property
    def runs(self) -> Path:
        """What a run is given: the plan file, or the picture as long as there is none."""
        return self.path if self.path.is_file() else self.image

    @property
    def version(self) -> str:
        """What tells one content of the file from another."""
        return version_of(self.runs)

    def first_text(self) -> str:
        """Return a plan file that says nothing but which picture it is of."""
        plan = tomlkit.table()
        plan["image"] = self.image.name
        return tomlkit.dumps({"plan": plan})

    def check(self, content: dict[str, Any]) -> None:
        """Check what the file would hold.

        Raises:
            UsageError: ``unknown-key``, ``bad-value`` or ``bad-length``.
        """
        check_plan(content, self.path.name)


def plan_beside(picture: Path) -> Path:
    """Return where the plan file of a picture is or will be: one that names it, else a free name."""
    for number in range(1, 100):
        place = picture.with_name(f"{picture.stem}{'' if number == 1 else f'-{number}'}{PLAN_SUFFIX}")
        if not place.exists():
            return place
        try:
            if load_plan(place).image.resolve() == picture.resolve():
                return place
        except UsageError:
            continue
    raise UsageError("out-not-writable", folder=picture.parent, why="it holds a hundred plan files of that name")


def version_of(path: Path) -> str:
    """Return a digest of a plan file; of a plain picture, its name alone."""
    if path.suffix.lower() != PLAN_SUFFIX:
        return f"picture {path.name}"
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "none"
