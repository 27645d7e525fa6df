from __future__ import annotations

from pathlib import Path

import pytest

from calibration.errors import UsageError
from digitize.settings import RuleHint, load_plan

EVERYTHING = """
[plan]
image = "sheets/plover.png"
page = 2
captured = "scan"
unit = "in"
line = "outer"

[[rule]]
role = "laid"
unit = "mm"
near = [812, 4410]
grade = "II"

[[rule]]

[[span]]
from = [311, 902]
to = [318, 6120]
length = "19 7/8 in"

[body]
length = "505 mm"
lower_bout = 15.625
keep = "left"
hand = "left"
near = [2400, 3100]
neck = [2400, 150]
ignore = [[[0, 0], [10, 0], [10, 10]]]
through = [[1, 2], [3, 4]]
"""


def _plan(folder: Path, text: str) -> Path:
    (folder / "sheets").mkdir(exist_ok=True)
    (folder / "sheets" / "plover.png").write_bytes(b"")
    path = folder / "plan.toml"
    path.write_text(text)
    return path


def test_everything_that_can_be_said_is_kept_in_millimetres(tmp_path: Path) -> None:
    plan = load_plan(_plan(tmp_path, EVERYTHING))
    assert plan.image == tmp_path / "sheets" / "plover.png"
    assert (plan.page, plan.captured, plan.unit, plan.line) == (2, "scan", "in", "outer")
    assert plan.rules == (RuleHint(role="laid", unit="mm", near=(812, 4410), grade="II"), RuleHint())
    assert plan.spans[0].length_mm == pytest.approx(504.825)
    assert plan.spans[0].to_px == (318, 6120)
    assert plan.body.length_mm == 505.0
    assert plan.body.lower_bout_mm == pytest.approx(15.625 * 25.4)
    assert (plan.body.keep, plan.body.hand) == ("left", "left")
    assert plan.body.neck == (2400, 150)
    hints = plan.outline_hints
    assert hints.near == (2400, 3100)
    assert hints.ignore == (((0, 0), (10, 0), (10, 10)),)
    assert hints.through == ((1, 2), (3, 4))
    assert hints.line == "outer"


def test_a_plain_picture_gives_the_defaults(tmp_path: Path) -> None:
    picture = tmp_path / "sheet.tif"
    picture.write_bytes(b"")
    plan = load_plan(picture)
    assert plan.image == picture
    assert (plan.page, plan.captured, plan.unit, plan.line, plan.rules, plan.spans) == (1, None, "mm", "middle", (), ())
    assert (plan.body.keep, plan.body.hand, plan.body.length_mm) == ("auto", "right", None)


def test_the_record_holds_every_default_and_no_folder(tmp_path: Path) -> None:
    record = load_plan(_plan(tmp_path, '[plan]\nimage = "sheets/plover.png"')).as_record()
    assert record["image"] == "plover.png"
    assert record["body"]["keep"] == "auto"
    assert str(tmp_path) not in str(record)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("[plan]\nimage = 'a'\nunti = 'in'", ("'unti'", "[plan]", "'unit'")),
        ("[plan]\nimage = 'a'\n[[rule]]\nrolle = 'drawn'", ("'rolle'", "[rule]", "'role'")),
        ("[plan]\nimage = 'a'\n[[span]]\nform = [1, 2]", ("'form'", "[span]", "'from'")),
        ("[plan]\nimage = 'a'\n[body]\nlenght = 3", ("'lenght'", "[body]", "'length'")),
        ("[plan]\nimage = 'a'\n[bodies]\nlength = 3", ("'bodies'", "'body'")),
        ("[plan]\nimage = 'a'\n[body]\nlength_mm = 3", ("'length_mm'", "[body]", "'length'")),
        ("[plan]\nimage = 'a'\nzzzz = 3", ("'zzzz'", "[plan]")),
    ],
)
def test_an_unknown_key_is_named_with_the_nearest_known_one(tmp_path: Path, line: str, told: tuple[str, ...]) -> None:
    with pytest.raises(UsageError) as caught:
        load_plan(_plan(tmp_path, line))
    assert caught.value.code == "unknown-key"
    assert all(part in str(caught.value) for part in (*told, "plan.toml"))


