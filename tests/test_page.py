"""The technician's page in a real browser: what it shows, that it comes back, and that anybody can use it."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from commands import jobs, only, shown
from page_bench import (
    LARGE,
    SMALL,
    TITLE,
    Cut,
    Meter,
    Served,
    accessible,
    chromium,
    nothing_cut_off,
    opened,
    write_procedure,
)
from procedure_samples import with_steps

pytestmark = pytest.mark.timeout(400)
"""A browser on a loaded machine takes its time."""

TARGETS = "button, .photo, .choice, .field input, .settings a"
"""Everything that is pressed."""

CONFIRM = """() => {
  const button = document.getElementById("confirm");
  button.click();
  return button.getAttribute("aria-disabled");
}"""
"""Press the button that confirms, and tell at once whether it is off."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture
def meter() -> Iterator[Meter]:
    with Meter() as meter:
        yield meter


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    write_procedure(tmp_path)
    with Served(tmp_path, "serve", "--port", "0") as served:
        yield served


def begin(page: Page, meter: Meter, title: str = TITLE) -> None:
    page.get_by_text(title, exact=True).first.click()
    page.fill("#address", meter.address)
    page.check("#acknowledged")
    page.click("#begin")


def asks(page: Page, point: str) -> None:
    expect(page.locator("#point")).to_have_text(point)


def judged(page: Page) -> list[str]:
    """The rail in words: every stop with its value and state."""
    return page.locator("#rail li").all_inner_texts()


def large_enough(page: Page) -> None:
    for target in page.locator(TARGETS).all():
        box = target.bounding_box()
        if box is not None:
            assert min(box["width"], box["height"]) >= 48, (target.inner_text(), box)


def test_two_browsers_go_through_a_check_and_show_the_same(
    browser: Browser, served: Served, meter: Meter, tmp_path: Path
) -> None:
    troubles: list[str] = []
    phone = opened(browser.new_context(viewport=SMALL, color_scheme="light"), served.url, troubles)
    desk = opened(browser.new_context(viewport=LARGE, color_scheme="dark"), served.url, troubles)
    both = ((phone, SMALL), (desk, LARGE))

    phone.get_by_text(TITLE, exact=True).click()
    phone.fill("#address", meter.address)
    accessible(phone)
    large_enough(phone)
    phone.click("#begin")
    expect(phone.locator("#refused")).to_have_text("Read the cautions first, then tick that you have.")
    assert jobs(tmp_path) == []
    phone.check("#acknowledged")
    phone.click("#begin")

    asks(phone, "Q1")
    asks(desk, "Q1")
    expect(phone.locator("#confirms")).to_have_text("Is the control breaker pushed in?")
    assert phone.evaluate(CONFIRM) == "true"  # asked in the same turn: it is off for a moment only
    expect(desk.locator("#told-off")).to_have_text("Confirmed on another page.")  # stands for 5 s
    asks(desk, "G1:+")
    expect(desk.locator("#verdict")).to_contain_text("pass")
    meter.touch("25.41 V DC")
    asks(desk, "F1:2")
    meter.touch("0.012 V DC")
    phone.wait_for_selector('#confirm[data-ready="asked"]')
    expect(phone.locator("#confirms")).to_have_text("F1:2 reads 0.012 V")
    desk.click("#confirm")
    for page, size in both:
        expect(page.locator("#verdict")).to_contain_text("fail")
        asks(page, "B1:11")
        expect(page.locator("#digits")).to_have_attribute("aria-label", "0.012 V")
        accessible(page)
        large_enough(page)
        nothing_cut_off(page, size)
    assert judged(phone) == judged(desk)
    assert "fail" in judged(phone)[2]

    desk.click('[data-answer="back"]')
    asks(phone, "F1:2")
    phone.click("#stop")
    for page, _ in both:
        expect(page.locator("#finished-title")).to_have_text("Broken off")
        accessible(page)
    assert troubles == []
    (job,) = jobs(tmp_path)
    assert [each["outcome"] for each in only(shown(tmp_path, str(job["job"])), "verdict")] == ["pass", "pass", "fail"]


def test_the_lift_is_named_where_the_check_begins_and_is_known_the_next_time(
    browser: Browser, served: Served, meter: Meter, tmp_path: Path
) -> None:
    page = opened(browser.new_context(viewport=SMALL), served.url)
    visits = page.locator("#visits")
    expect(visits).to_have_text("Without a tag, no visit can be held against another.")
    page.fill("#lift", "L-17")
    expect(visits).to_have_text("Not in the record yet: its first visit.")
    page.fill("#operator", "crew 1")
    begin(page, meter)
    asks(page, "Q1")
    (job,) = jobs(tmp_path)
    assert (job["lift"], job["operator"]) == ("L-17", "crew 1")
    page.click("#stop")
    expect(page.locator("#desk")).to_be_visible()

    page.reload()
    expect(page.locator("#operator")).to_have_value("crew 1")
    expect(page.locator("#lifts option")).to_have_count(1)
    assert page.locator("#lifts option").get_attribute("value") == "L-17"
    page.fill("#lift", "l-17 ")
    expect(visits).to_have_text(re.compile(r"1 visit, the last on \d{4}-\d\d-\d\d\."))
    accessible(page)
    large_enough(page)
    nothing_cut_off(page, SMALL)


