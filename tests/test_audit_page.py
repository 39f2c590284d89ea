"""The auditor's page in a real browser: by keyboard alone, for everybody, with hostile texts, with many readings."""

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, ViewportSize, expect

from audit_bench import BLOCKED, HOSTILE, audited, drawn, faulty_job, long_job, moved, until
from page_bench import LARGE, SMALL, Served, chromium
from sealed_job import sealed_job
from traces import PROCEDURE

pytestmark = pytest.mark.timeout(400)
"""A browser on a loaded machine takes its time."""

TITLE = "title: Two points of an invented lift"

_READINGS = 50_000
_BAD = frozenset({40, 41, 120})

FOCUS = """() => {
    const here = document.activeElement, style = getComputedStyle(here);
    return [here === document.body || style.outlineStyle !== "none", here.id || here.textContent.trim().slice(0, 40)];
}"""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("audited")
    long_job(home, _READINGS, _BAD)
    faulty_job(home, "--operator", "crew 1")
    return home


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("hostile")
    sealed_job(home, "--lift", HOSTILE, procedure=PROCEDURE.replace(TITLE, f"title: '{HOSTILE}'"))
    return home


@pytest.fixture(scope="module")
def browser(home: Path, hostile: Path) -> Iterator[Browser]:
    """Started once the jobs are recorded: what drives it has an event loop in this thread, and so has a check."""
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def served(home: Path) -> Iterator[Served]:
    with Served(home, "serve", "--port", "0") as served:
        yield served


def tab_to(page: Page, selector: str, most: int = 60) -> None:
    """Press Tab until that has the focus, which must be seen on all the way."""
    for _ in range(most):
        page.keyboard.press("Tab")
        seen, where = page.evaluate(FOCUS)
        assert seen, f"the focus is not seen at {where}"
        if page.evaluate("selector => document.activeElement.matches(selector)", selector):
            return
    raise AssertionError(f"Tab does not come to {selector}")


def accessible(page: Page) -> None:
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()


def large_enough(page: Page) -> None:
    for target in page.locator("button, a, input, select, summary").all():
        box = target.bounding_box()
        if box is not None:
            assert min(box["width"], box["height"]) >= 48, (target.inner_text(), box)


def nothing_cut_off(page: Page, width: int) -> None:
    """No sideways scrolling down to 320 px (WCAG 2.2, 1.4.10)."""
    for each in (320, width):
        page.set_viewport_size({"width": each, "height": 740})
        assert page.evaluate("document.documentElement.scrollWidth") <= each


def test_by_keyboard_alone_from_the_list_to_a_what_if(browser: Browser, served: Served) -> None:
    troubles: list[str] = []
    page = audited(browser.new_context(viewport=LARGE), f"{served.url}audit", troubles)
    expect(page.locator("#found")).to_have_text("2 jobs, the newest first")
    tab_to(page, "#find")
    page.keyboard.type("crew 1")
    expect(page.locator("#found")).to_have_text("1 job, the newest first")
    expect(page.locator("#jobs .state")).to_have_text("■sealed, intact")
    tab_to(page, "#jobs a")
    page.keyboard.press("Enter")

    whole = drawn(page)
    tab_to(page, "#board")
    page.keyboard.press("f")
    expect(page.locator("#chosen-title")).to_have_text("B1:12: 0.0000 V")
    expect(page.locator("#chosen")).to_contain_text("Outside 23.5..29.0 V")
    expect(page.locator("tr[aria-current] button")).to_have_count(1)
    page.keyboard.press("z")
    near = moved(page, whole)
    assert near[1] - near[0] < (whole[1] - whole[0]) / 4
    page.keyboard.press("+")
    nearer = moved(page, near)
    assert nearer[1] - nearer[0] == pytest.approx((near[1] - near[0]) / 2)
    page.keyboard.press("ArrowRight")
    assert moved(page, nearer)[0] > nearer[0]
    page.keyboard.press("p")
    expect(page.locator("#chosen-title")).to_contain_text("B1:1")
    page.keyboard.press("0")
    until(page, lambda: drawn(page) == pytest.approx(whole))

    page.goto(f"{page.url}#what-if-title")
    tab_to(page, "#procedure")
    page.keyboard.type("door-locks")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#answer h3")).to_have_text("WHAT-IF, not a verdict; nothing was stored")
    expect(page.locator("#answer tbody tr").first).to_be_visible()
    page.goto(f"{page.url.partition('#')[0]}#proof-title")
    tab_to(page, "#again")
    page.keyboard.press("Enter")
    expect(page.locator("#judged")).to_contain_text("outcomes: identical.")
    assert [trouble for trouble in troubles if BLOCKED not in trouble] == []


