"""The office's page end to end: crews, their relays, a real mosquitto, the office in a process, a real Chromium."""

import json
import re
import urllib.error
import urllib.request
from collections.abc import Iterator
from http.client import HTTPResponse
from pathlib import Path

import pytest
from paho.mqtt import publish
from playwright.sync_api import Browser, Locator, Page, expect

from audit_bench import until
from brokers import Mosquitto, needs_mosquitto
from commands import steadypoint
from login_bench import PASSWORDS
from meterlink.inbox import waiting_notes
from meterlink.outcome import Answer, Break
from meterlink.prepared import Prepared
from meterlink.procedure.parse import parse_procedure
from meterlink.record.entry import Event, Kind
from meterlink.record.store import Store
from meterlink.relay import topics
from office_bench import Office, Relays, Technician, heard_note, picture
from page_bench import LARGE, SMALL, Cut, accessible, chromium, nothing_cut_off, opened
from procedure_samples import with_steps
from waiting import PATIENCE_S, soon

pytestmark = [pytest.mark.timeout(400), needs_mosquitto]
"""A browser on a loaded machine takes its time."""

TARGETS = ".top a, .tool input, .tool select, .button, button, summary, textarea, .field input, .field select, .photo"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture
def office(tmp_path: Path, broker: Mosquitto) -> Iterator[Office]:
    with Office(tmp_path / "office", broker) as office:
        yield office


@pytest.fixture
def relays(broker: Mosquitto, office: Office) -> Iterator[Relays]:
    with Relays(broker) as relays:
        yield relays


def row(page: Page, lift: str) -> Locator:
    return page.locator(".crew").filter(has_text=lift)


def large_enough(page: Page) -> None:
    for target in page.locator(TARGETS).all():
        box = target.bounding_box()
        if box is not None:
            assert min(box["width"], box["height"]) >= 48, (target.inner_text(), box)


def get(url: str, last: str | None = None) -> HTTPResponse:
    answer: HTTPResponse = urllib.request.urlopen(f"{url}?last={last}" if last else url, timeout=PATIENCE_S)  # noqa: S310 - of this machine
    return answer


def status_of(request: urllib.request.Request | str) -> int:
    try:
        with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:  # noqa: S310 - of this machine
            return int(answer.status)
    except urllib.error.HTTPError as error:
        with error:
            return error.code


def test_a_verdict_appears_and_a_note_goes_and_comes_back(
    browser: Browser, office: Office, relays: Relays, tmp_path: Path
) -> None:
    troubles: list[str] = []
    desk = opened(browser.new_context(viewport=LARGE, color_scheme="light"), office.url, troubles)
    expect(desk.locator("#none")).to_contain_text("No crew is at work.")
    crew = Technician(tmp_path / "crew-1", "A1 north")
    relays.start(crew)
    expect(row(desk, "A1 north").locator(".at")).to_have_text("Q1")
    crew.pass_to(lambda point: point == "F1:2")
    expect(row(desk, "A1 north").locator(".at")).to_have_text("F1:2")
    expect(row(desk, "A1 north").locator(".last")).to_contain_text("pass F1:1")
    crew.show("24.10", 3)
    expect(row(desk, "A1 north").locator(".display")).to_have_text("24.10")
    expect(row(desk, "A1 north").locator(".reach")).to_contain_text("crew on line")

    phone = opened(browser.new_context(viewport=SMALL, color_scheme="dark"), f"{office.url}job/{crew.job}", troubles)
    expect(phone.locator("#point")).to_have_text("F1:2")
    expect(phone.locator("#digits")).to_have_attribute("aria-label", re.compile("24.10 V"))
    crew.note("The cover of the fuse was loose.", picture())
    crew.dead()
    expect(phone.locator("#verdict")).to_contain_text("fail")
    expect(phone.locator("#suspects")).to_contain_text("open:F1")
    expect(phone.locator("#rail .here")).to_contain_text("F1:2")
    expect(phone.locator("#trace path.line")).to_have_attribute("d", re.compile("^M.+L"))
    expect(phone.locator("#remarks")).to_contain_text("The cover of the fuse was loose.")
    expect(phone.locator("#picture")).to_have_js_property("complete", True)
    expect(phone.locator("#remarks img")).to_have_js_property("naturalWidth", 120)
    expect(row(desk, "A1 north")).to_have_attribute("data-about", "fail")
    expect(desk.locator("#help-count")).to_have_text("1")
    expect(desk.locator("#new-alert")).to_have_text("A1 north, crew-1: F1:2 failed: 0.002 V")

    phone.fill("#note-text", "Probe X1:7 next.")
    phone.press("#note-text", "Enter")
    expect(phone.locator("#messages")).to_contain_text("sent, not heard yet")
    assert soon(lambda: list(waiting_notes(crew.folder))), "the note does not come"
    notes = list(waiting_notes(crew.folder))
    assert [(note.text, note.by) for note in notes] == [("Probe X1:7 next.", "office")]
    heard_note(crew, notes[0])
    expect(phone.locator("#messages [data-heard=yes]")).to_contain_text("heard")
    expect(phone.locator("#remarks")).to_contain_text("Probe X1:7 next.")

    for page in (desk, phone):
        accessible(page)
        large_enough(page)
        nothing_cut_off(page, SMALL)  # on a desk the long questions of a row are cut off, and stand in full behind it
    assert troubles == []
    crew.close()


