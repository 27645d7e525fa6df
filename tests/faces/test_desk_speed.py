"""The page of a large scan is there as soon as that of a small one, and moves smoothly.

How many milliseconds that is depends on what else the machine does: ``python -m tests.bench.desk`` measures it at rest.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.bench.desk import big_scan, quickness
from tests.faces.desk_browser import browser, needs_browser, until
from tests.faces.desk_server import desk

SLOWER_MOST = 1.6  # the first view of a large scan against that of 1 megapixel, each the best of three
FRAME_MS = 34.0  # two frames of a screen at 60 Hz


@needs_browser
@pytest.mark.parametrize("most", [30.0, pytest.param(155.0, marks=pytest.mark.slow)])
def test_a_large_scan_is_seen_at_once_and_moves_smoothly(tmp_path: Path, most: float) -> None:
    found = {}
    for megapixels in (1.0, most):
        plan = tmp_path / f"scan-{megapixels:g}.png"
        big_scan(plan, megapixels)
        found[megapixels] = quickness(plan, loadings=3, passes=1)
    large, small = found[most], found[1.0]
    assert min(large.first_view_ms) < SLOWER_MOST * min(small.first_view_ms)
    assert np.median(large.frames_ms[0]) < FRAME_MS


LIVELY = """
const [count, done] = arguments;
const { view } = desk;
const { width, height } = desk.state.picture;
const at = (i) => [width * (0.1 + 0.8 * i / count), height / 2];
const move = () => {};
const place = (_, i) => ({ name: `p${i}`, at: at(i), look: "through", label: `${i}`, move });
view.overlay.show([], [...Array(count)].map(place));
view.camera.fit();
const canvas = view.canvas.getContext("2d");
const ring = () => {
  const [x, y] = view.camera.toScreen(at(count / 2));
  const around = canvas.getImageData(...[x - 12, y - 12, 24, 24].map((one) => one * view.ratio)).data;
  const node = view.overlay.handles[count / 2].node;
  const box = node.querySelector(".ring").getBoundingClientRect();
  const whole = view.box.getBoundingClientRect();
  const off = [box.x + box.width / 2 - whole.x - x, box.y + box.height / 2 - whole.y - y];
  let stamped = 0;
  for (let i = 0; i < around.length; i += 4) stamped += around[i] < 60 && around[i + 1] > 60 && around[i + 2] > 70;
  return { stamped, shown: getComputedStyle(node).visibility, off: Math.hypot(...off) };
};
view.camera.move(7, 3);
view.draw();
const moving = ring();
setTimeout(() => { try { done([moving, ring()]); } catch (fault) { done(String(fault)); } }, 600);"""


@needs_browser
def test_many_marks_are_stamped_while_the_view_moves_and_stand_where_they_belong_at_rest(tmp_path: Path) -> None:
    plan = tmp_path / "scan.png"
    big_scan(plan, 1.0)
    with desk(plan) as served, browser() as one:
        one.get(served.address)
        until(lambda: one.execute_script("return window.desk?.view?.complete"))
        # the page draws anew once it hears that its run has ended: these marks must not be swept away by that
        until(lambda: one.execute_script("return desk.state.run.state !== 'none'"))
        served.told("/api/cancel", {})
        until(lambda: one.execute_script("return !document.getElementById('again').hidden"))
        answer = one.execute_async_script(LIVELY, 100)
    assert isinstance(answer, list), answer
    moving, resting = answer
    assert moving["stamped"] > 60 and moving["shown"] == "hidden"
    assert resting["stamped"] == 0 and resting["shown"] == "visible" and resting["off"] < 0.1
