"""The desk's page in a real browser: what a person does with mouse and keys, and what the plan file then says."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver import ActionChains, Keys
from selenium.webdriver.common.by import By

from tests.faces.desk_browser import browser as a_browser
from tests.faces.desk_browser import needs_browser, until
from tests.faces.desk_server import Served, desk, sheet

pytestmark = needs_browser

WORDS = "#words details input"


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sheet(tmp_path_factory.mktemp("page")).with_suffix(".toml")


@pytest.fixture(scope="module")
def served(plan: Path) -> Iterator[Served]:
    with desk(plan.with_suffix(".png")) as one:
        yield one


@pytest.fixture(scope="module")
def browser(served: Served) -> Iterator[webdriver.Chrome]:
    with a_browser() as one:
        one.get(served.address)
        until(lambda: one.execute_script("return window.desk?.view?.complete"))
        yield one


def settle(browser: webdriver.Chrome, plan: Path) -> None:
    """Begin each step with a page that shows what the file says: it hears of a change after the file has it."""

    def holds() -> bool:
        shown = browser.execute_script("return desk.state.plan")
        return shown["content"] == tomllib.loads(plan.read_text()) if plan.exists() else not shown["there"]

    until(holds)


def said(plan: Path) -> dict[str, Any]:
    return tomllib.loads(plan.read_text()).get("body", {}) if plan.exists() else {}


def press(browser: webdriver.Chrome, text: str) -> None:
    """Press the button that says so, once it can be pressed; the page may write its words anew meanwhile."""
    script = (
        "const one = [...document.querySelectorAll('button')].find((each) => each.textContent === arguments[0]);"
        "if (!one || one.disabled || one.hidden) return false; one.click(); return true"
    )
    until(lambda: browser.execute_script(script, text))


def go(browser: webdriver.Chrome, topic: str) -> None:
    browser.execute_script("document.querySelector(`[data-topic=${arguments[0]}]`).click()", topic)


def clicked(browser: webdriver.Chrome) -> list[list[float]]:
    """Return the plan's places under the clicks since ``count_clicks``, worked out from where the browser saw them."""
    return [list(place) for place in browser.execute_script("return window.clicks")]


def count_clicks(browser: webdriver.Chrome) -> None:
    browser.execute_script(
        "window.clicks = []; window.counting?.abort(); window.counting = new AbortController();"
        "const box = desk.view.box, until = {signal: window.counting.signal, capture: true};"
        "box.addEventListener('pointerup', (e) => { const r = box.getBoundingClientRect(), c = desk.view.camera;"
        "window.clicks.push([(e.clientX - r.left - box.clientWidth / 2) / c.scale + c.x,"
        " (e.clientY - r.top - box.clientHeight / 2) / c.scale + c.y]); }, until)"
    )


def click_at(browser: webdriver.Chrome, dx: int, dy: int) -> None:
    view = browser.find_element(By.ID, "view")
    ActionChains(browser, duration=20).move_to_element_with_offset(view, dx, dy).click().perform()


def opened(browser: webdriver.Chrome) -> None:
    browser.execute_script("document.querySelector('#words details').open = true")


def typed(browser: webdriver.Chrome, field: str, words: str) -> None:
    """Type into a field by going to it first: an answer may draw it anew meanwhile, and the page then keeps the focus.

    The driver's own typing into an element looks at it in several steps and fails where it is drawn anew between them.
    """
    browser.execute_script("document.querySelector(arguments[0]).focus()", field)
    ActionChains(browser).send_keys(words).perform()


def near(place: list[float], wanted: list[float], within: float = 0.051) -> bool:
    """Say whether a place is the wanted one, to the tenth of a pixel that is written."""
    return len(place) == 2 and all(abs(a - b) <= within for a, b in zip(place, wanted, strict=True))


def a_run_that_cannot_go_on_says_why_and_what_to_do(browser: webdriver.Chrome, served: Served) -> None:
    ended = until(lambda: (run := served.told("/api/state")["run"])["state"] not in ("none", "running") and run)
    assert ended["state"] == "done", ended
    until(lambda: "No outline yet" in browser.find_element(By.ID, "verdict").text)
    go(browser, "size")
    doubt = browser.find_element(By.CSS_SELECTOR, ".doubt.refused").text
    assert doubt.startswith("In the way: ")
    assert "rule" in doubt
    assert browser.execute_script("return desk.result.record.verdict") == "refused"


def a_click_is_written_to_the_tenth_of_a_pixel(browser: webdriver.Chrome, plan: Path) -> None:
    go(browser, "body")
    press(browser, "This is inside the body")
    count_clicks(browser)
    click_at(browser, 40, -30)
    until(lambda: "near" in said(plan))
    assert near(said(plan)["near"], clicked(browser)[0])


def dragging_moves_the_stored_place_by_just_that(browser: webdriver.Chrome, plan: Path) -> None:
    before, scale = said(plan)["near"], browser.execute_script("return desk.view.camera.scale")
    handle = until(lambda: browser.find_elements(By.CSS_SELECTOR, "[data-handle=near] .ring"))[0]
    ActionChains(browser, duration=20).click_and_hold(handle).move_by_offset(55, 21).release().perform()
    until(lambda: said(plan)["near"] != before)
    assert near(said(plan)["near"], [before[0] + 55 / scale, before[1] + 21 / scale])


