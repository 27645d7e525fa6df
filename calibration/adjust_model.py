"""The equations of one photo: what every seen place says about lens, camera and sheet.

All unknowns are adjusted together (bundle adjustment; Triggs, McLauchlan, Hartley and Fitzgibbon, "Bundle
adjustment - a modern synthesis", Vision Algorithms, LNCS 1883 (2000) 298). Common to all: log focal length,
lens centre, k1, k2, tilt about the camera's x and y, log distance, p1, p2. Own to each thing: its place, its
direction, its scale error, its lift and by how much it leaves a straight line. The sheet's origin lies on the optical
axis and its turn follows the picture, so nothing about the frame is left open.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import turned
from calibration.frames import BoolArray, FloatArray, IntArray
from calibration.lens import bent, bent_slopes

COMMON = (
    "log focal length", "centre x", "centre y", "k1", "k2", "tilt about x", "tilt about y", "log distance", "p1", "p2",
)  # fmt: skip
COMMONS = len(COMMON)
LEFT_OUT = ("k3",)  # of the lens: not adjusted, but its size counts in what is claimed
OWN = ("along", "across", "direction", "log scale", "lift", "bow", "swing", "ripple")
OWNS = len(OWN)
DIRECTION, SCALE, LIFT, SHAPES = 2, 3, 4, slice(5, 8)
STEEPEST = 0.95  # sine of the steepest tilt that a step may end at


@dataclass(frozen=True)
class Angle:
    """A known angle between two things, by their numbers."""

    first: int
    second: int
    angle_rad: float
    u_rad: float
    why: str
    assumed: bool  # of a sheet or a drawing; not measured by a tool laid on it


@dataclass(frozen=True)
class SameHeight:
    """Two things that are as high above the sheet as each other, by their numbers."""

    first: int
    second: int
    u_mm: float


@dataclass(frozen=True, eq=False)
class Scene:
    """All that was seen; places of one thing follow each other."""

    seen_px: FloatArray  # (P, 2)
    at_mm: FloatArray  # (P,) from the middle of its measure; 0 on lines
    sigma_px: FloatArray  # (P, 2) along, across; inf along lines
    of: IntArray  # (P,) number of the thing
    shapes: FloatArray  # (P, 3) bow, swing, ripple of its thing at the place, root mean square 1
    slices: tuple[slice, ...]  # per thing
    line: BoolArray  # (T,) only straight, no known lengths
    rigid: BoolArray  # (T,) lies on the sheet and does not bend with it
    own_mean: FloatArray  # (T, 8)
    own_u: FloatArray  # (T, 8) 1 sigma of what is known of each beforehand; inf: nothing, 0: it has none
    angles: tuple[Angle, ...]
    heights: tuple[SameHeight, ...]
    common_mean: FloatArray  # (10,)
    common_u: FloatArray  # (10,) 1 sigma beforehand; inf: nothing
    left_out_u: FloatArray  # (1,) 1 sigma of LEFT_OUT

    @property
    def things(self) -> int:
        """Number of controls and lines."""
        return len(self.slices)

    @property
    def unknowns(self) -> int:
        """Length of the vector of all unknowns."""
        return COMMONS + OWNS * self.things

    def own(self, thing: int) -> slice:
        """Return where a thing's own unknowns are in the vector of all."""
        return slice(COMMONS + OWNS * thing, COMMONS + OWNS * (thing + 1))


@dataclass(frozen=True, eq=False)
class State:
    """One value for every unknown."""

    focal_px: float
    centre_px: FloatArray  # (2,)
    k1: float
    k2: float
    p1: float
    p2: float
    rotation: FloatArray  # (3, 3) sheet -> camera
    distance_mm: float  # of the sheet's origin, along the optical axis
    place_mm: FloatArray  # (T, 2) of each thing's middle
    own: FloatArray  # (T, 8); along and across are in place_mm and stay 0 here
    along_mm: FloatArray  # (P,) where on its line each place is; known lengths on controls

    @property
    def common(self) -> FloatArray:
        """(10,) the common unknowns; the tilts as the sheet's upward direction, for what is known beforehand."""
        up = self.rotation[:, 2]
        lens = [np.log(self.focal_px), *self.centre_px, self.k1, self.k2]
        return np.array([*lens, up[1], up[0], np.log(self.distance_mm), self.p1, self.p2])

    def moved(self, step: FloatArray) -> State:
        """Return the state after a step of all unknowns.

        The focal length is the least certain of them. What the picture itself shows does not change with it: the
        bending per px, the size per px and how the size changes from side to side. The step keeps to these, which
        is the same for small steps and far straighter for large ones.
        """
        common, own = step[:COMMONS], step[COMMONS:].reshape(-1, OWNS)
        along = _unit(self.own[:, DIRECTION])
        left = np.stack([-along[:, 1], along[:, 0]], axis=1)
        grown = np.exp(common[0])
        return replace(
            self,
            focal_px=float(self.focal_px * grown),
            centre_px=self.centre_px + common[1:3],
            k1=float((self.k1 * (1.0 - 2.0 * common[0]) + common[3]) * grown**2),
            k2=float((self.k2 * (1.0 - 4.0 * common[0]) + common[4]) * grown**4),
            p1=float((self.p1 * (1.0 - common[0]) + common[8]) * grown),
            p2=float((self.p2 * (1.0 - common[0]) + common[9]) * grown),
            rotation=_tilted(self.rotation, common[5:8]),
            distance_mm=float(self.distance_mm * np.exp(common[7])),
            place_mm=self.place_mm + own[:, :1] * along + own[:, 1:2] * left,
            own=self.own + np.column_stack([np.zeros((len(own), 2)), own[:, 2:]]),
        )


