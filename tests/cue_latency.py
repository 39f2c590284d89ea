"""How long a verdict's tone takes: from the last byte of the settling reading to the first sample taken by the device.

A real check of a simulated lift, from bytes on a pseudo-terminal to a record on disk, with tones and speech, on the
audio library's own device without a loudspeaker, whose thread pulls samples as a real one does. Around it the machine
is kept busy: pages that the check serves and that read all of it, a relay that sends all of it through a broker to an
office, processes that read the record over and over, and processes that only compute.

    python tests/cue_latency.py --verdicts 300 --pages 2 --relays 1 --readers 1 --burners 0

What a loudspeaker or wireless earphones add comes on top, and is not measured: buffers of their own, 20 to 300 ms.
"""

import asyncio
import multiprocessing
import socket
import sqlite3
import sys
import tempfile
import time
from array import array
from bisect import bisect_right
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from statistics import median, quantiles

import click
import miniaudio

from brokers import Mosquitto
from commands import started
from known_meter import known_meter
from meterlink.cli._outputs import Together
from meterlink.cues.mix import Loudness
from meterlink.cues.output import HeardOutput
from meterlink.cues.player import Player
from meterlink.cues.queue import Sound
from meterlink.cues.sounding import Sounding
from meterlink.cues.spoken import Speaker
from meterlink.cues.voice import Voice
from meterlink.link import Link, open_link, start_clock
from meterlink.outcome import Json
from meterlink.prepared import Prepared, prepare
from meterlink.procedure.load import load_procedure
from meterlink.reading import Reading
from meterlink.record.device_key import device_key
from meterlink.record.store import FILE_NAME, Store
from meterlink.run import Answers, Output, run
from meterlink.session import Session
from meterlink.web.server import serving, take_place
from meterlink.web.stage import Stage
from meterlink.web.technician import TechnicianPage
from meterlink_sim.lift import SimulatedJob
from meterlink_sim.pty_port import PtyPort
from meterlink_sim.scenario import SCENARIOS
from waiting import PATIENCE_S

REQUIRED_S = 0.150
"""At the 99th percentile."""
SCALE = 8
"""How many times as fast as real the lift, the meter and the technician are: 32 readings come a second."""
_VERDICTS = ("pass", "fail", "unclear")
_LAST_WORD_S = 3.0
"""What the relay gets to send the end of the last check."""


class Clocked(Sounding):
    """Stamps the moment when the first sample of a verdict's tone is given out."""

    def __init__(self, voice: Voice) -> None:
        super().__init__(Loudness(), voice.speak)
        self.last_byte_s: float | None = None
        """When the last byte was written of the reading whose verdict is being told; None for one without a reading."""
        self.waiting: tuple[Sound, float] | None = None
        """The tone that has yet to begin, and when the last byte behind it was written."""
        self.took_s: list[float] = []

    def add(self, sound: Sound) -> None:
        if sound.code in _VERDICTS and self.last_byte_s is not None:
            self.waiting, self.last_byte_s = (sound, self.last_byte_s), None
        super().add(sound)

    def pull(self, frames: int) -> "array[int]":
        samples = super().pull(frames)
        if self.waiting is not None and self._mix.sounding is self.waiting[0]:
            self.took_s.append(time.monotonic() - self.waiting[1])
            self.waiting = None
        return samples


class StampedPort(PtyPort):
    """Keeps when the last byte of each frame was written."""

    def __init__(self, job: SimulatedJob, answers: Answers, scale: float) -> None:
        super().__init__(job, answers.give, scale)
        self.written_s: list[float] = []

    def _send(self, frame: bytes) -> None:
        super()._send(frame)
        self.written_s.append(time.monotonic())


class Watcher:
    """Shows nothing: lets the technician hear, and finds the reading behind a verdict before it is told on."""

    def __init__(self, port: StampedPort) -> None:
        self._port = port

    def tell(self, announcement: Json) -> None:
        self._port.hear(announcement)

    def live(self, reading: Reading) -> None:
        pass

    def tick(self) -> None:
        pass

    def warn(self, news: str) -> None:
        pass


class TimedOutput(HeardOutput):
    """The product's own output; it only notes first which frame a verdict came from."""

    def __init__(self, shown: Output, sounding: Clocked, speaker: Speaker, port: StampedPort, link: Link) -> None:
        super().__init__(shown, sounding, speaker)
        self._clocked, self._port, self._link = sounding, port, link

    def tell(self, announcement: Json) -> None:
        if announcement["event"] == "verdict" and announcement["value"] is not None:
            age_s = float(self._link.now().seconds) - float(str(announcement["t"]))
            arrived_s = time.monotonic() - age_s / SCALE
            frame = bisect_right(self._port.written_s, arrived_s + 0.001) - 1
            self._clocked.last_byte_s = self._port.written_s[frame]
        super().tell(announcement)


async def one_check(
    prepared: Prepared, store: Store, folder: Path, sounding: Clocked, *, seed: int, pages: int
) -> None:
    """Run one start-up check to its end, with so many pages open."""
    answers = Answers()
    stage, place = Stage(), take_place("127.0.0.1", 0, open_to_all=False)
    context = multiprocessing.get_context("spawn")
    watching = [context.Process(target=watch, args=(place.port,), daemon=True) for _ in range(pages)]
    for process in watching:
        process.start()
    async with serving(place, stage, TechnicianPage(stage, folder).routes):
        await _checked(prepared, store, folder, sounding, seed, stage=stage, answers=answers)
    for process in watching:
        process.terminate()
        process.join()


