"""What ``boutline fit`` is told besides the part and the outline."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from calibration.errors import UsageError
from calibration.units import parse_length

# Half a pencil line, which is what parts are sanded to (common practice, no source).
TOLERANCE_MM = 0.25
LEAST_TOLERANCE_MM, MOST_TOLERANCE_MM = 0.02, 5.0
THICKEST_MM = 100.0
NONE = re.compile(r"\s*0+(\.0*)?\s*(mm|cm|in)?\s*")


@dataclass(frozen=True)
class FitWanted:
    """What the person asks of a check."""

    tolerance: str | None = None
    hold: str = "free"
    half: str = "auto"
    material: str = "auto"
    thickness: str | None = None
    against: Path | None = None
    page: str = "A4"
    job: Path | None = None  # the mold's choices: where its dowel holes are
    drawn: bool = False  # the part is a drawn line

    @property
    def tolerance_mm(self) -> float:
        """The tolerance.

        Raises:
            UsageError: it is no length, or a silly one.
        """
        if self.tolerance is None:
            return TOLERANCE_MM
        mm = parse_length(self.tolerance)
        if not LEAST_TOLERANCE_MM <= mm <= MOST_TOLERANCE_MM:
            need = f"a length from {LEAST_TOLERANCE_MM:g} mm to {MOST_TOLERANCE_MM:g} mm"
            raise UsageError("bad-option", option="--tolerance", got=self.tolerance, need=need)
        return mm

    @property
    def thickness_mm(self) -> float | None:
        """How far the part's face is above the paper, in a photo.

        Raises:
            UsageError: it is no length, or a silly one.
        """
        if self.thickness is None:
            return 0.0 if self.drawn else None
        mm = 0.0 if NONE.fullmatch(self.thickness) else parse_length(self.thickness)
        if mm > THICKEST_MM:
            raise UsageError(
                "bad-option", option="--thickness", got=self.thickness, need="a length from 0 mm to 100 mm"
            )
        return mm

    def check(self) -> None:
        """Refuse a wrong call before anything heavy is loaded.

        Raises:
            UsageError: ``bad-option`` or ``bad-length``.
        """
        words = {
            "--hold": (self.hold, ("free", "edge", "dowels")),
            "--half": (self.half, ("auto", "left", "right")),
            "--material": (self.material, ("auto", "inside", "outside")),
        }
        for option, (got, known) in words.items():
            if got not in known:
                raise UsageError("bad-option", option=option, got=got, need=" or ".join(known))
        if self.job is not None and self.hold != "dowels":
            need = "--hold dowels, which it is for,"
            raise UsageError("bad-option", option="--job", got=self.job.name, need=need)
        _ = self.tolerance_mm, self.thickness_mm
