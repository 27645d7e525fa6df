"""Plans that fail with no help, finished on the desk's page: ``python -m tests.bench.desk_plans poor-01-017 ...``.

Each plan is served, worked out, and corrected in a real browser as a person would who knows which line is meant: what
the page offers is taken when it is right, else places are clicked. Everything said and every new working out is an
action; a plan is finished when the outline is right (as in ``tests.bench.levels``) within five.
"""

from __future__ import annotations

import argparse
import json
import shutil
import tempfile
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from selenium import webdriver
from selenium.webdriver import ActionChains
from selenium.webdriver.common.by import By

from calibration.frames import FloatArray
from tests.bench.help_lines import help_line
from tests.bench.level_run import cached_level
from tests.bench.one import Row, _failed, _row, read_body
from tests.faces.desk_browser import browser, until
from tests.faces.desk_server import Served, desk
from tests.maker.level_plan import LevelPlan
from tests.maker.level_spec import level_specs

TEN = (
    "crowded-01-034", "poor-01-017", "poor-01-022", "poor-01-025", "poor-01-032", "poor-01-034", "ordinary-04-005",
    "poor-04-009", "crowded-01-011", "crowded-04-000",
)  # fmt: skip
MOST_ACTIONS = 5
ON_THE_LINE_MM = 0.5  # an offered place this near to the drawn line is on it
NEAR_ENOUGH = 6.0  # screen pixels to one of the plan's where a place is clicked
RUN_S = 600.0
SAYS = {"through": "The line runs through here", "near": "This is inside the body", "neck": "The neck end is here"}
KEYS = {words: key for key, words in SAYS.items()}


@dataclass
class Finish:
    """One plan on the page."""

    plan: LevelPlan
    served: Served
    page: webdriver.Chrome
    out: Path
    actions: list[str] = field(default_factory=list)

    def worked_out(self) -> Row:
        """Wait for the run that goes on and return what it came to."""
        until(lambda: self.served.told("/api/state")["run"]["state"] != "running", RUN_S)
        until(lambda: self.page.execute_script("return desk.state.run.state") != "running")
        state = self.served.told("/api/state")
        assert state["run"]["state"] == "done", state["run"]
        result = self.served.told("/api/result")
        record, seconds = result["record"], state["run"]["seconds"]
        if record["verdict"] == "refused":
            return _failed(self.plan.spec, "refused", tuple(one["code"] for one in record["reasons"]), seconds)
        return _row(self.plan, record, _body_to_px(result["shown"]["centerline"], record), self.out, seconds)

    def say(self, row: Row) -> bool:
        """Say what a person would after looking; False when nothing is left to say."""
        room = MOST_ACTIONS - len(self.actions) - 1
        if room < 1:
            return False
        if self.take_offer():
            return True
        answer = None if row.compared is None else read_body(self.out / "outline.dxf")
        line = tomllib.loads(help_line(self.plan, row, answer))
        [(key, value)] = line.items()
        if key == "rule":
            self.page.execute_script("document.querySelector('[data-topic=size]').click()")
            for rule in value[:room]:
                self.put("A rule lies here", rule["near"], {"mm": "Millimetres", "in": "Inches"}[rule["unit"]])
            return True
        self.page.execute_script("document.querySelector('[data-topic=body]').click()")
        for place in (value if key == "through" else [value])[:room]:
            self.put(SAYS[key], place)
        return True

    def take_offer(self) -> bool:
        """Take the first offer that is right."""
        result = self.served.told("/api/result")
        for offers in result["offers"]:
            for offer in offers:
                if self.is_right(offer):
                    words = f"{offer['words']} ({', '.join(str(round(x)) for x in offer['at'])})"
                    topic = next(
                        result["topics"][reason["code"]]
                        for reason, some in zip(result["record"]["reasons"], result["offers"], strict=True)
                        if offer in some
                    )
                    self.page.execute_script(f"document.querySelector('[data-topic={topic}]').click()")
                    if self.press(words):
                        self.actions.append(words)
                        return True
        return False

    def is_right(self, offer: dict[str, Any]) -> bool:
        """Whether what is offered is what the plan's truth says."""
        at = self.to_mm(np.array([offer["at"]]))
        key = offer["changes"][0]["at"][1:2]
        line = shapely.LinearRing(self.plan.outline_mm)
        if key == ["through"]:
            return bool(shapely.distance(shapely.points(at), line)[0] < ON_THE_LINE_MM)
        return key == ["near"] and bool(shapely.contains(shapely.Polygon(line), shapely.points(at))[0])

    def to_mm(self, px: FloatArray) -> FloatArray:
        """Return places of the picture in the plan's own frame."""
        matrix = self.plan.plan_to_px
        return np.asarray(np.linalg.solve(matrix[:, :2], (px - matrix[:, 2]).T).T)

    def put(self, words: str, place: list[float], then: str = "") -> None:
        """Press a button, click on the plan, and answer what is asked then."""
        before = self.served.told("/api/state")["plan"]["version"]
        assert self.press(words)
        self.page.execute_script("desk.view.goTo([arguments[0]], 4)", place)
        x, y = self.page.execute_script("return desk.view.camera.toScreen(arguments[0])", place)
        view = self.page.find_element(By.ID, "view")
        middle = view.size["width"] / 2.0, view.size["height"] / 2.0
        chain = ActionChains(self.page, duration=20)
        chain.move_to_element_with_offset(view, round(x - middle[0]), round(y - middle[1])).click().perform()
        if then:
            until(lambda: self.press(then))
        until(lambda: self.served.told("/api/state")["plan"]["version"] != before)
        until(lambda: self.page.execute_script("return desk.state.plan.version") != before)
        content = self.served.told("/api/state")["plan"]["content"]
        body = content.get("body", {})
        written = content["rule"][-1]["near"] if then else body.get(KEYS[words])
        self.actions.append(f"{words}: {written} {then}".strip())

    def press(self, words: str) -> bool:
        """Press the button that says so."""
        script = (
            "const one = [...document.querySelectorAll('button')].find((b) => b.textContent === arguments[0]);"
            "if (!one || one.disabled || one.hidden) return false; one.click(); return true"
        )
        return bool(self.page.execute_script(script, words))

    def again(self) -> Row:
        """Have it worked out again."""
        assert self.press("Work it out again")
        self.actions.append("Work it out again")
        until(lambda: self.page.execute_script("return desk.state.run.state") == "running")
        return self.worked_out()


