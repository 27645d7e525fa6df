"""What the report is given besides the record: the picture and the arrays behind the numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from calibration.frames import BodyPoints, BoolArray, FloatArray
from digitize.shapes import BodyMeasures, Picture, Rule, SymmetryAudit, Unit

_Scalar = TypeVar("_Scalar", bound=np.generic)


@dataclass(frozen=True, eq=False)
class ReportContext:
    """Everything but the record that the page shows; None where a refused run never came so far."""

    picture: Picture | None = None
    rules: tuple[Rule, ...] = ()
    residuals_mm: tuple[FloatArray, ...] = ()  # per rule, one per graduation, along the rule
    audit: SymmetryAudit | None = None
    body: BodyPoints | None = None  # (N, 2) the outline as written, closed, first not repeated
    traced: BoolArray | None = None  # (N,) False where bridged
    sigma_mm: FloatArray | None = None  # (N,) across the curve
    body_to_px: FloatArray | None = None  # (2, 3) affine from body mm to picture px
    unit: Unit = "mm"
    measures: BodyMeasures | None = None  # where the bouts and the waist are
    kept: str = ""  # plain words: which half was kept and why
    ask_percent: float | None = None  # the best one setting for a true copy, as the print check has it

    def __post_init__(self) -> None:
        """Check that the arrays fit each other.

        Raises:
            ValueError: ``traced`` or ``sigma_mm`` is not one value per body point, or the affine is not (2, 3).
        """
        count = 0 if self.body is None else len(self.body)
        for name, values in (("traced", self.traced), ("sigma_mm", self.sigma_mm)):
            if values is not None and values.shape != (count,):
                raise ValueError(f"{name} needs {count} values, got shape {values.shape}")
        if self.body_to_px is not None and self.body_to_px.shape != (2, 3):
            raise ValueError(f"body_to_px needs shape (2, 3), got {self.body_to_px.shape}")


def carry_over(values: npt.NDArray[_Scalar], source: BodyPoints, target: BodyPoints) -> npt.NDArray[_Scalar]:
    """Return for every target point the value of the nearest source point.

    The fair outline has other points than the traced one; this takes ``traced`` and ``sigma_mm`` across.

    Raises:
        ValueError: ``values`` is not one per source point.
    """
    if values.shape != (len(source),):
        raise ValueError(f"{len(source)} values are needed, got shape {values.shape}")
    from scipy.spatial import cKDTree  # heavy, and pages without a scan need nothing of it

    nearest = cKDTree(source.xy).query(target.xy)[1]
    return values[np.asarray(nearest, dtype=np.int64)]
