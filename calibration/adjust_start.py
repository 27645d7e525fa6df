"""Where to begin: tilts and lenses tried on a few places of each thing, the best followed a few steps."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace

import numpy as np

from calibration.adjust_fit import End, damped, same_end, weights
from calibration.adjust_model import DIRECTION, Scene, State, cost_at
from calibration.camera import FACING, CameraPose, turned
from calibration.frames import BoolArray, FloatArray, PxPoints
from calibration.lens import Lens

TILTS_DEG = ((0.0, 1), (14.0, 6), (27.0, 8))  # tilt, in how many directions
K1_TRIED = (-0.3, -0.12, 0.0, 0.08)
PLACES = 15  # of each thing are enough to begin with
FOLLOWED = 3  # best starts
ROUNDS = 15
NEARLY = 30.0  # an end whose cost is higher than the best one's by no more than this is kept too


def starts_of(scene: Scene, used: BoolArray) -> list[State]:
    """Return where the adjustment may begin, the likeliest first; empty when no camera shows the things so."""
    few = _thinned(scene, used)
    weight = weights(few, np.ones(len(few.of), dtype=np.bool_), np.ones((few.things, 2)))
    tried = []
    for lens, ideal in _straightened(few):
        for tilt in _tilts():
            state = begun(few, lens, ideal, turned(tilt) @ FACING)
            if state:
                tried.append((cost_at(few, state, weight), state))
    tried.sort(key=lambda pair: pair[0])
    ends = [end for _, state in tried[:FOLLOWED] if (end := damped(few, state, weight, ROUNDS))]
    ends.sort(key=lambda end: end.normal.cost)
    near = [end for end in ends if end.normal.cost <= ends[0].normal.cost + NEARLY]
    return [_whole(scene, few, end.state) for end in _different(near)]


def _different(ends: list[End]) -> list[End]:
    kept: list[End] = []
    for end in ends:
        if not any(same_end(end.state, other.state) for other in kept):
            kept.append(end)
    return kept


def _lenses(scene: Scene) -> list[Lens]:
    focal, x, y, k1, _ = scene.common_mean[:5]
    bends = K1_TRIED if scene.common_u[3] > 0.05 else (k1,)
    k2 = float(scene.common_mean[4])
    decentering = (float(scene.common_mean[8]), float(scene.common_mean[9]))
    return [Lens((float(x), float(y)), float(np.exp(focal)), float(bend), k2, *decentering) for bend in bends]


def _tilts() -> list[FloatArray]:
    found = []
    for tilt_deg, count in TILTS_DEG:
        for turn in 2.0 * np.pi * np.arange(count) / count:
            found.append(np.deg2rad(tilt_deg) * np.array([np.cos(turn), np.sin(turn), 0.0]))
    return found


def _thinned(scene: Scene, used: BoolArray) -> Scene:
    """Return the scene with a few places of each thing."""
    kept, slices, end = [], [], 0
    for places in scene.slices:
        good = places.start + np.nonzero(used[places])[0]
        picked = good[np.unique(np.linspace(0, len(good) - 1, PLACES).round().astype(np.int64))]
        kept.append(picked)
        slices.append(slice(end, end + len(picked)))
        end += len(picked)
    take = np.concatenate(kept)
    return replace(
        scene, seen_px=scene.seen_px[take], at_mm=scene.at_mm[take], sigma_px=scene.sigma_px[take],
        of=scene.of[take], shapes=scene.shapes[take], slices=tuple(slices),
    )  # fmt: skip


def _straightened(scene: Scene) -> list[tuple[Lens, PxPoints]]:
    """Return the lenses to try with all places as an ideal lens would show them; those that reach every place."""
    found = []
    for lens in _lenses(scene):
        with suppress(ValueError):
            found.append((lens, lens.undistort(PxPoints(scene.seen_px))))
    return found


def begun(scene: Scene, lens: Lens, ideal: PxPoints, rotation: FloatArray) -> State | None:
    """Return the state in which every thing lies where this camera sees it; None when it cannot.

    Args:
        scene: what was seen.
        lens: the lens that may have seen it so.
        ideal: (P, 2) the places as seen without that lens's bending.
        rotation: (3, 3) of the camera.
    """
    pose = CameraPose(rotation, np.array([0.0, 0.0, 1.0]), lens.focal_px, lens.centre_px)
    try:
        sheet = pose.to_sheet(ideal).xy
    except ValueError:
        return None
    distance_mm = _distance_mm(scene, sheet)
    if not distance_mm > 0.0:
        return None
    return _placed(scene, lens, rotation, distance_mm, sheet * distance_mm)


def _distance_mm(scene: Scene, sheet: FloatArray) -> float:
    """Return the distance at which the known lengths come out right, the long ones counting most."""
    ratios, lengths = [], []
    for places, line in zip(scene.slices, scene.line, strict=True):
        if not line:
            at = scene.at_mm[places] - scene.at_mm[places].mean()
            seen = np.hypot(*(at @ sheet[places])) / (at @ at)  # of its own length, along its own direction
            ratios.append(-np.log(seen) if seen > 0.0 else np.nan)
            lengths.append(np.ptp(at))
    return float(np.exp(np.average(ratios, weights=lengths)))


def _placed(scene: Scene, lens: Lens, rotation: FloatArray, distance_mm: float, sheet: FloatArray) -> State:
    """Return the state with things where ``sheet`` (P, 2) mm says."""
    place, own, along_mm = np.zeros((scene.things, 2)), scene.own_mean.copy(), np.zeros(len(sheet))
    for thing, places in enumerate(scene.slices):
        along = _direction(sheet[places], None if scene.line[thing] else scene.at_mm[places])
        middle = sheet[places].mean(axis=0)
        own[thing, DIRECTION] = np.arctan2(along[1], along[0])
        if scene.line[thing]:
            place[thing] = middle
            along_mm[places] = (sheet[places] - middle) @ along
        else:
            place[thing] = middle - scene.at_mm[places].mean() * along
    return State(
        lens.focal_px, np.array(lens.centre_px), *lens.terms, rotation, distance_mm, place, own, along_mm
    )


def _direction(xy: FloatArray, at_mm: FloatArray | None) -> FloatArray:
    """Return (2,) the unit direction of growing millimetres, or of a line."""
    off = xy - xy.mean(axis=0)
    along = np.linalg.svd(off, full_matrices=False)[2][0] if at_mm is None else (at_mm - at_mm.mean()) @ off
    return np.asarray(along / np.hypot(*along))


def _whole(scene: Scene, few: Scene, state: State) -> State:
    """Return the state with every place of the scene on its line."""
    along_mm = np.zeros(len(scene.of))
    for thing in np.nonzero(scene.line)[0]:
        places, sample = scene.slices[thing], few.slices[thing]
        ahead = few.seen_px[sample][-1] - few.seen_px[sample][0]
        known_px, known_mm = few.seen_px[sample] @ ahead, state.along_mm[sample]
        order = np.argsort(known_px)
        along_mm[places] = np.interp(scene.seen_px[places] @ ahead, known_px[order], known_mm[order])
    return replace(state, along_mm=along_mm)
