"""`steadypoint listen`: show a meter's readings live, and all that happens on the link."""

import asyncio
import sys
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import TextIO

import click

from meterlink.borders import Borders
from meterlink.cli._identify import ensure_known
from meterlink.cli.readings import plain_line, put, put_json, quiet_end, shown
from meterlink.driver import Notice
from meterlink.errors import UsageError
from meterlink.keeper import Item, News
from meterlink.link import Link, open_link, start_clock
from meterlink.outcome import Gap, Input, seconds
from meterlink.reading import Instant, Reading
from meterlink.trace import TraceItem, to_line


@click.command("listen", short_help="Show a meter's readings live.")
@click.argument("meter")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line.")
@click.option("--count", type=click.IntRange(min=1), help="Stop after this many readings.")
@click.option("--raw", is_flag=True, help="Show the bytes too: a frame that was found in brackets, others without.")
@click.option("--save", metavar="FILE", help="Write a trace, with the bytes, that trace:FILE plays back.")
def command(meter: str, as_json: bool, count: int | None, raw: bool, save: str | None) -> None:
    """Show the readings of METER live, until Ctrl-C: value, function, flags, updates a second, trouble on the link.

    METER is an address such as serial:/dev/ttyUSB0?format=fs9721-lcd14, tcp:HOST:PORT?format=scpi-line or trace:FILE.
    """
    ensure_known(meter)
    with quiet_end(), suppress(KeyboardInterrupt), ExitStack() as files:
        trace = files.enter_context(_new_file(save)) if save else None
        asyncio.run(listen(meter, Show(as_json, raw, trace), count))


async def listen(meter: str, show: "Show", count: int | None) -> None:
    """Show each item of a meter, to its end or for so many readings.

    Raises:
        MeterlinkError: as `open_link` and the link raise it.
    """
    async with open_link(meter, start_clock()) as link:
        show.follow(link)
        async for item in link:
            show.item(item)
            if isinstance(item, Reading) and count is not None:
                count -= 1
                if not count:
                    break


class Show:
    """Prints what a link gives out, and keeps it in a trace."""

    def __init__(self, as_json: bool, raw: bool, trace: TextIO | None) -> None:
        self._as_json, self._raw, self._trace = as_json, raw, trace
        self._borders = Borders()
        self._skipped = 0
        self._link: Link

    def follow(self, link: Link) -> None:
        """See every byte of this link from now on."""
        self._link = link
        link.tap = self._bytes

    def item(self, item: Item) -> None:
        """Show an item, after the bytes that stood before it."""
        match item:
            case News(text, _, trouble):
                if trouble:
                    click.echo(f"steadypoint: {text}", err=True)
                return
            case Reading() | Notice():
                self._loose(self._borders.before(item.raw), item.at)
                self._count_refused(item.at)
                if self._raw and item.raw:
                    self._show_bytes(item.raw, item.at, frame=True)
        self._keep(item)
        _print_json(item) if self._as_json else _print_plain(item, self._link.rate)
        sys.stdout.flush()

    def _bytes(self, data: bytes) -> None:
        now = self._link.now()
        self._loose(self._borders.take(data), now)
        self._count_refused(now)

    def _loose(self, data: bytes, at: Instant) -> None:
        """Deal with bytes that no frame claimed."""
        if data:
            self._keep(Notice("refused", "", "bytes of no valid frame", at, data))
            if self._raw:
                self._show_bytes(data, at, frame=False)

    def _show_bytes(self, data: bytes, at: Instant, *, frame: bool) -> None:
        text = data.hex(" ").upper()
        if self._as_json:
            put_json({"event": "bytes", "t": seconds(at), "hex": text, "frame": frame})
        else:
            put(f"{at.seconds:10.3f} s  {f'[{text}]' if frame else text}")

    def _count_refused(self, at: Instant) -> None:
        count, self._skipped = self._link.skipped - self._skipped, self._link.skipped
        if count and self._as_json:
            put_json({"event": "refused", "t": seconds(at), "bytes": count, "total": self._skipped})
        elif count:
            put(f"{at.seconds:10.3f} s  {count} bytes refused, {self._skipped} so far")
        sys.stdout.flush()

    def _keep(self, item: TraceItem) -> None:
        if self._trace is not None:
            self._trace.write(f"{to_line(item)}\n")
            self._trace.flush()


def _new_file(name: str) -> TextIO:
    try:
        return Path(name).open("x", encoding="utf-8")
    except OSError as error:
        raise UsageError(f"--save {name}: cannot be made ({error.strerror}); name a file that is not there") from error


def _print_json(item: TraceItem) -> None:
    match item:
        case Reading():
            put_json({"event": "reading", "t": seconds(item.at), **shown(item)})
        case Notice(kind, display, text, at):
            put_json({"event": kind, "t": seconds(at), "code": display, "text": text})
        case Input(answer, at):
            put_json({"event": "input", "t": seconds(at), "input": answer.value})
        case Gap(at, reason):
            put_json({"event": "link", "t": seconds(at), "state": reason.value})


def _print_plain(item: TraceItem, rate: float | None) -> None:
    match item:
        case Reading():
            put(plain_line(item) + (f"  {rate:.1f}/s" if rate else ""))
        case Notice(kind, display, text, at):
            put(f"{at.seconds:10.3f} s  {kind} {display}: {text}")
        case Input(answer, at):
            put(f"{at.seconds:10.3f} s  {answer.value}")
        case Gap(at, reason):
            put(f"{at.seconds:10.3f} s  {reason.value}")
