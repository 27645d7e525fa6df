"""The geometry of photos, from points alone: ``python -m tests.bench.photo_points --each 100 --seed 1``.

Sheets seen by random cameras; the projector is OpenCV's own. Errors are those of a body's outline against the
truth, across the curve, after the best rigid motion. covered: share of its points within two of the sigmas claimed.
scale: relative error of lengths, root mean square over directions, the rules being true to size.
"""

from __future__ import annotations

import argparse
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from time import process_time

import cv2
import numpy as np
from tabulate import tabulate

from calibration.adjust import adjust
from calibration.controls import Control, KnownAngle, Source, StraightLine
from calibration.frames import FloatArray, PxPoints
from calibration.photo import PhotoCalibration

SIZE_PX = (4000, 3000)
SHEET_MM = (594.0, 420.0)
GRADUATION_PX = 0.15
LINE_PX = 0.25
LIFT_MM, LIFT_U_MM = 1.0, 0.1
RULE_BOW_MM = 0.02
EDGE_BOW_MM = 0.05
EDGE_ANGLE_DEG = 0.1
SQUARE_DEG = 0.03
STATED_FOCAL_LOG = 0.05  # how far a file's focal length is off

Height = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, eq=False)
class Camera:
    """A camera over the sheet; z up from the paper."""

    rotation: FloatArray
    translation: FloatArray
    focal_px: float
    centre_px: FloatArray
    bend: FloatArray  # k1, k2, p1, p2, k3

    @classmethod
    def random(cls, rng: np.random.Generator, tilt_deg: float) -> Camera:
        focal = rng.uniform(0.68, 1.02) * max(SIZE_PX)
        tilt, toward = np.deg2rad(rng.uniform(0, tilt_deg)), rng.uniform(0, 2 * np.pi)
        tilted = cv2.Rodrigues(tilt * np.array([np.cos(toward), np.sin(toward), 0.0]))[0]
        turned = cv2.Rodrigues(np.array([0.0, 0.0, rng.normal(0, 0.05)]))[0]
        distance = focal * SHEET_MM[0] * 1.05 / SIZE_PX[0] * rng.uniform(1.0, 1.25) * (1 + 0.35 * np.sin(tilt))
        return cls(
            tilted @ np.diag([1.0, -1.0, -1.0]) @ turned,
            np.array([*rng.normal(0, 10, 2), distance]),
            focal,
            (np.array(SIZE_PX) - 1) / 2 + rng.normal(0, 0.005 * SIZE_PX[0], 2),
            np.array(
                [rng.uniform(-0.15, 0.10), rng.uniform(-0.03, 0.03), *rng.normal(0, 3e-4, 2), 0.02 * rng.normal()]
            ),
        )

    def __call__(self, xy: FloatArray, height_mm: float | FloatArray = 0.0) -> FloatArray:
        """Return (N, 2) px of places on the sheet."""
        solid = np.column_stack([xy, np.broadcast_to(height_mm, len(xy))]).astype(np.float64)
        inside = np.array([[self.focal_px, 0, self.centre_px[0]], [0, self.focal_px, self.centre_px[1]], [0, 0, 1.0]])
        px, _ = cv2.projectPoints(solid, cv2.Rodrigues(self.rotation)[0], self.translation, inside, self.bend)
        return np.asarray(px.reshape(-1, 2))


