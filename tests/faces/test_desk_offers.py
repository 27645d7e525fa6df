"""What the page offers to say is what the doubt tells a person to write."""

from __future__ import annotations

import re

import pytest

from calibration.flags import TABLE, doubt
from digitize.desk.offers import facts, offers
from digitize.desk.plan_edit import changed


def reason(code: str, **told: object) -> dict[str, str]:
    one = doubt(code, **told)
    return {"code": code, "text": one.text, "remedy": one.remedy}


@pytest.mark.parametrize("code", ["alternative-line", "other-body", "several-bodies", "unit-uncertain"])
def test_what_a_sentence_was_filled_with_is_read_out_of_it(code: str) -> None:
    names = dict.fromkeys(re.findall(r"\{(\w+)\}", " ".join(TABLE[code][1:])))
    told = {name: f"{number}, {number + 7}" for number, name in enumerate(names, start=100)}
    assert facts(reason(code, **told)) == told


def test_the_other_line_the_other_drawing_and_each_of_several_are_offered() -> None:
    found = offers([
        reason("alternative-line", distance="2.1", place="(10, 20)", other="[[412, 93]]"),
        reason("bridged", length="3.0", percent="0.2", place="(5, 6)"),
        reason("other-body", place="700, 800", percent="93"),
        reason("several-bodies", count=2, places="(1, 2), (3, 4)"),
    ])  # fmt: skip
    assert [len(one) for one in found] == [1, 0, 1, 2]
    assert changed("", found[0][0]["changes"]) == "[body]\nthrough = [[412, 93]]\n"
    assert changed("", found[2][0]["changes"]) == "[body]\nnear = [700, 800]\n"
    assert [one["at"] for one in found[3]] == [(1.0, 2.0), (3.0, 4.0)]
    assert changed('[body]\nnear = [9, 9]\nkeep = "left"\n', found[3][1]["changes"]) == (
        '[body]\nnear = [3, 4]\nkeep = "left"\n'
    )


def test_a_unit_is_offered_for_graduations_that_may_be_either() -> None:
    (both,) = offers([reason("unit-uncertain", place="812, 4410", candidates="1 mm or 1/32 in")])
    assert [one["words"] for one in both] == ["They are millimetres", "They are inches"]
    assert 'near = [812, 4410]\nunit = "in"' in changed("", both[1]["changes"])
