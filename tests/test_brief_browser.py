"""The committee's page in a real browser: nothing asked of a network, everything reached by keyboard.

Needs playwright and Chromium, Chrome or Edge; the check of accessibility also `axe.min.js` of the npm package
axe-core, named in RISKMODEL_AXE. With RISKMODEL_NEED_BROWSER=1 (as in .ci/run) what is missing is a failure.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn

import pytest
from pages import BOTH, NAMED, SAWING, SCRIPT
from runs import write_study

from riskmodel import pipeline
from riskmodel.brief import page as page_module
from riskmodel.brief.life import QUANTITIES
from riskmodel.printing import find_browser, print_page
from riskmodel.rounding import known
from riskmodel.store import load_table
from riskmodel.study import read_study

pytestmark = pytest.mark.browser

NAMES = {"": "current_practice", SAWING: SAWING, "internal_curing": "internal_curing",
         "prompt_sawing+internal_curing": BOTH}  # fmt: skip
WIDE, NARROW = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
WORST = ("serious", "critical")


def missing(what: str) -> NoReturn:
    reason = f"{what} is not installed; see `.ci/run` for what installs it"
    if os.environ.get("RISKMODEL_NEED_BROWSER") == "1":
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing("playwright")
    command = find_browser()
    if command is None:
        missing("a browser (Chromium, Chrome or Edge)")
    if not page_module.can_draw():
        missing("the extra `page` (vl-convert-python)")
    with sync_playwright() as driver:
        sandboxed = not hasattr(os, "geteuid") or os.geteuid() != 0
        started = driver.chromium.launch(executable_path=str(command), chromium_sandbox=sandboxed)
        yield started
        started.close()


@pytest.fixture(scope="module")
def axe() -> str:
    file = os.environ.get("RISKMODEL_AXE", "")
    if not Path(file).is_file():
        missing("axe-core (RISKMODEL_AXE)")
    return Path(file).read_text(encoding="utf-8")


class Tab:
    """A page of the browser, and everything it complained of or asked for."""

    def __init__(self, browser: Any, file: Path, *, hash: str = "", **context: Any):
        self.context = browser.new_context(**{"viewport": WIDE, **context})
        self.page = self.context.new_page()
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.address = file.resolve().as_uri()
        self.page.on("console", lambda message: self.complaints.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("dialog", lambda dialog: (self.complaints.append(f"dialog: {dialog.message}"), dialog.dismiss()))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(self.address + hash)
        self.page.wait_for_function(
            "document.getElementById('live') === null || document.getElementById('still').hidden"
        )

    def texts(self, selector: str) -> list[str]:
        return [text.strip() for text in self.page.locator(selector).all_text_contents()]

    def require(self, key: str) -> None:
        for box in self.page.locator("input[name=with]").all():
            box.set_checked(box.get_attribute("value") in key.split("+"))

    def ask(self, age: int) -> None:
        self.page.locator("#age").fill(str(age))

    @property
    def curve(self) -> str:
        """Every path of the chart and where it stands."""
        script = "[...document.querySelectorAll('#live path')].map((p) => p.outerHTML)"
        return str(self.page.evaluate(script))


@pytest.fixture
def tab(browser: Any, done_once: Path) -> Iterator[Tab]:
    opened = Tab(browser, done_once / "results/brief.html")
    yield opened
    opened.context.close()


def test_it_loads_without_a_complaint_or_a_request(tab: Tab) -> None:
    tab.require("prompt_sawing+internal_curing")
    tab.ask(45)
    assert tab.complaints == []
    assert [url for url in tab.requests if not url.startswith("data:")] == [tab.address]
    assert tab.page.locator("#live svg").count() == 1
    assert tab.page.locator("#still").is_hidden()


def test_switches_and_slider_show_the_numbers_of_the_tables(tab: Tab, done_once: Path) -> None:
    table = load_table(done_once / "results/tables/portfolios.csv").set_index(["portfolio", "quantity"])

    def stated(name: str, quantity: str, factor: float) -> str:
        row = table.loc[(name, quantity)]
        return known(*(factor * row[end] for end in ("mean", "lower", "upper")))

    for key, name in NAMES.items():
        tab.require(key)
        for quantity in QUANTITIES:
            factor = 100.0 if quantity == "early_failure_probability" else 1.0
            assert tab.texts(f"[data-cell={quantity}]") == [stated(name, quantity, factor)]
        for age in (25, 45):
            tab.ask(age)
            assert tab.texts("[data-said=age]") == [str(age)]
            assert tab.texts("[data-said=alive]") == [stated(name, f"survival_{age}", 100.0)]
            assert tab.texts("[data-said=now]") == [stated("current_practice", f"survival_{age}", 100.0)]
        assert tab.page.locator(".said [data-only=chosen]").is_visible() == bool(key)


def test_the_chart_follows_the_switches_and_the_slider(tab: Tab) -> None:
    seen = set()
    for key in NAMES:
        tab.require(key)
        tab.page.wait_for_timeout(100)
        seen.add(tab.curve)
    assert len(seen) == len(NAMES)
    tab.ask(10)
    tab.page.wait_for_timeout(100)
    assert tab.curve not in seen


def test_the_address_keeps_and_restores_what_was_asked(tab: Tab, browser: Any, done_once: Path) -> None:
    tab.require(SAWING)
    tab.ask(33)
    address = tab.page.evaluate("location.hash")
    assert address == "#life:with=prompt_sawing;age=33"
    assert tab.page.locator("#here").get_attribute("href") == address
    again = Tab(browser, done_once / "results/brief.html", hash="#life:with=prompt_sawing%2Binternal_curing;age=7")
    assert again.texts("[data-said=age]") == ["7"]
    assert again.page.locator("input[name=with]:checked").count() == 2
    again.page.evaluate(f"location.hash = '{address}'")
    again.page.wait_for_function("document.getElementById('age').value === '33'")
    assert again.page.locator("input[name=with]:checked").count() == 1
    assert again.complaints == []
    again.context.close()


@pytest.mark.parametrize(
    "hash", ["#life:with=no_such;age=7", "#life:with=%E0%A4%A;age=7", "#life:age=1e9", "#life:", "#causes"]
)
def test_an_address_that_says_nothing_known_leaves_the_page_as_it_is(browser: Any, done_once: Path, hash: str) -> None:
    plain, odd = (Tab(browser, done_once / "results/brief.html", hash=part) for part in ("", hash))
    assert odd.texts("[data-said]") == plain.texts("[data-said]")
    assert odd.complaints == []
    for one in (plain, odd):
        one.context.close()


def test_the_keyboard_reaches_everything(tab: Tab) -> None:
    wanted = tab.page.evaluate(
        """() => [...document.querySelectorAll('a[href], button, input, select, summary, [tabindex="0"]')]
        .filter((e) => e.checkVisibility()).map((e, i) => { e.dataset.stop = i; return i; }).length"""
    )
    reached = set()
    for _ in range(wanted + 5):
        tab.page.keyboard.press("Tab")
        reached.add(tab.page.evaluate("document.activeElement.dataset.stop"))
    assert {str(i) for i in range(wanted)} <= reached
    tab.page.locator("input[value=prompt_sawing]").focus()
    before = tab.page.locator("input[value=prompt_sawing]").is_checked()
    tab.page.keyboard.press("Space")
    assert tab.page.locator("input[value=prompt_sawing]").is_checked() != before
    tab.page.locator("#age").focus()
    age = int(tab.page.locator("#age").input_value())
    tab.page.keyboard.press("ArrowRight")
    assert tab.texts("[data-said=age]") == [str(age + 1)]


def test_a_head_sorts_its_column_and_says_so(tab: Tab) -> None:
    head = tab.page.locator("#ranking-table thead th").nth(1)
    head.locator("button").focus()
    for key, direction in (("Enter", "descending"), ("Space", "ascending")):
        tab.page.keyboard.press(key)
        assert head.get_attribute("aria-sort") == direction
        values = tab.page.evaluate(
            "[...document.querySelectorAll('#ranking-table tbody tr')].map((r) => +r.children[1].dataset.by)"
        )
        assert values == sorted(values, reverse=direction == "descending")
    names = tab.page.locator("#ranking-table thead th").first
    names.locator("button").click()
    texts = [text.casefold() for text in tab.texts("#ranking-table tbody th")]
    assert texts == sorted(texts)
    assert tab.page.locator("#ranking-table th[aria-sort]").count() == 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
def test_no_serious_fault_of_accessibility(
    browser: Any, done_once: Path, axe: str, scheme: str, size: dict[str, int]
) -> None:
    tab = Tab(browser, done_once / "results/brief.html", viewport=size, color_scheme=scheme, reduced_motion="reduce")
    tab.page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
    tab.page.evaluate(axe)
    found = tab.page.evaluate("axe.run()")
    serious = {
        one["id"]: [node["html"][:200] for node in one["nodes"][:3]]
        for one in found["violations"]
        if one["impact"] in WORST
    }
    assert serious == {}
    assert len(found["passes"]) > 20
    tab.context.close()


def test_a_phone_needs_no_sideways_scrolling(browser: Any, done_once: Path, tmp_path: Path) -> None:
    for size in (WIDE, NARROW):
        tab = Tab(browser, done_once / "results/brief.html", viewport=size)
        assert tab.page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        tab.page.screenshot(path=tmp_path / f"{size['width']}.png", full_page=True)
        assert (tmp_path / f"{size['width']}.png").stat().st_size > 50_000
        tab.context.close()


def test_hostile_names_do_nothing(browser: Any, tmp_path: Path) -> None:
    folder = write_study(tmp_path / "north", NAMED, title=SCRIPT)
    pipeline.run_study(read_study(folder))
    tab = Tab(browser, folder / "results/brief.html")
    assert tab.complaints == []
    tab.page.locator("select[name=portfolio]").select_option("")
    tab.page.locator("select[name=portfolio]").select_option(SCRIPT)
    assert tab.texts(".said [data-said=words]") == [SCRIPT]
    hash = tab.page.evaluate("location.hash")
    again = Tab(browser, folder / "results/brief.html", hash=hash)
    assert again.texts(".said [data-said=words]") == [SCRIPT]
    assert tab.complaints + again.complaints == []
    for one in (tab, again):
        one.context.close()


def test_it_prints_to_pdf(browser: Any, done_once: Path) -> None:
    content = print_page(done_once / "results/brief.html")
    assert content.startswith(b"%PDF-")
    assert content.count(b"/Type /Page\n") + content.count(b"/Type /Page ") >= 4
