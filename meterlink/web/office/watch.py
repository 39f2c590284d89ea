"""Keeps a card for every job that is under way, for whoever looks at the office's page. One for a process.

It asks the store what changed, once for all browsers; several office processes on one store show the same.
"""

import asyncio
import json
import secrets
import time
from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field

from meterlink.errors import MeterlinkError
from meterlink.office.account import Account
from meterlink.office.alerts import Case, Link
from meterlink.office.card import card, is_history, shown_json
from meterlink.office.feed import Change, Feed, Live
from meterlink.office.plan import Plan
from meterlink.office.register import NO_SITE
from meterlink.office.shown import Sample, as_reading, sample_of
from meterlink.outcome import Json
from meterlink.reading import NS_PER_S, Reading
from meterlink.record.store import Job
from meterlink.web.office.records import Grown, Records
from meterlink.web.office.shelf import Shelf

_SHOWN_S = 12 * 3600
_MOST_JOBS = 1000
"""So many cards at most: the newest."""
_MOST_GONE = 500
_PACE_S = 0.05
_TICK_S = 1.0
_SHOWN_AT_ONCE = 50
_AGAIN_S = 2.0
_SKEW_NS = 10 * NS_PER_S
"""A clock that is off by less is not told from the way that a message takes."""


@dataclass(slots=True)
class _Watched:
    """One job."""

    job: Job
    device: str
    received_utc_ns: int
    plan: Plan
    account: Account = field(default_factory=Account)
    stored: Reading | None = None
    sample: Sample | None = None
    asides: int = 0

    @property
    def shown(self) -> Reading | None:
        """What the meter showed last, wherever that came from."""
        if self.sample is None or (self.stored is not None and self.stored.at.utc_ns >= self.sample.utc_ns):
            return self.stored
        return as_reading(self.sample, self.stored)


