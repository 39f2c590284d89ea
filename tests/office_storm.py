"""Crews report to the office through a storm: the broker killed, with its disk and without, the network cut and half
open, the office killed with `kill -9`, client ids taken over. At the end both sides hold the same, event by event.

    python tests/office_storm.py [CREWS [MINUTES [SPEED]]] [--postgresql]

MINUTES are simulated; SPEED of them pass in one real minute. With --postgresql two offices share one store.
"""

import asyncio
import os
import random
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import aiomqtt

from brokers import BadNetwork, Mosquitto
from commands import environment
from crews import Crew, rows
from databases import one_if_asked_for
from meterlink.record.as_found import job_as_found, lines_as_found, seals_as_found
from meterlink.record.proof import prove
from meterlink.record.store import Store

_BATCH_S = 2.5
"""Simulated seconds that share one commit."""
_READINGS = 12
"""In each: about 5 a second."""


@dataclass
class Storm:
    """What became of it."""

    crews: int
    events: int = 0
    differing: list[str] = field(default_factory=list)
    unproven: list[str] = field(default_factory=list)
    refused: int = 0
    happened: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def __str__(self) -> str:
        return (
            f"{self.crews} crews, {self.events} events in {self.seconds:.0f} s. Happened: {', '.join(self.happened)}. "
            f"Jobs that differ: {len(self.differing)}; not proven: {len(self.unproven)}; kept aside: {self.refused}."
        )


class OfficeProcess:
    """`steadypoint office` in a process of its own."""

    def __init__(self, home: Path, broker: str, store: str) -> None:
        self._home, self._arguments = home, ["office", "--broker", broker, "--store", store]
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._home.mkdir(exist_ok=True)
        command = [sys.executable, "-m", "meterlink", *self._arguments]
        with (self._home / "office.log").open("ab") as log:
            self._process = subprocess.Popen(command, env=environment(self._home), stderr=log)

    def processor_s(self) -> float:
        """Seconds of processor time that it and its own processes have used (proc(5), fields 14 and 15 of `stat`)."""
        assert self._process is not None
        return sum(map(_processor_s, _with_its_own(self._process.pid)))

    def kill(self) -> None:
        assert self._process is not None
        self._process.kill()
        self._process.wait()


def _processor_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _with_its_own(pid: int) -> list[int]:
    """A process and all that descend from it."""
    children = [each.read_text(encoding="ascii") for each in Path(f"/proc/{pid}/task").glob("*/children")]
    return [pid, *(found for child in " ".join(children).split() for found in _with_its_own(int(child)))]


async def storm(folder: Path, store_url: str, crews: int, minutes: float, speed: float, *, offices: int = 1) -> Storm:
    """Let it rage, then let everything settle, and compare."""
    began = time.monotonic()
    came_to = Storm(crews)
    with Mosquitto(folder / "broker") as broker:
        async with BadNetwork(broker.port) as network:
            processes = [OfficeProcess(folder / f"office-{n}", broker.url, store_url) for n in range(offices)]
            for process in processes:
                process.start()
            people = [Crew.begin(folder / f"crew-{number}") for number in range(1, crews + 1)]
            relays = [asyncio.ensure_future(each.relay(network.url)) for each in people]
            try:
                wreck = asyncio.ensure_future(_wreck(came_to, broker, network, processes, minutes * 60 / speed))
                await _work(people, minutes, speed)
                await wreck
                await _arrive(store_url, people)
            finally:
                for relay in relays:
                    relay.cancel()
                await asyncio.gather(*relays, return_exceptions=True)
                for process in processes:
                    process.kill()
            _compare(came_to, store_url, people)
            for each in people:
                each.store.close()
    came_to.seconds = time.monotonic() - began
    return came_to


async def _work(people: list[Crew], minutes: float, speed: float) -> None:
    batches = round(minutes * 60 / _BATCH_S)
    begin = time.monotonic()
    for number in range(batches):
        for each in people:
            await asyncio.to_thread(each.work, _READINGS)
        if number == batches // 2:
            for order, each in enumerate(people[:5]):
                await asyncio.to_thread(each.photograph, random.Random(order).randbytes(300_000))
        await asyncio.sleep(max(0.0, begin + (number + 1) * _BATCH_S / speed - time.monotonic()))
    for each in people:
        await asyncio.to_thread(each.finish)


