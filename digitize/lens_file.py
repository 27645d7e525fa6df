"""The lens file: a lens measured once, kept for later photos by the same camera. TOML."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from calibration.errors import UsageError
from calibration.known_lens import KnownLens, LensSigma
from calibration.lens import Lens

if TYPE_CHECKING:
    from calibration.chessboard import MeasuredLens  # slow to load, and every run reads its settings first

DIGITS = 10  # significant ones of each number
HEAD = "# A lens, measured from shots of a chessboard. Name this file in a plan file: [plan] lens = "


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class LensPicture(_Table):
    """The pictures that the numbers are for."""

    width_px: int = Field(gt=0)
    height_px: int = Field(gt=0)
    way_up: Literal["as stored", "unknown"]  # as the camera stored them, or which way round is not known


class LensNumbers(_Table):
    """The lens, as calibration.lens has it."""

    focal_px: float = Field(gt=0.0)
    centre_px: tuple[float, float]
    k1: float
    k2: float
    p1: float
    p2: float


class LensSigmas(_Table):
    """One standard deviation of each number."""

    focal_px: float = Field(ge=0.0)
    centre_px: tuple[float, float]
    k1: float = Field(ge=0.0)
    k2: float = Field(ge=0.0)
    p1: float = Field(ge=0.0)
    p2: float = Field(ge=0.0)
    k3: float = Field(ge=0.0)  # what the four terms leave out


class LensShots(_Table):
    """What the numbers rest on."""

    shots: int = Field(gt=0)
    corners: int = Field(gt=0)
    rms_px: float = Field(ge=0.0)
    reach: float = Field(gt=0.0)  # of the way from the centre to the picture's furthest corner
    distance_mm: tuple[float, float]  # the nearest and the furthest board


class LensFile(_Table):
    """The whole file."""

    lens_schema: Literal[1]
    picture: LensPicture
    lens: LensNumbers
    sigma: LensSigmas
    rests_on: LensShots

    @classmethod
    def of(cls, found: MeasuredLens, *, way_known: bool) -> LensFile:
        """Return the file of a lens that was measured."""
        lens, sigma = found.lens, found.sigma
        away = [shot.distance_mm for shot in found.shots]
        return cls(
            lens_schema=1,
            picture=LensPicture(
                width_px=found.size_px[0], height_px=found.size_px[1], way_up="as stored" if way_known else "unknown"
            ),
            lens=LensNumbers(
                focal_px=lens.focal_px, centre_px=lens.centre_px, k1=lens.k1, k2=lens.k2, p1=lens.p1, p2=lens.p2
            ),
            sigma=LensSigmas(
                focal_px=sigma.focal_px, centre_px=sigma.centre_px, k1=sigma.k1, k2=sigma.k2, p1=sigma.p1,
                p2=sigma.p2, k3=sigma.k3,
            ),
            rests_on=LensShots(
                shots=len(found.shots), corners=found.corners, rms_px=found.rms_px, reach=found.reach,
                distance_mm=(min(away), max(away)),
            ),
        )  # fmt: skip

    def known(self, file: str) -> KnownLens:
        """Return the lens for the adjustment of a photo; ``file`` names it to the person."""
        return KnownLens(
            Lens(**self.lens.model_dump()),
            LensSigma(**self.sigma.model_dump()),
            (self.picture.width_px, self.picture.height_px),
            self.picture.way_up == "as stored",
            f"the lens file {file}, from {self.rests_on.shots} shots of a chessboard",
        )

    def as_text(self, file: str) -> str:
        """Return the file's text."""
        content = self.model_dump()
        lines = [f'{HEAD}"{file}"', f"lens_schema = {content.pop('lens_schema')}"]
        for name, table in content.items():
            lines += ["", f"[{name}]", *(f"{key} = {_written(value)}" for key, value in table.items())]
        return "\n".join(lines) + "\n"


def _written(value: Any) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, tuple):
        return f"[{', '.join(_written(one) for one in value)}]"
    if isinstance(value, int):
        return str(value)
    text = f"{value:.{DIGITS}g}"
    return text if any(sign in text for sign in ".en") else f"{text}.0"


def load_lens(path: Path) -> LensFile:
    """Return the content of a lens file.

    Raises:
        UsageError: ``no-such-file`` or ``bad-lens-file``.
    """
    if not path.is_file():
        raise UsageError("no-such-file", file=path)
    try:
        content = LensFile.model_validate(tomllib.loads(path.read_text(encoding="utf-8-sig")))
        content.known(path.name)
    except ValidationError as fault:
        first = fault.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise UsageError("bad-lens-file", file=path.name, why=f"{place}: {first['msg'].lower()}") from fault
    except (ValueError, OSError) as fault:  # also what TOML and the text's coding complain of
        raise UsageError("bad-lens-file", file=path.name, why=str(fault)) from fault
    return content
