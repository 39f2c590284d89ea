"""A listening post: opens a meter at one setting after another, and lets every candidate format hear what comes."""

import asyncio
import os
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Protocol

from meterlink.driver import Chunk, Clock, Connection, Format, LineSettings, MeterUrl, Transport
from meterlink.found import Step
from meterlink.identify import Hearing, Listener, takes_part
from meterlink.reading import NS_PER_S, Instant

_STEP_S = 0.05

Say = Callable[[str], None]


class Asker(Protocol):
    """Knows what to ask a meter next. A polled format's decoder is one."""

    def poll(self, at: Instant) -> bytes:
        """Return what to send now, or nothing."""

    def feed(self, data: bytes, at: Instant) -> object:
        """Take what came."""


@dataclass(slots=True)
class Post:
    """One meter, and all that was tried on it."""

    url: MeterUrl
    transport: Transport
    formats: Mapping[str, Format]
    """The candidates, by name."""
    clock: Clock
    say: Say
    """Told what is being tried, for people who wait."""
    steps: list[Step] = field(default_factory=list)

    by_bytes: list[Format] = field(init=False)
    """The candidates for which bytes can speak by themselves."""
    has_line: bool = field(init=False)
    """Whether speed and parity have any effect here."""

    def __post_init__(self) -> None:
        self.by_bytes = [wire for wire in self.formats.values() if takes_part(wire)]
        self.has_line = "baud" in self.transport.options and _has_line(self.url.address)

    async def listen(
        self,
        line: LineSettings,
        setting: str,
        seconds: float,
        *,
        silent_s: float | None = None,
        candidates: Iterable[Format] | None = None,
    ) -> Hearing:
        """Listen until something stands, nothing can come of it, or the time is over.

        Args:
            line: how to open it.
            setting: the same in words.
            seconds: how long to listen.
            silent_s: how long to wait for the first byte, where that is less.
            candidates: who may speak; those for which bytes can, when None.

        Raises:
            LinkError: the meter cannot be reached, or the link broke.
        """
        listener = Listener(self.by_bytes if candidates is None else candidates)
        waits = seconds if silent_s is None else min(seconds, silent_s)
        return await self.attend(line, setting, listener, lambda heard: seconds if heard.received else waits)

    async def attend(
        self,
        line: LineSettings,
        setting: str,
        listener: Listener,
        patience: Callable[[Listener], float],
        asker: Asker | None = None,
    ) -> Hearing:
        """Hear a meter at one setting, and ask it where there is somebody to ask.

        Args:
            line: how to open it.
            setting: the same in words.
            listener: hears what comes.
            patience: for how many seconds in all, given what was heard so far.
            asker: what to ask; None to listen only.

        Raises:
            LinkError: the meter cannot be reached, or the link broke.
        """
        self.say(setting)
        async with self._open(line) as link:
            began_ns = self.clock().monotonic_ns
            while not listener.decided:
                now = self.clock()
                if now.monotonic_ns - began_ns > patience(listener) * NS_PER_S:
                    break
                if asker is None and self.has_line and listener.hopeless(now):
                    break
                if asker is not None and (question := asker.poll(now)):
                    await link.write(question)
                chunk = await link.read_within(_STEP_S)
                if chunk is not None:
                    listener.feed(chunk.data, chunk.at)
                    if asker is not None:
                        asker.feed(chunk.data, chunk.at)
                elif link.ended:
                    break
        hearing = listener.hearing
        self.steps.append(Step(setting, hearing))
        return hearing

    @asynccontextmanager
    async def _open(self, line: LineSettings) -> AsyncIterator["_OpenLink"]:
        async with self.transport.open(self.url, line, self.clock) as connection:
            link = _OpenLink(connection)
            try:
                yield link
            finally:
                await link.stop()


class _OpenLink:
    """A connection read with a time limit; a read that is not done yet goes on in the next call."""

    def __init__(self, connection: Connection) -> None:
        self.write = connection.write
        self.ended = False
        self._connection = connection
        self._read: asyncio.Task[Chunk | None] | None = None

    async def read_within(self, seconds: float) -> Chunk | None:
        if self._read is None:
            self._read = asyncio.create_task(self._connection.read(), name="identify-read")
        await asyncio.wait({self._read}, timeout=seconds)
        if not self._read.done():
            return None
        chunk, self._read = self._read.result(), None
        self.ended = chunk is None
        return chunk

    async def stop(self) -> None:
        if self._read is not None:
            self._read.cancel()
            await asyncio.gather(self._read, return_exceptions=True)


def _has_line(address: str) -> bool:
    """Whether the address is a real line: no pseudo-terminal, and no bare socket."""
    if "://" in address:
        return address.lower().startswith("rfc2217://")
    return not os.path.realpath(address).startswith(("/dev/pts/", "/dev/ttyp", "/dev/ttys0"))
