"""The job file of a mold (TOML): every choice, checked, with what is common practice filled in.

Defaults are common practice without a source unless a comment names one; each is in the file for the builder to change.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from calibration.errors import UsageError
from calibration.units import Unit, parse_length
from digitize.mold_shapes import Stock
from digitize.tables import LengthMm, MaybeNoneMm, Table, parsed, validated

JOB_FORMS = {
    name: f"[{name}]" for name in ("mold", "sheet", "dowels", "sides", "spreaders", "forms", "tools", "output")
}
_STOCK = re.compile(r"(.+?)\s*[x×]\s*(.+?)(?:\s*[x×]\s*(\d+)\s*(?:pieces?|sheets?))?", re.IGNORECASE)


def _stock(value: object) -> object:
    """Return a sheet written as ``2440 x 1220 mm`` or ``24 x 48 in x 2 pieces``."""
    if not isinstance(value, str):
        return value
    found = _STOCK.fullmatch(value.strip())
    if found is None:
        raise ValueError('a sheet such as "2440 x 1220 mm" or "24 x 48 in x 2 pieces"')
    unit: Unit = "in" if re.search(r'(in|")\s*$', found[2].strip()) else "mm"
    width, height = (parse_length(side, unit) for side in (found[1], found[2]))
    return Stock(width, height, int(found[3]) if found[3] else None)


StockSheet = Annotated[Stock, BeforeValidator(_stock)]
Positive = Annotated[LengthMm, Field(gt=0.0, le=5000.0)]


# A wall narrower than this is no wall: MDF of that width bends in the hand and breaks at the first clamp.
LEAST_WALL_MM = 6.0


@dataclass(frozen=True)
class Usual:
    """A length of the job file and where it usually lies, mm; beyond that a builder is asked to look."""

    what: str
    key: str
    size_mm: float
    least_mm: float
    too_small: str  # what happens below
    most_mm: float
    too_large: str  # and above

    @property
    def why(self) -> str | None:
        """What is to be feared of it; None where it is usual."""
        if self.size_mm < self.least_mm:
            return f"below {self.least_mm:g} mm {self.too_small}"
        return f"above {self.most_mm:g} mm {self.too_large}" if self.size_mm > self.most_mm else None


class MoldShape(Table):
    """[mold]: the hollow form."""

    shape: Literal["wall", "box"] = "wall"
    wall_mm: Positive = Field(default=75.0, validation_alias="wall")  # its width; the least one of a box
    depth_mm: Positive = Field(default=57.0, validation_alias="depth")
    layers: Annotated[int, Field(ge=1, le=30)] | None = None  # of each half; left out: depth / thickness, rounded up
    tab_mm: Annotated[MaybeNoneMm, Field(ge=0.0, le=300.0)] = Field(default=30.0, validation_alias="tab")
    tab_width_mm: Positive = Field(default=60.0, validation_alias="tab_width")  # on each side of the joint
    # how a box's corners are rounded
    corner_mm: Annotated[MaybeNoneMm, Field(ge=0.0, le=300.0)] = Field(default=30.0, validation_alias="corner")
    saw_mm: Positive = Field(default=1.6, validation_alias="saw")  # from the line to saw to, to the line to sand to


class SheetStock(Table):
    """[sheet]: what the parts are cut from."""

    material: str = Field(default="MDF", min_length=1, max_length=40)
    thickness_mm: Positive = Field(default=19.0, validation_alias="thickness")
    density_kg_m3: Annotated[float, Field(gt=0.0, le=5000.0)] = Field(default=750.0, validation_alias="density")
    stock: tuple[StockSheet, ...] = Field(default=(Stock(2440.0, 1220.0),), min_length=1)  # the first are used first
    spacing_mm: Annotated[MaybeNoneMm, Field(ge=0.0, le=100.0)] = Field(default=10.0, validation_alias="spacing")
    edge_mm: Annotated[MaybeNoneMm, Field(ge=0.0, le=100.0)] = Field(default=10.0, validation_alias="edge")
    template_mm: Positive = Field(default=9.5, validation_alias="template")  # clear acrylic of the master


class Dowels(Table):
    """[dowels]: those that index the layers, and those across the joint."""

    diameter_mm: Positive = Field(default=8.0, validation_alias="diameter")
    edge_mm: Positive = Field(default=8.0, validation_alias="edge")  # least wood round a hole
    joint_diameter_mm: Positive = Field(default=8.0, validation_alias="joint_diameter")
    joint_depth_mm: Positive = Field(default=30.0, validation_alias="joint_depth")  # into each half


class Sides(Table):
    """[sides]: the instrument's own."""

    thickness_mm: Positive = Field(default=2.3, validation_alias="thickness")  # steel-string 2.0-2.4, classical 1.6-2.0
    # over both ends together, cut off once the bent side lies in the mold
    allowance_mm: Annotated[MaybeNoneMm, Field(ge=0.0, le=1000.0)] = Field(default=50.0, validation_alias="allowance")


class Spreaders(Table):
    """[spreaders]: blocks that press the sides against the mold."""

    bouts: bool = True
    waist: bool = False
    liner_mm: Annotated[MaybeNoneMm, Field(ge=0.0, le=20.0)] = Field(default=3.0, validation_alias="liner")
    layers: Annotated[int, Field(ge=1, le=30)] = 6
    # of the arc from the end block to the waist, by its length; left out: what leaves room for the waist's pair
    arc: tuple[float, float] | None = None
    waist_height_mm: Positive = Field(default=80.0, validation_alias="waist_height")
    end_block_width_mm: Positive = Field(default=90.0, validation_alias="end_block_width")
    end_block_depth_mm: Positive = Field(default=30.0, validation_alias="end_block_depth")  # from the outline inwards
    # Turnbuckle, eye to eye; small ones as sold, from memory: measure yours
    closed_mm: Positive = Field(default=80.0, validation_alias="closed")
    open_mm: Positive = Field(default=110.0, validation_alias="open")
    pocket_mm: Positive = Field(default=20.0, validation_alias="pocket")  # width and height of what it lies in
    bolt_mm: Positive = Field(default=6.5, validation_alias="bolt")
    clear_mm: Positive = Field(default=3.0, validation_alias="clear")  # left free round everything that moves

    @property
    def shares(self) -> tuple[float, float]:
        """Where a bout's face begins and ends, of the arc from the end block to the waist."""
        return self.arc or (0.0, 0.6 if self.waist else 0.85)


