"""What the mold's rooms pass on: parts, the sheets that they are cut from, what tools can reach. All mm."""

from __future__ import annotations

from dataclasses import dataclass

from digitize.shapes import ArcPath, TextMark

# Layers of a part's drawing besides CENTERLINE, CHECK_LENGTH and NOTES, which are those of every drawing.
HOLES = "HOLES"  # cut or drilled through, before CUT
CUT = "CUT"  # one closed loop: the part
SAW = "SAW"  # to saw to, on the waste side of CUT
DRILL = "DRILL"  # middles of holes bored into an edge
MARK = "MARK"  # to draw on the part


@dataclass(frozen=True, eq=False)
class Part:
    """One piece to be cut from a sheet, as it lies in the body frame: all that is cut, drilled or drawn on it."""

    name: str  # as files are called: letters, digits and hyphens
    title: str
    outline: ArcPath  # closed, counter-clockwise
    holes: tuple[ArcPath, ...] = ()  # closed
    marks: tuple[tuple[str, ArcPath], ...] = ()  # (layer, path) drawn, not cut
    texts: tuple[TextMark, ...] = ()
    count: int = 1
    thickness_mm: float = 0.0
    material: str = "MDF"
    on_paper: bool = False  # true-size pages are wanted: what a person saws by
    note: str = ""  # one sentence for the person who makes it


@dataclass(frozen=True)
class Stock:
    """A sheet or offcut to cut from."""

    width_mm: float
    height_mm: float
    count: int | None = None  # None: as many as are needed


@dataclass(frozen=True)
class Placed:
    """One piece on a sheet: turned counter-clockwise by quarters, then moved."""

    part: str
    quarters: int
    shift_mm: tuple[float, float]


@dataclass(frozen=True, eq=False)
class SheetPlan:
    """One sheet with the pieces on it; its lower left corner is (0, 0)."""

    stock: Stock
    placed: tuple[Placed, ...]


@dataclass(frozen=True)
class Reach:
    """What a round tool leaves standing in the tightest places of a cut."""

    tool: str
    radius_mm: float
    side: str  # "inside" or "outside" of the outline
    left_mm: float  # the most that it leaves anywhere; 0 where it reaches everywhere
    at_mm: tuple[float, float] | None  # where that is, body frame
