"""The job file of a desk's mold, beside the plan file; made with the first choice that is not the usual one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from digitize.desk.kept_file import History, KeptFile
from digitize.desk.plan_edit import OF_A_JOB
from digitize.mold_settings import MoldJob, check_job


class JobFile(KeptFile):
    """Every choice of the mold, as ``boutline mold --job`` takes them."""

    changeable = OF_A_JOB

    def __init__(self, plan: Path, history: History) -> None:
        """Take up the job file of a plan file, if there is one."""
        super().__init__(plan.with_name(f"{plan.stem}-mold.toml"), history)

    def check(self, content: dict[str, Any]) -> None:
        """Check what the file would hold.

        Raises:
            UsageError: ``unknown-key``, ``bad-value`` or ``bad-length``.
        """
        check_job(content, self.path.name)

    @property
    def usual(self) -> dict[str, Any]:
        """What holds where the file says nothing."""
        return MoldJob().as_record()
