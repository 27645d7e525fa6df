from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from calibration.errors import UsageError
from digitize.outbox import Outbox, sha256_of

NAMES = ("outline.dxf", "record.json")


def _files(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))


def test_files_appear_together_when_delivered(tmp_path: Path) -> None:
    out = tmp_path / "new" / "out"
    with Outbox(out, NAMES, replace=False) as outbox:
        (outbox.draft / "outline.dxf").write_text("one")
        assert not (out / "outline.dxf").exists()
        outbox.deliver()
    assert _files(tmp_path) == ["new", "new/out", "new/out/outline.dxf"]


def test_a_fault_leaves_nothing_behind(tmp_path: Path) -> None:
    with (
        pytest.raises(RuntimeError, match="broken"),
        Outbox(tmp_path / "new" / "out", NAMES, replace=False) as outbox,
    ):
        (outbox.draft / "outline.dxf").write_text("half")
        raise RuntimeError("broken")
    assert _files(tmp_path) == []


def test_a_fault_leaves_a_folder_of_the_person_as_it_was(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(RuntimeError), Outbox(tmp_path, NAMES, replace=False) as outbox:
        (outbox.draft / "record.json").write_text("half")
        raise RuntimeError
    assert _files(tmp_path) == ["mine.txt"]


def test_results_are_not_overwritten_unless_told(tmp_path: Path) -> None:
    (tmp_path / "record.json").write_text("old")
    with pytest.raises(UsageError) as caught:
        Outbox(tmp_path, NAMES, replace=False)
    assert caught.value.code == "out-has-results"
    assert "record.json" in str(caught.value)
    with Outbox(tmp_path, NAMES, replace=True) as outbox:
        (outbox.draft / "record.json").write_text("new")
        outbox.deliver()
    assert (tmp_path / "record.json").read_text() == "new"
    assert _files(tmp_path) == ["record.json"]


@pytest.mark.parametrize("inside", [".", "below/it"])
def test_a_file_in_the_way_is_named(tmp_path: Path, inside: str) -> None:
    (tmp_path / "taken").write_text("mine")
    with pytest.raises(UsageError) as caught, Outbox(tmp_path / "taken" / inside, NAMES, replace=False):
        pass
    assert caught.value.code == "out-not-writable"
    assert _files(tmp_path) == ["taken"]


def test_sums_are_those_of_the_files(tmp_path: Path) -> None:
    (tmp_path / "b").write_bytes(b"two")
    (tmp_path / "a").write_bytes(b"one")
    assert list(sha256_of(tmp_path).items()) == [
        ("a", hashlib.sha256(b"one").hexdigest()),
        ("b", hashlib.sha256(b"two").hexdigest()),
    ]
