"""`steadypoint report` as a page, in a real browser: complete, readable at both sizes, usable by anybody, harmless."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from commands import steadypoint
from meterlink.note import Note
from meterlink.record.codec import to_entry
from meterlink.report.page import page
from page_bench import LARGE, SMALL, chromium
from pdf_pages import bare, read_pdf
from record_samples import at
from report_jobs import (
    Content,
    content_of,
    fitted,
    many_touches,
    over,
    procedure_of,
    reading_step,
    recorded,
    simulated,
    touched,
)

pytestmark = pytest.mark.timeout(400)
"""A browser on a loaded machine takes its time."""

SOLID = "W" * 2000
NOTES = ("שלום, הכיסוי חסר", "غطاء مفقود", "ok 👍 扉 👩‍👧", "x" * 3000)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def stopped(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A start-up check that an open final limit stopped."""
    home = tmp_path_factory.mktemp("stopped")
    return home, simulated(home, "open-final-limit", "--lift", "L-17", "--operator", "crew 1")


def written(home: Path, job: str, file: Path) -> Path:
    told = steadypoint(home, "report", job, "-o", str(file))
    assert (told.returncode, told.stderr) == (0, "")
    return file


def opened(browser: Browser, file: Path, scheme: str, *, wide: bool = False) -> Page:
    """Open a file as a browser without a network does; whatever the page complains of fails the test."""
    size = LARGE if wide else SMALL
    context = browser.new_context(viewport=size, color_scheme="dark" if scheme == "dark" else "light", offline=True)
    shown = context.new_page()
    complaints: list[str] = []
    shown.on("console", lambda message: complaints.append(message.text))
    shown.on("request", lambda request: complaints.append(request.url) if not request.url.startswith("file:") else None)
    shown.goto(file.as_uri())
    assert complaints == []
    return shown


def longest(home: Path) -> str:
    steps = [reading_step(number) for number in range(6)]
    steps[2] = reading_step(2, point=SOLID, source=SOLID, reference=SOLID)
    entries = [each for number in range(4) for each in touched(f"p{number}", "1.00", 1000 + 4000 * number, SOLID)]
    notes = [to_entry(Note(text, "crew 1", at(50_000))) for text in NOTES]
    text = procedure_of(steps, title=SOLID, cautions=[SOLID])
    entries += [fitted(SOLID, 60_000, SOLID), *notes, over(70_000, complete=False)]
    return recorded(home, text, entries, lift=SOLID, operator=SOLID)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("wide", [False, True], ids=["360", "1280"])
def test_anybody_can_read_it_and_nothing_is_cut_off(
    browser: Browser, stopped: tuple[Path, str], scheme: str, wide: bool, tmp_path: Path
) -> None:
    home = tmp_path / "home"
    files = [written(*stopped, tmp_path / "stopped.html"), written(home, longest(home), tmp_path / "longest.html")]
    for file in files:
        shown = opened(browser, file, scheme, wide=wide)
        found = Axe().run(shown)
        assert found.violations_count == 0, found.generate_report()
        assert shown.evaluate("document.documentElement.scrollWidth") <= (LARGE if wide else SMALL)["width"]
        cut = """() => [...document.querySelectorAll('h1, h2, dd, p, li, li > div, code')]
            .filter((each) => each.scrollWidth > each.clientWidth + 1 && each.clientWidth > 1)
            .map((each) => each.outerHTML.slice(0, 80))"""
        assert shown.evaluate(cut) == []


def test_no_words_cover_others(browser: Browser, stopped: tuple[Path, str], tmp_path: Path) -> None:
    shown = opened(browser, written(*stopped, tmp_path / "job.html"), "light", wide=True)
    covered = """() => {
        const boxes = [...document.querySelectorAll('.rail > li > div, .stop')]
            .map((each) => each.getBoundingClientRect());
        return boxes.filter((one, index) => boxes.some((other, place) => place > index && one.width && other.width
            && one.left < other.right - 1 && other.left < one.right - 1
            && one.top < other.bottom - 1 && other.top < one.bottom - 1)).length; }"""
    assert shown.evaluate(covered) == 0


