"""What a job of a million readings costs on the auditor's page, in a real browser, and whether no dip is lost on it.

    python tests/audit_figures.py            # 1,000,000 readings; recording them takes some minutes
    python tests/audit_figures.py 50000

It prints the time to the first words and to the first picture, how many bytes they took, what each zoom takes in the
browser and in the server, and how long the server's event loop, in which a check would run, was away meanwhile.
"""

import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from http.client import HTTPConnection
from pathlib import Path

import click
from playwright.sync_api import Page, Request

from audit_bench import answered, audited, drawn, moved
from long_job import RATE, record_long_job
from meterlink.record.device_key import device_key
from meterlink.record.store import Store
from page_bench import LARGE, Served, chromium

_STEP_S = 200
"""Of the job's steps: no procedure has room for thousands of them."""
_AWAY_S = 0.15
"""A cue must be heard within this time, so the loop must not be away for longer."""
_COLUMNS = 1200
_ZOOMS = "+" * 10 + "-" * 10


@dataclass(slots=True)
class Figures:
    """What was found."""

    readings: int
    points: int = 0
    """Drawn when the whole job is seen."""
    dips_seen: int = 0
    first_words_s: float = 0
    first_picture_s: float = 0
    bytes_words: int = 0
    bytes_picture: int = 0
    zooms_s: list[float] = field(default_factory=list)
    windows_s: list[float] = field(default_factory=list)
    idle_s: list[float] = field(default_factory=list)
    """How long the event loop takes to answer while nothing is looked at."""
    away_s: list[float] = field(default_factory=list)
    """The same while the job is being read, proven and drawn."""


def bad_steps(count: int) -> frozenset[int]:
    """Steps that read 20 V: a touch a hundredth of the picture wide, or less."""
    steps = count // (_STEP_S * RATE)
    return frozenset({steps // 5, steps // 2, steps - 2})


def measured(home: Path, job: str, count: int) -> Figures:
    """Look at a job as an auditor does."""
    found = Figures(count)
    with Served(home, "serve", "--port", "0") as served, chromium() as browser:
        context = browser.new_context(viewport=LARGE)
        sent: list[Request] = []
        context.on("requestfinished", lambda request: sent.append(request))  # noqa: PLW0108 - a built-in cannot be marked
        with watched(served.port, found.idle_s):
            time.sleep(2)
        with watched(served.port, found.away_s):
            began = time.monotonic()
            page = audited(context, f"{served.url}audit/{job}", [])
            page.wait_for_selector("#counts li")
            found.first_words_s = time.monotonic() - began
            found.bytes_words = received(sent)
            drawn(page)
            found.first_picture_s = time.monotonic() - began
            found.bytes_picture = received(sent)
            page.wait_for_selector("#proof .state")
            look(page, found)
        for share in (1, 0.1, 0.01, 0.001):
            found.windows_s.append(window_s(served.port, job, count / RATE * share))
    return found


def look(page: Page, found: Figures) -> None:
    """Count what is drawn of the whole job, and zoom in and out."""
    data = "document.getElementById('chart').data"
    found.points = page.evaluate(f"{data}.reduce((sum, each) => sum + each.x.length, 0)")
    lines = f"{data}.filter((each) => each.line?.shape === 'hv')"
    low = f"{lines}.flatMap(({{x, y}}) => x.filter((_, at) => y[at] > 19 && y[at] < 21))"
    seen = [float(x) for x in page.evaluate(low)]
    bad = bad_steps(found.readings)
    found.dips_seen = sum(any(step * _STEP_S < x < (step + 1) * _STEP_S for x in seen) for step in bad)
    page.focus("#board")
    for key in _ZOOMS:
        before = drawn(page)
        began = time.monotonic()
        page.keyboard.press(key)
        moved(page, before)
        found.zooms_s.append(time.monotonic() - began)


def received(sent: list[Request]) -> int:
    """How many bytes the answers had so far, as they went over the wire."""
    return sum(request.sizes()["responseBodySize"] for request in list(sent))


def window_s(port: int, job: str, seconds: float) -> float:
    """How long the server takes for a window in the middle of the job."""
    began = time.monotonic()
    status, _, _ = answered(port, f"jobs/{job}/window?from=0&to={seconds}&columns={_COLUMNS}")
    assert status == 200
    return time.monotonic() - began


@contextmanager
def watched(port: int, away_s: list[float]) -> Iterator[None]:
    """Ask the server's event loop for next to nothing, over and over; note how long each answer takes."""
    ended = threading.Event()

    def ask() -> None:
        with closing(HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
            while not ended.wait(0.01):
                began = time.monotonic()
                connection.request("GET", "/picture.svg")  # there is none: no thread, no disk
                connection.getresponse().read()
                away_s.append(time.monotonic() - began)

    asking = threading.Thread(target=ask)
    asking.start()
    try:
        yield
    finally:
        ended.set()
        asking.join()


def main(count: int) -> int:
    """Run the full figures; return the exit status."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        began = time.monotonic()
        with Store.open(home) as store:
            job = record_long_job(store, count, device_key(home), _STEP_S, bad_steps(count))
        click.echo(f"{count} readings recorded in {time.monotonic() - began:.0f} s")
        return report(measured(home, job, count))


def report(found: Figures) -> int:
    """Print what was found; return the exit status."""
    away, zooms, bad = sorted(found.away_s), sorted(found.zooms_s), len(bad_steps(found.readings))
    p99 = away[len(away) * 99 // 100]
    words, picture = found.bytes_words / 1000, found.bytes_picture / 1000
    windows = ", ".join(f"{seconds * 1000:.0f} ms" for seconds in found.windows_s)
    for line in (
        f"first words after {found.first_words_s:.2f} s, {words:.0f} kB",
        f"first picture after {found.first_picture_s:.2f} s, {picture:.0f} kB, the chart library among them",
        f"points drawn of the whole job: {found.points}; dips seen: {found.dips_seen} of {bad}",
        f"a zoom in the browser: median {statistics.median(zooms):.2f} s, at most {zooms[-1]:.2f} s",
        f"a window of all, a tenth, a hundredth, a thousandth, from the server: {windows}",
        f"the event loop answers a request: median {statistics.median(found.idle_s) * 1000:.1f} ms while nothing is "
        f"looked at, at most {max(found.idle_s) * 1000:.0f} ms",
        f"and meanwhile: median {statistics.median(away) * 1000:.1f} ms, 99th percentile "
        f"{p99 * 1000:.0f} ms, at most {away[-1] * 1000:.0f} ms; {_AWAY_S * 1000:.0f} ms are allowed",
    ):
        click.echo(line)
    return 0 if found.dips_seen == bad and p99 <= _AWAY_S else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if sys.argv[1:] else 1_000_000))
