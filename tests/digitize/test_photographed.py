"""Which lengths of a photo become its scale, as points: what is drawn where it carries both ways, else what is real."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import Refusal
from digitize.photo_evidence import Evidence
from digitize.photographed import _untold
from digitize.settings import BodyHints, PlanSettings
from digitize.shapes import Picture
from tests.bench.photo_points import SIZE_PX, Camera, Sheet

COPY = (0.985, 1.012)


def evidence(copy: tuple[float, float] | None, *, both_ways: bool, laid_wrong: float = 1.0) -> Evidence:
    """Two laid rules along two edges, and drawn ones grown by the copier: along x, or both ways."""
    rng = np.random.default_rng(5)
    sheet = Sheet(Camera.random(rng, 15.0), rng)
    sheet.rule((-200, -190), 1.0, 400, 41)
    sheet.rule((-280, -150), 91.0, 300, 31, grown=laid_wrong)
    sheet.rule((200, 180), 181.0, 300, 31)
    if copy:
        sheet.rule((-90, -165), 0.0, 200.0, 41, "drawn rule", copy[0])
    if copy and both_ways:
        sheet.rule((255, -100), 90.0, 180.0, 37, "drawn rule", copy[1])
    drawn = tuple(one for one in sheet.controls if one.source == "drawn rule")
    blank = np.full(SIZE_PX[::-1], 255, dtype=np.uint8)
    picture = Picture(blank, "photo.jpg", "", None, "photo", focal_px=sheet.camera.focal_px)
    return Evidence(picture, None, tuple(sheet.controls), drawn, (), tuple(sheet.lines), tuple(sheet.angles))


def test_what_is_drawn_both_ways_is_the_scale():
    photo, scale = evidence(COPY, both_ways=True).adjusted()
    assert scale and scale.photo is photo and scale.calibration.certified == (True, True)
    assert scale.proven  # what real rules say differs
    x, y = (1.0 / np.hypot(*scale.calibration.matrix[:, n]) for n in (0, 1))
    assert (x, y) == pytest.approx(COPY, abs=1e-3)


def test_a_true_copy_with_one_drawn_rule_stays_in_millimetres_of_its_paper():
    found = evidence((1.0, 1.0), both_ways=False)
    photo, scale = found.adjusted()
    assert scale is None and all(photo.certified)
    plan = PlanSettings(image=Path("a.jpg"))
    assert [one.code for one in _untold(plan, found, scale)] == ["drawn-untold"]  # it may be a clear rule
    assert _untold(plan, replace(found, told=("rule 4",)), scale) == ()
    stated = plan.model_copy(update={"body": BodyHints(length="480 mm")})
    assert _untold(stated, found, scale) == ()


def test_a_copy_that_is_off_with_one_drawn_rule_is_certified_along_it_alone():
    """Not refused: the drawn rule is the scale, and the other direction is what copiers usually do."""
    _, scale = evidence(COPY, both_ways=False).adjusted()
    assert scale and scale.calibration.certified == (True, False)
    assert "one-direction" in [one.code for one in scale.calibration.doubts]


def test_real_rules_that_disagree_are_refused_whatever_is_drawn():
    with pytest.raises(Refusal) as refused:
        evidence(COPY, both_ways=True, laid_wrong=1.03).adjusted()
    assert refused.value.code in ("rules-disagree", "rules-or-bent", "photo-not-solved", "photo-bent")


def test_nothing_drawn_leaves_the_paper():
    assert evidence(None, both_ways=False).checked()[1] is None
