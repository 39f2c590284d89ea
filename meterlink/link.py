"""Opens a METER address and gives out what the meter shows, over all breaks. The shell around decoders and traces."""

import time
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from fractions import Fraction
from math import inf
from typing import Protocol, Self

from meterlink.address import OPTIONS, resolve
from meterlink.driver import Clock, MeterUrl, parse_meter_url
from meterlink.errors import UsageError
from meterlink.format_page import experimental_notice
from meterlink.instrument import Wire
from meterlink.keeper import Item, Keeper, News
from meterlink.kept_link import KeptLink, Tap
from meterlink.reading import Instant
from meterlink.registry import load_transport
from meterlink.stretch import Way
from meterlink.trace_link import open_trace

_LINK_OPTIONS = {
    **OPTIONS,
    "patience": "seconds for which a lost meter is looked for before it is given up, or forever (default 600)",
    "time-scale": "how many times faster than real a simulated meter's seconds pass (1 or more)",
}


class Link(Protocol):
    """An open meter, or a trace that stands for one. Iterate to get what it shows; the end of iteration is its end.

    Waiting for the next item may be cancelled at any time, and nothing is lost by it.
    """

    tap: Tap
    """Sees every byte that comes; nobody's until it is set."""

    @property
    def identity(self) -> str | None:
        """The meter's own account of itself (maker, model, serial number, firmware); None where it gives none."""

    @property
    def wire(self) -> Wire | None:
        """How its bytes are read; None for a trace, which has none."""

    @property
    def received(self) -> int:
        """Bytes that came so far."""

    @property
    def skipped(self) -> int:
        """Bytes thrown away so far because they belonged to no valid frame."""

    @property
    def rate(self) -> float | None:
        """Updates of the display a second, as they come; None while it is not known."""

    def now(self) -> Instant:
        """The time by the clock that stamps the items, and never before that of what came last."""

    def hear(self, announcement: Mapping[str, object]) -> None:
        """Tell the other end what the check announces. Only a simulated technician listens."""

    def __aiter__(self) -> Self: ...

    async def __anext__(self) -> Item:
        """Wait for the next item.

        Raises:
            LinkError: the link was lost and has not come back for as long as its user has patience.
            FileError: the trace is wrong here.
        """


def start_clock() -> Clock:
    """Make a clock that stands at 0 now."""
    start_ns = time.monotonic_ns()
    return lambda: Instant(time.monotonic_ns() - start_ns, time.time_ns())


@asynccontextmanager
async def open_link(address: str, clock: Clock) -> AsyncIterator[Link]:
    """Open a METER address.

    Args:
        address: `SCHEME:ADDRESS?OPTION=VALUE&...`; the scheme `trace` reads a file, or standard input for `-`.
        clock: stamps what comes. A trace carries its own times; its t = 0 is where the clock's 0 was.

    Raises:
        UsageError: the address, its format or an option is wrong.
        LinkError: the meter cannot be reached.
        FileError: the trace cannot be opened.
    """
    url = parse_meter_url(address)
    if url.scheme == "trace":
        _refuse_unknown(url, {})
        async with open_trace(url.address, clock) as trace:
            yield trace
        return
    link = await _meter(url, clock)
    try:
        await link.begin()
        yield link
    finally:
        await link.stop()


async def _meter(url: MeterUrl, clock: Clock) -> KeptLink:
    transport = load_transport(url.scheme)
    meter = await resolve(url, transport)
    _refuse_unknown(url, {**_LINK_OPTIONS, **transport.options, **meter.format.options})
    own = MeterUrl(url.scheme, url.address, _own(url, transport.options))
    way = Way(transport, own, meter.format, meter.line, meter.options)
    keeper = Keeper(_patience(url.options.get("patience", "600")), transport.reopen_after_s)
    link = KeptLink(way, keeper, _scaled(clock, url.options.get("time-scale", "1")))
    if notice := experimental_notice(meter.format):
        link.tell(News(notice, link.now()))
    return link


def _own(url: MeterUrl, known: Mapping[str, str]) -> dict[str, str]:
    return {name: value for name, value in url.options.items() if name in known}


def _refuse_unknown(url: MeterUrl, known: Mapping[str, str]) -> None:
    if unknown := [name for name in url.options if name not in known]:
        raise UsageError(f"{url.scheme}: unknown option {unknown[0]!r}; known: {', '.join(sorted(known)) or 'none'}")


def _patience(text: str) -> float:
    if text == "forever":
        return inf
    if not (text.isascii() and text.isdigit() and int(text) <= 10**6):
        raise UsageError(f"patience {text!r}: expected whole seconds, or forever")
    return float(text)


def _scaled(clock: Clock, text: str) -> Clock:
    """Make the seconds since now pass `text` times faster; what passed before stays."""
    try:
        scale = Fraction(text)
    except (ValueError, ZeroDivisionError):
        scale = Fraction(0)
    if not 1 <= scale <= 10**6:
        raise UsageError(f"time-scale {text!r}: expected a number from 1 to 1000000")
    start = clock()

    def scaled() -> Instant:
        now = clock()
        ahead_ns = int((now.monotonic_ns - start.monotonic_ns) * (scale - 1))
        return Instant(now.monotonic_ns + ahead_ns, now.utc_ns + ahead_ns)

    return clock if scale == 1 else scaled
