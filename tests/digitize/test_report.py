"""The page: whole in itself, every input escaped, every section there or left out whole."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from calibration.flags import doubt
from digitize.report.context import ReportContext
from digitize.report.page import budget, render, write_report
from digitize.report.template import data
from tests.digitize import report_example

VOID = {"meta", "img", "link", "br", "hr", "input"}


class Outline(HTMLParser):
    """Tags with their attributes, and whether every one is closed in order."""

    def __init__(self):
        super().__init__()
        self.tags = []
        self.open = []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]}"
        self.open.pop()


def parsed(html):
    outline = Outline()
    outline.feed(html)
    assert outline.open == []
    return outline


@pytest.fixture(scope="module")
def example():
    return report_example.example()


@pytest.fixture(scope="module")
def page(example):
    return render(example.record, example.context)


def test_write_report_writes_the_page(example, page, tmp_path):
    write_report(example.record, example.context, tmp_path / "report.html")
    assert (tmp_path / "report.html").read_text(encoding="utf-8") == page


def test_page_needs_nothing_from_outside(page):
    for tag, attributes in parsed(page).tags:
        assert tag not in ("script", "link", "iframe", "object")
        for name in ("src", "href"):
            assert attributes.get(name, "#").startswith(("data:", "#"))
    style = page[page.index("<style>") : page.index("</style>")]
    assert "url(" not in style and "@import" not in style


def test_every_link_has_its_target_and_ids_are_single(page):
    tags = parsed(page).tags
    ids = [attributes["id"] for _, attributes in tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    links = [attributes["href"][1:] for tag, attributes in tags if tag == "a"]
    assert len(links) == 10 and set(links) <= set(ids)


def test_landmarks_headings_and_alternative_texts_are_there(page):
    tags = parsed(page).tags
    names = [tag for tag, _ in tags]
    assert all(names.count(landmark) == 1 for landmark in ("header", "nav", "main", "footer", "h1"))
    assert all(attributes.get("alt") for tag, attributes in tags if tag == "img")
    for tag, attributes in tags:
        if tag == "svg":
            assert attributes.get("aria-hidden") == "true" or attributes.get("aria-label")


def test_input_is_escaped(page):
    assert "<sheet 2>" not in page
    assert "plover &lt;sheet 2&gt; &amp; notes.png" in page


def test_texts_of_doubts_and_budget_are_escaped(example):
    bad = "<script>alert(1)</script>"
    record = {
        **example.record,
        "reasons": [{"code": "bridged", "text": bad, "remedy": bad}],
        "budget": [{"term": bad, "u_mm": 0.1, "how": bad}],
        "settings": {bad: {bad: [bad]}},
        "files": {bad: bad},
    }
    context = replace(example.context, kept=bad, picture=replace(example.context.picture, notes=(bad,)))
    assert "<script" not in render(record, context)


def test_numbers_stand_beside_their_uncertainty(page):
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))
    assert "402.04 mm ± 0.18 mm" in text
    assert "15 53/64 in ± 0.007 in" in text
    assert "301.62 mm ± 0.42 mm" in text  # both edges off by 0.21 mm in opposite directions
    assert "1.30 % large (± 0.12 %), which is 3.9 mm too much over the lower bout" in text
    assert "0.84 mm at most (± 0.22 mm), on the left side 118 mm from the tail" in text


def test_page_has_close_ups_strips_and_charts(page):
    tags = parsed(page).tags
    images = [attributes["alt"] for tag, attributes in tags if tag == "img"]
    assert len([one for one in images if one.startswith(("Tail end", "Neck end", "Widest", "Bridged", "Least"))]) == 4
    charts = [
        attributes["aria-label"] for tag, attributes in tags if tag == "svg" and attributes.get("class") == "chart"
    ]
    assert len([one for one in charts if one.startswith("Graduations")]) == 2
    assert any(one.startswith("Left against right") for one in charts)
    assert any(one.startswith("The body: 402.0\u00a0mm long") for one in charts)


def test_copy_factors_follow_the_body_when_it_lies_across_the_picture(example):
    lying = np.array([[0.0, 8.0, 300.0], [8.0, 0.0, 1500.0]])
    html = render(example.record, replace(example.context, body_to_px=lying)).replace("\u00a0", " ")
    assert "Along the body: 1.30 % large (± 0.12 %), which is 5.2 mm too much over the body&#39;s length" in html
    assert "Across the body: true to size" in html


def test_refused_page_says_why_and_promises_nothing(example):
    reason = doubt("no-rule")
    unknown = dict.fromkeys(("scale", "copy", "body", "outline", "symmetry", "budget"))
    entry = {"code": reason.code, "text": reason.text, "remedy": reason.remedy}
    record = {**example.record, **unknown, "verdict": "refused", "reasons": [entry], "files": {}}
    html = render(record, ReportContext(picture=example.context.picture))
    assert "<h1>Refused</h1>" in html
    assert "nothing fixes the scale" in html
    ids = {attributes.get("id") for _, attributes in parsed(html).tags}
    assert not ids & {"size", "scale", "copy", "halves", "budget", "files", "workshop"}
    assert "sheet" in ids


def leaves(value, path=()):
    if isinstance(value, dict):
        for key, one in value.items():
            yield from leaves(one, (*path, key))
            yield (*path, key)
    elif isinstance(value, list):
        for place, one in enumerate(value):
            yield from leaves(one, (*path, place))


def without(record, path):
    copy = json.loads(json.dumps(record))
    target = copy
    for key in path[:-1]:
        target = target[key]
    target[path[-1]] = None
    return copy


def test_bridged_length_is_told_in_mm(example):
    outline = {**example.record["outline"], "traced_fraction": 0.9998}
    html = render({**example.record, "outline": outline}, example.context).replace("\u00a0", " ")
    assert "but for 0.2 mm (0.02 %)" in html


def test_numbers_keep_their_units_on_the_line(page):
    assert "402.04\u00a0mm" in page
    assert not re.search(r"\d (mm|%)[ .,;)<]", page)


def test_any_single_missing_value_still_gives_a_whole_page(example):
    """None anywhere in the record: the page still parses and never prints the word."""
    context = replace(example.context, picture=None, residuals_mm=())
    for path in leaves(example.record):
        html = render(without(example.record, path), context)
        parsed(html)
        assert not re.search(r">[^<]*\b(None|nan)\b", html), path


def test_empty_record_gives_a_page():
    html = render({}, ReportContext())
    parsed(html)
    assert "<h1>Refused</h1>" in html


def test_half_drawing_has_no_gap_chart(example):
    symmetry = {**example.record["symmetry"], "rms_mm": None, "max_mm": None, "max_at": None, "u95_mm": None}
    audit = replace(example.context.audit, measured=False)
    html = render({**example.record, "symmetry": symmetry}, replace(example.context, audit=audit))
    assert "half a body" in html
    assert "has no ink beneath" in html
    assert "Left against right:" not in html


def test_on_narrow_pages_millimetres_are_added_only_where_the_column_has_no_unit_of_its_own(page):
    assert page.count('class="budget in-mm"') == 1
    assert '<table class="budget in-mm">\n<thead><tr><th scope="col">Cause</th><th scope="col">mm</th>' in page
    assert re.findall(r'(\S+) td:nth-child\(2\)::after \{ content: " mm"', data("report.css")) == [".budget.in-mm"]


def test_budget_shares_are_of_the_squares(example):
    rows = budget(example.record)
    assert [row.term for row in rows] == ["scale", "rule as printed", "line on the paper"]
    assert [row.percent for row in rows] == ["61 %", "24 %", "15 %"]


def test_context_refuses_arrays_that_do_not_fit(example):
    with pytest.raises(ValueError, match="traced needs"):
        replace(example.context, traced=np.ones(3, dtype=bool))
    with pytest.raises(ValueError, match="body_to_px"):
        replace(example.context, body_to_px=np.eye(3))


def luminance(colour):
    """Relative luminance of sRGB, WCAG 2.2."""
    channels = np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def palettes():
    blocks = re.findall(r":root \{([^}]*)\}", data("report.css"))
    first = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", blocks[0]))
    return [first, {**first, **dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", blocks[1]))}]


@pytest.mark.parametrize("palette", palettes(), ids=["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "sheet", "tint"])
@pytest.mark.parametrize("ink", ["ink", "soft", "blue", "rust", "green", "plum", "red"])
def test_text_and_lines_stand_out_from_their_ground(palette, ground, ink):
    """Contrast of 4.5:1 or more (WCAG 2.2, success criterion 1.4.3)."""
    light, dark = sorted((luminance(palette[ground]), luminance(palette[ink])), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5
