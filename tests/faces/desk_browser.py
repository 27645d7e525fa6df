"""A real browser for tests of the desk's page."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest

pytest.importorskip("selenium", reason="selenium drives the browser")
from selenium import webdriver

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
needs_browser = pytest.mark.skipif(
    not (CHROMIUM and DRIVER), reason="chromium and its chromedriver are not installed"
)
WITHIN_S = 120.0  # a run takes seconds, and a busy machine many
WORDS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--window-size=1280,900")


@contextmanager
def browser() -> Iterator[webdriver.Chrome]:
    """Give a browser without a window of its own."""
    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for word in WORDS:
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    one = webdriver.Chrome(options=options, service=webdriver.ChromeService(str(DRIVER)))
    one.set_script_timeout(WITHIN_S)
    try:
        yield one
    finally:
        one.quit()


def until(holds: Callable[[], Any], within_s: float = WITHIN_S) -> Any:
    """Wait for something to hold, and return it."""
    end = time.monotonic() + within_s
    while not (found := holds()):
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.05)
    return found