def test_it_says_what_the_paper_says(browser: Browser, stopped: tuple[Path, str], tmp_path: Path) -> None:
    home, job = stopped
    steadypoint(home, "report", job, "-o", str(tmp_path / "job.pdf"))
    paper = read_pdf(tmp_path / "job.pdf").text
    shown = opened(browser, written(home, job, tmp_path / "job.html"), "light", wide=True)
    texts = shown.evaluate("[...document.querySelectorAll('bdi, h2, code, .word')].map((each) => each.textContent)")
    assert len(texts) > 200
    assert [text for text in texts if bare(text) not in paper] == []


def test_it_prints_in_black_on_white_with_the_summary_on_a_page_of_its_own(
    browser: Browser, stopped: tuple[Path, str], tmp_path: Path
) -> None:
    shown = opened(browser, written(*stopped, tmp_path / "job.html"), "dark")
    told = read_pdf(shown.pdf(format="A4", prefer_css_page_size=False))
    assert bare("NOT COMPLETE") in bare(told.pages[0].text)
    assert "Cautions" not in told.pages[0].text
    assert bare("Cautions that were") in bare(told.pages[1].text)
    assert [page.coloured for page in told.pages] == [0] * len(told.pages)


def test_every_link_leads_somewhere(stopped: tuple[Path, str]) -> None:
    text = page(content_of(*stopped))
    targets = set(re.findall(r'href="#([^"]+)"', text))
    assert targets
    assert targets <= set(re.findall(r' id="([^"]+)"', text))
    assert len(re.findall(r' id="([^"]+)"', text)) == len(set(re.findall(r' id="([^"]+)"', text)))
    assert re.findall(r'(?:href|src)="(?!#)', text) == []


HOSTILE = "</style></title></bdi><script>document.title='run'</script><img src=x onerror=alert(1)>{{ 7 * 7 }}&amp;"


def test_no_text_is_taken_for_markup(browser: Browser, tmp_path: Path) -> None:
    step = reading_step(1, point=HOSTILE, source=HOSTILE, reference=HOSTILE)
    entries = [to_entry(Note(HOSTILE, HOSTILE, at(100))), fitted(HOSTILE, 200, HOSTILE)]
    entries += [*touched("p1", "1.00", 500, HOSTILE), over(9000)]
    text = procedure_of([step], title=HOSTILE, cautions=[HOSTILE])
    job = recorded(tmp_path, text, entries, lift=HOSTILE, operator=HOSTILE)
    shown = opened(browser, written(tmp_path, job, tmp_path / "job.html"), "light")
    assert shown.evaluate("document.querySelectorAll('script, img').length") == 0
    assert shown.evaluate("document.body.textContent").count(HOSTILE) >= 10
    assert shown.title() != "run"


def test_writing_from_right_to_left_stands_for_itself(browser: Browser, tmp_path: Path) -> None:
    job = longest(tmp_path)
    shown = opened(browser, written(tmp_path, job, tmp_path / "job.html"), "light", wide=True)
    assert shown.locator("#notes ~ ul .text").all_inner_texts() == list(NOTES)
    turned = "[...document.querySelectorAll('.text')].map((each) => getComputedStyle(each).direction)"
    assert shown.evaluate(turned) == ["rtl", "rtl", "ltr", "ltr"]


def test_500_touches_make_a_page_that_opens(browser: Browser, tmp_path: Path) -> None:
    job = many_touches(tmp_path, 500)
    shown = opened(browser, written(tmp_path, job, tmp_path / "job.html"), "light", wide=True)
    assert shown.locator(".touches svg").count() == 500
    assert shown.locator(".rail > li").count() == 500


def test_one_content_serves_both(stopped: tuple[Path, str]) -> None:
    content: Content = content_of(*stopped)
    before = repr(content)
    assert page(content) == page(content)
    assert repr(content) == before