def test_a_cut_and_a_restart_of_the_office_lose_nothing_and_need_no_reload(
    browser: Browser, broker: Mosquitto, tmp_path: Path
) -> None:
    crew = Technician(tmp_path / "crew-1", "A1 north")
    home = tmp_path / "office"
    with Office(home, broker) as office, Relays(broker) as relays, Cut(office.port) as network:
        relays.start(crew)
        far = f"http://127.0.0.1:{network.port}/"
        crews = opened(browser.new_context(viewport=LARGE), far)
        job = opened(browser.new_context(viewport=LARGE), f"{far}job/{crew.job}")
        near = opened(browser.new_context(viewport=LARGE), f"{office.url}job/{crew.job}")
        for page in (crews, job):
            page.evaluate("window.sameAsBefore = true")
        expect(job.locator("#point")).to_have_text("Q1")

        network.silent = True
        for _ in range(4):
            crew.pass_step()
        expect(near.locator("#point")).to_have_text("T1")
        expect(job.locator("#link")).to_have_text(re.compile(r"^no link since [0-9]+ s$"))
        network.silent = False
        expect(job.locator("#point")).to_have_text("T1")
        expect(row(crews, "A1 north").locator(".counts")).to_contain_text("4 pass")
        assert job.locator("#rail").inner_text() == near.locator("#rail").inner_text()
        said = [page.locator("#said span").all_inner_texts() for page in (job, near)]
        assert said[0] == said[1] != []  # without the time, which each page works out by its own clock

        port = office.port
        office.kill()
        for _ in range(2):
            crew.pass_step()
        expect(job.locator("#link")).to_have_attribute("data-link", "lost")
        with Office(home, broker, port=port):
            expect(job.locator("#point")).to_have_text("F1:1")
            expect(row(crews, "A1 north").locator(".counts")).to_contain_text("6 pass")
            expect(crews.locator("#link")).to_have_text("linked")
            crew.pass_step()
            expect(row(crews, "A1 north").locator(".at")).to_have_text("F1:2")
            assert crews.evaluate("window.sameAsBefore") is True
            assert job.evaluate("window.sameAsBefore") is True
            # The line of the trace has a point for each reading of a number since the last break.
            stored = [event for event in crew_events(crew) if event.kind is Kind.READING]
            drawn = job.locator("#trace path.line")
            expect(drawn).to_have_attribute("d", re.compile(rf"^M[^ML]+(L[^ML]+){{{len(stored) - 1}}}$"))
    crew.close()


def crew_events(crew: Technician) -> list[Event]:
    with Store.open(crew.folder) as store:
        return list(store.events(crew.job))


def points_of(answer: HTTPResponse, up_to: int) -> list[int]:
    """Read a stream's points of the trace until one of that line; return their lines."""
    seen: list[int] = []
    kind = ""
    for raw in answer:
        name, _, value = raw.decode().rstrip("\r\n").partition(": ")
        if name == "event":
            kind = value
        elif name == "data" and kind == "trace":
            seen += [point[0] for point in json.loads(value)]
            if seen[-1] >= up_to:
                break
    return seen


