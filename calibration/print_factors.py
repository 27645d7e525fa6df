"""The copy against the plan: how large the copy is, both ways and on any slant, with exact 95 % intervals.

Drawn lengths (rules, spans, stated sizes) say how many plan millimetres a pixel is; laid rules, or the scanner's
declared resolution, say how many millimetres of paper. One over the other is what the copier did.

A length in direction d gives d'Gd of the metric G of the pixels, which is linear in the three numbers of G; the right
angle between drawn lengths gives d1'Gd2 = 0. Both metrics are weighted least squares (Aitken), so every error of every
length has one known weight in the answer, and limits are carried as limits (`coverage`), not as if they were normal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from calibration.controls import Control
from calibration.coverage import half_width
from calibration.drawn_square import square_pairs, turn_u
from calibration.frames import FloatArray, frozen_floats
from calibration.measures import Measure, measure_control
from calibration.solve import ASPECT_U, SHEAR_U, SLANT_RAD

# Half-width of a home flatbed's scale error against its declared dpi: 0.6 % between the halves of one A4 scan
# (measured by a user, discuss.pixls.us thread 29481).
SCANNER_LIMIT_REL = 0.003
SCANNER_SQUARE_U = 5e-4  # rad, 1 sigma of a scanner's own right angle; common practice, no source
COVERS_RAD = np.deg2rad(20.0)  # a laid rule this near to a direction speaks for it
# An axis counts as measured when what is only usual of copiers moves it by less than this, 1 sigma.
MEASURED_PRIOR_U = 5e-4
USUAL = "what copiers usually do"
DPI = "the scanner's stated resolution"
LAID = "rules laid on the sheet"
SCANNER_EVEN = "the scanner being alike both ways"
SCANNER_SQUARE = "the scanner being square"


@dataclass(frozen=True)
class Part:
    """What one known length, or one assumption, adds to the uncertainty of an estimate; relative or rad."""

    name: str
    u: float  # 1 sigma of what is normal
    limit: float  # half-width of what is a limit

    @property
    def u95(self) -> float:
        """Half-width that holds 95 % of this part alone."""
        return half_width(self.u, (self.limit,))


@dataclass(frozen=True)
class Estimate:
    """A factor (1 = true) or an angle in rad, with what its uncertainty is made of."""

    value: float
    parts: tuple[Part, ...]
    relative: bool = True  # the parts are shares of the value

    @property
    def u(self) -> float:
        """Combined standard uncertainty, limits as rectangular."""
        return float(np.sqrt(sum(part.u**2 + part.limit**2 / 3.0 for part in self.parts)))

    @property
    def u95(self) -> float:
        """Half-width of the 95 % interval, in the value's own unit."""
        scale = half_width(float(np.hypot.reduce([part.u for part in self.parts])), [p.limit for p in self.parts])
        return scale * (self.value if self.relative else 1.0)

    @property
    def measured(self) -> bool:
        """Whether it rests on measures, not on what copiers usually do."""
        return all(part.u <= MEASURED_PRIOR_U for part in self.parts if part.name == USUAL)


@dataclass(frozen=True, eq=False)
class _Row:
    """One equation row . g = target, in the fit's own frame and scale."""

    name: str
    row: FloatArray  # (3,) over gxx, gyy, gxy
    target: float
    u: float  # 1 sigma of the target, normal part
    limit: float = 0.0
    between: tuple[str, str] | None = None  # of a right angle: the two measures

    @property
    def sigma(self) -> float:
        return float(np.hypot(self.u, self.limit / np.sqrt(3.0))) or 1e-9


