"""Plays a stored job for `replay`: on the terminal, through the loudspeaker, on the pages."""

import asyncio
import math
import signal
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import TYPE_CHECKING

import click

from meterlink.cli._hearing import Hearing, heard
from meterlink.cli._outputs import NoOutput, PlainOutput, TerminalOutput, Together
from meterlink.cli._pages import Pages, served
from meterlink.cli.readings import quiet_end
from meterlink.entered import Entered
from meterlink.home import home_folder
from meterlink.outcome import Answer
from meterlink.playback import Playback, Played, Tempo
from meterlink.run import Output
from meterlink.terminal import terminal_screen

if TYPE_CHECKING:
    from meterlink.web.server import Place
    from meterlink.web.stage import Stage


class _Speed(click.ParamType[Tempo]):
    """`1`, `10`, `0.5` or `max`."""

    name = "speed"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Tempo:
        if isinstance(value, Tempo):
            return value
        if value == "max":
            return Tempo(None)
        try:
            speed = float(str(value))
        except ValueError:
            speed = 0.0
        if not math.isfinite(speed) or speed <= 0:
            self.fail(f"{value!r}: expected how many times as fast, such as 1 or 10, or max", param, ctx)
        return Tempo(speed)


SPEED = _Speed()


def played(job: str, playback: Playback, tempo: Tempo, hearing: Hearing, pages: Pages | None, *, quiet: bool) -> bool:
    """Play a job; return whether it came to its end.

    Args:
        job: its id.
        playback: what is played.
        tempo: how fast, to be said.
        hearing: what is to be heard.
        pages: where the technician's page is served beside that; None for nowhere.
        quiet: whether standard output is somebody else's.
    """
    about = f"REPLAY of job {job}, {tempo}"
    click.echo(f"{about}. No answers are taken, and nothing is stored. Ctrl-C ends it.", err=True)
    place = pages.take() if pages else None
    with suppress(KeyboardInterrupt):
        return asyncio.run(_played(job, about, playback, hearing, (pages, place), quiet=quiet))
    return False


async def _played(
    job: str,
    about: str,
    playback: Playback,
    hearing: Hearing,
    shown: "tuple[Pages | None, Place | None]",
    *,
    quiet: bool,
) -> bool:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    with suppress(NotImplementedError):  # a platform without these signals in its event loop
        for each in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(each, stop.set)
    async with served(*shown, home_folder()) as stage:
        with _shown(Played(job, playback.engine), about, hearing, stage, stop, quiet=quiet) as output:
            playing = asyncio.ensure_future(_play(playback, output, stage))
            stopping = asyncio.ensure_future(stop.wait())
            await asyncio.wait({playing, stopping}, return_when=asyncio.FIRST_COMPLETED)
            stopping.cancel()
            if not playing.done():
                playing.cancel()
                await asyncio.gather(playing, return_exceptions=True)
                return False
            playing.result()
            return True


async def _play(playback: Playback, output: Output, stage: "Stage | None") -> None:
    if stage is not None:
        await stage.hub.opened.wait()
    await playback.run(output)


@contextmanager
def _shown(
    on_show: Played, about: str, hearing: Hearing, stage: "Stage | None", stop: asyncio.Event, *, quiet: bool
) -> Iterator[Output]:
    """Show it here, let it be heard, and show it on the page where there is one."""
    loop = asyncio.get_running_loop()

    def pressed(said: Answer | Entered | None) -> None:
        """Whatever key is pressed, only `q` means something here."""
        if said is None:
            loop.call_soon_threadsafe(stop.set)

    on_terminal = not quiet and sys.stdin.isatty() and sys.stdout.isatty()
    with ExitStack() as outputs:
        outputs.enter_context(quiet_end())
        here: Output = NoOutput() if quiet else PlainOutput()
        if on_terminal:
            screen = outputs.enter_context(terminal_screen(pressed))
            here = TerminalOutput(on_show.engine, screen, replay=about)
        if stage is not None:
            here = Together((here, outputs.enter_context(stage.showing(on_show, None, replay=about))))
        yield outputs.enter_context(heard(here, on_show.engine.procedure, hearing, on_terminal=on_terminal))