def test_a_stream_is_resumed_at_any_line_by_any_process_and_gives_each_point_once(
    broker: Mosquitto, tmp_path: Path
) -> None:
    crew = Technician(tmp_path / "crew-1", "A1 north")
    crew.show("24.10", 60)
    crew.pass_step()
    store = f"sqlite:///{tmp_path}/office.sqlite3"
    with (
        Office(tmp_path / "one", broker, store=store) as one,
        Office(tmp_path / "two", broker, store=store) as two,
        Relays(broker) as relays,
    ):
        relays.start(crew)
        readings = [event.seq for event in crew_events(crew) if event.kind is Kind.READING]
        assert soon(lambda: status_of(f"{one.url}office/job/{crew.job}/picture.svg") == 200)
        with get(f"{one.url}office/job/{crew.job}/events") as answer:
            assert points_of(answer, readings[-1]) == readings
        for cut in (0, 7, 31, len(readings) - 2):
            with get(f"{two.url}office/job/{crew.job}/events", str(readings[cut])) as answer:
                assert points_of(answer, readings[-1]) == readings[cut + 1 :]
    crew.close()


def test_two_offices_on_one_store_show_the_same_to_two_browsers(
    browser: Browser, broker: Mosquitto, tmp_path: Path
) -> None:
    store = f"sqlite:///{tmp_path}/office.sqlite3"
    crews = [Technician(tmp_path / f"crew-{n}", f"Lift {n}") for n in (1, 2, 3)]
    with (
        Office(tmp_path / "one", broker, store=store) as one,
        Office(tmp_path / "two", broker, store=store) as two,
        Relays(broker) as relays,
    ):
        for crew in crews:
            relays.start(crew)
        pages = [opened(browser.new_context(viewport=LARGE), office.url) for office in (one, two)]
        for number, crew in enumerate(crews):
            for _ in range(number + 1):
                crew.pass_step()
        for page in pages:
            for number, lift in enumerate(("Lift 1", "Lift 2", "Lift 3"), 1):
                expect(row(page, lift).locator(".counts")).to_contain_text(f"{number} pass")
        texts = [
            page.locator(".crew .who, .crew .step, .crew .last, .crew .counts").all_inner_texts() for page in pages
        ]
        assert texts[0] == texts[1]
        assert len(texts[0]) == 12
    for crew in crews:
        crew.close()


EVIL = '<img src=x onerror="document.title=1">'


def test_what_a_device_says_is_text_and_nothing_else(
    browser: Browser, broker: Mosquitto, office: Office, relays: Relays, tmp_path: Path
) -> None:
    troubles: list[str] = []
    steps = with_steps(
        f"""
        - id: seen
          kind: look
          point: '</b><script>document.title=1</script>'
          ask: '{EVIL} ready?'
          remedy: '{EVIL}'
        """
    )
    text = steps.replace("title: Sample", f"title: '{EVIL}'").replace("Take care.", f"'{EVIL}'")
    crew = Technician(tmp_path / "crew-1", EVIL, Prepared(parse_procedure(text, "evil.yaml"), text), operator=EVIL)
    crew.note(EVIL, b"\x89PNG\r\n\x1a\n<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>")
    relays.start(crew)
    page = opened(browser.new_context(viewport=LARGE), office.url, troubles)
    expect(page.locator(".crew .lift")).to_have_text(EVIL)
    expect(page.locator(".crew .at")).to_have_text("</b><script>document.title=1</script>")
    publish.multiple(
        [
            {"topic": topics.log("crew-1", crew.job), "payload": f"{EVIL}\x00\x1b[2J", "qos": 1},
            {"topic": topics.status("crew-2"), "payload": json.dumps({"online": True, "job": EVIL, "meter": EVIL})},
            {"topic": topics.live("crew-1", crew.job), "payload": json.dumps([{"n": EVIL, "vs": EVIL, "t": 0}])},
        ],
        port=broker.port,
    )
    expect(page.locator(".crew .alerts")).to_contain_text("refused and kept aside: 1")
    crew.answer(Answer.REFUSE)
    expect(page.locator(".crew .last")).to_contain_text("fail")

    page.goto(f"{office.url}job/{crew.job}")
    expect(page.locator("#title")).to_have_text(EVIL)
    expect(page.locator("#remarks")).to_contain_text(EVIL)
    expect(page.locator("#particulars")).to_contain_text(EVIL)
    expect(page.locator("#verdict")).to_contain_text(EVIL)
    sha256 = page.locator("#remarks a").get_attribute("href")
    assert sha256 is not None
    url = office.url.rstrip("/") + sha256
    until(page, lambda: page.request.get(url).ok)  # a photo comes behind its note
    with get(url) as photo:
        assert photo.headers["content-type"] == "image/png"
        assert photo.headers["x-content-type-options"] == "nosniff"
    page.goto(f"{office.url}history")
    expect(page.locator("#jobs .whole")).to_have_text(EVIL)
    page.goto(f"{office.url}aside")
    page.locator("summary").click()
    expect(page.locator("pre")).to_have_text(f"{EVIL}\\x00\\x1b[2J")
    accessible(page)
    for path in ("", f"job/{crew.job}", "history", "aside"):
        page.goto(office.url + path)
        page.wait_for_timeout(300)
        assert page.title() != "1"
        assert page.locator("img[src=x], main script").count() == 0
    assert [each for each in troubles if "404" not in each] == []
    crew.close()


