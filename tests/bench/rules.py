"""The table of rules: ``python -m tests.bench.rules --each 10 --seed 1``.

Rules drawn with the truth of every graduation kept, on poor and crowded pieces of sheets, and things that are no
rules. right: found, with its unit, its value and every graduation counted right, and its scale within 0.1 %.
asked: found, but the unit was not certain. WRONG must never happen. over claim: scale error over what is claimed
(1 sigma), root mean square and largest; turn: the same of the rule's direction.
"""

from __future__ import annotations

import argparse
import zlib
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter

import cv2
import numpy as np
from tabulate import tabulate

from calibration.measures import measure_control
from digitize.rule import RuleSearch, find_rules
from digitize.shapes import Rule
from tests.bench.rule_others import OTHERS, made_other
from tests.bench.rule_scenes import KINDS, Drawn, Scene, made, render

WRONG_PERCENT = 0.1  # a rule this far out was not counted or not seen right
NEAR_MM = 2.6  # of a found rule's line from the drawn one: a frame line beside it serves as well along the rule
MISPLACED = 0.3  # of a graduation


@dataclass(frozen=True)
class Seen:
    """One drawn rule against what was found."""

    verdict: str  # right, missed, asked or WRONG
    error_percent: float = float("nan")
    ratio: float = float("nan")  # error over the claimed 1 sigma
    turn: float = float("nan")  # error of its direction over the claimed 1 sigma
    part: float = float("nan")  # share of the drawn graduations between the found ends
    why: str = ""


def claimed_u(rule: Rule) -> float:
    """Return the relative 1 sigma of a rule's own scale, as the solve takes it."""
    return measure_control(rule.control).log_u


def turn_over_claim(scene: Scene, rule: Rule) -> float:
    """Return how far a rule's direction is off, over its 1 sigma."""
    true, seen = scene.affine[:, 0], measure_control(rule.control)
    off = seen.angle_rad - np.arctan2(true[1], true[0])
    return float(((off + np.pi / 2) % np.pi - np.pi / 2) / seen.angle_u_rad)


def on_it(scene: Scene, drawn: Drawn, rule: Rule) -> np.ndarray | None:
    """Return the found graduations in numbers of the drawn rule, when they lie on it."""
    affine = scene.affine
    begin = affine[:, :2] @ np.array(drawn.start_mm) + affine[:, 2]
    step = affine[:, :2] @ np.array([drawn.pitch_mm, 0.0])
    away = rule.control.places.xy - begin
    along = away @ step / (step @ step)
    normal = np.array([-step[1], step[0]]) / np.hypot(*step)
    across = np.abs(away @ normal)
    inside = np.mean((along > -2) & (along < drawn.count + 1))
    tallest = drawn.tick_mm(0) * scene.dpi / 25.4 + 12  # a rule without its line may be fixed to its graduations' ends
    near_px = NEAR_MM * scene.dpi / 25.4
    side = away @ normal * (-drawn.up)
    if inside < 0.5 or (np.median(across) > near_px and not (-near_px < np.median(side) < tallest)):
        return None
    return np.asarray(along)


def judge(scene: Scene, drawn: Drawn, rule: Rule, along: np.ndarray) -> Seen:
    """Return what a found rule comes to."""
    step = scene.affine[:, :2] @ np.array([drawn.pitch_mm, 0.0])
    error = rule.pitch_px / rule.pitch_mm / (np.hypot(*step) / drawn.pitch_mm) - 1
    part = abs(along[-1] - along[0]) / (drawn.count - 1)
    seen = (100 * error, error / claimed_u(rule), turn_over_claim(scene, rule), part)
    times = rule.pitch_mm / drawn.pitch_mm  # only every second graduation of a broken rule may be told
    if abs(times - round(times)) > 1e-9 or round(times) not in (1, 2, 4):
        return Seen("WRONG", *seen, why=f"value {rule.pitch_mm:.4f} for {drawn.pitch_mm:.4f}")
    if abs(100 * error) > WRONG_PERCENT:
        return Seen("WRONG", *seen, why=f"scale {100 * error:.3f} %")
    off = np.abs(along - np.rint(along))
    number = np.rint(along).astype(int)
    counted = np.abs(np.diff(number)) * drawn.pitch_mm
    if off.max() > MISPLACED or not np.allclose(counted, np.diff(rule.control.at_mm)):
        return Seen("WRONG", *seen, why=f"miscounted, off by {off.max():.2f}")
    return Seen("right", *seen)


