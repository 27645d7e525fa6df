"""Work begun before it is asked for."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from digitize.begun import begin, made
from digitize.shapes import Picture


def _picture() -> Picture:
    return Picture(np.full((9, 9), 255, dtype=np.uint8), "a.png", "0" * 64, None, "scan")


def test_begun_work_is_waited_for_and_given_once() -> None:
    picture, free = _picture(), threading.Event()
    do = begin(picture, "count", 1, lambda: free.wait() and "begun")
    thread = threading.Thread(target=do)
    thread.start()
    free.set()
    assert made(picture, "count", 1, lambda: "made") == "begun"
    assert made(picture, "count", 1, lambda: "made") == "made"
    thread.join()


def test_work_begun_of_something_else_is_made_anew() -> None:
    picture = _picture()
    begin(picture, "count", 1, lambda: "begun")()
    assert made(picture, "count", 2, lambda: "made") == "made"
    assert made(_picture(), "count", 1, lambda: "made") == "made"


def test_a_fault_of_begun_work_comes_to_whoever_asks() -> None:
    def fail() -> None:
        raise ValueError("so")

    picture = _picture()
    begin(picture, "count", 1, fail)()
    with pytest.raises(ValueError, match="so"):
        made(picture, "count", 1, lambda: None)