def keys_move_a_place_and_take_it_away(browser: webdriver.Chrome, plan: Path) -> None:
    before, scale = said(plan)["near"], browser.execute_script("return desk.view.camera.scale")
    until(lambda: browser.execute_script("return desk.state.plan.content.body.near") == before)
    browser.execute_script("document.querySelector('[data-handle=near]').focus()")
    ActionChains(browser).send_keys(Keys.ARROW_LEFT).key_down(Keys.SHIFT).send_keys(Keys.ARROW_DOWN).key_up(
        Keys.SHIFT
    ).perform()
    until(lambda: said(plan)["near"] != before)
    assert near(said(plan)["near"], [before[0] - 1 / scale, before[1] + 10 / scale])
    ActionChains(browser).send_keys(Keys.DELETE).perform()
    until(lambda: "near" not in said(plan))


def all_of_it_can_be_taken_back_and_done_again(browser: webdriver.Chrome, plan: Path) -> None:
    last = plan.read_bytes()
    texts = []
    for _ in range(4):
        texts.append(plan.read_bytes() if plan.exists() else None)
        press(browser, "Take back")
        until(lambda: (plan.read_bytes() if plan.exists() else None) != texts[-1])
    assert not plan.exists()
    for text in reversed(texts):
        press(browser, "Do again")
        until(lambda wanted=text: plan.exists() and plan.read_bytes() == wanted)
    assert plan.read_bytes() == last


def by_keys_alone_a_place_is_put_at_the_cross(browser: webdriver.Chrome, plan: Path) -> None:
    press(browser, "The line runs through here")
    ActionChains(browser).send_keys("+", Keys.ARROW_RIGHT, Keys.ARROW_UP).perform()
    wanted = browser.execute_script("return [desk.view.camera.x, desk.view.camera.y]")
    ActionChains(browser).send_keys(Keys.ENTER).perform()
    until(lambda: said(plan).get("through"))
    assert near(said(plan)["through"][0], wanted)
    ActionChains(browser).send_keys("0").perform()


def a_span_takes_two_clicks_and_a_typed_distance(browser: webdriver.Chrome, plan: Path) -> None:
    go(browser, "size")
    press(browser, "Two marks of known distance")
    count_clicks(browser)
    click_at(browser, -100, 0)
    click_at(browser, 90, 40)
    until(lambda: browser.find_elements(By.ID, "length"))[0].send_keys("19 7/8 in", Keys.ENTER)
    span = until(lambda: tomllib.loads(plan.read_text()).get("span"))[0]
    assert span["length"] == "19 7/8 in"
    assert near(span["from"], clicked(browser)[0])
    assert near(span["to"], clicked(browser)[1])


def a_rule_takes_a_click_and_its_unit(browser: webdriver.Chrome, plan: Path) -> None:
    press(browser, "A rule lies here")
    count_clicks(browser)
    click_at(browser, 30, 60)
    press(browser, "Inches")
    (rule,) = until(lambda: tomllib.loads(plan.read_text()).get("rule"))
    assert rule["unit"] == "in"
    assert near(rule["near"], clicked(browser)[0])
    press(browser, "Take back")
    until(lambda: "rule" not in tomllib.loads(plan.read_text()))


def a_region_is_closed_with_its_corners(browser: webdriver.Chrome, plan: Path) -> None:
    go(browser, "body")
    press(browser, "Nothing of it lies in here")
    for place in ((-80, -80), (-20, -80), (-50, -30)):
        click_at(browser, *place)
    press(browser, "Close the region")
    assert len(until(lambda: said(plan).get("ignore"))[0]) == 3


def what_a_doubt_offers_is_said_with_one_click_on_the_plan(browser: webdriver.Chrome, plan: Path) -> None:
    browser.execute_script(
        "desk.kept = desk.result; const at = [650.5, 460]; desk.result = {...desk.result,"
        "record: {...desk.result.record, reasons: [{code: 'other-body', text: 'Another.', remedy: 'Point.'}]},"
        "weights: {'other-body': 'look'}, topics: {'other-body': 'body'}, offers: [[{words: 'Take the other drawing',"
        "at, changes: [{do: 'set', at: ['body', 'near'], value: at}]}]]}"
    )
    go(browser, "body")
    until(lambda: browser.find_elements(By.CSS_SELECTOR, "[data-handle='offer 0 0'] .ring"))[0].click()
    until(lambda: said(plan).get("near") == [650.5, 460])
    until(lambda: "You said: take the other drawing." in browser.find_element(By.ID, "lead").text)
    assert not browser.find_elements(By.CSS_SELECTOR, "[data-handle^=offer]")
    press(browser, "Take back")
    until(lambda: "near" not in said(plan))
    browser.execute_script("desk.result = desk.kept")


