"""Rules that were fed unevenly: every graduation counted, and nothing taken for one that is none."""

from __future__ import annotations

import numpy as np
import pytest

from digitize.evened import evened
from digitize.rule.graduations import Ticks
from digitize.rule.hierarchy import read_hierarchy
from digitize.rule.search import find_all, find_rules
from digitize.rule.strip import Line
from digitize.rule.uneven import follow, numbers_go_on
from digitize.shapes import Picture
from tests.bench.feed_shapes import Feed
from tests.bench.rule_scenes import BASE_MM, MARGIN_MM, Drawn, Scene, render
from tests.maker.marks import line

PITCH_PX = 8.0
WAVE, STEP, SLIP = Feed("wave", 2.0, 30.0, 150.0), Feed("step", -2.0, 400.0, 2.0), Feed("slip", 2.0, 300.0, 40.0)


def scanned(feed: Feed, length: int = 150, **more: object) -> tuple[Scene, Picture]:
    scene = Scene([Drawn(1.0, length + 1)], float(length), 200.0, skew_deg=0.3, high_mm=36.0, feed=feed, **more)  # type: ignore[arg-type]
    return scene, render(scene, np.random.default_rng(3))


def profile(at_mm: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Darkness beside a line with graduations at places, blurred and noisy."""
    t = np.arange(int(PITCH_PX * (at_mm.max() + 20.0)))
    pulses = sum(np.exp(-(((t - PITCH_PX * (at + 10.0)) / 1.2) ** 2)) for at in at_mm)
    return 200.0 * np.asarray(pulses) + rng.normal(0.0, 4.0, len(t))


@pytest.mark.parametrize("feed", [WAVE, STEP, SLIP])
@pytest.mark.parametrize("gone", [(), (55, 201, 202, 650)])
def test_every_graduation_is_counted_whatever_the_feed(feed: Feed, gone: tuple[int, ...]) -> None:
    number = np.array([n for n in range(801) if n not in gone])
    dark = profile(number + feed.off_mm(number.astype(float)), np.random.default_rng(1))
    found = follow(dark, PITCH_PX, (150 * PITCH_PX, 250 * PITCH_PX))
    assert found is not None
    index, place = found
    np.testing.assert_array_equal(index - index[0], number)
    expected = PITCH_PX * (number + feed.off_mm(number.astype(float)) + 10.0)
    assert np.abs(place - expected).max() < 0.1 * PITCH_PX


def truth(scene: Scene, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the numbers of the graduations that places lie on, and by how many mm they are off."""
    plain = (places - scene.affine[:, 2]) @ np.linalg.inv(scene.affine[:, :2]).T
    number = np.arange(scene.rules[0].count)
    drawn = MARGIN_MM + number
    assert scene.feed is not None
    away = plain[:, :1] - (drawn + scene.feed.off_mm(drawn))[None, :]
    nearest = np.argmin(np.abs(away), axis=1)
    return nearest, away[np.arange(len(places)), nearest]


@pytest.mark.parametrize(
    "feed", [Feed("wave", 0.6, 20.0, 120.0), Feed("step", 1.0, 90.0, 1.6)], ids=["wave", "step of one graduation"]
)
def test_an_unevenly_fed_rule_is_found_whole_and_the_feed_taken_out(feed: Feed) -> None:
    """A step of just one graduation leaves both its sides in step: an even comb would lose one."""
    scene, picture = scanned(feed)
    (rule,) = find_rules(picture).rules
    number, off_mm = truth(scene, rule.control.places.xy)
    assert rule.graduations >= 145
    np.testing.assert_array_equal(np.abs(number - number[0]), rule.control.at_mm)
    assert np.abs(off_mm).max() < 0.03
    even = evened(picture, [rule])
    assert even is not None
    at = MARGIN_MM + np.arange(2.0, 148.0, 0.5)
    lie = np.stack([at + feed.off_mm(at), np.full_like(at, BASE_MM + 3.0)], axis=1)
    px = even.to_even(lie @ scene.affine[:, :2].T + scene.affine[:, 2])
    along = px @ even.courses[0].way * 25.4 / scene.dpi
    left = along - np.polynomial.polynomial.polyval(at, np.polynomial.polynomial.polyfit(at, along, 1))
    assert np.sqrt(np.mean(left**2)) < 0.02
    assert np.quantile(np.abs(left), 0.95) < 0.05


def test_an_even_rule_is_read_as_ever() -> None:
    _, picture = scanned(Feed(), one_bit=True)
    (found,) = find_all(picture)
    assert not found.uneven


@pytest.mark.parametrize("kind", ["hand-spaced", "shrinking"])
def test_ladders_that_are_no_rules_stay_none(kind: str) -> None:
    """Hatching by hand, and lines whose distance shrinks as that of frets does, all of one length."""
    rng = np.random.default_rng(5)
    gaps = rng.normal(1.2, 0.12, 110) if kind == "hand-spaced" else 2.2 * 0.99 ** np.arange(110)
    scene = Scene([], 150.0, 200.0, skew_deg=0.3, high_mm=36.0)
    scene.extra.append(line((MARGIN_MM, BASE_MM), (MARGIN_MM + 150.0, BASE_MM), width_mm=0.25))
    for x in MARGIN_MM + np.cumsum(gaps):
        if x < MARGIN_MM + 150.0:
            scene.extra.append(line((x, BASE_MM), (x, BASE_MM + 5.0)))
    search = find_rules(render(scene, rng))
    assert search.rules == ()


def test_numbers_that_do_not_go_on_are_noticed() -> None:
    """One graduation skipped on the way: the longer ones then come one too early."""
    number = np.arange(120)
    for index, goes_on in ((number, True), (np.where(number < 60, number, number - 1), False)):
        length = np.where(number % 10 == 0, 56.0, np.where(number % 5 == 0, 42.0, 28.0))
        sure = np.ones(120, dtype=bool)
        course = Line(np.zeros(2), np.array([1.0, 0.0]), 0.0, 1000.0)
        ticks = Ticks(course, 1, index, 8.0 * index, sure, 0.0, 8.0, 0.1, 2.0, length, sure, np.zeros(120), 0.1)
        assert numbers_go_on(ticks, read_hierarchy(number, length)) is goes_on