@dataclass(eq=False)
class Sheet:
    """What lies on one sheet and is seen by one camera."""

    camera: Camera
    rng: np.random.Generator
    sigma: float = 1.0  # times the usual scatter
    height: Height | None = None
    own_u_mm: float = 0.0
    edge_bow_mm: float = EDGE_BOW_MM
    controls: list[Control] = field(default_factory=list)
    lines: list[StraightLine] = field(default_factory=list)
    angles: list[KnownAngle] = field(default_factory=list)

    def rule(
        self, start, deg: float, length: float, count: int = 0, source: Source = "laid rule", grown: float = 1.0,
        lift: float | None = None, level: str = "",
    ) -> str:  # fmt: skip
        """Lay a rule; a laid one is stiff and rises with the sheet below its ends.

        ``grown``: by the copier; ``lift``: of all edges of one ``level``.
        """
        count, name = count or int(length) + 1, f"rule {len(self.controls) + 1}"
        at = np.linspace(0.0, length, count)
        along = np.array([np.cos(np.deg2rad(deg)), np.sin(np.deg2rad(deg))])
        bow = self.rng.normal(0, RULE_BOW_MM) * np.sin(np.pi * at / length)
        true = at * grown * (1.0 + self.rng.normal(0, 1) * self.own_u_mm / length)
        xy = np.asarray(start) + true[:, None] * along + bow[:, None] * np.array([-along[1], along[0]])
        laid = source == "laid rule"
        if lift is None:
            lift = self.lift() if laid else 0.0
        ground = np.zeros(count) if self.height is None else self.height(xy)
        if laid and self.height is not None:
            ground = np.interp(at, [0.0, length], ground[[0, -1]])
        sigma = GRADUATION_PX * self.sigma
        px = self.camera(xy, lift + ground) + self.rng.normal(0, sigma, (count, 2))
        stated = (LIFT_MM, LIFT_U_MM) if laid else (0.0, 0.0)
        self.controls.append(
            Control(name, source, PxPoints(px), at, np.full(count, sigma), sigma, self.own_u_mm,
                    lift_mm=stated[0], lift_u_mm=stated[1], level=level)
        )
        return name

    def lift(self) -> float:
        """Return how thick one rule is."""
        return max(0.0, LIFT_MM + self.rng.normal(0, LIFT_U_MM))

    def line(self, start, end, *, edge: bool = False, count: int = 60) -> str:
        """Draw a line."""
        name, bow = f"line {len(self.lines) + 1}", self.edge_bow_mm if edge else RULE_BOW_MM
        start, end = np.asarray(start, float), np.asarray(end, float)
        share = np.linspace(0.02, 0.98, count)
        along = (end - start) / np.hypot(*(end - start))
        wave = self.rng.normal(0, bow) * np.sqrt(2.0) * np.sin(np.pi * share * self.rng.uniform(0.7, 2.5))
        xy = start + share[:, None] * (end - start) + wave[:, None] * np.array([-along[1], along[0]])
        sigma = LINE_PX * self.sigma
        ground = 0.0 if self.height is None else self.height(xy)
        px = self.camera(xy, ground) + self.rng.normal(0, sigma, (count, 2))
        kind = "sheet edge" if edge else "drawn line"
        self.lines.append(StraightLine(name, kind, PxPoints(px), np.full(count, sigma), straight_u_mm=bow))
        return name

    def frame(self, half_mm, *, edge: bool, deg: float = EDGE_ANGLE_DEG) -> None:
        """Draw four lines nearly square to each other: the sheet's edges or a drawn frame."""
        corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.asarray(half_mm)
        off = np.tan(np.deg2rad(self.rng.normal(0, deg / np.sqrt(2), 4)))
        names = []
        for k in range(4):
            start, end = corners[k], corners[(k + 1) % 4]
            aside = np.array([-(end - start)[1], (end - start)[0]]) * off[k] / 2
            names.append(self.line(start - aside, end + aside, edge=edge))
        for k in range(4):
            self.angles.append(
                KnownAngle(names[k], names[(k + 1) % 4], np.pi / 2, np.deg2rad(deg), "the sheet's edges being square")
            )


def two_rules(sheet: Sheet) -> None:
    sheet.rule((-200, -185), sheet.rng.normal(0, 1), 400)
    sheet.rule((-275, -150), 90 + sheet.rng.normal(0, 1), 300)


def slanted_rules(sheet: Sheet) -> None:
    sheet.rule((-250, -170), sheet.rng.uniform(10, 25), 400)
    sheet.rule((-200, 150), -sheet.rng.uniform(30, 50), 400)