def what_makes_no_sense_is_told_and_not_written(browser: webdriver.Chrome, plan: Path) -> None:
    before = plan.read_bytes()
    go(browser, "size")
    opened(browser)
    typed(browser, WORDS, "rather long" + Keys.ENTER)
    until(lambda: "'rather long' is not a length" in browser.find_element(By.ID, "told").text)
    assert plan.read_bytes() == before


def nothing_is_lost_by_loading_the_page_again_nor_kept_in_its_address(
    browser: webdriver.Chrome, served: Served, plan: Path
) -> None:
    before = plan.read_bytes()
    assert served.token not in browser.current_url
    browser.refresh()
    until(lambda: browser.execute_script("return window.desk?.view?.complete"))
    assert browser.execute_script("return desk.state.plan.content") == tomllib.loads(plan.read_text())
    assert plan.read_bytes() == before


# Keeps back the next answer to the page's question after the state, as a busy machine may.
HELD = """
const real = window.fetch;
window.held = null;
window.fetch = async (path, options) => {
  const answer = await real(path, options);
  if (window.held || path !== '/api/state') return answer;
  await new Promise((go) => { window.held = go; });
  return answer;
};
"""


def an_answer_that_comes_late_undoes_nothing(browser: webdriver.Chrome, served: Served, plan: Path) -> None:
    browser.execute_script(HELD)
    go(browser, "body")
    press(browser, "Work it out again")
    until(lambda: browser.execute_script("return Boolean(window.held)"))
    browser.execute_script("desk.result = null")  # what the run finds must be asked for anew
    until(lambda: served.told("/api/state")["run"]["state"] == "done")
    press(browser, "This is inside the body")
    click_at(browser, 20, 20)
    until(lambda: "near" in browser.execute_script("return desk.state.plan.content.body"))
    assert browser.execute_script("return desk.state.run.state") == "done"
    browser.execute_script("window.held()")
    until(lambda: browser.execute_script("return Boolean(desk.result)"))
    assert browser.execute_script("return desk.state.plan.content") == tomllib.loads(plan.read_text())
    press(browser, "Take back")
    until(lambda: "near" not in said(plan))


def what_is_being_typed_outlasts_the_end_of_a_run(browser: webdriver.Chrome) -> None:
    go(browser, "size")
    opened(browser)
    press(browser, "Work it out again")
    browser.execute_script("desk.result = null")
    typed(browser, WORDS, "19 7")
    until(lambda: browser.execute_script("return Boolean(desk.result)"))
    field = browser.find_element(By.CSS_SELECTOR, WORDS)
    assert field.get_attribute("value") == "19 7"
    assert field == browser.switch_to.active_element
    typed(browser, WORDS, Keys.BACKSPACE * 4)
    assert not field.get_attribute("value")


def it_fits_a_phone_and_has_landmarks(browser: webdriver.Chrome) -> None:
    size = {"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    for topic in ("size", "body", "halves", "copy", "out"):
        go(browser, topic)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= 390
        assert browser.execute_script("return document.activeElement.id") == "lead"
    for landmark in ("header", "nav", "main", "footer"):
        assert len(browser.find_elements(By.TAG_NAME, landmark)) == 1
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def the_browser_had_nothing_to_complain_of(browser: webdriver.Chrome) -> None:
    told = [one["message"] for one in browser.get_log("browser")]
    # the length that makes no sense was answered by 422, which a browser notes
    assert [text for text in told if "422" not in text] == []


def test_a_person_at_the_page(browser: webdriver.Chrome, served: Served, plan: Path) -> None:
    """Each step goes on from the one before, as a person does; tests of their own might run in two processes."""
    settle(browser, plan)
    a_run_that_cannot_go_on_says_why_and_what_to_do(browser, served)
    settle(browser, plan)
    a_click_is_written_to_the_tenth_of_a_pixel(browser, plan)
    settle(browser, plan)
    dragging_moves_the_stored_place_by_just_that(browser, plan)
    settle(browser, plan)
    keys_move_a_place_and_take_it_away(browser, plan)
    settle(browser, plan)
    all_of_it_can_be_taken_back_and_done_again(browser, plan)
    settle(browser, plan)
    by_keys_alone_a_place_is_put_at_the_cross(browser, plan)
    settle(browser, plan)
    a_span_takes_two_clicks_and_a_typed_distance(browser, plan)
    settle(browser, plan)
    a_rule_takes_a_click_and_its_unit(browser, plan)
    settle(browser, plan)
    a_region_is_closed_with_its_corners(browser, plan)
    settle(browser, plan)
    what_a_doubt_offers_is_said_with_one_click_on_the_plan(browser, plan)
    settle(browser, plan)
    what_makes_no_sense_is_told_and_not_written(browser, plan)
    settle(browser, plan)
    nothing_is_lost_by_loading_the_page_again_nor_kept_in_its_address(browser, served, plan)
    settle(browser, plan)
    an_answer_that_comes_late_undoes_nothing(browser, served, plan)
    settle(browser, plan)
    what_is_being_typed_outlasts_the_end_of_a_run(browser)
    settle(browser, plan)
    it_fits_a_phone_and_has_landmarks(browser)
    settle(browser, plan)
    the_browser_had_nothing_to_complain_of(browser)
