from __future__ import annotations

import numpy as np
import pytest

from calibration.frames import FloatArray
from calibration.part_fit import Held, fit_part, size_u_mm
from calibration.part_runs import longest_unseen_mm, off_map, real_stretches, straight_fit

A, B = 120.0, 80.0  # of an ellipse: half of one is the curve
CERTAIN = np.diag([1e-9, 1e-9, 1e-9]) ** 2
TURN, SHIFT = np.radians(7.0), np.array([31.0, -12.0])


def nearest(places: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The ellipse's feet by Newton's steps on its angle."""
    at = np.arctan2(places[:, 1] / A, places[:, 0] / B)
    for _ in range(20):
        c, s = np.cos(at), np.sin(at)
        x, y = places.T
        slope = (B * c - x) * -B * s + (A * s - y) * A * c
        bend = (B * s) ** 2 - (B * c - x) * B * c + (A * c) ** 2 - (A * s - y) * A * s
        at = at - slope / bend
    feet = np.column_stack([B * np.cos(at), A * np.sin(at)])
    normal = np.column_stack([np.cos(at) / B, np.sin(at) / A])
    return feet, normal / np.hypot(*normal.T)[:, None]


def half(
    count: int = 800, proud_mm: float = 0.0, noise_mm: float = 0.0, seed: int = 1
) -> tuple[FloatArray, FloatArray]:
    """Places on the right half, body frame, with a proud stretch of 40 places, and how far each stands out."""
    at = np.linspace(-np.pi / 2, np.pi / 2, count)
    feet, normal = nearest(np.column_stack([B * np.cos(at), A * np.sin(at)]))
    off = noise_mm * np.random.default_rng(seed).standard_normal(count)
    off[300:380] += proud_mm
    return feet + off[:, None] * normal, off


def laid(body: FloatArray, mirrored: bool = False) -> FloatArray:
    """The same places on the sheet."""
    c, s = np.cos(TURN), np.sin(TURN)
    flip = np.array([-1.0 if mirrored else 1.0, 1.0])
    return (body * flip) @ np.array([[c, s], [-s, c]]) + SHIFT


def rough(mirrored: bool = False) -> FloatArray:
    """A start that is 2 degrees and 1.5 mm off."""
    turn = TURN + np.radians(2.0)
    c, s = np.cos(turn), np.sin(turn)
    back = np.diag([-1.0 if mirrored else 1.0, 1.0]) @ np.array([[c, s], [-s, c]])
    return np.column_stack([back, -back @ (SHIFT + np.array([1.0, -1.1]))])


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_proud_stretch_does_not_pull_the_rest(mirrored: bool) -> None:
    body, off = half(proud_mm=0.8, noise_mm=0.02)
    fit = fit_part(laid(body, mirrored), nearest, rough(mirrored), CERTAIN)
    assert fit.mirrored == mirrored
    assert np.median(np.abs(fit.off_mm - off)) < 0.003  # 0.02 mm noise over 800 places, three unknowns
    assert np.abs(fit.off_mm - off).max() < 0.01
    assert (fit.weight[300:380] == 0.0).all()


def test_a_part_that_is_larger_is_not_shrunk_where_the_scale_is_certain() -> None:
    body, _ = half(noise_mm=0.01)
    fit = fit_part(laid(body * 1.002), nearest, rough(), CERTAIN)
    assert np.abs(fit.strain).max() < 1e-6
    assert fit.off_mm.max() - fit.off_mm.min() > 0.15  # 0.002 of 80 to 120 mm, less what moving takes up


def test_what_the_rules_may_be_off_is_taken_out_and_counted() -> None:
    body, _ = half(noise_mm=0.01)
    loose = np.diag([0.003, 0.003, 0.001]) ** 2
    fit = fit_part(laid(body * 1.002), nearest, rough(), loose)
    assert np.abs(fit.off_mm).max() < 0.05
    assert fit.strain[:2] == pytest.approx([-0.002, -0.002], abs=3e-4)
    u = size_u_mm(fit, loose)
    assert 0.05 < u.max() < 0.003 * 2.0 * A  # the strain over the half's whole length


def test_a_held_edge_stays_on_the_centerline() -> None:
    body, _ = half(noise_mm=0.01)
    y = np.linspace(-100.0, 100.0, 200)
    edge = laid(np.column_stack([np.full(200, -0.4), y]))
    held = Held(edge, np.zeros((200, 2)), np.tile([1.0, 0.0], (200, 1)))
    fit = fit_part(laid(body), nearest, rough(), CERTAIN, held=held)
    assert np.abs(fit.to_body(edge)[:, 0]).max() < 0.002
    assert fit.off_mm[400] == pytest.approx(0.4, abs=0.03)  # at the widest place


def test_the_sigma_covers_what_the_fit_gets_wrong() -> None:
    miss, said = [], []
    for seed in range(40):
        body, off = half(noise_mm=0.05, seed=seed, count=200)
        fit = fit_part(laid(body), nearest, rough(), CERTAIN)
        miss.append(fit.off_mm[::20] - off[::20])
        said.append(fit.u_mm[::20])
    assert np.std(miss) == pytest.approx(float(np.sqrt(np.mean(np.square(said)))), rel=0.35)


def test_a_stretch_is_found_and_told_with_its_size() -> None:
    along = np.arange(0.0, 400.0, 0.5)
    rng = np.random.default_rng(3)
    off = 0.03 * rng.standard_normal(800) + 0.2 * np.clip(4.0 * (0.5 - np.abs(along - 170.0) / 40.0), 0.0, 1.0)
    found = off_map(along, off, 2.0)
    (one,) = real_stretches(found, np.full(800, 0.02))
    assert 145.0 < along[one.first] < 160.0 and 180.0 < along[one.last] < 195.0
    assert found.mean_mm[one.top] == pytest.approx(0.2, abs=0.03)


def test_noise_alone_is_no_stretch() -> None:
    along = np.arange(0.0, 400.0, 0.5)
    for seed in range(20):
        off = 0.08 * np.random.default_rng(seed).standard_normal(800)
        assert real_stretches(off_map(along, off, 2.0), np.full(800, 0.02)) == []


def test_nothing_is_told_of_what_was_not_seen() -> None:
    along = np.arange(0.0, 200.0, 0.5)
    off = np.where((along > 80.0) & (along < 110.0), np.nan, 0.0)
    found = off_map(along, off, 1.0)
    assert np.isnan(found.mean_mm[(along > 86.0) & (along < 104.0)]).all()
    assert longest_unseen_mm(along, np.isfinite(off)) == pytest.approx(29.5, abs=0.6)


def test_a_straight_edge_with_a_chip_keeps_its_line() -> None:
    y = np.linspace(0.0, 300.0, 600)
    x = 0.3 + 0.001 * (y - 150.0) + 0.01 * np.random.default_rng(2).standard_normal(600)
    x[100:140] -= 1.5
    line = straight_fit(np.column_stack([x, y]), 1.0)
    assert line is not None
    assert line.offset_mm == pytest.approx(0.3, abs=0.005)
    assert line.slope == pytest.approx(0.001, abs=3e-5)
    assert line.bow_mm == pytest.approx(1.5, abs=0.05)


def test_what_may_be_off_together_is_taken_out_and_the_rest_is_not() -> None:
    bowed = laid(half()[0])
    middle = bowed.mean(axis=0)

    def sways(points: np.ndarray) -> np.ndarray:
        away = (points - middle) / 100.0
        return np.stack([np.column_stack([away[:, 0] * away[:, 1], np.zeros(len(away))])], axis=2)

    bowed = bowed + 0.4 * sways(bowed)[:, :, 0]
    without = fit_part(bowed, nearest, rough(), CERTAIN)
    fit = fit_part(bowed, nearest, rough(), CERTAIN, sways=sways)
    assert np.abs(without.off_mm).max() > 0.05
    assert np.abs(fit.off_mm).max() < 0.01
    assert fit.sway == pytest.approx([-0.4], abs=0.03)
    assert fit.to_body(bowed)[0] == pytest.approx(nearest(fit.to_body(bowed))[0][0], abs=0.01)
    assert size_u_mm(fit, CERTAIN).max() > 0.1  # it might have been the part that is bowed