def test_ten_crews_stand_in_the_order_of_need_and_are_found(
    browser: Browser, office: Office, relays: Relays, tmp_path: Path
) -> None:
    troubles: list[str] = []
    crews = [Technician(tmp_path / f"crew-{n}", f"Lift {n}", overdue=n == 4) for n in range(1, 11)]
    for number, crew in enumerate(crews):
        for _ in range(number % 4):
            crew.pass_step()
        relays.start(crew)
    page = opened(browser.new_context(viewport=LARGE), office.url, troubles)
    expect(page.locator(".crew")).to_have_count(10)
    crews[6].pass_to(lambda point: point == "F1:2")
    crews[6].dead()
    relays.cut_off("crew-9")
    crews[1].leave()
    expect(page.locator("#help .crew").first).to_contain_text("Lift 7")
    expect(page.locator("#help .crew").nth(1)).to_contain_text("Lift 9", timeout=90_000)
    expect(page.locator("#help .crew").nth(1)).to_contain_text("the crew is off line")
    expect(page.locator("#work .crew").first).to_contain_text("calibration is overdue")
    expect(page.locator("#over .crew")).to_contain_text("Lift 2")
    for size in ({"width": 1920, "height": 1080}, LARGE, SMALL):
        page.set_viewport_size(size)  # type: ignore[arg-type]
        accessible(page)
        large_enough(page)
    page.set_viewport_size(LARGE)
    assert page.evaluate("document.documentElement.scrollHeight") <= LARGE["height"], "ten crews at once"

    page.fill("#find", "lift 10")
    expect(page.locator(".crew")).to_have_count(1)
    page.fill("#find", "nowhere")
    expect(page.locator("#none")).to_have_text("No crew fits what is asked for above.")
    page.fill("#find", "")
    relays.give_back("crew-9")
    expect(page.locator("#help .crew")).to_have_count(1, timeout=90_000)
    page.keyboard.press("Tab")
    row(page, "Lift 7").locator("a").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#title")).to_have_text("Lift 7")
    assert troubles == []
    for crew in crews:
        crew.close()


def test_a_browser_that_takes_nothing_holds_up_nobody(
    browser: Browser, office: Office, relays: Relays, tmp_path: Path
) -> None:
    crew = Technician(tmp_path / "crew-1", "A1 north")
    relays.start(crew)
    page = opened(browser.new_context(viewport=LARGE), office.url)
    expect(page.locator(".crew")).to_have_count(1)
    idle = [get(f"{office.url}office/events") for _ in range(20)]
    idle += [get(f"{office.url}office/job/{crew.job}/events") for _ in range(20)]
    crew.show("24.10", 2000)
    crew.pass_step()
    expect(row(page, "A1 north").locator(".counts")).to_contain_text("1 pass")
    for each in idle:
        each.close()
    crew.close()


def test_what_is_not_a_pages_own_is_refused(office: Office, relays: Relays, tmp_path: Path) -> None:
    crew = Technician(tmp_path / "crew-1", "A1 north")
    relays.start(crew)
    assert soon(lambda: status_of(f"{office.url}office/job/{crew.job}/picture.svg") == 200)
    with get(f"{office.url}office/events") as stream:
        data = next(line for line in stream if line.startswith(b"data: "))
    token = json.loads(data[6:])["token"]

    def note(body: object, *, given: str = token, origin: str | None = None) -> int:
        headers = {"X-Steadypoint-Token": given, "Content-Type": "application/json"}
        headers |= {"Origin": origin} if origin else {}
        request = urllib.request.Request(f"{office.url}office/note", json.dumps(body).encode(), headers)  # noqa: S310
        return status_of(request)

    good = {"job": crew.job, "text": "Probe X1:7 next."}
    assert note(good, given="wrong") == 403
    assert note(good, origin="http://elsewhere.example") == 403
    assert note({**good, "text": ""}) == 400
    assert note({**good, "text": "a" * 501}) == 400
    assert note({**good, "text": "a" * 5000}) == 400
    assert note({**good, "by": "somebody"}) == 400
    assert note({**good, "text": "\x07"}) == 409
    assert note({**good, "job": "20261125-none"}) == 409
    assert note(good) == 204
    assert status_of(f"{office.url}office/job/20261125-none/events") == 404
    assert status_of(f"{office.url}office/job/..%2f..%2fetc/picture.svg") in (400, 404)
    assert status_of(f"{office.url}office/job/{crew.job}/photo/..%2foffice.sqlite3") in (400, 404)
    assert status_of(f"{office.url}static/..%2f..%2fserver.py") in (400, 404)
    assert status_of(f"{office.url}office/history?begin=yesterday") == 400
    assert status_of(f"{office.url}office/history?outcome=good") == 400
    crew.close()