async def _wreck(
    came_to: Storm, broker: Mosquitto, network: BadNetwork, offices: list[OfficeProcess], seconds: float
) -> None:
    """Break one thing after the other, spread over the time."""
    randomly = random.Random(1)

    async def broker_killed(*, forget: bool) -> None:
        broker.kill(forget=forget)
        await asyncio.sleep(seconds * 0.02)
        await asyncio.to_thread(broker.start)

    async def office_killed() -> None:
        office = randomly.choice(offices)
        await asyncio.to_thread(office.kill)
        await asyncio.sleep(seconds * 0.02)
        office.start()

    async def half_open() -> None:
        network.swallow()
        await asyncio.sleep(seconds * 0.08)
        network.heal()

    async def slow() -> None:
        network.delay_s = 0.3
        await asyncio.sleep(seconds * 0.05)
        network.delay_s = 0.0

    async def cut() -> None:
        network.cut()

    async def taken_over() -> None:
        ids = [
            line.split(" as ")[1].split()[0] for line in broker.log() if " connected from " in line and " as " in line
        ]
        crews = sorted({each for each in ids if each.startswith("steadypoint-key")})
        for client_id in crews[:5]:
            with suppress(aiomqtt.MqttError):
                async with aiomqtt.Client(
                    "127.0.0.1", broker.port, identifier=client_id, protocol=aiomqtt.ProtocolVersion.V5
                ):
                    await asyncio.sleep(0.05)

    troubles = [
        ("office killed", office_killed()),
        ("broker killed", broker_killed(forget=False)),
        ("network cut", cut()),
        ("broker killed, its disk lost", broker_killed(forget=True)),
        ("client ids taken over", taken_over()),
        ("network half open", half_open()),
        ("office killed", office_killed()),
        ("network slow", slow()),
        ("broker killed, its disk lost", broker_killed(forget=True)),
    ]
    for name, trouble in troubles:
        await asyncio.sleep(seconds * 0.08)
        await trouble
        came_to.happened.append(name)


async def _arrive(store_url: str, people: list[Crew]) -> None:
    """Wait until the office has all; each relay decides by itself when to send."""
    until = time.monotonic() + 120
    with Store.at(store_url) as store:
        while time.monotonic() < until:
            if await asyncio.to_thread(lambda: all(_there(store, each) for each in people)):
                return
            await asyncio.sleep(0.5)


def _there(store: Store, crew: Crew) -> bool:
    return bool(seals_as_found(store, crew.job)) and len(rows(store, crew.job)) == len(rows(crew.store, crew.job))


def _compare(came_to: Storm, store_url: str, people: list[Crew]) -> None:
    with Store.at(store_url) as store:
        for each in people:
            here, there = rows(each.store, each.job), rows(store, each.job)
            came_to.events += len(here)
            if here != there:
                came_to.differing.append(f"{each.job}: {len(here)} rows here, {len(there)} at the office")
            job = job_as_found(store, each.job)
            if job is None:
                came_to.unproven.append(each.job)
                continue
            lines = lines_as_found(store, each.job, job.sha256 or "")
            proof = prove(job, lines, seals_as_found(store, each.job), {}, recorded_here=False)
            if not (proof.intact and proof.sealed):
                came_to.unproven.append(f"{each.job}: {proof.troubles}")
        with store.reading() as connection:
            came_to.refused = connection.exec_driver_sql("SELECT count(*) FROM aside").scalar_one()


def main() -> None:
    with one_if_asked_for() as server, tempfile.TemporaryDirectory() as folder:
        given = sys.argv[1:]
        crews, minutes, speed = (float(value) for value in [*given, *("30", "10", "5")[len(given) :]])
        url = server.database() if server else f"sqlite:///{folder}/office.sqlite3"
        offices = 2 if server else 1
        came_to = asyncio.run(storm(Path(folder), url, int(crews), minutes, speed, offices=offices))
    print(came_to)  # noqa: T201
    for each in (*came_to.differing, *came_to.unproven):
        print(each)  # noqa: T201
    sys.exit(1 if came_to.differing or came_to.unproven else 0)


if __name__ == "__main__":
    main()
