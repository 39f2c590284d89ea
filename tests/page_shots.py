"""Pictures of the technician's page and of the login in every state, at both sizes, in light and dark, to be looked at.

python tests/page_shots.py FOLDER
"""

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Literal

from playwright.sync_api import Browser, Page, expect

from commands import jobs, steadypoint
from login_bench import locked
from page_bench import LARGE, SMALL, TITLE, Meter, Served, chromium, opened, write_procedure

SCHEMES: tuple[Literal["light", "dark"], ...] = ("light", "dark")


def main(folder: Path) -> None:
    """Take checks through their states; every page that is open shows each."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name, Meter() as meter, chromium() as browser:
        home = Path(name)
        write_procedure(home)
        with Served(home, "serve", "--port", "0") as served:
            shown = Shown(browser, served.url, folder)
            begin(shown, meter)
            served.kill()
            shown.first.wait_for_timeout(8000)
            shown.shoot("no-link")
        (job,) = (str(each["job"]) for each in jobs(home))
        port, where = str(served.port), meter.address
        with Served(home, "serve", "--port", port, "--job", job, "--meter", where):
            end(shown, meter)
        search(browser, home, folder)
        login(browser, home, folder)


def login(browser: Browser, home: Path, folder: Path) -> None:
    """The way in: asked, refused, by a phone's code, and out again."""
    with locked(home) as pages:
        for scheme in SCHEMES:
            for size in (SMALL, LARGE):
                page = browser.new_context(viewport=size, color_scheme=scheme).new_page()

                def shoot(name: str, page: Page = page, kind: str = f"{scheme}-{size['width']}") -> None:
                    page.screenshot(path=folder / f"login-{name}-{kind}.png")

                page.goto(pages.served.url)
                shoot("asked")
                page.get_by_label("Name").fill(f"{scheme}-{size['width']}")
                page.get_by_label("Password").fill("a wrong password")
                page.get_by_role("button", name="Log in").click()
                shoot("refused")
                page.goto(steadypoint(home, "enrol", "phone-1", "--only", "phone").stdout.split()[-1])
                shoot("code")
                page.get_by_role("button", name="Open").click()
                page.goto(f"{pages.origin}/login")
                shoot("in")


def search(browser: Browser, home: Path, folder: Path) -> None:
    """A simulated lift whose final limit is open, and the search for it."""
    begun = ("serve", "start-up", "--meter", "sim:open-final-limit?speed=3&seed=3", "--accept-cautions")
    with Served(home, *begun, "--port", "0") as served:
        shown = Shown(browser, served.url, folder, taken=12)
        shown.first.locator("#suspects li").first.wait_for(timeout=90_000)
        shown.shoot("search")


class Shown:
    """The page at both sizes, in light and dark."""

    def __init__(self, browser: Browser, url: str, folder: Path, taken: int = 0) -> None:
        self._folder, self._taken = folder, taken
        self._pages = {
            f"{scheme}-{size['width']}": opened(browser.new_context(viewport=size, color_scheme=scheme), url)
            for scheme in SCHEMES
            for size in (SMALL, LARGE)
        }
        self.first = self._pages["light-360"]

    def shoot(self, name: str) -> None:
        """Take a picture of each."""
        self._taken += 1
        self.first.wait_for_timeout(200)
        for kind, page in self._pages.items():
            page.screenshot(path=self._folder / f"{self._taken:02}-{name}-{kind}.png")

    def until(self, check: Callable[[Page], object]) -> None:
        """Wait until each is so far."""
        for page in self._pages.values():
            check(page)

    def until_asked(self, point: str) -> None:
        """Wait until each asks for a point."""
        self.until(lambda page: expect(page.locator("#point")).to_have_text(point))


def begin(shown: Shown, meter: Meter) -> None:
    """From nothing to a fail."""
    first = shown.first
    first.wait_for_selector("#procedures input")
    shown.shoot("empty")
    first.get_by_text(TITLE).click()
    first.fill("#address", meter.address)
    first.check("#acknowledged")
    shown.shoot("ready")
    first.click("#begin")
    shown.until_asked("Q1")
    shown.shoot("look")
    first.click("#confirm")
    shown.until_asked("G1:+")
    first.wait_for_timeout(500)
    shown.shoot("waiting")
    meter.touch("25.41 V DC")
    shown.until_asked("F1:2")
    meter.touch("25.38 V DC")
    shown.until_asked("B1:11")
    shown.shoot("pass")
    meter.touch("23.42 V DC")
    shown.until_asked("B1:12")
    shown.shoot("unclear")
    meter.touch("0.012 V DC")
    first.wait_for_selector('#confirm[data-ready="asked"]')
    shown.shoot("confirm-dead")
    first.click("#confirm")
    shown.until_asked("X2:3")
    shown.shoot("fail")


def end(shown: Shown, meter: Meter) -> None:
    """From the restart to the end."""
    shown.until(lambda page: page.wait_for_selector('#link[data-link="live"]'))
    shown.until_asked("X2:3")
    shown.shoot("resumed")
    meter.shown = None
    shown.first.wait_for_timeout(4000)
    shown.shoot("no-data")
    meter.touch("24.96 V DC")
    shown.until_asked("S1")
    shown.first.click("#confirm")
    shown.until(lambda page: page.wait_for_selector("#finished:not([hidden])"))
    shown.shoot("finished")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
