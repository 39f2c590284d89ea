"""Pictures of the technician's page in every state, at both sizes, in light and dark, to be looked at.

    python tests/page_shots.py FOLDER
"""

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Browser, Page, expect

from page_bench import LARGE, SMALL, Meter, Served, chromium, opened, write_procedure


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name, Meter() as meter, chromium() as browser:
        home = Path(name)
        write_procedure(home)
        with Served(home, "serve", "--port", "0") as served:
            walk(browser, served, meter, folder)


def walk(browser: Browser, served: Served, meter: Meter, folder: Path) -> None:
    """Take one check through its states; every page that is open shows each."""
    pages = {
        f"{scheme}-{size['width']}": opened(
            browser.new_context(viewport=size, color_scheme=scheme, has_touch=size is SMALL), served.url
        )
        for scheme in ("light", "dark")
        for size in (SMALL, LARGE)
    }
    first = pages["light-360"]
    taken = 0

    def shoot(name: str) -> None:
        nonlocal taken
        taken += 1
        for kind, page in pages.items():
            page.wait_for_timeout(150)
            page.screenshot(path=folder / f"{taken:02}-{name}-{kind}.png", full_page=kind == "light-360" and name == "live")

    def until(check: Callable[[Page], object]) -> None:
        for page in pages.values():
            check(page)

    first.wait_for_selector("#procedures input")
    shoot("empty")
    first.get_by_text("Sample").first.click()
    first.fill("#address", meter.address)
    first.check("#acknowledged")
    shoot("ready")
    first.click("#begin")
    until(lambda page: page.wait_for_selector("#step:not([hidden])"))
    shoot("look")
    first.click("#confirm")
    until(lambda page: expect(page.locator("#point")).to_have_text("G1:+"))
    shoot("waiting")
    meter.touch("25.41 V DC")
    until(lambda page: expect(page.locator("#point")).to_have_text("F1:2"))
    meter.touch("25.38 V DC")
    until(lambda page: expect(page.locator("#point")).to_have_text("B1:11"))
    shoot("pass")
    meter.touch("23.42 V DC")
    until(lambda page: page.wait_for_selector('#verdict[data-outcome="unclear"]'))
    shoot("unclear")
    meter.touch("0.012 V DC")
    first.wait_for_selector('#confirm[data-ready="yes"]')
    shoot("confirm-dead")
    first.click("#confirm")
    until(lambda page: page.wait_for_selector('#verdict[data-outcome="fail"]'))
    shoot("fail")
    meter.touch("24.9")
    meter.shown = "24.96 V DC"
    until(lambda page: page.wait_for_selector('body[data-live="yes"]'))
    shoot("live")
    meter.shown = None
    first.wait_for_timeout(4000)
    shoot("no-data")
    meter.touch("24.96 V DC")
    until(lambda page: expect(page.locator("#point")).to_have_text("S1"))
    first.click('[data-answer="confirm"]')
    until(lambda page: page.wait_for_selector("#finished:not([hidden])"))
    shoot("finished")
    served.kill()
    first.wait_for_timeout(8000)
    shoot("link-lost")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