@pytest.mark.parametrize(("size", "scheme"), [(SMALL, "light"), (SMALL, "dark"), (LARGE, "light"), (LARGE, "dark")])
def test_everybody_can_use_it(
    browser: Browser, served: Served, size: ViewportSize, scheme: Literal["light", "dark"]
) -> None:
    context = browser.new_context(viewport=size, color_scheme=scheme)
    page = audited(context, f"{served.url}audit", [])
    expect(page.locator("#jobs .state").last).to_have_text("■sealed, intact")
    accessible(page)
    large_enough(page)
    nothing_cut_off(page, size["width"])
    page.locator("#jobs a").first.click()
    drawn(page)
    page.click("[data-do=fail]")
    expect(page.locator("#chosen")).to_contain_text("Uncertainty")
    for summary in page.locator("summary").all():
        summary.click()
    page.click("#ask button")
    expect(page.locator("#answer h3")).to_be_visible()
    expect(page.locator("#proof")).to_contain_text("sealed, intact")
    accessible(page)
    large_enough(page)
    nothing_cut_off(page, size["width"])
    context.close()


def test_fifty_thousand_readings_are_looked_at_like_few(browser: Browser, served: Served) -> None:
    troubles: list[str] = []
    page = audited(browser.new_context(viewport=LARGE), f"{served.url}audit", troubles)
    page.locator("#jobs a").last.click()
    whole = drawn(page)
    assert whole[1] > _READINGS / 10 - 20
    drawn_points = page.evaluate("document.getElementById('chart').data.reduce((sum, each) => sum + each.x.length, 0)")
    assert drawn_points < 20_000
    lowest = "Math.min(...document.getElementById('chart').data.flatMap((each) => each.y.filter((y) => y > 15)))"
    assert page.evaluate(lowest) == 20.1  # a touch of 20 V is under a pixel wide, and seen all the same
    page.focus("#board")
    fails = []
    for _ in range(3):
        before = page.inner_text("#chosen-title")
        page.keyboard.press("f")
        expect(page.locator("#chosen-title")).not_to_have_text(before)
        fails.append(page.inner_text("#chosen-title"))
    assert fails == [f"X{step}:1: 20.10 V" for step in sorted(_BAD)]
    page.keyboard.press("f")
    expect(page.locator("#range")).to_have_text("There is no fail after this.")
    for key in "z++":
        before_it = drawn(page)
        page.keyboard.press(key)
        moved(page, before_it)
    expect(page.locator("#caption")).to_contain_text("events beside the readings")
    each_reading = "document.getElementById('chart').data.some((each) => each.mode === 'lines+markers')"
    until(page, lambda: page.evaluate(each_reading))
    assert [trouble for trouble in troubles if BLOCKED not in trouble] == []


def test_a_hand_moves_the_picture_too(browser: Browser, served: Served) -> None:
    page = audited(browser.new_context(viewport=LARGE), f"{served.url}audit", [])
    page.locator("#jobs a").first.click()
    before = drawn(page)
    box = page.locator("#chart .nsewdrag").last.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.wheel(0, -300)
    after = moved(page, before)
    assert after[1] - after[0] < before[1] - before[0]


def test_texts_from_outside_are_texts_and_nothing_else(browser: Browser, hostile: Path) -> None:
    troubles: list[str] = []
    with Served(hostile, "serve", "--port", "0") as served:
        page = audited(browser.new_context(viewport=LARGE), f"{served.url}audit", troubles)
        expect(page.locator("#jobs")).to_contain_text(HOSTILE)
        page.locator("#jobs a").click()
        drawn(page)
        expect(page.locator("#about")).to_contain_text(HOSTILE)
        assert page.locator("main img, main script").count() == 0
        assert "Steadypoint" in page.title()
    assert [trouble for trouble in troubles if BLOCKED not in trouble] == []
