"""Lifted and flat sheets, from points alone: ``python -m tests.bench.photo_lifts --each 20 --seed 0``.

Heights are put in front of OpenCV's projector. reported: the sheet was said not to be flat, or the photo refused as
bent; a refusal for any other reason says nothing. covered: share of the outline's points within two of the sigmas
claimed, where an outline is given.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable

import numpy as np
from tabulate import tabulate

from calibration.adjust import adjust
from calibration.flatness import Flatness, flatness
from calibration.frames import PxPoints
from calibration.photo import PhotoCalibration
from calibration.solve import FailedFit
from tests.bench.photo_points import SIZE_PX, Camera, Height, Sheet, across_error, body, two_rules

FROM_MIDDLE_MM = 250.0  # where the lift is 1 mm
CORNER_RAD = np.arctan2(210.0, 297.0)
TILT_DEG = 15.0
SAYS_BENT = ("photo-bent", "photo-open-bent", "rules-or-bent")
Layout = Callable[[Sheet], None]


def toward(xy: np.ndarray, angle_rad: float) -> np.ndarray:
    return np.asarray(xy @ [np.cos(angle_rad), np.sin(angle_rad)])


def curl(angle_rad: float, begins_mm: float, lift_mm: float = 1.0) -> Height:
    return lambda xy: lift_mm * np.maximum(0, (toward(xy, angle_rad) - begins_mm) / (FROM_MIDDLE_MM - begins_mm)) ** 2


def roll(angle_rad: float) -> Height:
    return lambda xy: (toward(xy, angle_rad) / FROM_MIDDLE_MM) ** 2


def ridge(at_mm: float, half_mm: float) -> Height:
    return lambda xy: np.maximum(0, 1 - np.abs(xy[:, 0] - at_mm) / half_mm)


LIFTS: dict[str, Callable[[np.random.Generator], Height]] = {
    "one edge": lambda rng: curl(rng.choice([0.0, np.pi]), rng.uniform(0, 120)),
    "a roll": lambda rng: roll(rng.uniform(0, np.pi)),
    "a corner": lambda rng: curl(rng.choice([-1, 1]) * CORNER_RAD + rng.choice([0, np.pi]), rng.uniform(60, 150)),
    "a ridge": lambda rng: ridge(rng.choice([-250, 250]), rng.uniform(60, 120)),
}


def edges(sheet: Sheet) -> None:
    """Two laid rules and the sheet's four edges, cut straight to 0.02 mm."""
    two_rules(sheet)
    sheet.frame((297, 210), edge=True)


def drawn(sheet: Sheet) -> None:
    """Two laid rules, a drawn frame and five drawn lines."""
    two_rules(sheet)
    sheet.frame((285, 200), edge=False, deg=0.05)
    for x in (-200, -100, 0, 100, 200):
        sheet.line((x, -190), (x, 190))


LAYOUTS: dict[str, Layout] = {"sheet's edges": edges, "drawn lines": drawn}


def lift(kind: str, seed: int) -> Height:
    """Return one lift of a kind, 1 mm high 250 mm from the middle."""
    return LIFTS[kind](np.random.default_rng([seed, 7]))


def shown(layout: Layout, seed: int, height: Height | None) -> tuple[Sheet, PhotoCalibration | FailedFit]:
    """Return one sheet as a random camera shows it, adjusted as if it were flat."""
    rng = np.random.default_rng([seed, 99])
    sheet = Sheet(Camera.random(rng, TILT_DEG), rng, height=height, edge_bow_mm=0.02)
    layout(sheet)
    return sheet, adjust(sheet.controls, sheet.lines, sheet.angles, SIZE_PX)


def told_bent(sheet: Sheet, photo: PhotoCalibration | FailedFit) -> tuple[bool, Flatness | None]:
    """Return whether a photo is said to be bent, and what was found of it."""
    if not photo:
        return photo.code in SAYS_BENT, None
    found = flatness(photo, sheet.controls, sheet.lines)
    return not found.flat, found


def held(sheet: Sheet, photo: PhotoCalibration, bent: Flatness) -> float:
    """Return the share of an outline's points within two of the sigmas claimed."""
    found = photo.to_sheet(PxPoints(sheet.camera(body(), sheet.height(body()) if sheet.height else 0.0)))
    claimed = np.hypot(photo.u_outline_mm(found), bent.u_outline_mm(photo, found))
    return float(np.mean(np.abs(across_error(found.xy, body())) <= 2 * claimed))


def main() -> None:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--each", type=int, default=20, help="of each kind of lift; the sheet that is flat, thrice")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    lines: list[list[object]] = []
    for (name, layout), kind in ((pair, kind) for pair in LAYOUTS.items() for kind in ("flat", *LIFTS)):
        count = given.each * (3 if kind == "flat" else 1)
        told, covered = [], []
        for seed in range(given.seed * 1000, given.seed * 1000 + count):
            sheet, photo = shown(layout, seed, None if kind == "flat" else lift(kind, seed))
            bent, found = told_bent(sheet, photo)
            told.append(bent)
            if found is not None:
                assert photo
                covered.append(held(sheet, photo, found))
        lines.append([name, kind, count, 100.0 * np.mean(told), 100.0 * np.mean(covered) if covered else ""])
        print(tabulate(lines[-1:], tablefmt="plain", floatfmt=".1f"), flush=True)
    print("\n" + tabulate(lines, ["seen", "lift", "photos", "reported %", "covered %"], floatfmt=".1f"))


if __name__ == "__main__":
    main()