def _tilted(rotation: FloatArray, step: FloatArray) -> FloatArray:
    """Return the rotation after a step of the two tilts and the log distance, tilt over distance stepped straight."""
    gaze = rotation[2, :2]  # of the optical axis, in the sheet's x and y
    aim = (gaze * (1.0 - step[2]) + step[0] * rotation[1, :2] - step[1] * rotation[0, :2]) * np.exp(step[2])
    if (size := float(np.hypot(*aim))) > STEEPEST:
        aim = aim * (STEEPEST / size)
    new = rotation @ np.array([*aim, -np.sqrt(1.0 - aim @ aim)])  # the new axis as the old camera sees it
    across = np.array([new[1], -new[0], 0.0])
    sine = float(np.hypot(new[0], new[1]))
    return turned(across * (np.arctan2(sine, new[2]) / sine)) @ rotation if sine > 0.0 else rotation


@dataclass(frozen=True, eq=False)
class Rows:
    """Misfits of all places in sigmas, and their slopes; axis 0 is along, across."""

    misfit: FloatArray  # (2, P)
    slopes: FloatArray  # (2, 18, P) the common unknowns, then those of each place's own thing
    height: FloatArray  # (2, P) per mm that the sheet rises there
    bending: FloatArray  # (2, 1, P) k3
    sheet_mm: FloatArray  # (2, P) where each place is
    along_mm: FloatArray  # (P,) where on its line, corrected


@dataclass(frozen=True, eq=False)
class View:
    """How the camera sees places on or above the sheet; an axis of two is x, y in the picture."""

    turned: FloatArray  # (3, P) from the sheet's origin, in camera axes, mm
    ideal: FloatArray  # (2, P) in focal lengths
    seen: FloatArray  # (2, P) the same, bent
    by_place: FloatArray  # (2, 3, P) px per mm in camera axes
    by_sheet: FloatArray  # (2, 3, P) px per mm in sheet axes


def viewed(state: State, raised_mm: FloatArray) -> View:
    """Return how the camera sees (3, P) places: sheet x, y and height."""
    terms = (state.k1, state.k2, state.p1, state.p2)
    turned_to = state.rotation @ raised_mm
    depth = turned_to[2] + state.distance_mm
    ideal = turned_to[:2] / depth
    by_place = np.empty((2, 3, len(depth)))
    by_place[:, :2] = np.moveaxis(bent_slopes(ideal.T, terms), 0, 2) * (state.focal_px / depth)
    by_place[:, 2] = -by_place[:, 0] * ideal[0] - by_place[:, 1] * ideal[1]
    return View(turned_to, ideal, bent(ideal.T, terms).T, by_place, state.rotation.T @ by_place)


def linearised(scene: Scene, state: State, weight: FloatArray) -> Rows:
    """Return misfits (seen - foreseen) and the slopes of what is foreseen.

    Args:
        scene: what was seen.
        state: where to do it.
        weight: (2, P) 1 / sigma along and across, 0 where a place does not count.
    """
    on = _Spots.of(scene, state)
    view = viewed(state, np.vstack([on.sheet_mm, on.lift_mm]))
    speed = view.by_sheet[:, 0] * on.along[0] + view.by_sheet[:, 1] * on.along[1]
    length = np.hypot(*speed)
    ahead = speed / length

    def along_across(values: FloatArray) -> FloatArray:
        return np.stack([ahead[0] * values[0] + ahead[1] * values[1], ahead[0] * values[1] - ahead[1] * values[0]])

    off = along_across(scene.seen_px.T - state.centre_px[:, None] - state.focal_px * view.seen)
    slopes = np.concatenate([common_slopes(state, view), _own_slopes(scene, on, view)], axis=1)
    return Rows(
        misfit=off * weight,
        slopes=along_across(slopes) * weight[:, None],
        height=along_across(view.by_sheet[:, 2]) * weight,
        bending=along_across(bending_slopes(state.focal_px, view.ideal)) * weight[:, None],
        sheet_mm=on.sheet_mm,
        along_mm=np.where(scene.line[scene.of], state.along_mm + off[0] / length, state.along_mm),
    )


