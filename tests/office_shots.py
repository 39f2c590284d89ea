"""Pictures of the office's page with ten crews in various states, at three sizes, light and dark, to be looked at.

python tests/office_shots.py FOLDER
"""

import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

from playwright.sync_api import Browser, Page, expect

from brokers import Mosquitto
from meterlink.outcome import Break
from meterlink.reading import Flag
from office_bench import Office, Relays, Technician, picture
from page_bench import LARGE, SMALL, chromium, opened

WIDE = {"width": 1920, "height": 1080}
LIFTS = (
    "A1 north",
    "A2 south",
    "B1 clinic",
    "B2 school",
    "C1 library",
    "C2 museum",
    "D1 house 4",
    "D2 house 7",
    "E1 hall",
    "E2 pool",
)


def ten_crews(home: Path) -> list[Technician]:
    """Ten crews, each at something else."""
    crews = [Technician(home / f"crew-{n}", lift, overdue=n == 5) for n, lift in enumerate(LIFTS, 1)]
    for number, crew in enumerate(crews):
        for _ in range(2 + number):
            crew.pass_step()
    crews[0].pass_to(lambda point: point == "F1:2")
    crews[0].note("The cover of the fuse was loose.", picture())
    crews[0].dead()
    crews[3].touch("23.46")
    for _ in range(30):
        crews[7].pass_step() if not crews[7].session.engine.ended else None
    crews[8].leave()
    return crews


def work_on(crews: list[Technician]) -> None:
    """Let meters show something now."""
    for number, crew in enumerate(crews):
        if crew.session.engine.ended or number in (6, 8):
            continue
        for value in (f"{24 + number / 10:.2f}", f"{24.02 + number / 10:.2f}"):
            crew.show(value, 1, *([Flag.LOW_BATTERY] if number == 5 else []))


def main(folder: Path) -> None:
    """Show everything."""
    folder.mkdir(parents=True, exist_ok=True)
    with ExitStack() as stack:
        home = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        broker = stack.enter_context(Mosquitto(home / "broker"))
        office = stack.enter_context(Office(home / "office", broker))
        relays = stack.enter_context(Relays(broker))
        browser = stack.enter_context(chromium())
        crews = ten_crews(home)
        for crew in crews:
            relays.start(crew)
        first = opened(browser.new_context(viewport=LARGE), office.url)
        expect(first.locator(".crew")).to_have_count(10)
        relays.cut_off("crew-7")
        crews[2].break_link(Break.LINK_LOST)
        for _ in range(20):
            work_on(crews)
            first.wait_for_timeout(900)
        shoot(browser, office, folder, crews)
        for crew in crews:
            crew.close()


def shoot(browser: Browser, office: Office, folder: Path, crews: list[Technician]) -> None:
    """Take each page at each size."""
    paths = {
        "crews": "",
        "job": f"job/{crews[0].job}",
        "job-look": f"job/{crews[1].job}",
        "history": "history",
        "aside": "aside",
    }
    for scheme in ("light", "dark"):
        for size in (SMALL, LARGE, WIDE):
            context = browser.new_context(viewport=size, color_scheme=scheme)  # type: ignore[arg-type]
            for name, path in paths.items():
                page: Page = context.new_page()
                page.goto(office.url + path)
                page.wait_for_timeout(600)
                work_on(crews)
                page.wait_for_timeout(900)
                page.screenshot(path=folder / f"{name}-{size['width']}-{scheme}.png")
                page.close()
            context.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
