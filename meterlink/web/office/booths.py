"""The jobs that somebody looks at in full: each followed once, however many look, by one thread for all."""

import asyncio
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field

from meterlink.circuit.picture.svg import svg
from meterlink.errors import MeterlinkError
from meterlink.web.office.booth import Booth
from meterlink.web.office.records import Records
from meterlink.web.office.watch import Watch

_KEPT_S = 60.0
"""A job that nobody looks at any more is followed for so long: a page that is loaded anew finds it ready."""
_AGAIN_S = 2.0


@dataclass(slots=True)
class Followed:
    """One job that is followed."""

    booth: Booth
    watchers: int = 0
    grown: asyncio.Event = field(default_factory=asyncio.Event)
    fresh: asyncio.Event = field(default_factory=asyncio.Event)
    """Set with the next change; take it before looking."""
    task: "asyncio.Task[None] | None" = None
    trouble: str | None = None
    """Why the store cannot be read; None while it can."""

    drawn: tuple[int, bytes] | None = None
    """The circuit's picture, and which it is."""
    drawing: asyncio.Lock = field(default_factory=asyncio.Lock)

    async def picture(self) -> bytes | None:
        """Return the circuit as a picture, drawn once for all who look; None where there is none."""
        async with self.drawing:
            number, pictured = self.booth.pictures, self.booth.pictured
            if pictured is None:
                return None
            if self.drawn is None or self.drawn[0] != number:
                self.drawn = number, (await asyncio.to_thread(svg, *pictured)).encode()
            return self.drawn[1]

    def wake(self) -> None:
        """Let the readers look."""
        fresh, self.fresh = self.fresh, asyncio.Event()
        fresh.set()


class Booths:
    """Opens them and lets them go."""

    def __init__(self, records: Records, watch: Watch) -> None:
        """Follow none; what changes is heard from `watch`."""
        self._records, self._watch = records, watch
        self._followed: dict[str, Followed] = {}
        self._thread = ThreadPoolExecutor(1, "office-booths")
        watch.notices.append(self._hear)

    def close(self) -> None:
        """Let all go."""
        for followed in self._followed.values():
            if followed.task is not None:
                followed.task.cancel()
            followed.wake()
        self._thread.shutdown(wait=False, cancel_futures=True)

    @asynccontextmanager
    async def looking(self, job: str) -> AsyncIterator[Followed]:
        """Follow a job for as long as the block runs.

        Raises:
            RecordError: there is no such job here.
        """
        followed = self._followed.get(job)
        if followed is None:
            booth = await asyncio.get_running_loop().run_in_executor(self._thread, Booth, self._records, job)
            followed = self._followed.setdefault(job, Followed(booth))
            if followed.task is None:
                followed.task = asyncio.create_task(self._follow(followed))
        followed.watchers += 1
        try:
            yield followed
        finally:
            followed.watchers -= 1
            if not followed.watchers:
                asyncio.get_running_loop().call_later(_KEPT_S, self._let_go, job)

    def _let_go(self, job: str) -> None:
        followed = self._followed.get(job)
        if followed is not None and not followed.watchers:
            del self._followed[job]
            if followed.task is not None:
                followed.task.cancel()

    def _hear(self, about: str, name: str) -> None:
        if about == "job" and name in self._followed:
            self._followed[name].grown.set()
        elif about == "note":
            for followed in self._followed.values():
                followed.grown.set()

    async def _follow(self, followed: Followed) -> None:
        booth, loop = followed.booth, asyncio.get_running_loop()
        with suppress(RuntimeError):  # the thread is gone: everything ends
            while True:
                followed.grown.clear()
                try:
                    await loop.run_in_executor(self._thread, booth.advance, self._watch.ahead(booth.device))
                    followed.trouble = None
                except MeterlinkError as error:
                    followed.trouble = str(error)
                    await asyncio.sleep(_AGAIN_S)
                    followed.grown.set()
                followed.wake()
                if not booth.behind:
                    await followed.grown.wait()
