from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from calibration.budget import Budget, Term
from calibration.controls import Control
from calibration.errors import Refusal
from calibration.frames import PxPoints
from calibration.solve import Calibration, solve
from digitize.cross_check import cross_checks, refuse_unfit_picture
from digitize.settings import BodyHints, PlanSettings
from digitize.shapes import BodyMeasures, Picture, Rule, SpanPlaces
from digitize.sources import copy_size, plan_controls

MEASURES = BodyMeasures(500.0, 390.0, 240.0, 290.0, 110.0, 290.0, 400.0, 1500.0, 150000.0, 60.0)


def rule(px_per_mm: float, *, angle_deg: float = 0.0, role: str = "drawn", name: str = "rule 1") -> Rule:
    at_mm = np.arange(0.0, 301.0)
    direction = np.array([math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))])
    places = 100.0 + at_mm[:, None] * px_per_mm * direction
    control = Control(
        name,
        "drawn rule" if role == "drawn" else "laid rule",
        PxPoints(places),
        at_mm,
        np.full(len(at_mm), 0.05),
        0.05,
    )
    ends = tuple(places[0]), tuple(places[-1])
    return Rule(control, role, "mm", 1.0, *ends, len(at_mm), 0, px_per_mm, 0.05, "made")  # type: ignore[arg-type]


def scale(px_per_mm_x: float, px_per_mm_y: float | None = None) -> Calibration:
    rules = (rule(px_per_mm_x), rule(px_per_mm_y or px_per_mm_x, angle_deg=90.0, name="rule 2"))
    found = solve([one.control for one in rules])
    assert isinstance(found, Calibration)
    return found


def picture(dpi: tuple[float, float] | None, captured: str = "scan", side: int = 400) -> Picture:
    return Picture(np.full((side, side), 255, dtype=np.uint8), "a.png", "0" * 64, dpi, captured)  # type: ignore[arg-type]


def codes(
    plan: PlanSettings | None = None,
    dpi: tuple[float, float] | None = None,
    measures: BodyMeasures = MEASURES,
    u_mm: float = 0.02,
) -> list[str]:
    budget = Budget((Term("line", u_mm, "made"),))
    plan = plan or PlanSettings(image=Path("a.png"))
    return [doubt.code for doubt in cross_checks(plan, picture(dpi), scale(300 / 25.4), measures, budget)]


def test_nothing_to_doubt() -> None:
    assert codes(dpi=(300, 300)) == []
    assert codes(dpi=None) == []


@pytest.mark.parametrize(("dpi", "doubted"), [(308.0, False), (292.0, False), (310.0, True), (290.0, True)])
def test_dpi_more_than_3_percent_off_is_doubted(dpi: float, doubted: bool) -> None:
    assert codes(dpi=(300, dpi)) == (["dpi-disagrees"] if doubted else [])
    assert codes(dpi=(dpi, 300)) == (["dpi-disagrees"] if doubted else [])


@pytest.mark.parametrize(("stated", "doubted"), [(500.9, False), (499.1, False), (501.2, True), (498.0, True)])
def test_a_stated_length_that_differs_is_told(stated: float, doubted: bool) -> None:
    plan = PlanSettings(image=Path("a.png"), body=BodyHints.model_validate({"length": stated}))
    assert codes(plan) == (["stated-size-differs"] if doubted else [])


def test_a_stated_waist_on_a_body_without_one_is_told() -> None:
    plan = PlanSettings(image=Path("a.png"), body=BodyHints.model_validate({"waist": 240.0}))
    bare = BodyMeasures(500.0, 390.0, None, None, 110.0, None, None, 1500.0, 150000.0, 60.0)
    assert codes(plan) == []
    assert codes(plan, measures=bare) == ["stated-size-differs"]


def test_a_body_of_unusual_size_is_told() -> None:
    halved = BodyMeasures(500 / 1.5875 / 2, 390 / 1.5875 / 2, None, None, 50, None, None, 500, 1e4, 30)
    assert codes(measures=halved) == ["size-unusual"]


def test_with_laid_rules_alone_the_copy_is_doubted_until_a_stated_size_agrees() -> None:
    def told(plan: PlanSettings, *rules: Rule) -> list[str]:
        budget = Budget((Term("line", 0.02, "made"),))
        return [one.code for one in cross_checks(plan, picture(None), scale(12.0), MEASURES, budget, rules)]

    laid, drawn = rule(12.0, role="laid"), rule(12.0, angle_deg=90.0)
    silent, stated = PlanSettings(image=Path("a.png")), PlanSettings(image=Path("a.png"), body=BodyHints(length=500.4))
    assert told(silent, laid) == ["copy-unchecked"]
    assert told(silent, laid, drawn) == told(silent, drawn) == told(stated, laid) == []
    wrong = PlanSettings(image=Path("a.png"), body=BodyHints(length=508.0))
    assert told(wrong, laid) == ["stated-size-differs"]