async def _checked(
    prepared: Prepared, store: Store, folder: Path, sounding: Clocked, seed: int, *, stage: Stage, answers: Answers
) -> None:
    circuit = prepared.tied.circuit if prepared.tied else None
    job = SimulatedJob(prepared.procedure, SCENARIOS["healthy"], seed, rate=4.0, circuit=circuit)
    with StampedPort(job, answers, SCALE) as port:
        meter = f"serial:{port.name}?format=fs9721-lcd14&time-scale={SCALE}"
        async with open_link(meter, start_clock()) as link:
            session = Session.begin(store, prepared, meter, known_meter(), signer=device_key(folder))
            speaker = Speaker(prepared.procedure, "en")
            with stage.showing(session, answers) as shown:
                here = Together((Watcher(port), shown))
                await run(session, link, answers, TimedOutput(here, sounding, speaker, port, link))


def watch(port: int) -> None:
    """Read all that a page is sent, as a browser does that only looks on."""
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as page:
        page.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        while page.recv(65_536):
            pass


def read_on_and_on(path: Path) -> None:
    """Read the whole record again and again, as a page does, only worse."""
    while True:
        with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as record:
            for (table,) in record.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
                record.execute(f"SELECT * FROM {table}").fetchall()


def compute_on_and_on() -> None:
    """Keep a core busy."""
    while True:
        sum(value * value for value in range(10_000))


@contextmanager
def load(folder: Path, readers: int, burners: int) -> Iterator[None]:
    """Keep the record and the machine busy."""
    context = multiprocessing.get_context("spawn")
    path = (folder / FILE_NAME,)
    processes = [context.Process(target=read_on_and_on, args=path, daemon=True) for _ in range(readers)]
    processes += [context.Process(target=compute_on_and_on, daemon=True) for _ in range(burners)]
    for process in processes:
        process.start()
    try:
        yield
    finally:
        for process in processes:
            process.terminate()
            process.join()


@contextmanager
def reporting(folder: Path) -> Iterator[None]:
    """Have a relay send the record through a broker to an office, each a process of its own.

    Raises:
        AssertionError: the office lacks something in the end: then nothing was kept busy.
    """
    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name) / "broker") as broker:
        home = Path(name) / "office"
        office = started(home, "office", "--broker", broker.url)
        relay = started(folder, "relay", "--broker", broker.url)
        try:
            yield
            time.sleep(_LAST_WORD_S)
        finally:
            for process in (relay, office):
                process.kill()
                process.communicate()
        with Store.open(folder) as here, Store.at(f"sqlite:///{home / 'office.sqlite3'}") as there:
            assert [job.sha256 for job in there.jobs()] == [job.sha256 for job in here.jobs()]
            for job in here.jobs():
                assert there.last_number(job.id) == here.last_number(job.id), job.id


def latencies(
    verdicts: int, readers: int, burners: int, *, pages: int = 0, relays: int = 0, seed: int = 1
) -> list[float]:
    """Run checks until so many verdicts of readings have sounded; return what each took, in seconds."""
    prepared = prepare(load_procedure("start-up"))
    sounding = Clocked(Voice("en"))
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        store = stack.enter_context(Store.open(folder))
        device_key(folder)
        if relays:
            stack.enter_context(reporting(folder))
        player = Player(sounding.pull, [miniaudio.Backend.NULL])
        stack.callback(player.close)
        stack.enter_context(load(folder, readers, burners))
        stack.enter_context(sounding)
        while len(sounding.took_s) < verdicts:
            asyncio.run(one_check(prepared, store, folder, sounding, seed=seed, pages=pages))
            seed += 1
    return sounding.took_s


@click.command()
@click.option("--verdicts", default=300, show_default=True)
@click.option("--pages", default=2, show_default=True, help="Pages of the check that are open.")
@click.option("--relays", default=1, show_default=True, help="1: a relay sends all of it to an office.")
@click.option("--readers", default=1, show_default=True, help="Processes that read the record over and over.")
@click.option("--burners", default=0, show_default=True, help="Processes that only compute.")
def main(verdicts: int, pages: int, relays: int, readers: int, burners: int) -> None:
    """Print the median and the 99th percentile; exit 1 if that is above what is required."""
    took = sorted(latencies(verdicts, readers, burners, pages=pages, relays=relays))
    high = quantiles(took, n=100, method="inclusive")[98]
    click.echo(
        f"{len(took)} verdicts; {pages} pages open, {relays} relays, {readers} readers of the record and {burners} "
        "computing processes beside the check"
    )
    click.echo(f"last byte to first sample: median {1000 * median(took):.1f} ms, 99th percentile {1000 * high:.1f} ms")
    click.echo(f"longest {1000 * took[-1]:.1f} ms; required: 99th percentile at most {1000 * REQUIRED_S:.0f} ms")
    sys.exit(high > REQUIRED_S)


if __name__ == "__main__":
    main()
