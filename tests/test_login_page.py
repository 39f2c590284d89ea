"""The login in a real browser: that anybody can use it, without script too, and what other sites can make of it."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, ViewportSize, expect

from commands import jobs, only, shown, steadypoint
from login_bench import PASSWORDS, Locked, locked
from page_bench import LARGE, SMALL, Meter, chromium, write_procedure

pytestmark = pytest.mark.timeout(400)
"""A browser on a loaded machine takes its time."""

SCRIPT = "<script>document.title='run'</script><img src=x onerror=\"document.title='run'\">"
"""Would run where a text is taken for markup."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Locked]:
    with locked(tmp_path_factory.mktemp("plain")) as plain:
        yield plain


def log_in(page: Page, name: str) -> None:
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORDS[name][1])
    page.get_by_role("button", name="Log in").click()


def fine(page: Page) -> None:
    """No violations of WCAG 2.2 AA and of axe's best practices, targets of 48 px, no scrolling sideways, the rail."""
    expect(page.locator(".chain .solid")).to_have_css("stroke-width", "6px")
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    for target in page.locator("button, .field input, a").all():
        box = target.bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) >= 48, box
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [SMALL, LARGE, {"width": 320, "height": 640}], ids=lambda size: str(size["width"]))
def test_anybody_can_use_it(
    scheme: Literal["light", "dark"], size: ViewportSize, browser: Browser, plain: Locked
) -> None:
    with browser.new_context(viewport=size, color_scheme=scheme) as context:
        page = context.new_page()
        page.goto(plain.served.url)
        assert page.url.endswith("/login")
        fine(page)
        page.get_by_label("Name").fill(f"nobody-{scheme}-{size['width']}")
        page.get_by_label("Password").fill("a wrong password")
        page.get_by_role("button", name="Log in").click()
        expect(page.get_by_role("alert")).to_have_text("Name or password is wrong.")
        fine(page)
        opens = steadypoint(plain.home, "enrol", "phone-1", "--only", "phone").stdout.split()[-1]
        page.goto(opens)
        expect(page.get_by_role("button", name="Open")).to_be_visible()
        fine(page)
        page.get_by_role("button", name="Open").click()
        page.wait_for_selector('#link[data-link="live"]')
        page.goto(f"{plain.origin}/login")
        expect(page.get_by_text("Logged in as phone-1, technician.")).to_be_visible()
        fine(page)


def test_it_works_without_script(browser: Browser, plain: Locked) -> None:
    with browser.new_context(viewport=SMALL, java_script_enabled=False) as context:
        page = context.new_page()
        page.goto(plain.served.url)
        log_in(page, "fitter")
        page.wait_for_url(plain.served.url)
        page.goto(f"{plain.origin}/login")
        page.get_by_role("link", name="To the page").click()
        page.wait_for_url(plain.served.url)
        page.goto(f"{plain.origin}/login")
        page.get_by_role("button", name="Log out").click()
        expect(page.get_by_role("button", name="Log in")).to_be_visible()
        page.goto(plain.served.url)
        page.wait_for_url(f"{plain.origin}/login")


def test_an_open_page_goes_to_the_login_when_its_session_ends(browser: Browser, tmp_path: Path) -> None:
    with locked(tmp_path, encrypted=True) as pages, browser.new_context(ignore_https_errors=True) as context:
        troubles: list[str] = []
        page = context.new_page()
        page.on("pageerror", lambda error: troubles.append(str(error)))
        page.goto(pages.served.url)
        log_in(page, "fitter")
        page.wait_for_selector('#link[data-link="live"]')
        expect(page.locator("#who")).to_have_text("Logged in as fitter, technician: log out")
        (cookie,) = context.cookies()
        assert (cookie["name"], cookie["secure"], cookie["httpOnly"]) == ("__Host-steadypoint", True, True)
        assert page.evaluate("document.cookie") == ""
        assert steadypoint(tmp_path, "account", "remove", "fitter").returncode == 0
        page.wait_for_url(f"{pages.origin}/login", timeout=60_000)
        assert troubles == []


def test_whoever_only_looks_on_gets_no_buttons(browser: Browser, plain: Locked) -> None:
    with browser.new_context(viewport=SMALL) as context:
        page = context.new_page()
        page.goto(plain.served.url)
        log_in(page, "reviewer")
        page.wait_for_url(f"{plain.origin}/audit")
        page.goto(plain.served.url)
        page.wait_for_selector('#link[data-link="live"]')
        expect(page.locator("#desk")).to_be_hidden()
        expect(page.locator("#answers")).to_be_hidden()