@dataclass(frozen=True, eq=False)
class Metric:
    """Squared lengths of pixels in mm: d'Gd, with the weight of every equation in it."""

    g: FloatArray  # (3,) gxx, gyy, gxy in mm^2 per px^2, axes turned by ``axis_rad`` from the picture's
    weights: FloatArray  # (3, R) of each equation's target in g
    rows: tuple[_Row, ...]
    axis_rad: float

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        object.__setattr__(self, "g", frozen_floats(self.g))
        object.__setattr__(self, "weights", frozen_floats(self.weights))

    def length(self, angle_rad: float) -> tuple[float, tuple[Part, ...]]:
        """Return mm per px in a direction of the picture (x towards y, down) and the relative parts of its error."""
        row = _length_row(angle_rad - self.axis_rad)
        square = float(row @ self.g)
        shares = row @ self.weights / square / 2.0  # of a length, half of its square's
        return float(np.sqrt(square)), self._parts(shares)

    def skew(self, first_rad: float, second_rad: float) -> tuple[float, tuple[Part, ...]]:
        """Return the cosine between two directions of the picture in mm, and the parts of its error."""
        one, two = first_rad - self.axis_rad, second_rad - self.axis_rad
        both = _between_row(one, two)
        size = float(np.sqrt((_length_row(one) @ self.g) * (_length_row(two) @ self.g)))
        return float(both @ self.g) / size, self._parts(both @ self.weights / size)

    def _parts(self, shares: FloatArray) -> tuple[Part, ...]:
        return tuple(
            Part(row.name, abs(float(share)) * row.u, abs(float(share)) * row.limit)
            for row, share in zip(self.rows, shares, strict=True)
        )


def _length_row(angle_rad: float) -> FloatArray:
    along, down = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([along**2, down**2, 2.0 * along * down])


def _between_row(one_rad: float, two_rad: float) -> FloatArray:
    c1, s1, c2, s2 = np.cos(one_rad), np.sin(one_rad), np.cos(two_rad), np.sin(two_rad)
    return np.array([c1 * c2, s1 * s2, c1 * s2 + s1 * c2])


@dataclass(frozen=True, eq=False)
class PrintFactors:
    """What the copier did; x and y are the plan's own right angle, nearest to the picture's x and y."""

    x: Estimate  # factor, 1 = true to size, above 1 = too large
    y: Estimate
    shear: Estimate  # rad, by how much the right angle (x, y up) closed
    axis_rad: float  # of x in the picture, from its x towards its y (down)
    paper_by: str  # "laid rules", "the scanner's stated resolution", or both named
    dpi_x: Estimate | None  # the same factors by the scanner's resolution alone, a cross-check
    dpi_y: Estimate | None
    plan: Metric = field(repr=False)
    paper: Metric = field(repr=False)

    def along(self, angle_rad: float) -> Estimate:
        """Return the factor in a direction of the picture, rad from its x towards its y (down)."""
        return _ratio(self.paper, self.plan, angle_rad)


def print_factors(
    drawn: Sequence[Control], laid: Sequence[Control], paper_mm_per_px: tuple[float, float] | None
) -> PrintFactors:
    """Return what the copier did.

    Args:
        drawn: known lengths of the plan that went through the copier; at least one.
        laid: rules that lay on the sheet when it was scanned.
        paper_mm_per_px: x, y by the scanner's declared resolution; None when the file tells none.

    Raises:
        ValueError: no drawn length, or neither a laid rule nor a resolution.
    """
    if not drawn or (not laid and paper_mm_per_px is None):
        raise ValueError("a drawn length, and a laid rule or a resolution, are needed")
    by_dpi = None if paper_mm_per_px is None else _metric(_dpi_rows(paper_mm_per_px), 0.0, BOTH_WAYS)
    paper, paper_by = _paper([(control, measure_control(control)) for control in laid], paper_mm_per_px, by_dpi)
    return factors_between(plan_metric(drawn), paper, paper_by, by_dpi)


def plan_metric(drawn: Sequence[Control], *, by_hand: bool = False) -> Metric:
    """Return what a pixel is in plan mm, from known lengths of the plan that went through the copier.

    Args:
        drawn: at least one.
        by_hand: the camera was held so; lengths square to each other are the plan's own axes however they lie.
    """
    measures = [(control, measure_control(control)) for control in drawn]
    slanted = _slanted(measures) and not (by_hand and _square_rows(measures, 0.0))
    axis_rad = 0.0 if slanted else _turned(measures)
    rows = [*_length_rows(measures, axis_rad), *_square_rows(measures, axis_rad)]
    return _metric(rows, axis_rad, SLANTED if slanted else COPIER)