def _body_to_px(centerline: list[list[float]], record: dict[str, Any]) -> FloatArray:
    """Return the (2, 3) affine of the body's frame, from where its ends lie in the picture."""
    tail, neck = np.array(centerline)
    along = (neck - tail) / record["body"]["length_mm"]
    return np.column_stack([[-along[1], along[0]], along, tail])


def finish(name: str, folder: Path) -> tuple[Row, Row, list[str]]:
    """Serve one plan and finish it; return how it was at first and at last, and what was said."""
    level, seed, number = name.split("-")
    plan = cached_level(level_specs(level, int(seed), int(number) + 1)[int(number)])  # type: ignore[arg-type]
    here = folder / name
    here.mkdir()
    given = here / plan.path.name
    shutil.copy(plan.path, given)
    if plan.spans:  # what the person knows of the sheet from the start
        given = here / f"{name}.toml"
        given.write_text(plan.plan_file(), encoding="utf-8")
    with desk(given, "--out", str(here / "out")) as served, browser() as page:
        page.get(served.address)
        until(lambda: page.execute_script("return window.desk?.view?.complete"))
        until(lambda: served.told("/api/state")["run"]["state"] != "none")
        one = Finish(plan, served, page, here / "out")
        first = last = one.worked_out()
        while not last.right and one.say(last):
            last = one.again()
        return first, last, one.actions


def _told(row: Row) -> str:
    worst = "" if row.compared is None else f" {row.compared.max_mm:.3f} mm"
    return f"{row.verdict}{worst} [{' '.join(row.reasons)}]"


def main() -> None:
    """Finish the plans and print how."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", default=TEN)
    done = []
    with tempfile.TemporaryDirectory() as folder:
        for name in parser.parse_args().names:
            first, last, actions = finish(name, Path(folder))
            done.append(last.right)
            print(f"{'ok  ' if last.right else 'FAIL'} {name}: {_told(first)} -> {_told(last)}; {len(actions)} actions "
                  f"{json.dumps(actions)}", flush=True)  # fmt: skip
    print(f"{sum(done)} of {len(done)} finished in at most {MOST_ACTIONS} actions each")


if __name__ == "__main__":
    main()