def test_a_cut_and_a_restart_are_got_over_without_a_reload(browser: Browser, meter: Meter, tmp_path: Path) -> None:
    procedure = str(write_procedure(tmp_path))
    begun = ("serve", procedure, "--meter", meter.address, "--accept-cautions")
    with Served(tmp_path, *begun, "--port", "0") as served, Cut(served.port) as network:
        page = opened(browser.new_context(viewport=SMALL), f"http://127.0.0.1:{network.port}/")
        near = opened(browser.new_context(viewport=SMALL), served.url)
        page.evaluate("window.sameAsBefore = true")
        asks(page, "Q1")
        near.click("#confirm")
        asks(page, "G1:+")

        network.silent = True
        meter.touch("25.41 V DC")
        asks(near, "F1:2")
        expect(page.locator("#link")).to_have_text(re.compile(r"^no link since [0-9]+ s$"))
        assert page.evaluate("document.body.dataset.live") == "no"
        expect(page.locator("#confirm")).to_have_attribute("aria-disabled", "true")
        network.silent = False
        asks(page, "F1:2")
        expect(page.locator("#link")).to_have_text("linked")
        assert judged(page) == judged(near)
        expect(page.locator("#said")).to_contain_text("G1:+: 25.41 V. Pass.")

        served.kill()
        expect(page.locator("#link")).to_have_attribute("data-link", "lost")
        (job,) = (str(each["job"]) for each in jobs(tmp_path))
        with Served(tmp_path, "serve", "--job", job, "--meter", meter.address, "--port", str(served.port)):
            expect(page.locator("#link")).to_have_text("linked")
            asks(page, "F1:2")
            meter.touch("25.38 V DC")
            asks(page, "B1:11")
            page.click('[data-answer="back"]')
            asks(page, "F1:2")
            assert page.evaluate("window.sameAsBefore") is True
            asks(near, "F1:2")
            expect(near.locator("#rail")).to_contain_text("25.38 V")
            assert judged(page) == judged(near)


def test_what_a_file_or_a_meter_says_is_text_and_nothing_else(browser: Browser, meter: Meter, tmp_path: Path) -> None:
    evil = '<img src=x onerror="document.title=1">'
    steps = with_steps(
        f"""
        - id: seen
          kind: look
          point: '</h2><script>document.title=1</script>'
          ask: '{evil} ready?'
        """
    )
    text = steps.replace("title: Sample", f"title: '{evil}'").replace("Take care.", f"'{evil}'")
    write_procedure(tmp_path, text)
    with Served(tmp_path, "serve", "--port", "0") as served:
        page = opened(browser.new_context(viewport=SMALL), served.url)
        begin(page, meter, evil)
        asks(page, "</h2><script>document.title=1</script>")
        expect(page.locator("#ask")).to_have_text(f"{evil} ready?")
        expect(page.locator("#title")).to_have_text(evil)
        assert page.locator("main img, main script, #rail img").count() == 0
        assert page.title().startswith("</h2><script>")


def test_a_pedal_s_key_confirms_once_that_is_switched_on(browser: Browser, served: Served, meter: Meter) -> None:
    page = opened(browser.new_context(viewport=SMALL), served.url)
    begin(page, meter)
    asks(page, "Q1")
    page.locator("body").press("PageDown")
    page.wait_for_timeout(400)
    asks(page, "Q1")
    page.check("#keys")
    page.locator("#keys").blur()
    page.locator("body").press("PageDown")
    asks(page, "G1:+")
    page.locator("body").press("PageDown")  # nothing is to be confirmed before the display has stood still
    asks(page, "G1:+")


def test_who_looks_on_has_no_buttons(browser: Browser, served: Served, meter: Meter) -> None:
    page = opened(browser.new_context(viewport=SMALL), served.url)
    begin(page, meter)
    asks(page, "Q1")
    other = opened(browser.new_context(viewport=SMALL), f"{served.url}?watch")
    asks(other, "Q1")
    expect(other.locator("[data-answer]:visible")).to_have_count(0)
    expect(other.locator("#stop")).to_be_hidden()


