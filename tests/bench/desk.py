"""How quick the desk's page is: ``python -m tests.bench.desk --megapixels 155``.

up          from the command to the address that it prints
first view  from asking for the page to the plan drawn in full, in the page's own clock, the browser's cache empty
frames      time between frames while 500 places are drawn over the plan, it is moved and brought nearer, and one of
            them is dragged under the loupe
"""

from __future__ import annotations

import argparse
import math
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from selenium import webdriver

from tests.faces.desk_browser import browser, until
from tests.faces.desk_server import desk

POINTS = 500
WATCH = """
(function look() {
  if (window.desk?.view?.complete) window.seen = performance.now();
  else requestAnimationFrame(look);
})()"""
FRAMES = """
const [count, done] = arguments;
const { view } = desk;
const { width, height } = desk.state.picture;
const at = (i) => [width * (.5 + .32 * Math.cos(i / 80)), height * (.5 + .32 * Math.sin(i / 80))];
const move = () => {};
view.camera.fit();
const place = (_, i) => ({ name: `p${i}`, at: at(i), look: "through", label: `${i}`, move });
view.overlay.show([], [...Array(count)].map(place));
const drag = (step) => {
  const { handle = view.overlay.handles[0], start = handle.at } = window.held ?? {};
  window.held = { handle, start };
  handle.node.focus();
  handle.at = [start[0] + 9 * step, start[1] + 5 * step];
  view.look(handle.at, view.camera.toScreen(handle.at));
};
window.held = null;
const times = [];
let last = null;
let n = 0;
function frame(now) {
  if (last !== null) times.push(now - last);
  last = now;
  n += 1;
  if (n < 70) view.camera.move(n < 35 ? 9 : -9, 5);
  else if (n < 130) view.camera.zoom(1.03, [300, 300]);
  else if (n < 190) view.camera.move(-20, 11);
  else if (n < 200) view.camera.fit();
  else if (n < 260) drag(n - 200);
  else { view.look(null); done(times.slice(5)); return; }
  view.soon();
  requestAnimationFrame(frame);
}
requestAnimationFrame(frame);"""


@dataclass(frozen=True)
class Quickness:
    """What was measured, seconds and milliseconds."""

    up_s: float
    first_view_ms: tuple[float, ...]  # of each loading
    frames_ms: tuple[np.ndarray, ...]  # of each pass


def big_scan(path: Path, megapixels: float) -> None:
    """Write a scan 4 : 3 with a body, lines and the paper's own grain."""
    height = round(math.sqrt(megapixels * 1e6 * 3.0 / 4.0))
    width = round(height * 4.0 / 3.0)
    rng = np.random.default_rng(1)
    grain = (246.0 + rng.normal(0.0, 3.0, (512, 512))).clip(0, 255).astype(np.uint8)
    grey = np.tile(grain, (height // 512 + 1, width // 512 + 1))[:height, :width].copy()
    radii = width * 32 // 100, height * 32 // 100
    cv2.ellipse(grey, (width // 2, height // 2), radii, 3, 0, 360, 30, 14, cv2.LINE_AA)
    for start, end in rng.integers(0, [width, height], (200, 2, 2)).tolist():
        cv2.line(grey, start, end, 90, 6, cv2.LINE_AA)
    assert cv2.imwrite(str(path), grey, [cv2.IMWRITE_PNG_COMPRESSION, 3])


def quickness(plan: Path, loadings: int, passes: int) -> Quickness:
    """Serve a plan and measure its page; no run goes on meanwhile."""
    start = time.perf_counter()
    with desk(plan) as served, browser() as one:
        up_s = time.perf_counter() - start
        views = []
        one.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": WATCH})
        for _ in range(loadings):
            one.get("about:blank")
            one.execute_cdp_cmd("Network.clearBrowserCache", {})
            one.get(served.address)
            views.append(float(until(lambda: one.execute_script("return window.seen"))))
            served.told("/api/cancel", {})
        return Quickness(up_s, tuple(views), tuple(_frames(one) for _ in range(passes)))


def _frames(one: webdriver.Chrome) -> np.ndarray:
    return np.array(one.execute_async_script(FRAMES, POINTS), dtype=np.float64)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=float, default=155.0)
    parser.add_argument("--loadings", type=int, default=5)
    parser.add_argument("--passes", type=int, default=3)
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        plan = Path(folder) / "big.png"
        big_scan(plan, told.megapixels)
        found = quickness(plan, told.loadings, told.passes)
    print(f"up {found.up_s:.1f} s (with the browser's own start)")
    print("first view", " ".join(f"{one:.0f}" for one in found.first_view_ms), "ms")
    for frames in found.frames_ms:
        median, most = np.quantile(frames, [0.5, 0.95])
        print(f"frames {len(frames)}: median {median:.1f}, 95 % {most:.1f}, longest {frames.max():.1f} ms")


if __name__ == "__main__":
    main()