class Forms(Table):
    """[forms]: what is made on request, smaller than the outline by the side's thickness."""

    bending: bool = False
    inside: bool = False


class Tools(Table):
    """[tools]: what the parts are cut and sanded with; checked against the tightest bends."""

    blade_mm: Positive = Field(default=6.35, validation_alias="blade")  # width of the band-saw blade
    drum_mm: Positive = Field(default=50.8, validation_alias="drum")  # diameter of the sanding drum
    bit_mm: Positive = Field(default=12.7, validation_alias="bit")  # diameter of the flush-trim bit


class Output(Table):
    """[output]: the files."""

    page: str = "A4"
    mirrored: bool = False
    unit: Unit = "mm"
    # the cutter's own offset, outside parts and inside holes; none: the cutter's program does it
    tool_mm: Annotated[LengthMm, Field(gt=0.0, le=50.0)] | None = Field(default=None, validation_alias="tool")


class MoldJob(Table):
    """The whole job file."""

    mold: MoldShape = MoldShape()
    sheet: SheetStock = SheetStock()
    dowels: Dowels = Dowels()
    sides: Sides = Sides()
    spreaders: Spreaders = Spreaders()
    forms: Forms = Forms()
    tools: Tools = Tools()
    output: Output = Output()

    @property
    def layers(self) -> int:
        """Layers of each half."""
        if self.mold.layers is not None:
            return self.mold.layers
        # A depth given as so many sheets must not gain one by rounding.
        return max(1, -int(-(self.mold.depth_mm / self.sheet.thickness_mm - 1e-6) // 1))

    @property
    def unusual(self) -> tuple[Usual, ...]:
        """The lengths that no mold usually has."""
        mold, sheet, dowels, sides = self.mold, self.sheet, self.dowels, self.sides
        every = (
            Usual("The wall", "[mold] wall", mold.wall_mm, 12.0, "it bends and breaks when sides are clamped to it",
                  300.0, "it is mostly waste"),
            Usual("The mold's depth", "[mold] depth", mold.depth_mm, 12.0, "it does not hold the sides upright",
                  300.0, "no body is as deep"),
            Usual("The sheet's thickness", "[sheet] thickness", sheet.thickness_mm, 3.0,
                  "a layer is no guide for a bit or a drum", 60.0, "no sheet is as thick"),
            Usual("The wood round a dowel hole", "[dowels] edge", dowels.edge_mm, 3.0, "it breaks out",
                  60.0, "the tabs hold no hole"),
            Usual("The dowels' diameter", "[dowels] diameter", dowels.diameter_mm, 3.0, "they bend",
                  30.0, "the tabs hold no hole"),
            Usual("The sides' thickness", "[sides] thickness", sides.thickness_mm, 0.5, "they hold no shape",
                  6.0, "they do not bend"),
            Usual("What is left to sand beyond the saw's line", "[mold] saw", mold.saw_mm, 0.2, "no saw follows it",
                  10.0, "it is too much to sand"),
        )  # fmt: skip
        return tuple(one for one in every if one.why)

    def as_record(self) -> dict[str, Any]:
        """Return plain values for the record."""
        return self.model_dump(mode="json")


def load_job(path: Path | None) -> MoldJob:
    """Return a job file's choices, or the defaults without one.

    Raises:
        UsageError: ``no-such-file``, ``bad-toml``, ``unknown-key``, ``bad-value`` or ``bad-length``.
    """
    if path is None:
        return MoldJob()
    if not path.is_file():
        raise UsageError("no-such-file", file=path)
    return check_job(parsed(path), path.name)


def check_job(written: dict[str, Any], file: str) -> MoldJob:
    """Return the choices of what a job file holds; ``file`` is its name, for complaints.

    Raises:
        UsageError: ``unknown-key``, ``bad-value`` or ``bad-length``.
    """
    output = written.get("output")
    unit = output.get("unit", "mm") if isinstance(output, dict) else "mm"
    job = validated(MoldJob, written, file, unit, JOB_FORMS)
    _check(job, file)
    return job


def _check(job: MoldJob, file: str) -> None:
    """Check what no single value shows.

    Raises:
        UsageError: ``bad-value``.
    """
    if job.mold.wall_mm < LEAST_WALL_MM:
        need = f"a width of {LEAST_WALL_MM:g} mm or more (a thinner wall does not hold; common practice, no source)"
        raise UsageError("bad-value", file=file, key="mold.wall", got=f"{job.mold.wall_mm:g} mm", need=need)
    first, last = job.spreaders.shares
    if not 0.0 <= first < last <= 1.0:
        need = "[a, b] with 0 <= a < b <= 1"
        raise UsageError("bad-value", file=file, key="spreaders.arc", got=f"{[first, last]}", need=need)
    if job.spreaders.open_mm <= job.spreaders.closed_mm:
        got = f"{job.spreaders.open_mm:g} mm"
        raise UsageError("bad-value", file=file, key="spreaders.open", got=got, need="a length above spreaders.closed")