FORGERIES = """<!doctype html><title>attack</title>
<iframe id="frame" src="{target}/"></iframe>
<form id="note" method="post" action="{target}/note" enctype="text/plain" target="sink1">
<input name="{{" value="}}"></form>
<form id="login" method="post" action="{target}/login" target="sink2">
<input name="name" value="lead"><input name="password" value="{password}"></form>
<form id="logout" method="post" action="{target}/logout" target="sink3"></form>
<iframe name="sink1"></iframe><iframe name="sink2"></iframe><iframe name="sink3"></iframe>
<script>
const plain = {{ method: "POST", mode: "no-cors", credentials: "include", body: '{{"text":"forged"}}' }};
const aimed = {{ method: "POST", credentials: "include", headers: {{ "X-Steadypoint-Token": "guess" }}, body: "{{}}" }};
window.attack = async () => {{
  const seen = [];
  const read = {{ credentials: "include" }};
  for (const [path, options] of [["/note", plain], ["/stop", plain], ["/answer", aimed], ["/offer", read]]) {{
    try {{
      const answer = await fetch("{target}" + path, options);
      seen.push(answer.type === "opaque" ? "opaque" : await answer.text());
    }} catch {{ seen.push("refused"); }}
  }}
  for (const id of ["note", "login", "logout"]) document.getElementById(id).submit();
  return seen;
}};
</script>"""


@contextmanager
def attacker(target: str) -> Iterator[int]:
    """A site that attacks the pages of whoever visits it."""

    class Site(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(FORGERIES.format(target=target, password=PASSWORDS["lead"][1]).encode())

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Site)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost"], ids=["same site, other port", "other site"])
def test_another_site_can_make_a_browser_that_is_logged_in_do_nothing(
    host: str, browser: Browser, plain: Locked
) -> None:
    """On the same host the cookie goes along, whatever its port: there the guard alone holds."""
    with attacker(plain.origin) as port, browser.new_context() as context:
        page = context.new_page()
        page.goto(plain.served.url)
        log_in(page, "fitter")
        page.wait_for_url(plain.served.url)
        before = len(plain.logged("refused"))
        evil = context.new_page()
        evil.goto(f"http://{host}:{port}/")
        assert evil.evaluate("attack()") == ["refused"] * 4  # not even an opaque answer is handed over
        for path in ("/note", "/stop", "/offer", "/login", "/logout"):
            expect_refused(plain, path, before)
        assert evil.frame_locator("#frame").locator("#title").count() == 0
        session = page.evaluate("fetch('/session').then((answer) => answer.json())")
        assert session == {"who": "fitter", "role": "technician"}  # neither out, nor in as somebody else
    assert jobs(plain.home) == []


def expect_refused(pages: Locked, path: str, since: int) -> None:
    """Wait until that stands in the log."""
    wait = threading.Event()
    for _ in range(400):
        if any((each["path"], each["status"]) == (path, 403) for each in pages.logged("refused")[since:]):
            return
        wait.wait(0.05)
    raise AssertionError((path, pages.logged("refused")[since:]))


def test_script_in_every_field_is_text(browser: Browser, tmp_path: Path) -> None:
    with Meter() as meter:
        procedure = str(write_procedure(tmp_path))
        check = ("check", procedure, "--meter", meter.address, "--accept-cautions", "--page", "0")
        about = ("--lift", SCRIPT[:80], "--operator", SCRIPT[:80])
        with locked(tmp_path, *check, *about) as pages, browser.new_context() as context:
            troubles: list[str] = []
            page = context.new_page()
            page.on("console", lambda message: troubles.append(message.text) if message.type == "error" else None)
            page.goto(pages.served.url)
            page.get_by_label("Name").fill(SCRIPT)
            page.get_by_label("Password").fill(SCRIPT)
            page.get_by_role("button", name="Log in").click()
            expect(page.get_by_role("alert")).to_have_text("Name or password is wrong.")
            page.goto(f"{pages.origin}/enter?ticket={SCRIPT}")
            expect(page.get_by_role("alert")).to_be_visible()
            log_in(page, "fitter")
            page.wait_for_selector('#link[data-link="live"]')
            page.click("#note")
            page.fill("#note-text", SCRIPT)
            page.get_by_role("button", name="Keep").click()
            expect(page.locator("#told-off")).to_have_text("Kept with the record.")
            assert page.title() != "run"
            refused = [words for words in troubles if "status of 401" not in words and "status of 403" not in words]
            assert refused == []
        (job,) = (str(each["job"]) for each in jobs(tmp_path))
        remarks = [each for each in only(shown(tmp_path, job), "note") if each.get("about") == "remark"]
        assert [each["text"] for each in remarks] == [SCRIPT]
