"""Outlines of one sheet from several photos, as curves: brought together, averaged, held against one another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.budget import Term
from calibration.errors import Refusal
from calibration.flags import doubt
from calibration.frames import FloatArray, SheetPoints
from calibration.solve import Calibration
from digitize.combined import Combined, View, carried, combined, fitted
from digitize.shapes import Seen
from tests.digitize.bodies import apart, body, noisy, spaced, traced, turned

TRUE = spaced(body(cutaway=True))[0]
SCALE_U = 2e-4


def view(name: str, xy: FloatArray, geometry_mm: float = 0.1, line_mm: float = 0.03) -> View:
    own = Calibration(
        matrix=np.diag([0.1, -0.1]), covariance=np.diag([SCALE_U**2] * 3), model="affine", certified=(True, True),
        names=(), residuals_mm=(), uneven_mm=0.0,
    )  # fmt: skip
    return View(
        name, traced(xy, line_mm), own, lambda _: (Term("the camera", geometry_mm, "how"),),
        lambda points: np.full(len(points), geometry_mm), (doubt("axis-from-outline"),),
    )  # fmt: skip


def bent(xy: FloatArray, mm: float) -> FloatArray:
    """A photo's outline with an error of its own: the flanks out by ``mm`` each way, the ends as they are."""
    off = xy - xy.mean(axis=0)
    return xy + np.column_stack([mm * off[:, 0] / np.abs(off[:, 0]).max(), np.zeros(len(xy))])


def left_of(found: Combined) -> float:
    """Rms distance from the truth after the best rigid motion."""
    return apart(carried(found.on_sheet.points.xy, fitted(found.on_sheet.points.xy, TRUE, closed=True)), TRUE)[0]


@pytest.mark.parametrize("turn_deg", [0.0, 91.0, 178.0, 300.0])
def test_an_outline_is_brought_onto_another_from_any_turn(turn_deg):
    moved = turned(TRUE, turn_deg, (300.0, -120.0))
    assert apart(carried(moved, fitted(moved, TRUE, closed=True)), TRUE)[1] < 1e-3


def test_the_mean_is_nearer_to_the_truth_than_either_and_claims_no_more_than_both():
    one, two = bent(TRUE, 0.15), turned(bent(TRUE, -0.15), 120.0, (500.0, 80.0))
    found = combined([view("a.jpg", noisy(one, 0.03, 1)), view("b.jpg", noisy(two, 0.03, 2))])
    assert left_of(found) < 0.04  # each is 0.1 mm off
    assert np.median(found.on_sheet.sigma_mm) == pytest.approx(0.03 / np.sqrt(2.0), rel=0.05)
    (term,) = found.terms(SheetPoints(TRUE))
    assert term.u_mm == pytest.approx(0.1)  # what photos have in common is not averaged away
    assert {one.code for one in found.doubts} == {"axis-from-outline"}
    assert {one.text.split(":")[0] for one in found.doubts} == {"a.jpg", "b.jpg"}
    assert found.on_sheet.evidence[-1] == "the mean of 2 photos"


def test_the_better_photo_counts_more():
    found = combined([view("a.jpg", bent(TRUE, 0.3), geometry_mm=0.4), view("b.jpg", TRUE, geometry_mm=0.1)])
    assert left_of(found) < 0.03  # of 0.2 mm
    assert found.terms(SheetPoints(TRUE))[0].u_mm < 0.16


def test_photos_that_differ_more_than_they_claim_are_told_and_the_claim_holds_it():
    found = combined([view("a.jpg", bent(TRUE, 1.0)), view("b.jpg", bent(TRUE, -1.0))])
    assert found.doubts[-1].code == "photos-differ"
    assert "a.jpg and b.jpg" in found.doubts[-1].text
    terms = {term.term: term.u_mm for term in found.terms(SheetPoints(TRUE))}
    assert 1.5 < 1.96 * terms["what the photos differ by"] < 2.5


def test_photos_of_another_body_are_refused():
    with pytest.raises(Refusal, match=r"a\.jpg and b\.jpg do not show the same outline") as refused:
        combined([view("a.jpg", TRUE), view("b.jpg", spaced(body())[0])])
    assert refused.value.code == "photos-of-others"
    half = view("b.jpg", TRUE)
    with pytest.raises(Refusal, match="half"):
        combined([view("a.jpg", TRUE), replace(half, on_sheet=replace(half.on_sheet, half=True))])


def test_what_one_photo_does_not_show_is_taken_from_the_other():
    first = view("a.jpg", bent(TRUE, 0.6))
    hidden = np.full(len(TRUE), int(Seen.BOTH_EDGES))
    hidden[100:200] = Seen.BRIDGED
    first = replace(first, on_sheet=replace(first.on_sheet, seen=hidden))
    found = combined([first, view("b.jpg", TRUE)])
    assert (found.on_sheet.seen == Seen.BOTH_EDGES).all()
    there = apart(carried(found.on_sheet.points.xy[100:200], np.eye(2, 3)), TRUE)[1]
    beside = apart(found.on_sheet.points.xy[210:300], TRUE)[1]
    assert there < 0.6 * beside or there < 0.15