def score(scene: Scene, search: RuleSearch) -> list[Seen]:
    """Return one line for each drawn rule, and one for each rule found where none is."""
    left, seen = list(search.rules), []
    for drawn in scene.rules:
        mine = [(rule, along) for rule in left if (along := on_it(scene, drawn, rule)) is not None]
        same = [pair for pair in mine if pair[0].unit == drawn.unit]
        for pair in same or mine[:1]:
            left.remove(pair[0])
        found = [judge(scene, drawn, *pair) for pair in same or mine[:1]]
        found.sort(key=lambda one: one.verdict != "WRONG")
        missed = Seen("asked" if search.doubts else "missed", why=" ".join(doubt.code for doubt in search.doubts))
        seen.append(found[0] if found else missed)
    seen += [Seen("WRONG", why=f"no rule there: {rule.pitch_mm:.3f} at {rule.from_px}") for rule in left]
    return seen


def run(kind: str, seed: int, keep: Path | None, declared: bool) -> tuple[list[Seen], float]:
    """Return what one scene came to, and the seconds of the search."""
    rng = np.random.default_rng([seed, zlib.crc32(kind.encode())])
    scene = made(kind, rng) if kind in KINDS else made_other(kind, rng)
    scene.declared = declared
    picture = render(scene, rng)
    begin = perf_counter()
    search = find_rules(picture)
    seconds = perf_counter() - begin
    seen = score(scene, search)
    if not scene.rules and not seen:
        seen = [Seen("asked" if search.doubts else "right")]
    if keep and any(one.verdict != "right" for one in seen):
        keep.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(keep / f"{kind.replace(' ', '-').replace(',', '')}-{seed}.png"), picture.grey)
    return seen, seconds


def line_of(kind: str, seen: list[Seen], seconds: list[float]) -> list[object]:
    """Return one line of the table."""
    counts = [sum(one.verdict == verdict for one in seen) for verdict in ("right", "missed", "asked", "WRONG")]
    good = [one for one in seen if one.verdict == "right" and not np.isnan(one.error_percent)]
    errors, ratios = np.abs([one.error_percent for one in good]), np.array([one.ratio for one in good])
    if not good:
        return [kind, len(seen), *counts, *[""] * 7, float(np.median(seconds))]
    rms = float(np.sqrt(np.mean(ratios**2)))
    turns = np.array([one.turn for one in good])
    figures = [float(np.median(errors)), float(np.percentile(errors, 95)), rms, float(np.abs(ratios).max())]
    figures += [float(np.sqrt(np.mean(turns**2))), float(np.abs(turns).max())]
    return [kind, len(seen), *counts, *figures, float(np.mean([one.part for one in good])), float(np.median(seconds))]


def main() -> None:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--each", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", help="kinds to run, by a part of their names")
    parser.add_argument("--keep", type=Path, help="folder for the pictures of all that is not right")
    parser.add_argument("--undeclared", action="store_true", help="the pictures do not say their resolution")
    given = parser.parse_args()
    kinds = [kind for kind in [*KINDS, *OTHERS] if not given.only or any(part in kind for part in given.only)]
    lines, every, times = [], [], []
    for kind in kinds:
        seeds = range(given.seed * 1000, given.seed * 1000 + given.each)
        results = [run(kind, seed, given.keep, not given.undeclared) for seed in seeds]
        seen, seconds = [one for part, _ in results for one in part], [took for _, took in results]
        for number, (part, _) in enumerate(results):
            for one in part:
                if one.verdict != "right" or max(abs(one.ratio), abs(one.turn)) > 3:
                    print(f"{kind} {given.seed * 1000 + number}: {one.verdict} {one.why} {one.error_percent:.4f} % "
                          f"{one.ratio:.1f} sigma, turn {one.turn:.1f} sigma", flush=True)
        every, times = every + seen, times + seconds
        lines.append(line_of(kind, seen, seconds))
    lines.append(line_of("all", every, times))
    head = ["kind", "rules", "right", "missed", "asked", "WRONG", "scale % median", "p95", "over claim rms", "largest",
            "turn over claim rms", "largest", "part", "s"]
    digits = ("g", *["g"] * 5, ".4f", ".4f", ".2f", ".1f", ".2f", ".1f", ".2f", ".2f")
    print("\n" + tabulate(lines, head, floatfmt=digits))


if __name__ == "__main__":
    main()