def flat_metric(covariance: FloatArray, axis_rad: float, name: str) -> Metric:
    """Return the metric of a picture in which a pixel is one mm of paper each way, as far as is known.

    Args:
        covariance: (3, 3) of log scale x, log scale y and shear; picture axes, y down.
        axis_rad: of the metric's own frame.
        name: of what makes it uncertain.
    """
    c, s = np.cos(axis_rad), np.sin(axis_rad)
    turn = np.array([[c * c, s * s, c * s], [s * s, c * c, -c * s], [-2 * c * s, 2 * c * s, c * c - s * s]])
    values, axes = np.linalg.eigh(turn @ covariance @ turn.T)
    weights = np.diag([2.0, 2.0, 1.0]) @ axes
    rows = tuple(_Row(name, np.zeros(3), 0.0, float(u)) for u in np.sqrt(np.maximum(values, 0.0)))
    return Metric(np.array([1.0, 1.0, 0.0]), weights, rows, axis_rad)


def factors_between(plan: Metric, paper: Metric, paper_by: str, by_dpi: Metric | None = None) -> PrintFactors:
    """Return what the copier did, from what a pixel is in plan mm and in mm of paper."""
    across, down = plan.axis_rad, _perpendicular(plan)
    skew_plan, skew_paper = plan.skew(across, down), paper.skew(across, down)
    return PrintFactors(
        x=_ratio(paper, plan, across),
        y=_ratio(paper, plan, down),
        shear=Estimate(float(-np.arcsin(skew_paper[0])), (*skew_plan[1], *skew_paper[1]), relative=False),
        axis_rad=plan.axis_rad,
        paper_by=paper_by,
        dpi_x=None if by_dpi is None else _ratio(by_dpi, plan, across),
        dpi_y=None if by_dpi is None else _ratio(by_dpi, plan, down),
        plan=plan,
        paper=paper,
    )


def _ratio(paper: Metric, plan: Metric, angle_rad: float) -> Estimate:
    (of_paper, parts), (of_plan, more) = paper.length(angle_rad), plan.length(angle_rad)
    return Estimate(of_paper / of_plan, (*parts, *more))


def _turned(measures: Sequence[tuple[Control, Measure]]) -> float:
    """Return the direction of the longest measure across the picture, else of the longest turned a quarter."""
    longest = max((m for _, m in measures), key=lambda m: (abs(np.cos(m.angle_rad)) > np.cos(SLANT_RAD), m.length_px))
    return float((longest.angle_rad + np.pi / 4) % (np.pi / 2) - np.pi / 4)


def _slanted(measures: Sequence[tuple[Control, Measure]]) -> bool:
    return bool(abs(_turned(measures)) > SLANT_RAD)


def _perpendicular(plan: Metric) -> float:
    """Return the picture direction that is square, in plan mm, to the plan's x; nearest to the picture's y."""
    gxx, _, gxy = plan.g
    return plan.axis_rad + float(np.arctan2(gxx, -gxy))


def _length_rows(measures: Sequence[tuple[Control, Measure]], axis_rad: float) -> list[_Row]:
    rows = []
    for control, m in measures:
        limit = control.limit_mm / float(np.ptp(m.at_mm))
        normal = float(np.sqrt(max(m.log_u**2 - limit**2 / 3.0, 0.0)))
        square = float(np.exp(2.0 * m.log_mm_per_px))
        rows.append(_Row(m.name, _length_row(m.angle_rad - axis_rad) / square, 1.0, 2.0 * normal, 2.0 * limit))
    return rows


