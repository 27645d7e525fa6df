"""Sentences of the report: right numbers, uncertainty beside them, a dash for what is missing."""

from __future__ import annotations

import pytest

from digitize.report import halves_page, words


def test_missing_number_is_a_dash():
    assert words.number(None) == words.DASH
    assert words.length(None, None, "mm") == words.DASH
    assert words.plus_minus(float("nan")) == words.DASH


def test_length_is_as_fine_as_its_uncertainty():
    assert words.length(402.037, 0.18, "mm") == "402.04 mm"
    assert words.length(1192.44, 1.3, "mm") == "1192.4 mm"
    assert words.length(88231.4, 250.0, "mm") == "88231 mm"


def test_inches_are_written_to_the_nearest_64th():
    assert words.length(19.875 * 25.4, 0.1, "in") == "19 7/8 in"
    assert words.short_length(7.492 * 25.4, "in") == "7 31/64 in"


def test_thousandths_are_left_out_when_the_uncertainty_hides_them():
    length_mm = 7.492 * 25.4
    assert words.length(length_mm, 0.1, "in") == "7 31/64 in +0.008"
    assert words.length(length_mm, 0.4, "in") == "7 31/64 in"


def test_uncertainty_has_the_digits_of_its_value():
    assert words.plus_minus(0.134) == "± 0.13 mm"
    assert words.plus_minus(6.312) == "± 6.3 mm"
    assert words.plus_minus(12.6) == "± 13 mm"


def test_refusing_doubt_beside_an_outline_is_something_to_look_at():
    entry = {"code": "unit-uncertain", "text": "a", "remedy": "b"}
    said = words.verdict({"verdict": "look", "reasons": [entry], "outline": {"u95_mm": 0.2}}, "mm")
    assert said.sentence.startswith("One thing needs")
    assert words.reasons({"verdict": "refused", "reasons": [entry]})[0].weight == "refused"


@pytest.mark.parametrize("kind", ["sound", "look"])
def test_the_outline_is_said_to_hold_along_as_much_of_it_as_the_claim_is_for(kind: str) -> None:
    said = words.verdict({"verdict": kind, "reasons": [], "outline": {"u95_mm": 0.1}}, "mm")
    assert "± 0.10 mm along 95 % of it" in said.sentence
    assert "all the way" not in said.sentence


def test_the_mean_is_the_master_where_a_sheet_out_of_square_parts_the_halves() -> None:
    sheet = {"taken_deg": -0.3, "taken_mm": 1.23, "left_u95_mm": 0.01, "known_u95_deg": 0.56}
    part = {"whole": True, "differences": []}
    (step,) = halves_page.steps(sheet, ())
    assert 'keep = "mean"' in step
    assert "0.61 mm" in step
    assert halves_page.headline(part, sheet) == "The halves agree, but for a sheet out of square"
    told = halves_page.sheet_sentence(sheet)
    for figure in ("± 0.56°", "0.30°", "1.23 mm"):
        assert figure in told
    square = {**sheet, "taken_deg": 0.0, "taken_mm": 0.0, "left_u95_mm": 0.004}
    assert halves_page.sheet_sentence(square) == ""
    assert halves_page.steps(square, ())[0].startswith("Nothing to decide")
    assert halves_page.headline(part, square) == "The halves agree"


def test_negative_zero_has_no_sign():
    assert words.number(-0.001, 2) == "0.00"
    assert words.number(-0.5, 1) == "−0.5"


@pytest.mark.parametrize(
    ("percent", "words_in"),
    [(101.3, "1.30 % large"), (98.7, "1.30 % small"), (100.05, "true to size"), (None, "cannot be told")],
)
def test_copy_factor_in_plain_words(percent, words_in):
    said = words.copy_sentence(percent, 0.12, "Across the body", 392.0, "the lower bout")
    assert words_in in said
    assert ("5.1 mm too" in said) == (percent in (101.3, 98.7))


def test_shop_is_asked_for_the_best_one_setting():
    assert "98.7 % of this one" in words.ask_shop((101.3, 101.3), 0.1, 98.7)
    assert "99.4 % – but" in words.ask_shop((101.3, 100.0), 0.1, 99.4)
    assert "one setting cannot mend" in words.ask_shop((101.3, 100.0), 0.1, 99.4)
    assert words.ask_shop((100.05, 99.95), 0.12, 100.0) == ""
    assert words.ask_shop((101.3, 100.0), 0.1, None) == words.ask_shop((None, None), None, None) == ""


def test_angle_within_half_a_degree_is_called_square():
    assert "square to the centerline" in words.angle_sentence(89.8, "At the tail")
    assert "1.2° from square" in words.angle_sentence(91.2, "At the neck")
    assert "not measured" in words.angle_sentence(None, "At the neck")


def test_half_drawing_has_nothing_to_compare():
    assert "half a body" in words.gap_sentence({"max_mm": None, "max_at": None}, None)


def test_a_gap_that_a_sheet_out_of_square_explains_is_not_put_down_to_drawing():
    gap = {"max_mm": 1.2, "rms_mm": 0.5, "u95_mm": 2.2, "max_at": {"side": "left", "y_mm": 200.0}}
    said = words.gap_sentence(gap, True, by_shear=True)
    assert "1.20 mm at most (± 2.2 mm)" in said
    assert "out of square" in said
    assert "Drawing" not in said


def test_heaviest_doubts_come_first_and_unknown_codes_need_a_look():
    record = {
        "reasons": [
            {"code": "shear-assumed", "text": "a"},
            {"code": "unheard-of", "text": "b"},
            {"code": "no-rule", "text": "c"},
        ]
    }
    assert [(one.text, one.weight) for one in words.reasons(record)] == [("c", "refused"), ("b", "look"), ("a", "note")]


def test_notes_do_not_turn_into_steps():
    note = {"code": "shear-assumed", "text": "Squareness rests on two rules.", "remedy": "A third rule would prove it."}
    said = words.verdict({"verdict": "sound", "reasons": [note], "outline": {"u95_mm": 0.2}}, "mm")
    assert said.word == "Sound"
    assert "± 0.20 mm" in said.sentence
    assert not any("third rule" in step for step in said.steps)


def test_verdict_without_a_verdict_is_refused():
    assert words.verdict({}, "mm").kind == "refused"
