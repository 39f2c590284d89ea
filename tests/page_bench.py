"""A page under test: the command that serves it, a meter whose display is at hand, a real browser."""

import os
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Self

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, ViewportSize, expect, sync_playwright

from commands import environment
from procedure_samples import with_steps
from waiting import PATIENCE_S

SMALL: ViewportSize = {"width": 360, "height": 740}
LARGE: ViewportSize = {"width": 1280, "height": 800}

TITLE = "Short check of supply and chain"

CAUTIONS = ["Take care."]
"""Those of the sample procedure."""

STEPS = with_steps(
    """
    - {id: breaker-in, kind: look, point: Q1, ask: "Is the control breaker pushed in?", remedy: Push Q1 in.}
    - {id: battery, kind: reading, point: "G1:+", reference: earth bar, measure: dc-voltage, limits: 24.0..29.0 V}
    - {id: fuse, kind: reading, point: "F1:2", reference: earth bar, measure: dc-voltage, limits: 23.5..29.0 V,
       remedy: "Between F1:1 and F1:2 lies the main fuse. Find out why it blew before you replace it."}
    - {id: limit-in, kind: reading, point: "B1:11", reference: earth bar, measure: dc-voltage, limits: 23.5..29.0 V}
    - {id: limit-out, kind: reading, point: "B1:12", reference: earth bar, measure: dc-voltage, limits: 23.5..29.0 V,
       remedy: "Between B1:11 and B1:12 lies the final limit. Find out why the platform ran onto it."}
    - {id: connector, kind: reading, point: "X2:3", reference: earth bar, measure: dc-voltage, limits: 23.5..29.0 V}
    - {id: stop-released, kind: look, point: S1, ask: "Is the emergency stop in the cab released?"}
    """
).replace(
    "title: Sample\nrevision: 1",
    f"title: {TITLE}\nrevision: 1\ncircuit: start-up\njudging: {{rule: guarded}}\nreferences:\n"
    "  - {name: earth bar, node: PE, where: The earth bar in the controller box}",
    1,
)

expect.set_options(timeout=1000 * PATIENCE_S)

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


class Meter:
    """A meter on a TCP port that shows what it is told, five updates a second of the check's time."""

    TIMES_FASTER = 4

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.shown: str | None = "0.000 V DC"
        self._ended = False
        threading.Thread(target=self._serve, daemon=True).start()

    @property
    def address(self) -> str:
        """As the commands take it."""
        return f"tcp:127.0.0.1:{self.port}?format=text-line&time-scale={self.TIMES_FASTER}"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._ended = True
        self._listener.close()

    def touch(self, shown: str) -> None:
        """Lift the probes for long enough to be seen, then touch a point that shows this."""
        self.shown = "0.000 V DC"
        time.sleep(0.6)
        self.shown = shown

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                link, _ = self._listener.accept()
                threading.Thread(target=self._send, args=(link,), daemon=True).start()

    def _send(self, link: socket.socket) -> None:
        with suppress(OSError), link:
            while not self._ended:
                if self.shown is not None:
                    link.sendall(f"{self.shown}\n".encode())
                time.sleep(0.2 / self.TIMES_FASTER)


class Served:
    """A command that serves pages, in a process of its own."""

    def __init__(self, home: Path, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "meterlink", *arguments],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            env=environment(home),
        )
        assert self.process.stderr is not None
        said = []
        for line in self.process.stderr:
            said.append(line)
            if line.startswith(("The technician's page: ", "The office's page: ")):
                self.url = line.split()[-1]
                break
        else:
            raise AssertionError("".join(said))
        self._rest = threading.Thread(target=self.process.stderr.read)  # a full pipe would stop it
        self._rest.start()

    @property
    def port(self) -> int:
        return int(self.url.rstrip("/").rpartition(":")[2])

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def end(self) -> None:
        """End it as a terminal would, in order."""
        self.process.terminate()
        self._gone()

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.kill()
        self._gone()

    def _gone(self) -> None:
        assert self.process.stderr is not None
        self.process.wait(PATIENCE_S)
        self._rest.join()
        self.process.stderr.close()


def write_procedure(home: Path, text: str = STEPS, name: str = "sample.yaml") -> Path:
    """Put a procedure where the pages offer it."""
    folder = home / "procedures"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text(text, encoding="utf-8")
    return folder / name


@contextmanager
def chromium() -> Iterator[Browser]:
    """A real browser; where there is none, the test is skipped, but never in CI."""
    if CHROMIUM is None:
        message = "Chromium is not installed (Debian package chromium)"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        try:
            yield browser
        finally:
            browser.close()


def opened(context: BrowserContext, url: str, troubles: list[str] | None = None) -> Page:
    """Open a page that is linked, and gather what it complains of."""

    def complain(message: ConsoleMessage) -> None:
        if troubles is not None and message.type == "error":
            troubles.append(message.text)

    page = context.new_page()
    page.set_default_timeout(60_000)
    page.on("console", complain)
    page.on("pageerror", lambda error: troubles.append(str(error)) if troubles is not None else None)
    page.goto(url)
    page.wait_for_selector('#link[data-link="live"]')
    return page


class Cut:
    """A network between browser and server that can go silent without a word, as a phone does behind a wall."""

    def __init__(self, port: int) -> None:
        self._behind = port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.silent = False
        threading.Thread(target=self._serve, daemon=True).start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._listener.close()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                with suppress(OSError):
                    far = socket.create_connection(("127.0.0.1", self._behind))
                    threading.Thread(target=self._carry, args=(near, far), daemon=True).start()
                    threading.Thread(target=self._carry, args=(far, near), daemon=True).start()
                    continue
                near.close()

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with suppress(OSError), one, other:
            while data := one.recv(65536):
                while self.silent:
                    time.sleep(0.05)
                other.sendall(data.replace(b":%d" % self.port, b":%d" % self._behind))


def accessible(page: Page) -> None:
    """The whole page, seen from top to bottom, without violations of WCAG 2.2 AA and of axe's best practices."""
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()


def nothing_cut_off(page: Page, at: ViewportSize) -> None:
    """No sideways scrolling down to 320 px (WCAG 2.2, 1.4.10), and no text wider than its box."""
    cut = """() => [...document.querySelectorAll('button, h2, dd, p:not(.unseen), li, .choice')].filter((each) =>
        each.offsetParent && each.scrollWidth > each.clientWidth + 1).map((each) => each.outerHTML.slice(0, 80))"""
    for width in (320, at["width"]):
        page.set_viewport_size({"width": width, "height": at["height"]})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        found = page.evaluate(cut)
        assert found == [], found