def test_the_history_is_searched(browser: Browser, office: Office, relays: Relays, tmp_path: Path) -> None:
    crews = [Technician(tmp_path / f"crew-{n}", f"Lift {n}") for n in (1, 2)]
    crews[0].pass_step()
    crews[0].session.close(Break.INTERRUPTED)
    for crew in crews:
        relays.start(crew)
    page = opened(browser.new_context(viewport=LARGE), office.url)
    expect(page.locator(".crew")).to_have_count(2)
    page.goto(f"{office.url}history")
    expect(page.locator("#jobs li")).to_have_count(2)
    accessible(page)
    large_enough(page)
    for field, text, found in (
        ("lift", "lift 1", 1),
        ("device", "crew-2", 1),
        ("text", "platform", 2),
        ("site", "x", 0),
    ):
        page.fill(f"[name={field}]", text)
        page.click("text=Search")
        expect(page.locator("#words")).not_to_contain_text("Searching")
        expect(page.locator("#jobs li")).to_have_count(found)
        page.fill(f"[name={field}]", "")
    page.fill("[name=begin]", "2031-01-01")
    page.click("text=Search")
    expect(page.locator("#words")).to_have_text("No job fits.")
    assert "begin=2031-01-01" in page.url
    page.fill("[name=begin]", "")
    page.select_option("[name=outcome]", "interrupted")
    page.click("text=Search")
    expect(page.locator("#jobs li")).to_have_count(2)
    page.set_viewport_size(SMALL)
    accessible(page)
    nothing_cut_off(page, SMALL)
    page.click("text=Lift 1")
    expect(page.locator("#kicker")).to_contain_text("left")
    for crew in crews:
        crew.close()


def log_in(page: Page, url: str, name: str, home: str) -> None:
    page.goto(url)
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORDS[name][1])
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url(home)


def test_the_office_writes_notes_the_auditor_looks_on_and_the_technician_sees_nothing(
    browser: Browser, broker: Mosquitto, tmp_path: Path
) -> None:
    home = tmp_path / "office"
    home.mkdir()
    for name, (role, password) in PASSWORDS.items():
        added = steadypoint(home, "account", "add", name, "--role", role, "--password-file", "-", stdin=password)
        assert added.returncode == 0, added.stderr
    crew = Technician(tmp_path / "crew-1", "A1 north")
    with Office(home, broker, "--login") as office, Relays(broker) as relays:
        relays.start(crew)
        pages = {name: browser.new_context(viewport=LARGE).new_page() for name in ("lead", "reviewer", "fitter")}
        log_in(pages["lead"], office.url, "lead", "**/office")
        expect(row(pages["lead"], "A1 north")).to_be_visible()  # the auditor's list is as it was when it was opened
        log_in(pages["reviewer"], office.url, "reviewer", "**/audit")
        log_in(pages["fitter"], office.url, "fitter", "**/")
        expect(pages["lead"].locator("#who")).to_contain_text("lead")
        expect(pages["reviewer"].locator("main")).to_contain_text(crew.job)
        for page in pages.values():
            page.goto(f"{office.url}job/{crew.job}")
        expect(pages["reviewer"].locator("#point")).to_have_text("Q1")
        expect(pages["reviewer"].locator("#note-form")).to_be_hidden()
        expect(pages["fitter"].locator("#who")).to_contain_text("fitter")
        expect(pages["fitter"].locator("#point")).to_have_text("…")
        pages["lead"].fill("#note-text", "Probe X1:7 next.")
        pages["lead"].press("#note-text", "Enter")
        expect(pages["lead"].locator("#messages")).to_contain_text("Probe X1:7 next.")
        assert soon(lambda: list(waiting_notes(crew.folder))), "the note does not come"
        assert [note.by for note in waiting_notes(crew.folder)] == ["lead"]
    crew.close()
