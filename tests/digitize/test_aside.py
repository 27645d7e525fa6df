"""What is done in a process beside this one is done, or its fault comes back."""

from __future__ import annotations

from pathlib import Path

import pytest

from calibration.errors import Refusal
from digitize import aside
from digitize.aside import Aside
from digitize.writers.check import fail

WRITE = "pathlib:Path.write_text"


def give_up(path: Path) -> None:
    """Raise a fault of our own, as a writer does."""
    raise fail(path, "it does not measure as drawn")


def end_at_once() -> None:
    """End the process without a word."""
    import os

    os._exit(7)


@pytest.fixture(params=[1, 2])
def on_cores(request, monkeypatch):
    monkeypatch.setattr(aside, "cores", lambda: request.param)
    return request.param


@pytest.mark.usefixtures("on_cores")
def test_all_is_done_in_order_by_the_end(tmp_path):
    with Aside("json") as beside:
        for number in range(20):
            beside.do(WRITE, tmp_path / "one", str(number))
        beside.do(WRITE, tmp_path / "other", "x" * 300_000)
    assert (tmp_path / "one").read_text() == "19"
    assert (tmp_path / "other").stat().st_size == 300_000


@pytest.mark.usefixtures("on_cores")
def test_the_first_fault_comes_back_with_its_words(tmp_path):
    with pytest.raises(Refusal, match="it does not measure as drawn") as found, Aside() as beside:
        beside.do(f"{__name__}:give_up", tmp_path / "a.svg")
        beside.do(WRITE, tmp_path / "after", "never")
        beside.wait()
    assert found.value.code == "file-check"
    assert found.value.remedy
    assert not (tmp_path / "after").exists()


def test_a_process_that_ends_without_a_word_is_a_fault(monkeypatch):
    monkeypatch.setattr(aside, "cores", lambda: 2)
    with pytest.raises(RuntimeError, match="code 7"), Aside() as beside:
        beside.do(f"{__name__}:end_at_once")


def test_a_fault_here_ends_the_process_at_once(monkeypatch):
    monkeypatch.setattr(aside, "cores", lambda: 2)
    with pytest.raises(KeyError), Aside() as beside:
        process = beside._process
        beside.do("time:sleep", 60.0)
        raise KeyError
    assert process is not None
    assert process.returncode is not None


def test_what_a_library_prints_is_no_answer(capfd, monkeypatch):
    monkeypatch.setattr(aside, "cores", lambda: 2)
    with Aside() as beside:
        beside.do("builtins:print", "a word in between")
    assert "a word in between" in capfd.readouterr().err