def _unit(angle_rad: FloatArray) -> FloatArray:
    return np.stack([np.cos(angle_rad), np.sin(angle_rad)], axis=-1)


@dataclass(frozen=True, eq=False)
class _Spots:
    """Where every place is."""

    along: FloatArray  # (2, P) direction of its thing on the sheet
    at_mm: FloatArray  # (P,) from the thing's middle
    sheet_mm: FloatArray  # (2, P)
    lift_mm: FloatArray  # (P,)

    @classmethod
    def of(cls, scene: Scene, state: State) -> _Spots:
        own = state.own.T[:, scene.of]
        along = _unit(state.own[:, DIRECTION]).T[:, scene.of]
        at_mm = np.where(scene.line[scene.of], state.along_mm, scene.at_mm * np.exp(own[SCALE]))
        aside = np.sum(scene.shapes.T * own[SHAPES], axis=0)
        sheet = state.place_mm.T[:, scene.of] + at_mm * along + aside * np.stack([-along[1], along[0]])
        return cls(along, at_mm, sheet, own[LIFT])


def common_slopes(state: State, it: View) -> FloatArray:
    """Return (2, 10, P) px per unit of each common unknown."""
    out = np.empty((2, COMMONS, it.ideal.shape[1]))
    r2, cross = np.sum(it.ideal**2, axis=0), 2.0 * it.ideal[0] * it.ideal[1]
    out[:, 0] = state.focal_px * it.seen
    out[:, 1:3] = np.eye(2)[:, :, None]
    out[:, 3] = state.focal_px * r2 * it.ideal
    out[:, 4] = r2 * out[:, 3]
    out[:, 5] = it.turned[1] * it.by_place[:, 2] - it.turned[2] * it.by_place[:, 1]
    out[:, 6] = it.turned[2] * it.by_place[:, 0] - it.turned[0] * it.by_place[:, 2]
    out[:, 7] = state.distance_mm * it.by_place[:, 2]
    out[:, 8] = state.focal_px * np.stack([cross, r2 + 2.0 * it.ideal[1] ** 2])
    out[:, 9] = state.focal_px * np.stack([r2 + 2.0 * it.ideal[0] ** 2, cross])
    return out


def _own_slopes(scene: Scene, on: _Spots, it: View) -> FloatArray:
    """Return (2, 8, P) px per unit of the unknowns of each place's own thing."""
    out = np.empty((2, OWNS, len(on.at_mm)))
    out[:, 0] = it.by_sheet[:, 0] * on.along[0] + it.by_sheet[:, 1] * on.along[1]
    out[:, 1] = it.by_sheet[:, 1] * on.along[0] - it.by_sheet[:, 0] * on.along[1]
    out[:, DIRECTION] = on.at_mm * out[:, 1]
    out[:, SCALE] = on.at_mm * out[:, 0]
    out[:, LIFT] = it.by_sheet[:, 2]
    out[:, SHAPES] = out[:, 1:2] * scene.shapes.T
    return np.asarray(out * (scene.own_u != 0.0).T[:, scene.of])


def bending_slopes(focal_px: float, ideal: FloatArray) -> FloatArray:
    """Return (2, 1, P) px per unit of k3."""
    return np.asarray(focal_px * np.sum(ideal**2, axis=0) ** 3 * ideal[:, None])


@dataclass(frozen=True, eq=False)
class Normal:
    """Normal equations: matrix @ step = pull."""

    matrix: FloatArray  # (U, U)
    pull: FloatArray  # (U,)
    cost: float  # sum of squared misfits, what is known beforehand included


def normal_equations(scene: Scene, state: State, rows: Rows) -> Normal:
    """Gather the rows, the known angles, the heights that are alike and what is known beforehand."""
    matrix, pull = np.zeros((scene.unknowns, scene.unknowns)), np.zeros(scene.unknowns)
    for thing, places in enumerate(scene.slices):
        (along, across), own = rows.slopes[:, :, places], scene.own(thing)
        part = across @ across.T
        if not scene.line[thing]:  # along a line nothing is known, and nothing counts
            part += along @ along.T
        matrix[:COMMONS, :COMMONS] += part[:COMMONS, :COMMONS]
        matrix[:COMMONS, own] = part[:COMMONS, COMMONS:]
        matrix[own, :COMMONS] = part[COMMONS:, :COMMONS]
        matrix[own, own] = part[COMMONS:, COMMONS:]
        tug = along @ rows.misfit[0, places] + across @ rows.misfit[1, places]
        pull[:COMMONS] += tug[:COMMONS]
        pull[own] = tug[COMMONS:]
    return add_known(scene, state, Normal(matrix, pull, float(np.sum(rows.misfit**2))))