def test_in_a_photo_a_drawn_rule_checks_the_copy_along_its_own_direction_only() -> None:
    budget = Budget((Term("line", 0.02, "made"),))

    def told(plan: PlanSettings, *rules: Rule) -> list[str]:
        photo = picture(None, captured="photo")
        return [one.code for one in cross_checks(plan, photo, scale(12.0), MEASURES, budget, rules)]

    laid, along, across = rule(12.0, role="laid"), rule(12.0), rule(12.0, angle_deg=80.0)
    silent, stated = PlanSettings(image=Path("a.png")), PlanSettings(image=Path("a.png"), body=BodyHints(length=500.4))
    assert told(silent, laid, along) == ["copy-one-way"]
    assert told(silent, laid, along, across) == told(stated, laid, along) == told(silent, along) == []


def test_a_claim_of_no_use_is_told() -> None:
    assert codes(u_mm=0.24) == []
    assert codes(u_mm=0.30) == ["not-certain-enough"]


def test_thumbnails_are_refused_and_photos_are_not() -> None:
    refuse_unfit_picture(picture(None))
    refuse_unfit_picture(picture(None, captured="photo"))
    with pytest.raises(Refusal, match="299 x 299"):
        refuse_unfit_picture(picture(None, side=299))


def test_the_copy_size_by_declared_dpi() -> None:
    """A copy enlarged by 1.3 % across has 1.3 % more pixels to a plan millimetre."""
    true = 300 / 25.4
    rules = (rule(true * 1.013), rule(true * 0.99, angle_deg=90.0, name="rule 2"))
    size = copy_size(rules, (), (300, 300))
    assert size is not None
    assert size.x_percent == pytest.approx(101.3, abs=1e-3)
    assert size.y_percent == pytest.approx(99.0, abs=1e-3)
    assert size.measured
    assert size.u95_percent == pytest.approx(95 * 0.003 * 1.013, rel=0.05)  # of a limit of 0.3 % the middle 95 in 100


def test_the_copy_size_of_a_sheet_put_down_askew_is_along_its_own_directions() -> None:
    true, askew = 300 / 25.4, 1.5
    rules = (rule(true * 0.98, angle_deg=askew), rule(true * 1.02, angle_deg=90.0 + askew, name="rule 2"))
    size = copy_size(rules, (), (300, 300))
    assert size is not None
    assert (size.x_percent, size.y_percent) == pytest.approx((98.0, 102.0), abs=1e-3)
    assert size.shear_deg == pytest.approx(0.0, abs=1e-3)
    assert np.degrees(size.axis_rad) == pytest.approx(askew, abs=1e-3)


def test_the_copy_size_by_a_laid_rule_is_preferred() -> None:
    true = 310 / 25.4
    laid = (rule(true, role="laid", name="rule 3"), rule(true, angle_deg=90.0, role="laid", name="rule 4"))
    size = copy_size((rule(true * 1.02), rule(true * 1.02, angle_deg=90.0, name="rule 2"), *laid), (), (300, 300))
    assert size is not None
    assert size.source == "rules laid on the sheet"
    assert size.x_percent == pytest.approx(102.0, abs=1e-3)


def test_no_copy_size_from_nothing() -> None:
    assert copy_size((rule(11.8),), (), None) is None
    assert copy_size((rule(11.8),), (), (72, 72)) is None  # a resolution that says nothing
    laid = rule(11.8, role="laid")  # the paper twice, and nothing of the plan
    assert copy_size((laid,), (), None) is None
    assert copy_size((laid,), (), (300, 300)) is None


def test_a_laid_rule_counts_only_when_nothing_drawn_is_there() -> None:
    drawn, laid = rule(11.8), rule(11.9, role="laid", name="rule 2")
    assert [control.name for control in plan_controls((drawn, laid), ())] == ["rule 1"]
    assert [control.name for control in plan_controls((laid,), ())] == ["rule 2"]


def test_spans_lead_to_plan_millimetres() -> None:
    span = SpanPlaces((0.0, 0.0), (0.0, 5900.0), 500.0, (1.0, 1.0))
    (control,) = plan_controls((rule(11.9, role="laid"),), (span,))
    assert (control.name, control.source) == ("span 1", "span")
    found = solve([control])
    assert isinstance(found, Calibration)
    assert found.mm_per_px_y == pytest.approx(500 / 5900, rel=1e-9)
    assert found.doubts[0].code == "one-direction"