def square(sheet: Sheet) -> None:
    angle, one = 90 + sheet.rng.normal(0, SQUARE_DEG), {"lift": sheet.lift(), "level": "square"}
    names = [sheet.rule((-260, -180), 0, 400, **one), sheet.rule((-260, -180), angle, 250, **one)]
    sheet.angles.append(KnownAngle(*names, np.pi / 2, np.deg2rad(SQUARE_DEG), "the arms of a square"))


def one_rule_and_edges(sheet: Sheet) -> None:
    sheet.rule((-150, -180), sheet.rng.normal(0, 1), 300)
    sheet.frame(np.array(SHEET_MM) / 2, edge=True)


def two_rules_and_lines(sheet: Sheet) -> None:
    two_rules(sheet)
    for _ in range(8):
        middle, turn = sheet.rng.uniform([-200, -130], [200, 130]), sheet.rng.uniform(0, np.pi)
        half = sheet.rng.uniform(60, 130) * np.array([np.cos(turn), np.sin(turn)])
        sheet.line(middle - half, middle + half)


def two_rules_and_frame(sheet: Sheet) -> None:
    two_rules(sheet)
    sheet.frame((250, 165), edge=False, deg=0.05)
    for x in (-120, 0, 120, 200):
        sheet.line((x, -160), (x, 160))


def two_rules_and_edges(sheet: Sheet) -> None:
    two_rules(sheet)
    sheet.frame(np.array(SHEET_MM) / 2, edge=True)


def four_rules(sheet: Sheet) -> None:
    two_rules(sheet)
    sheet.rule((-200, 185), sheet.rng.normal(0, 1), 400)
    sheet.rule((275, -150), 90 + sheet.rng.normal(0, 1), 300)


LAYOUTS: dict[str, Callable[[Sheet], None]] = {
    "two rules": two_rules,
    "two slanted rules": slanted_rules,
    "a square": square,
    "one rule, four edges": one_rule_and_edges,
    "two rules, eight lines": two_rules_and_lines,
    "two rules, drawn frame": two_rules_and_frame,
    "two rules, four edges": two_rules_and_edges,
    "four rules": four_rules,
}


def body(count: int = 360) -> FloatArray:
    """A waisted outline, 480 mm by about 360 mm."""
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    across = 165 * np.sin(turn) * (1 - 0.12 * np.cos(turn)) * (1 - 0.22 * np.sin(turn) ** 6)
    return np.stack([240 * np.cos(turn), across], axis=1)


def across_error(found: FloatArray, true: FloatArray) -> FloatArray:
    """Return (N,) the error across the curve after the best rigid motion, to the first order."""
    one, two = found - found.mean(0), true - true.mean(0)
    left, _, right = np.linalg.svd(one.T @ two)
    off = one @ left @ np.diag([1, np.linalg.det(left @ right)]) @ right - two
    along = np.roll(two, -1, 0) - np.roll(two, 1, 0)
    normal = np.stack([along[:, 1], -along[:, 0]], 1) / np.hypot(*along.T)[:, None]
    weight = np.sqrt(np.hypot(*along.T))
    rigid = np.column_stack([normal, normal[:, 1] * two[:, 0] - normal[:, 0] * two[:, 1]])
    error = np.sum(off * normal, 1)
    return np.asarray(error - rigid @ np.linalg.lstsq(rigid * weight[:, None], error * weight, rcond=None)[0])


def scale_error(found: FloatArray, true: FloatArray) -> float:
    """Return the relative error of lengths, root mean square over directions."""
    grown = np.linalg.lstsq(true - true.mean(0), found - found.mean(0), rcond=None)[0]
    turns = np.linspace(0, np.pi, 36, endpoint=False)
    lengths = np.hypot(*(np.stack([np.cos(turns), np.sin(turns)], 1) @ grown).T)
    return float(np.sqrt(np.mean(np.log(lengths) ** 2)))


