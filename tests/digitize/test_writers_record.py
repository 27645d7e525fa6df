"""record.json: what the schema lets pass and what not, rounding, reading back."""

import copy
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from calibration.errors import Refusal
from digitize.writers.record import (
    LENS_SCHEMA_FILE,
    MOLD_SCHEMA_FILE,
    SCHEMA_FILE,
    as_text,
    check_record,
    check_record_file,
    write_record,
)


def sound() -> dict[str, Any]:
    return {
        "schema": 1,
        "tool": {"name": "boutline", "version": "0.1.0"},
        "verdict": "sound",
        "reasons": [],
        "input": {"file": "plover.png", "sha256": "0" * 64, "width_px": 5000, "height_px": 7000, "captured": "scan"},
        "settings": {"unit": "mm", "rules": [{"near": [1.123456789, 2.0]}]},
        "scale": {
            "mm_per_px_x": 0.08466712345678,
            "mm_per_px_y": 0.0846543219876,
            "u95_percent": 0.0041,
            "rules": [
                {
                    "role": "drawn",
                    "unit": "mm",
                    "from_px": [100.123456, 200.0],
                    "to_px": [3000.0, 201.0],
                    "length_mm": 250.0,
                    "graduations": 251,
                    "residual_rms_mm": 0.0031234567,
                }
            ],
            "spans": [{"from_px": [1.0, 2.0], "to_px": [3.0, 4.0], "length_mm": 100.0}],
        },
        "copy": {
            "x_percent": 101.3,
            "y_percent": 99.8,
            "shear_deg": 0.01,
            "model": "x, y and shear",
            "u95_percent": 0.004,
        },
        "body": {
            "length_mm": 505.123456789,
            "length_u95_mm": 0.041,
            "lower_bout_mm": 396.9,
            "waist_mm": None,
            "upper_bout_mm": None,
            "perimeter_mm": 1500.0,
            "area_mm2": 140000.0,
            "min_radius_mm": 80.0,
            "corners": [{"x_mm": 1.0, "y_mm": 2.0, "angle_deg": 90.0}],
        },
        "outline": {
            "u95_mm": 0.06,
            "points": 6000,
            "arcs": 180,
            "traced_fraction": 0.99,
            "chosen": "the only one",
            "stretches": [],
        },
        "symmetry": {
            "rms_mm": 0.1,
            "max_mm": 0.3,
            "max_at": {"side": "left", "x_mm": -190.0, "y_mm": 120.0},
            "u95_mm": 0.05,
            "tail_angle_deg": 90.1,
            "neck_angle_deg": 89.9,
        },
        "budget": [{"term": "rule", "u_mm": 0.0123456789, "how": "residuals"}],
        "files": {"outline.dxf": "a" * 64},
        "timings_s": {"read": 0.5},
        "peak_mib": 300.0,
    }


def refused() -> dict[str, Any]:
    unknown = dict.fromkeys(("scale", "copy", "body", "outline", "symmetry", "budget"))
    reason = {"code": "no-rule", "text": "No graduated rule.", "remedy": "Scan one."}
    return {**sound(), **unknown, "verdict": "refused", "reasons": [reason], "files": {}}


def changed(record: dict[str, Any], place: str, value: Any) -> dict[str, Any]:
    made = copy.deepcopy(record)
    *way, last = place.split("/")
    inner: Any = made
    for step in way:
        inner = inner[int(step)] if isinstance(inner, list) else inner[step]
    if value is ...:
        del inner[last]
    else:
        inner[last] = value
    return made


def test_a_sound_record_is_written_sorted_and_rounded(tmp_path: Path) -> None:
    write_record(sound(), tmp_path / "record.json")
    text = (tmp_path / "record.json").read_text(encoding="utf-8")
    found = json.loads(text)
    assert list(found) == sorted(found)
    assert found["body"]["length_mm"] == 505.1235
    assert found["budget"][0]["u_mm"] == 0.012346
    assert found["scale"]["rules"][0]["from_px"] == [100.1235, 200.0]
    assert found["settings"] == sound()["settings"], "settings stand as they were given"
    # A scale rounded like a length would be 0.1 % off.
    assert found["scale"]["mm_per_px_x"] == pytest.approx(0.08466712345678, abs=1e-9)
    assert text == as_text(dict(reversed(sound().items())))


@pytest.mark.parametrize("place", ["input", "scale", "settings"])
def test_a_refused_record_may_leave_unknown_what_was_not_reached(place: str, tmp_path: Path) -> None:
    write_record(changed(refused(), place, None), tmp_path / "record.json")


def test_a_refused_record_may_leave_out_what_was_not_reached(tmp_path: Path) -> None:
    short = {key: value for key, value in refused().items() if value is not None}
    write_record(short, tmp_path / "record.json")


def test_numbers_of_array_libraries_become_plain_numbers() -> None:
    record = changed(changed(sound(), "outline/points", np.int64(6000)), "body/length_mm", np.float64(505.0))
    assert as_text(record) == as_text(changed(sound(), "body/length_mm", 505.0))


FAULTS = {
    "a key that nobody knows": ("extra", 1, "extra"),
    "an inner key that nobody knows": ("body/width_mm", 1.0, "width_mm"),
    "another schema": ("schema", 2, "schema"),
    "an unknown verdict": ("verdict", "fine", "verdict"),
    "a missing part": ("symmetry", ..., "symmetry"),
    "a missing inner part": ("outline/u95_mm", ..., "u95_mm"),
    "a negative length": ("body/length_mm", -1.0, "body/length_mm"),
    "text for a number": ("peak_mib", "300", "peak_mib"),
    "a digest that is none": ("files/outline.dxf", "abc", "files/outline.dxf"),
    "three numbers for a place": ("scale/rules/0/from_px", [1.0, 2.0, 3.0], "from_px"),
    "a fraction above one": ("outline/traced_fraction", 1.01, "traced_fraction"),
    "sound without an uncertainty": ("outline/u95_mm", None, "u95_mm"),
    "sound without an outline": ("outline", None, "outline"),
    "sound without a scale": ("scale", None, "scale"),
    "sound without a budget": ("budget", [], "budget"),
    "look without a reason": ("verdict", "look", "reasons"),
    "not a number": ("body/waist_mm", float("nan"), "body/waist_mm"),
    "infinite": ("timings_s/read", float("inf"), "timings_s/read"),
    "not a number in the settings": ("settings/unit", float("nan"), "settings/unit"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_the_check_sees(fault: str, tmp_path: Path) -> None:
    place, value, named = FAULTS[fault]
    with pytest.raises(Refusal, match=named) as refusal:
        write_record(changed(sound(), place, value), tmp_path / "record.json")
    assert refusal.value.code == "file-check"
    assert not list(tmp_path.iterdir()), "nothing is written"


def test_a_refused_record_holds_no_outline() -> None:
    with pytest.raises(Refusal, match="outline"):
        check_record({**refused(), "outline": sound()["outline"]})


@pytest.mark.parametrize("text", ["", "{", as_text(refused()), as_text(sound()).replace("505.1235", "505.1236")])
def test_a_file_that_does_not_read_back_is_refused(text: str, tmp_path: Path) -> None:
    path = tmp_path / "record.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(Refusal, match="read back"):
        check_record_file(sound(), path)


@pytest.mark.parametrize("file", [SCHEMA_FILE, LENS_SCHEMA_FILE, MOLD_SCHEMA_FILE], ids=lambda file: file.name)
def test_every_schema_is_one(file: Path) -> None:
    Draft202012Validator.check_schema(json.loads(file.read_text(encoding="utf-8")))
