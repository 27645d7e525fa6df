"""Pieces of sheets that hold no rule but things that look like one."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.bench.rule_scenes import BASE_MM, MARGIN_MM, MM_PER_INCH, Scene, grid_marks
from tests.maker.marks import Mark, line, text

WORDS = "THE SIDES ARE BENT OVER A HOT PIPE AND GLUED TO THE LINING"


def _frets(scene: Scene, rng: np.random.Generator) -> None:
    scale = rng.uniform(300, 650)
    x = MARGIN_MM + scale * (1 - 2 ** (-np.arange(25) / 12))
    for one in x[x < scene.length_mm + MARGIN_MM]:
        scene.extra.append(line((one, BASE_MM - 8), (one, BASE_MM + 12), width_mm=0.2))
    for y in (BASE_MM - 8, BASE_MM + 12):
        scene.extra.append(line((MARGIN_MM, y), (scene.length_mm, y + 1), width_mm=0.25))


def _hatching(scene: Scene, rng: np.random.Generator) -> None:
    step, lean = rng.uniform(0.8, 3), rng.uniform(-6, 6)
    scene.extra.append(line((MARGIN_MM, BASE_MM), (MARGIN_MM + scene.length_mm, BASE_MM), width_mm=0.25))
    tall = rng.uniform(3, 12)
    for x in np.arange(MARGIN_MM, MARGIN_MM + scene.length_mm, step):
        more = rng.uniform(0, 1.5)
        scene.extra.append(line((x, BASE_MM), (x + lean, BASE_MM + tall + more), width_mm=scene.pen_mm))


def _staircases(scene: Scene, rng: np.random.Generator) -> None:
    scene.one_bit = True
    for _ in range(9):
        x, y, turn = MARGIN_MM, rng.uniform(3, 40), np.radians(rng.uniform(0.2, 5))
        end = (x + scene.length_mm, y + scene.length_mm * np.tan(turn) * rng.choice([-1, 1]))
        scene.extra.append(line((x, y), end, width_mm=float(rng.uniform(0.15, 0.5))))


def _squared(scene: Scene, rng: np.random.Generator) -> None:
    step = float(rng.choice([1.0, 2.0, 4.0, 5.0, MM_PER_INCH / 10, MM_PER_INCH / 4]))
    scene.extra += grid_marks(scene, step, 0.15)


def _text(scene: Scene, rng: np.random.Generator) -> None:
    for y in np.arange(4, 42, rng.uniform(4.5, 7)):
        marks = text(WORDS, (MARGIN_MM, float(y)), float(rng.uniform(1.6, 3)))
        scene.extra += [mark for mark in marks if mark.points[:, 0].max() < MARGIN_MM + scene.length_mm]


def _dashes(scene: Scene, rng: np.random.Generator) -> None:
    ends = (MARGIN_MM, MARGIN_MM + scene.length_mm)
    for y in (6.0, 14.0, 23.0, 31.0, 39.0):
        on = float(rng.choice([0.3, 0.5, 1, 2, 4]))
        dash = (on, float(rng.uniform(0.5, 2)))
        if rng.random() < 0.4:
            dash = (3 * on, 0.8, on, 0.8)
        scene.extra.append(line((ends[0], y), (ends[1], y), width_mm=0.3, dash_mm=dash))


def _strings(scene: Scene, rng: np.random.Generator) -> None:
    for y in BASE_MM + 1.9 * np.arange(int(rng.choice([4, 6, 12]))):
        scene.extra.append(line((0, y), (scene.length_mm + 2 * MARGIN_MM, y + rng.uniform(-1, 1)), width_mm=0.15))


def _lining(scene: Scene, rng: np.random.Generator) -> None:
    """Kerfed lining: short cuts of one or two lengths between two lines."""
    step = rng.uniform(2, 6)
    for y in (BASE_MM, BASE_MM + 7):
        scene.extra.append(line((MARGIN_MM, y), (MARGIN_MM + scene.length_mm, y), width_mm=0.25))
    for number, x in enumerate(np.arange(MARGIN_MM, MARGIN_MM + scene.length_mm, step)):
        tall = 5.0 if number % 2 else float(rng.choice([5.0, 5.0, 6.2]))
        scene.extra.append(line((x, BASE_MM), (x, BASE_MM + tall), width_mm=scene.pen_mm))


def _purfling(scene: Scene, rng: np.random.Generator) -> None:
    """A band of alternating blocks."""
    step = rng.uniform(1, 4)
    for x in np.arange(MARGIN_MM, MARGIN_MM + scene.length_mm, 2 * step):
        corners = np.array([(x, BASE_MM), (x + step, BASE_MM), (x + step, BASE_MM + 2), (x, BASE_MM + 2)])
        scene.extra.append(Mark(corners, closed=True, filled=True))


def _twelfths(scene: Scene, rng: np.random.Generator) -> None:
    """A ladder of feet and inches at a reduced scale: longer at every third, sixth and twelfth."""
    step = rng.uniform(1.0, 3.5)
    scene.extra.append(line((MARGIN_MM, BASE_MM), (MARGIN_MM + scene.length_mm, BASE_MM), width_mm=0.25))
    for number, x in enumerate(np.arange(MARGIN_MM, MARGIN_MM + scene.length_mm, step)):
        tall = next(t for n, t in ((12, 6.5), (6, 5.2), (3, 4.2), (1, 3.0)) if number % n == 0)
        scene.extra.append(line((x, BASE_MM), (x, BASE_MM + tall), width_mm=scene.pen_mm))


OTHERS: dict[str, Callable[[Scene, np.random.Generator], None]] = {
    "fret lines": _frets,
    "hatching": _hatching,
    "staircases": _staircases,
    "squared paper": _squared,
    "text": _text,
    "dashes": _dashes,
    "strings": _strings,
    "kerfed lining": _lining,
    "purfling": _purfling,
    "twelfths": _twelfths,
}


def made_other(kind: str, rng: np.random.Generator) -> Scene:
    """Return a scene without a rule."""
    scene = Scene([], float(rng.uniform(150, 280)), float(rng.choice([200, 300])))
    scene.one_bit = bool(rng.random() < 0.5)
    scene.skew_deg = float(rng.uniform(-2, 2))
    scene.pen_mm = float(rng.uniform(0.13, 0.22))
    OTHERS[kind](scene, rng)
    return scene