@dataclass(frozen=True)
class Trial:
    """What one photo came to."""

    verdict: str  # sound, look or refused
    rms_mm: float = float("nan")
    max_mm: float = float("nan")
    scale: float = float("nan")
    covered: float = float("nan")
    claimed_mm: float = float("nan")  # largest sigma along the outline
    seconds: float = float("nan")
    why: str = ""


def made(layout: str, seed: int, tilt_deg: float, own_u_mm: float = 0.0) -> Sheet:
    """Return one photo's sheet."""
    rng = np.random.default_rng([seed, zlib.crc32(layout.encode())])
    sheet = Sheet(Camera.random(rng, tilt_deg), rng, own_u_mm=own_u_mm)
    LAYOUTS[layout](sheet)
    return sheet


def trial(sheet: Sheet, *, stated_focal: bool) -> Trial:
    """Adjust one photo and compare its outline with the truth."""
    off = np.exp(sheet.rng.normal(0, STATED_FOCAL_LOG))
    begin = process_time()
    result = adjust(
        sheet.controls, sheet.lines, sheet.angles, SIZE_PX, sheet.camera.focal_px * off if stated_focal else None
    )
    seconds = process_time() - begin
    if not isinstance(result, PhotoCalibration):
        return Trial("refused", seconds=seconds, why=result.doubt.text)
    true = body()
    found = result.to_sheet(PxPoints(sheet.camera(true)))
    error, claimed = across_error(found.xy, true), result.u_outline_mm(found)
    looked = [doubt.text for doubt in result.doubts if doubt.weight == "look"]
    return Trial(
        "look" if looked else "sound",
        float(np.sqrt(np.mean(error**2))),
        float(np.abs(error).max()),
        scale_error(found.xy, true),
        float(np.mean(np.abs(error) <= 2 * claimed)),
        float(claimed.max()),
        seconds,
        "; ".join(looked),
    )


def line_of(layout: str, trials: list[Trial]) -> list[object]:
    """Return one line of the table."""
    good = [one for one in trials if one.verdict != "refused"]
    counts = [sum(one.verdict == verdict for one in trials) for verdict in ("sound", "look", "refused")]
    seconds = float(np.median([one.seconds for one in trials]))
    if not good:
        return [layout, *counts, *[""] * 7, seconds]
    rms, most = np.array([one.rms_mm for one in good]), np.array([one.max_mm for one in good])
    scale = 100 * np.array([one.scale for one in good])
    sound = [one.max_mm for one in good if one.verdict == "sound"]
    return [
        layout, *counts, np.median(rms), np.percentile(most, 95), max(sound, default=float("nan")), np.median(scale),
        np.percentile(scale, 95), np.mean([one.covered for one in good]), np.median([one.claimed_mm for one in good]),
        seconds,
    ]  # fmt: skip


HEAD = ["layout", "sound", "look", "refused", "rms mm median", "max mm p95", "max of sound", "scale % median", "p95",
        "covered", "claimed u mm", "s"]  # fmt: skip


def main() -> None:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--each", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--tilt", type=float, default=20.0, help="largest tilt, degrees")
    parser.add_argument("--own-u", type=float, default=0.0, help="1 sigma of every rule's own length, mm")
    parser.add_argument("--focal", action="store_true", help="the file states the focal length")
    parser.add_argument("--only", nargs="*", help="layouts to run, by a part of their names")
    given = parser.parse_args()
    lines = []
    for layout in [name for name in LAYOUTS if not given.only or any(part in name for part in given.only)]:
        seeds = range(given.seed * 1000, given.seed * 1000 + given.each)
        trials = [
            trial(made(layout, seed, given.tilt, given.own_u), stated_focal=given.focal) for seed in seeds
        ]
        lines.append(line_of(layout, trials))
        print(tabulate(lines[-1:], tablefmt="plain", floatfmt=".3f"), flush=True)
    print("\n" + tabulate(lines, HEAD, floatfmt=".3f"))


if __name__ == "__main__":
    main()
