"""The auditor's page under test: jobs to look at, and what the server answers."""

import gzip
import json
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

from playwright.sync_api import BrowserContext, ConsoleMessage, Page

from commands import jobs, steadypoint
from long_job import record_long_job
from meterlink.record.device_key import device_key
from meterlink.record.store import FILE_NAME, Store
from waiting import PATIENCE_S

HOSTILE = '<img src=x onerror="document.title=1"><script>document.title=2</script>'

BLOCKED = "Applying inline style violates"
"""The chart library brings a style for maps, which the page's policy refuses, as it should."""


def faulty_job(home: Path, *options: str) -> str:
    """Record a start-up check of a lift whose final limit is open, and return its id."""
    check = ("check", "start-up", "--accept-cautions", "--json", "--lift", "L-17")
    steadypoint(home, *check, "--meter", "sim:open-final-limit?speed=max&seed=3", *options)
    return str(jobs(home)[0]["job"])


def long_job(home: Path, count: int, bad_steps: frozenset[int]) -> str:
    """Record a job of so many readings, of which some steps fail."""
    with Store.open(home) as store:
        return record_long_job(store, count, device_key(home), bad_steps=bad_steps)


def alter(home: Path, change: str) -> None:
    """Change the record as no program of ours would."""
    with closing(sqlite3.connect(home / FILE_NAME)) as file:
        for (trigger,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            file.execute(f"DROP TRIGGER {trigger}")
        assert file.execute(change).rowcount > 0
        file.commit()


def answered(port: int, path: str) -> tuple[int, Any, int]:
    """Ask as a browser does; return status, answer, and how many bytes it took."""
    with closing(HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)) as connection:
        connection.request("GET", f"/audit/api/{path}", headers={"Accept-Encoding": "gzip"})
        response = connection.getresponse()
        sent = response.read()
    body = gzip.decompress(sent) if response.headers["Content-Encoding"] == "gzip" else sent
    is_json = response.headers["Content-Type"] == "application/json"
    return response.status, json.loads(body) if is_json else body.decode(), len(sent)


def audited(context: BrowserContext, url: str, troubles: list[str]) -> Page:
    """Open a page of the auditor's, and gather what it complains of."""

    def complain(message: ConsoleMessage) -> None:
        if message.type == "error":
            troubles.append(message.text)

    page = context.new_page()
    page.set_default_timeout(60_000)
    page.on("console", complain)
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.goto(url)
    return page


def drawn(page: Page) -> tuple[float, float]:
    """Wait until a timeline is drawn; return the ends of what is seen, in seconds."""
    page.wait_for_selector("#board[data-view]")
    start, end = str(page.get_attribute("#board", "data-view")).split()
    return float(start), float(end)


def moved(page: Page, before: tuple[float, float]) -> tuple[float, float]:
    """Wait until another stretch is drawn than that one; return the ends of what is seen now."""
    until(page, lambda: drawn(page) != before, 10)
    return drawn(page)


def until(page: Page, so: Callable[[], object], every_ms: float = 100) -> None:
    """Wait until something holds. The page's policy lets no test wait inside it: that would evaluate text."""
    end = time.monotonic() + PATIENCE_S
    while not so():
        assert time.monotonic() < end, "it did not come to be so"
        page.wait_for_timeout(every_ms)
