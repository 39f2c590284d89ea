"""From a reading to the office's page: how long it takes until Chromium has drawn what a crew's meter showed.

A reading is stamped when the crew's process takes it from the meter; the page notes the same machine's clock once the
digits are on the screen. On the way: the crew's commit, its relay, a real mosquitto, the office, the page. A crew's
readings share a commit for up to 0.25 s (`session.py`); the newest of each is drawn, and counts here.

    python tests/office_page_figures.py [CREWS] [SECONDS] [READINGS A SECOND] [--postgresql]
"""

import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import expect

from brokers import Mosquitto
from databases import one_if_asked_for
from office_bench import Office, Relays, Technician
from page_bench import LARGE, chromium, opened

WATCH = """(selector) => {
  window.delays = [];
  const note = ({ dataset: { at } }) => {
    if (at) requestAnimationFrame(() => setTimeout(() => window.delays.push(Date.now() - Number(at))));
  };
  const observer = new MutationObserver((changes) => new Set(changes.map(({ target }) => target)).forEach(note));
  document.querySelectorAll(selector).forEach((each) =>
    observer.observe(each, { attributes: true, attributeFilter: ["data-at"] }));
}"""
"""Notes, each time that a reading's time changes, how old it is when the frame that shows it has been drawn."""


@dataclass(frozen=True, slots=True)
class Delays:
    """How old readings were when they had been drawn, in milliseconds."""

    page: str
    sent: int
    """Readings that all crews took meanwhile."""
    drawn: tuple[int, ...]

    def __str__(self) -> str:
        median, most = share(self.drawn, 0.5), share(self.drawn, 0.99)
        return f"{self.page}: {len(self.drawn)} drawn, median {median} ms, 99th percentile {most} ms"


def share(delays: tuple[int, ...], part: float) -> int:
    """Return the delay below which that part of them lies."""
    return sorted(delays)[min(len(delays) - 1, int(part * len(delays)))]


def measure(crews: int, seconds: float, rate: float, store: str | None = None) -> list[Delays]:
    """Let crews read, and watch first one page, then the other: a browser draws a page behind another late."""
    with ExitStack() as stack:
        home = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        broker = stack.enter_context(Mosquitto(home / "broker"))
        office = stack.enter_context(Office(home / "office", broker, store=store))
        relays = stack.enter_context(Relays(broker))
        context = stack.enter_context(chromium()).new_context(viewport=LARGE)
        found = []
        people = [Technician(home / f"crew-{n}", f"Lift {n}", real_time=True) for n in range(1, crews + 1)]
        for each in people:
            for _ in range(5):
                each.pass_step()
            relays.start(each)
        pages = (("all crews", "", ".crew", crews), ("one job", f"job/{people[0].job}", "#digits", 1))
        for name, path, selector, count in pages:
            page = opened(context, office.url + path)
            expect(page.locator(f"{selector}[data-at]")).to_have_count(count)
            page.evaluate(WATCH, selector)
            sent = read(people, seconds, rate)
            page.wait_for_timeout(2000)
            found.append(Delays(name, sent, tuple(page.evaluate("window.delays"))))
            page.close()
        for each in people:
            each.close()
        return found


def read(people: list[Technician], seconds: float, rate: float) -> int:
    """Let every crew take readings, each in a thread of its own; return how many there were."""
    taken = [0] * len(people)

    def work(number: int) -> None:
        begin = time.monotonic() + number / len(people) / rate
        while (due := begin + taken[number] / rate) < begin + seconds:
            time.sleep(max(0.0, due - time.monotonic()))
            people[number].show(f"24.{taken[number] % 100:02}")
            taken[number] += 1

    threads = [threading.Thread(target=work, args=(number,)) for number in range(len(people))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sum(taken)


def main() -> None:
    """Measure and print."""
    with one_if_asked_for() as server:
        given = [float(each) for each in sys.argv[1:]]
        crews, seconds, rate = [*given, *(10.0, 60.0, 5.0)[len(given) :]]
        found = measure(int(crews), seconds, rate, server.database() if server else None)
    print(f"{crews:.0f} crews, {rate:g} readings a second each, {'PostgreSQL' if server else 'SQLite'}:")  # noqa: T201
    for delays in found:
        print(f"  {delays}")  # noqa: T201


if __name__ == "__main__":
    main()