class Watch:
    """The cards."""

    def __init__(self, records: Records, feed: Feed, *, store_place: str) -> None:
        """Begin with none; `run` fills it.

        Args:
            records: reads the store.
            feed: says what changed.
            store_place: names the store to people.
        """
        self._records, self._feed = records, feed
        self.store_place = store_place
        self.epoch = secrets.token_hex(4)
        """Tells this process's numbers from another's."""
        self.token = secrets.token_urlsafe(24)
        """What a page must send back with what it asks for."""
        self.cards, self.lives = Shelf(), Shelf()
        self.notices: list[Callable[[str, str], None]] = []
        """Called with what a change is about and its name, before anything is done about it."""
        self.news = ""
        """What the office process said last."""
        self.reached = False
        """Whether it hears the crews."""
        self.loaded = asyncio.Event()
        self._jobs: dict[str, _Watched] = {}
        self._links: dict[str, Link] = {}
        self._ahead: dict[str, int] = {}
        self._sites: dict[str, str] = {}
        self._gone: deque[str] = deque()
        self._cursor: int | None = None
        self._fresh = asyncio.Event()
        self.closed = False

    async def run(self) -> None:
        """Keep the cards until cancelled; a store that cannot be read is tried again."""
        await asyncio.gather(self._keep(self._keep_up), self._keep(self._take_lives), self._keep(self._tick))

    def close(self) -> None:
        """End every stream."""
        self.closed = True
        self.wake()

    def say(self, news: str) -> None:
        """Show what the office process says."""
        self.news, self.reached = news, False
        self.wake()

    def hears(self) -> None:
        """Show that the crews can be heard."""
        self.reached = True
        self.wake()

    def wake(self) -> None:
        """Let the readers look."""
        fresh, self._fresh = self._fresh, asyncio.Event()
        fresh.set()

    @property
    def jobs(self) -> list[str]:
        """The jobs that have a card."""
        return list(self._jobs)

    @property
    def fresh(self) -> asyncio.Event:
        """Set with the next change, whatever it is; take it before looking."""
        return self._fresh

    def ahead(self, device: str) -> int:
        """Return how far a crew's clock is ahead of this one, in nanoseconds."""
        return self._ahead.get(device, 0)

    # Keeping up with the store

    async def _keep(self, work: Callable[[], Awaitable[None]]) -> None:
        while True:
            try:
                await work()
            except MeterlinkError as error:
                self.say(str(error))
            except Exception as error:
                self.say(f"the page: {type(error).__name__}: {error}")
            await asyncio.sleep(_AGAIN_S)

    async def _keep_up(self) -> None:
        if self._cursor is None:
            newest = await asyncio.to_thread(self._feed.newest)
            await self._load()
            self._cursor = newest
        async for changes in self._feed.changes(self._cursor):
            await self._take(changes)
            self._cursor = changes[-1].cursor
            await asyncio.sleep(_PACE_S)

    async def _load(self) -> None:
        since = time.time_ns() - _SHOWN_S * NS_PER_S
        self._sites = await asyncio.to_thread(self._records.sites)
        self._links = await asyncio.to_thread(self._records.links)
        jobs = await asyncio.to_thread(self._records.newest_jobs, since, _MOST_JOBS)
        await self._grow(jobs)
        self.loaded.set()
        self.wake()

    async def _take(self, changes: Sequence[Change]) -> None:
        names: dict[str, set[str]] = {}
        for change in changes:
            names.setdefault(change.about, set()).add(change.name)
            for notice in self.notices:
                notice(change.about, change.name)
        touched = set()
        for each in [each for each in self._jobs.values() if each.device in names.get("aside", ())]:
            await self._count_asides(each)
            touched.add(each.job.id)
        if "device" in names:
            self._sites = await asyncio.to_thread(self._records.sites)
            touched |= self._jobs.keys()
        for name in names.get("gone", ()):
            self._forget(name)
        await self._grow(sorted(names.get("job", ())))
        if "status" in names:
            fresh = await asyncio.to_thread(self._records.links, names["status"])
            for device, link in fresh.items():
                self._links[device] = link.after(self._links.get(device))
            touched |= {each.job.id for each in self._jobs.values() if each.device in fresh}
        for job in touched:
            self._show(job)
        self.wake()

    async def _grow(self, jobs: Sequence[str]) -> None:
        """Read on in these jobs, and write their cards anew."""
        after = {job: self._jobs[job].account.seq if job in self._jobs else 0 for job in jobs}
        grown = await asyncio.to_thread(self._records.grown, after)
        for job, more in grown.items():
            try:
                await self._add(job, more)
                self._show(job)
            except (KeyError, TypeError, ValueError, ArithmeticError) as error:  # a stranger's lines may say anything
                self.say(f"job {job} cannot be shown: {error}")

    async def _add(self, job: str, more: Grown) -> None:
        watched = self._jobs.get(job)
        if watched is None:
            watched = self._jobs[job] = _Watched(more.job, more.device, more.received_utc_ns, more.plan)
            await self._count_asides(watched)
        watched.received_utc_ns = more.received_utc_ns
        for event in more.events:
            watched.account.take(event)
        if more.reading is not None:
            watched.stored = more.reading

    async def _count_asides(self, watched: _Watched) -> None:
        began = watched.job.started_utc_ns - self.ahead(watched.device)
        watched.asides = await asyncio.to_thread(self._records.asides, watched.device, began)

    # Cards

    def _case(self, watched: _Watched) -> Case:
        device = watched.device
        return Case(watched.account, watched.plan, self._links.get(device), watched.asides, self.ahead(device))

    def _show(self, job: str) -> None:
        watched, now = self._jobs.get(job), time.time_ns()
        if watched is None:
            return
        case = self._case(watched)
        if is_history(case, watched.received_utc_ns, now):
            self._forget(job)
            return
        site = self._sites.get(watched.device, NO_SITE)
        self.cards.put(job, _text(card(watched.job, device=watched.device, site=site, case=case, now_utc_ns=now)))
        self._show_value(watched, case)

    def _forget(self, job: str) -> None:
        if self._jobs.pop(job, None) is not None:
            self.cards.put(job, _text({"job": job, "gone": True}))
            self.lives.drop(job)
            self._gone.append(job)
            if len(self._gone) > _MOST_GONE:
                self._bury(self._gone.popleft())

    def _bury(self, job: str) -> None:
        """Forget even that a job is gone: a page that was away for so long drops it by the list that it gets."""
        if job not in self._jobs:
            self.cards.drop(job)

    async def _take_lives(self) -> None:
        async for lives in self._feed.shown():
            for live in lives:
                self._take_live(live)
            self.wake()
            await asyncio.sleep(_PACE_S / 2)

    def _take_live(self, live: Live) -> None:
        watched, sample = self._jobs.get(live.job), sample_of(live.records)
        if watched is None or sample is None or watched.device != live.device:
            return
        if watched.sample is not None and sample.utc_ns < watched.sample.utc_ns:
            return
        arrived = time.time_ns() - round((time.monotonic() - live.since) * NS_PER_S)
        ahead = sample.utc_ns - arrived
        self._ahead[live.device] = ahead if abs(ahead) > _SKEW_NS else 0
        watched.sample = sample
        self._show_value(watched, self._case(watched))

    def _show_value(self, watched: _Watched, case: Case) -> None:
        if (shown := watched.shown) is not None:
            self.lives.put(watched.job.id, _text({"job": watched.job.id, **shown_json(case, shown)}))

    async def _tick(self) -> None:
        """See what the time alone changes."""
        while True:
            await asyncio.sleep(_TICK_S)
            before = self.cards.last
            for number, job in enumerate(list(self._jobs)):
                self._show(job)
                if number % _SHOWN_AT_ONCE == 0:
                    await asyncio.sleep(0)  # others have a turn
            if self.cards.last != before:
                self.wake()


def _text(body: Json) -> str:
    return json.dumps(body, separators=(",", ":"))