def test_the_digits_can_be_read_at_three_metres(browser: Browser, served: Served, meter: Meter) -> None:
    """16 minutes of arc at 3 m are 14 mm (ISO 9241-303, from memory); 360 px of a phone are 68 mm or more."""
    page = opened(browser.new_context(viewport=SMALL), served.url)
    begin(page, meter)
    page.click("#confirm")
    asks(page, "G1:+")
    for display in ("25.41 V DC", "-25.41 V DC"):
        meter.shown = display
        expect(page.locator("#digits")).to_have_attribute("aria-label", display.removesuffix(" DC"))
        heights = [path.bounding_box() for path in page.locator("#digits path").all()]
        tallest = max(box["height"] for box in heights if box)
        assert tallest * 68 / 360 >= 14


def test_a_phone_s_own_wishes_are_followed(browser: Browser, served: Served) -> None:
    context = browser.new_context(viewport=SMALL, color_scheme="dark", reduced_motion="reduce")
    page = opened(context, served.url)
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(20, 23, 26)"
    page.emulate_media(color_scheme="light", forced_colors="active")
    accessible(page)


def test_a_note_and_a_photo_are_kept_with_the_record(
    browser: Browser, served: Served, meter: Meter, tmp_path: Path
) -> None:
    page = opened(browser.new_context(viewport=SMALL), served.url)
    begin(page, meter)
    asks(page, "Q1")
    page.click("#note")
    accessible(page)
    large_enough(page)
    page.fill("#note-text", "Terminal cover <b>missing</b>")
    page.get_by_role("button", name="Keep", exact=True).click()
    expect(page.locator("#told-off")).to_have_text("Kept with the record.")
    expect(page.locator("#told-off")).to_have_text("")
    page.set_input_files("#photo", {"name": "cover.jpg", "mimeType": "image/jpeg", "buffer": b"\xff\xd8" + bytes(500)})
    expect(page.locator("#told-off")).to_have_text("Kept with the record.")
    page.click("#note")
    page.fill("#note-text", "Not this one")
    page.get_by_role("button", name="Cancel").click()
    page.click("#stop")
    expect(page.locator("#finished-title")).to_have_text("Broken off")

    (job,) = jobs(tmp_path)
    remarks = [event for event in shown(tmp_path, str(job["job"])) if event.get("about") == "remark"]
    assert [each["text"] for each in remarks] == ["Terminal cover <b>missing</b>", "Photo"]
    assert len(list((tmp_path / "photos").iterdir())) == 1


def test_a_temporary_jumper_is_entered_and_taken_out(
    browser: Browser, served: Served, meter: Meter, tmp_path: Path
) -> None:
    page = opened(browser.new_context(viewport=SMALL), served.url)
    begin(page, meter)
    asks(page, "Q1")
    page.click("#fit")
    accessible(page)
    large_enough(page)
    page.fill("#jumper-where", "X3:5-X3:6")
    page.fill("#jumper-why", "levelling <b>run</b>")
    page.get_by_role("button", name="Enter it").click()
    expect(page.locator("#jumpers-in")).to_contain_text("X3:5-X3:6 is in")
    expect(page.locator("#hint")).to_contain_text("must come out before the job is complete")
    looker = opened(browser.new_context(viewport=SMALL), f"{served.url}?watch")
    expect(looker.locator("#jumpers-in")).to_have_text("X3:5-X3:6 is in")
    expect(looker.get_by_role("button", name="X3:5-X3:6 is out")).to_have_count(0)
    accessible(page)
    large_enough(page)
    nothing_cut_off(page, SMALL)
    page.get_by_role("button", name="X3:5-X3:6 is out").click()
    expect(page.locator("#jumpers-in li")).to_have_count(0)
    page.click("#stop")
    expect(page.locator("#finished-title")).to_have_text("Broken off")

    (job,) = jobs(tmp_path)
    entries = [event for event in shown(tmp_path, str(job["job"])) if event["event"] == "jumper"]
    assert [(each["fitted"], each["where"], each["why"]) for each in entries] == [
        (True, "X3:5-X3:6", "levelling <b>run</b>"),
        (False, "X3:5-X3:6", ""),
    ]


def test_tones_and_speech_are_switched_on_by_whoever_wants_them(browser: Browser, served: Served, meter: Meter) -> None:
    page = opened(browser.new_context(viewport=SMALL), served.url)
    heard: list[str] = []
    page.on("request", lambda request: heard.append(request.url))
    begin(page, meter)
    asks(page, "Q1")
    page.click("#confirm")
    asks(page, "G1:+")
    assert not any("/tones/" in url for url in heard)
    page.check("#tones")
    page.select_option("#language", "de")
    with page.expect_request(f"{served.url}tones/pass.wav"):
        meter.touch("25.41 V DC")
    asks(page, "F1:2")
    page.reload()
    expect(page.locator("#tones")).to_be_checked()
    expect(page.locator("#language")).to_have_value("de")