def _square_rows(measures: Sequence[tuple[Control, Measure]], axis_rad: float) -> list[_Row]:
    """Return the right angle between every two drawn measures that were meant square to each other."""
    size = float(np.exp(2.0 * np.mean([m.log_mm_per_px for _, m in measures])))
    rows = []
    for pair in square_pairs([m for _, m in measures]):
        one, two = (measures[number][1] for number in pair)
        row = _between_row(one.angle_rad - axis_rad, two.angle_rad - axis_rad) / size
        named = f"{one.name} and {two.name} drawn square"
        rows.append(_Row(named, row, 0.0, turn_u(one, two), between=(one.name, two.name)))
    return rows


def _dpi_rows(mm_per_px: tuple[float, float], axes: Sequence[int] = (0, 1)) -> list[_Row]:
    limit = 2.0 * SCANNER_LIMIT_REL
    return [_Row(DPI, _length_row(axis * np.pi / 2) / mm_per_px[axis] ** 2, 1.0, 0.0, limit) for axis in axes]


def _paper(
    measures: Sequence[tuple[Control, Measure]], mm_per_px: tuple[float, float] | None, by_dpi: Metric | None
) -> tuple[Metric, str]:
    """Return the paper's metric: by laid rules where they lie, by the resolution in the directions they leave open."""
    if not measures:
        assert by_dpi is not None
        return by_dpi, DPI
    open_axes = [axis for axis in (0, 1) if not any(_covers(m, axis) for _, m in measures)]
    rows = _length_rows(measures, 0.0)
    if mm_per_px is None or not open_axes:
        return _metric(rows, 0.0, ONE_WAY if open_axes else BOTH_WAYS), LAID
    metric = _metric([*rows, *_dpi_rows(mm_per_px, open_axes)], 0.0, BOTH_WAYS)
    if len(open_axes) == 2:  # laid on a slant
        return metric, f"{LAID} and {DPI}"
    ways = ("left to right", "top to bottom")
    return metric, f"{LAID} {ways[1 - open_axes[0]]}, {DPI} {ways[open_axes[0]]}"


def _covers(m: Measure, axis: int) -> bool:
    off = (m.angle_rad - axis * np.pi / 2 + np.pi / 2) % np.pi - np.pi / 2
    return bool(abs(off) <= COVERS_RAD)


@dataclass(frozen=True)
class _Usual:
    """What is usual of a machine, 1 sigma, for what no length fixes."""

    aspect_u: float  # of log(scale x / scale y)
    aspect_name: str
    shear_u: float  # rad
    shear_name: str


COPIER = _Usual(ASPECT_U, USUAL, SHEAR_U, USUAL)
SLANTED = _Usual(ASPECT_U, USUAL, ASPECT_U, USUAL)  # a copier's stretch is shear to axes that are not its own
ONE_WAY = _Usual(SCANNER_LIMIT_REL * np.sqrt(2.0 / 3.0), SCANNER_EVEN, SCANNER_SQUARE_U, SCANNER_SQUARE)
# With a length or the resolution each way, being alike would count the same knowledge twice.
BOTH_WAYS = _Usual(1.0, SCANNER_EVEN, SCANNER_SQUARE_U, SCANNER_SQUARE)


def _metric(rows: Sequence[_Row], axis_rad: float, usual: _Usual) -> Metric:
    """Solve the equations with what machines usually do for what they leave open."""
    size = 1.0 / float(np.mean([np.sum(row.row[:2]) for row in rows if row.target == 1.0]))
    every = (
        *rows,
        _Row(usual.aspect_name, np.array([1.0, -1.0, 0.0]) / size, 0.0, 2.0 * usual.aspect_u),
        _Row(usual.shear_name, np.array([0.0, 0.0, 1.0]) / size, 0.0, usual.shear_u),
    )
    sigma = np.array([row.sigma for row in every])
    design = np.array([row.row for row in every]) * size / sigma[:, None]
    weights = np.linalg.pinv(design) * size / sigma
    return Metric(weights @ np.array([row.target for row in every]), weights, every, axis_rad)