def cost_at(scene: Scene, state: State, weight: FloatArray) -> float:
    """Return the cost that ``normal_equations`` would give at a state, without their slopes."""
    on = _Spots.of(scene, state)
    view = viewed(state, np.vstack([on.sheet_mm, on.lift_mm]))
    speed = view.by_sheet[:, 0] * on.along[0] + view.by_sheet[:, 1] * on.along[1]
    ahead = speed / np.hypot(*speed)
    off = scene.seen_px.T - state.centre_px[:, None] - state.focal_px * view.seen
    turned_off = np.stack([ahead[0] * off[0] + ahead[1] * off[1], ahead[0] * off[1] - ahead[1] * off[0]])
    ties = sum(misfit**2 for _, misfit in (*angle_rows(scene, state), *height_rows(scene, state)))
    return float(np.sum((turned_off * weight) ** 2) + ties + np.sum(beforehand(scene, state)[1] ** 2))


def by_bending(scene: Scene, rows: Rows) -> FloatArray:
    """Return (U, 1) the pull of each unit of k3 on the unknowns."""
    pull = np.zeros((scene.unknowns, len(LEFT_OUT)))
    for thing, places in enumerate(scene.slices):
        for side in range(2):
            tug = rows.slopes[side, :, places] @ rows.bending[side, :, places].T
            pull[:COMMONS] += tug[:COMMONS]
            pull[scene.own(thing)] += tug[COMMONS:]
    return pull


def add_known(scene: Scene, state: State, data: Normal) -> Normal:
    """Return the equations with the known angles, the heights that are alike and what is known beforehand added."""
    matrix, pull, cost = data.matrix.copy(), data.pull.copy(), data.cost
    for row, misfit in (*angle_rows(scene, state), *height_rows(scene, state)):
        (where,) = np.nonzero(row)
        matrix[where[:, None], where] += row[where, None] * row[where]
        pull[where] += row[where] * misfit
        cost += misfit**2
    slopes, misfits = beforehand(scene, state)
    pull += slopes * misfits
    cost += float(np.sum(misfits**2))
    none = np.concatenate([np.zeros(COMMONS, dtype=bool), (scene.own_u == 0.0).ravel()])
    matrix[np.diag_indices(len(pull))] += np.where(none, 1.0, slopes**2)  # an unknown that is none stays where it is
    return Normal(matrix, pull, cost)


def angle_rows(scene: Scene, state: State) -> list[tuple[FloatArray, float]]:
    """Return ((U,) slopes, misfit), in sigmas, of every known angle."""
    found = []
    for angle in scene.angles:
        row = _apart(scene, angle, DIRECTION) / angle.u_rad
        turn = state.own[angle.first, DIRECTION] - state.own[angle.second, DIRECTION]
        offs = [_line_turn(side * angle.angle_rad - turn) for side in (1.0, -1.0)]
        found.append((row, min(offs, key=abs) / angle.u_rad))
    return found


def height_rows(scene: Scene, state: State) -> list[tuple[FloatArray, float]]:
    """Return ((U,) slopes, misfit), in sigmas, of every two heights that are alike."""
    found = []
    for pair in scene.heights:
        off_mm = float(state.own[pair.second, LIFT] - state.own[pair.first, LIFT])
        found.append((_apart(scene, pair, LIFT) / pair.u_mm, off_mm / pair.u_mm))
    return found


def _apart(scene: Scene, pair: Angle | SameHeight, unknown: int) -> FloatArray:
    """Return (U,) how the difference of one unknown of two things follows all."""
    row = np.zeros(scene.unknowns)
    row[scene.own(pair.first)][unknown] = 1.0
    row[scene.own(pair.second)][unknown] = -1.0
    return row


def _line_turn(angle_rad: float) -> float:
    return float((angle_rad + np.pi / 2) % np.pi - np.pi / 2)


def beforehand(scene: Scene, state: State) -> tuple[FloatArray, FloatArray]:
    """Return (U,) slopes and (U,) misfits, in sigmas, of what is known of each unknown; 0 where nothing is."""
    own_u = np.where(scene.own_u == 0.0, np.inf, scene.own_u)
    slopes = 1.0 / np.concatenate([scene.common_u, own_u.ravel()])
    off = np.concatenate([scene.common_mean - state.common, (scene.own_mean - state.own).ravel()])
    misfits = off * slopes
    slopes[5:7] *= state.rotation[2, 2] * np.array([-1.0, 1.0])  # the upward direction against the turns
    return slopes, misfits