def test_no_neighbour_no_suggestion(tmp_path: Path) -> None:
    with pytest.raises(UsageError) as caught:
        load_plan(_plan(tmp_path, "[plan]\nimage = 'a'\nzzzz = 3"))
    assert "mean" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "code", "part"),
    [
        ("[plan]\nimage = 'sheets/plover.png'\nunit = 'inch'", "bad-value", "'mm' or 'in'"),
        ("[plan]\nimage = 'sheets/plover.png'\npage = 0", "bad-value", "1 or more"),
        ("[plan]\nunit = 'in'", "bad-value", "'plan.image' is missing"),
        ("", "bad-value", "'plan' is missing"),
        ("[plan]\nimage = 'sheets/plover.png'\n[body]\nnear = [1]", "bad-value", "a place [x, y] in pixels"),
        ("[plan]\nimage = 'sheets/plover.png'\n[body]\nnear = [1, 2, 3]", "bad-value", "a place [x, y] in pixels"),
        ("[plan]\nimage = 'sheets/plover.png'\n[body]\nnear = [nan, 2]", "bad-value", "body.near"),
        ("[plan]\nimage = 'sheets/plover.png'\n[body]\nignore = [[[1, 2]]]", "bad-value", "three places"),
        ("rule = 3\n[plan]\nimage = 'sheets/plover.png'", "bad-value", "[[rule]]"),
        (
            "[plan]\nimage = 'sheets/plover.png'\n[[span]]\nfrom = [1, 2]\nto = [1, 2]\nlength = 3",
            "bad-value",
            "two different places",
        ),
        ("[plan]\nimage = 'sheets/plover.png'\n[body]\nlength = '12 parsec'", "bad-length", "'12 parsec'"),
        ("[plan]\nimage = 'sheets/plover.png'\n[body]\nlength = []", "bad-value", "a length"),
        ("[plan]\nimage = ?\npage = 1", "bad-toml", "line 2"),
        ("[plan]\nimage = 'absent.png'", "no-such-file", "absent.png"),
    ],
)
def test_a_wrong_plan_file_is_refused_with_its_reason(tmp_path: Path, text: str, code: str, part: str) -> None:
    with pytest.raises(UsageError) as caught:
        load_plan(_plan(tmp_path, text))
    assert caught.value.code == code
    assert part in str(caught.value)
    assert caught.value.remedy


def test_a_plan_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(UsageError) as caught:
        load_plan(tmp_path / "none.toml")
    assert caught.value.code == "no-such-file"


def test_settings_cannot_be_changed(tmp_path: Path) -> None:
    plan = load_plan(_plan(tmp_path, EVERYTHING))
    with pytest.raises(ValueError, match="frozen"):
        plan.body.keep = "mean"  # type: ignore[misc]


def test_several_photos_of_a_sheet_are_a_list_and_places_are_those_of_the_first(tmp_path: Path) -> None:
    text = EVERYTHING.replace('image = "sheets/plover.png"', 'image = ["sheets/plover.png", "sheets/other.png"]')
    path = _plan(tmp_path, text)
    (tmp_path / "sheets" / "other.png").write_bytes(b"")
    plan = load_plan(path)
    assert plan.image.name == "plover.png" and [one.name for one in plan.more] == ["other.png"]
    assert plan.as_record()["more"] == ["other.png"]
    first, second = plan.each()
    assert first.more == second.more == () and first.body.near == (2400, 3100) and first.spans == plan.spans
    assert second.image.name == "other.png" and second.rules == (RuleHint(),) and second.spans == ()
    assert (second.body.near, second.body.neck, second.body.through) == (None, None, ())
    assert (second.body.keep, second.body.length_mm) == ("left", 505.0)
    with pytest.raises(UsageError, match="2 pictures") as fault:
        plan.one_picture()
    assert fault.value.code == "one-picture"


@pytest.mark.parametrize("image", ["5", "[]", '["a.png", 3]', '""', '["sheets/plover.png", "sheets/plover.png"]'])
def test_what_is_no_picture_is_told(tmp_path: Path, image: str) -> None:
    with pytest.raises(UsageError, match=r"plan\.image") as fault:
        load_plan(_plan(tmp_path, f"[plan]\nimage = {image}"))
    assert "file name" in str(fault.value)
