"""`steadypoint listen`: show a meter's readings live."""

import asyncio
import sys
from collections.abc import Callable
from contextlib import suppress

import click

from meterlink.cli._identify import ensure_known
from meterlink.cli.readings import plain_line, put, put_json, quiet_end, shown
from meterlink.driver import Notice
from meterlink.link import Item, Link, open_link, start_clock
from meterlink.outcome import Input, seconds
from meterlink.reading import Reading
from meterlink.silence import Silence

_WATCH_EVERY_S = 0.25


@click.command("listen")
@click.argument("meter")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line.")
@click.option("--count", type=click.IntRange(min=1), help="Stop after this many readings.")
def command(meter: str, as_json: bool, count: int | None) -> None:
    """Show the readings of METER live, until Ctrl-C.

    METER is an address such as serial:/dev/ttyUSB0?format=fs9721-lcd14, tcp:HOST:PORT?format=scpi-line or trace:FILE.
    """
    ensure_known(meter)
    with quiet_end(), suppress(KeyboardInterrupt):
        asyncio.run(listen(meter, _print_json if as_json else _print_plain, count))


async def listen(meter: str, show: Callable[[Item], None], count: int | None) -> None:
    """Show each item of a meter, to its end or for so many readings, and tell of trouble on the line.

    Raises:
        MeterlinkError: as `open_link` and the link raise it.
    """
    async with open_link(meter, start_clock()) as link:
        silence = Silence()
        watching = asyncio.create_task(_watch(link, silence), name="watch-silence")
        try:
            async for item in link:
                silence.decoded += 1
                show(item)
                sys.stdout.flush()
                if isinstance(item, Reading) and count is not None:
                    count -= 1
                    if not count:
                        break
        finally:
            watching.cancel()


async def _watch(link: Link, silence: Silence) -> None:
    loop = asyncio.get_running_loop()
    while True:
        for hint in silence.hints(loop.time(), link.received):
            click.echo(f"steadypoint: {hint}", err=True)
        await asyncio.sleep(_WATCH_EVERY_S)


def _print_json(item: Item) -> None:
    match item:
        case Reading():
            put_json({"event": "reading", "t": seconds(item.at), **shown(item)})
        case Notice(kind, display, text, at):
            put_json({"event": kind, "t": seconds(at), "code": display, "text": text})
        case Input(answer, at):
            put_json({"event": "input", "t": seconds(at), "input": answer.value})


def _print_plain(item: Item) -> None:
    match item:
        case Reading():
            put(plain_line(item))
        case Notice(kind, display, text, at):
            put(f"{at.seconds:10.3f} s  {kind} {display}: {text}")
        case Input(answer, at):
            put(f"{at.seconds:10.3f} s  {answer.value}")
