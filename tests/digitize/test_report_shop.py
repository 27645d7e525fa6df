"""What the page says of tools and of the few arcs; sizes of tools are common practice, no source."""

from __future__ import annotations

from typing import Any

from digitize.report.shop import few_arcs, tools


def record(outside: float, inside: float | None) -> dict[str, Any]:
    return {"body": {"outside_radius_mm": outside, "inside_radius_mm": inside, "side_mm": 700.0}}


def told(outside: float, inside: float | None) -> dict[str, str]:
    return dict(tools(record(outside, inside), "mm"))


def test_each_tool_is_held_against_the_curve_that_it_must_get_into() -> None:
    rows = told(45.0, 30.0)
    assert rows["Band saw, widest blade that turns"] == "1/4 in"  # 3/8 needs 38.1 mm, the waist has 30
    assert "drum up to 2 in; bit up to 3/4 in" in rows["Template: drum or flush-trim bit in its hollows"]
    assert "drum up to 3 in" in rows["Mold: drum or flush-trim bit in its hollows, the body's bulges"]
    assert rows["Bending the sides"].startswith("hard: 30.0 mm")
    assert rows["Side, tail to neck / blank"].startswith("700.00 mm / 750.0 mm")


def test_a_curve_too_tight_for_any_tool_says_so() -> None:
    rows = told(3.0, 200.0)
    assert rows["Band saw, widest blade that turns"].startswith("none")
    assert "none: no bit" in rows["Mold: drum or flush-trim bit in its hollows, the body's bulges"]
    assert told(60.0, None)["Template: drum or flush-trim bit in its hollows"] == "any"
    assert tools({"body": None}, "mm") == []


def test_the_list_of_an_even_outline_shows_its_right_half() -> None:
    pieces = [
        {"x_mm": x, "y_mm": y, "radius_mm": r, "turn_deg": 90.0 if r else 0.0}
        for x, y, r in ((10.0, 0.0, 20.0), (30.0, 20.0, None), (-30.0, 20.0, 20.0), (-10.0, 0.0, None))
    ]
    view = few_arcs({"outline": {"few_arcs": {"tolerance_mm": 0.05, "deviation_mm": 0.031, "pieces": pieces}}}, "mm")
    assert view is not None
    assert "2 arcs and 2 straight lines" in view.sentence
    assert "0.031 mm" in view.sentence
    assert len(view.rows) == 2
    assert view.rows[0] == ("10.00 mm", "0.00 mm", "20.00 mm", "90.00° left")
    assert view.rows[1][2] == "straight"
    assert "mirror" in view.half
