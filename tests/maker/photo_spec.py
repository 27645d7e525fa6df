"""What a made photo is asked to be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tests.maker.level_spec import LevelSpec

MAX_SHEET_MM = (650.0, 500.0)
PLAIN_PLAN = LevelSpec(rules=(), specks=0, smudges=1, fold=False)
Lift = Literal["flat", "cylinder", "edge", "corner", "ridge"]
Table = Literal["wood", "dark wood", "cloth", "mat", "white", "stone"]


@dataclass(frozen=True)
class LaidSpec:
    """One object on the sheet."""

    model: str  # key of photo_objects.MODELS
    at_mm: tuple[float, float]  # of its own origin, sheet frame
    angle_deg: float = 0.0
    error: float = 0.0  # relative, of its graduations
    square_error_deg: float = 0.0  # by which a square's arms miss 90 degrees
    glare: float = 0.0  # 0 to 1: where along it light is mirrored; 0 is nowhere
    seed: int = 0


@dataclass(frozen=True)
class SecondSheet:
    """Another drawing that lies on the table too, over the first where they meet."""

    plan: LevelSpec
    at_mm: tuple[float, float]  # of its lower left corner, frame of the first
    angle_deg: float


@dataclass(frozen=True)
class PhotoSpec:
    """One photo: sheet, what lies on it, camera, light, file; the defaults are a plain good one."""

    name: str = "photo"
    seed: int = 0
    kind: str = "two rules"
    plan: LevelSpec = PLAIN_PLAN  # copier_x, copier_y, shear_deg and gain_mm are those of the copy on the table
    drawn_rules: bool = False  # the plan's own rules are drawn on the sheet
    pad_mm: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)  # paper beyond the drawing: left, low, right, up
    sheet_skew_deg: float = 0.0  # by which the paper's corners miss 90 degrees
    laid: tuple[LaidSpec, ...] = ()
    second: SecondSheet | None = None
    lift: Lift = "flat"
    lift_mm: float = 0.0  # 250 mm from the middle (a ridge: at its crest)
    lift_to_deg: float = 0.0  # direction in which it rises, sheet frame

    long_px: int = 4000
    portrait: bool = False
    f_share: float = 0.78  # of the longer side
    tilt_deg: float = 8.0
    tilt_to_deg: float = 30.0
    turn_deg: float = 1.5
    fill: float = 0.94
    align: tuple[float, float] = (0.0, 0.0)
    crop_mm: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)  # not aimed at: left, low, right, up
    lens: tuple[float, float, float, float] = (-0.05, 0.01, 0.0, 0.0)  # k1, k2, p1, p2
    centre_share: tuple[float, float] = (0.0, 0.0)  # of the longer side, off the middle

    blur_px: float = 0.8  # for 4000 px
    motion_px: float = 0.0
    motion_deg: float = 0.0
    noise: float = 1.0  # 1 is a phone's in a lit room
    sharpen: float = 0.3
    exposure: float = 0.62  # linear value of lit paper
    fall: float = 0.2  # of the light across the picture, share
    fall_to_deg: float = 0.0
    shadow: float = 0.0  # depth of a hand's or phone's shadow
    light_rgb: tuple[float, float, float] = (1.0, 0.97, 0.92)
    lamp_deg: float = 120.0  # where the light comes from, sheet frame
    table: Table = "wood"
    quality: int = 92
    exif_focal: bool = True
    orientation: int = 1

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the upright picture; multiples of 4."""
        long, short = self.long_px // 4 * 4, round(self.long_px * 0.75 / 4) * 4
        return (short, long) if self.portrait else (long, short)

    @property
    def px_scale(self) -> float:
        """Size of this picture's pixels against those of 4000."""
        return self.long_px / 4000.0

    @property
    def group(self) -> str:
        """Row of a bench table."""
        return self.kind
