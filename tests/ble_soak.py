"""Runs the Bluetooth transport for long: a steady stream, a flood, links cut at random, links opened and left.

Short forms are among the tests. As a program it runs the full figures, in about two minutes:

    python tests/ble_soak.py
"""

import asyncio
import random
import sys
import time
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import islice, pairwise
from pathlib import Path
from statistics import median

import click

from ble_bench import NOTIFY, Followed, counter_frames, keep, meter, opened, radio, received, running
from meterlink.driver import Chunk
from meterlink_drivers.transports.ble_patience import Patience
from meterlink_sim.bluez.gatt_meter import GattMeter
from meterlink_sim.bluez.stack import SimulatedBluez

FRAMES = 10_000
"""As many as the counter in the digits has values."""


@dataclass(slots=True)
class Stream:
    """What came of a steady stream or a flood."""

    sent: list[bytes]
    arrived: list[bytes]
    seconds: float
    gaps_s: list[float]
    """Between one notification and the next, by the times they were stamped with."""

    @property
    def lost_or_doubled(self) -> bool:
        """Whether what arrived is not what was sent, one for one and in order."""
        return self.sent != self.arrived


async def stream(count: int, rate_hz: float | None, patience: Patience) -> Stream:
    """Send so many notifications, one frame in each; without a rate as fast as the bus takes them."""
    frames = list(islice(counter_frames(), count))
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        async with opened(patience=patience) as connection:
            began = time.perf_counter()
            chunks: list[Chunk | None] = []

            async def send() -> None:
                for number, frame in enumerate(frames):
                    await bluez.notify(peripheral, NOTIFY, frame)
                    if rate_hz is not None:
                        await asyncio.sleep(max(0.0, began + (number + 1) / rate_hz - time.perf_counter()))

            async with asyncio.timeout(60 + count / (rate_hz or 1000)), running(send()):
                while len(chunks) < count:
                    chunks.append(await connection.read())
                seconds = time.perf_counter() - began
            with suppress(TimeoutError):  # one more would be one too many
                chunks.append(await asyncio.wait_for(connection.read(), 0.1))
    arrived = [chunk for chunk in chunks if chunk is not None]
    gaps_s = [(after.at.monotonic_ns - before.at.monotonic_ns) / 1e9 for before, after in pairwise(arrived)]
    return Stream(frames, [chunk.data for chunk in arrived], seconds, gaps_s)


@dataclass(slots=True)
class Cuts:
    """What came of links cut at random."""

    recovered_s: list[float] = field(default_factory=list)
    """From the meter's return to the first reading, for each cut."""
    faults: list[str] = field(default_factory=list)
    readings: int = 0


async def cut_links(meters: int, cuts: int, seed: int) -> Cuts:
    """Cut each of several meters so often, at random moments, each for a random while; with the product's own times."""
    outcome = Cuts()
    async with radio() as bluez:
        await asyncio.gather(
            *(_cut(bluez, number, cuts, f"{seed} {number}", outcome) for number in range(1, meters + 1))
        )
    return outcome


async def _cut(bluez: SimulatedBluez, number: int, cuts: int, seed: str, outcome: Cuts) -> None:
    rng = random.Random(seed)
    peripheral = meter(number)
    bluez.advertise(peripheral)
    source = GattMeter(bluez, peripheral, NOTIFY, counter_frames(), rate_hz=10, rng=rng)
    followed = Followed()
    async with running(source.run(), keep(followed, peripheral.address)):
        await followed.another_link()
        for _ in range(cuts):
            await followed.more(rng.randint(1, 6))
            await asyncio.sleep(rng.uniform(0, 0.05))
            bluez.fall_silent(peripheral)
            bluez.drop_link(peripheral)
            await asyncio.sleep(rng.uniform(0, 0.5))
            began = time.monotonic()
            bluez.advertise(peripheral)
            await followed.another_link()
            outcome.recovered_s.append(time.monotonic() - began)
    outcome.faults += [f"{peripheral.address}: {fault}" for fault in followed.faults(source.sent)]
    outcome.readings += len(followed.readings)
    if followed.opened != cuts + 1:
        outcome.faults.append(f"{peripheral.address}: {followed.opened} links for {cuts} cuts")


async def leaked_handles(cycles: int, patience: Patience) -> int:
    """Open and leave so often; return how many files more are open than after the first time."""
    before = 0
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        for cycle in range(cycles + 1):
            async with opened(patience=patience) as connection:
                await bluez.notify(peripheral, NOTIFY, b"x")
                await received(connection, 1)
                if cycle % 3 == 0:
                    bluez.drop_link(peripheral)
            if cycle == 0:
                before = _open_files()
        return _open_files() - before


def _open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


async def main() -> int:
    """Run the full figures; return the exit status."""
    flood = await stream(FRAMES, None, Patience())
    click.echo(f"flood: {FRAMES} notifications in {flood.seconds:.2f} s, {FRAMES / flood.seconds:.0f} a second")
    steady = await stream(500, 10, Patience())
    low, high = 1000 * min(steady.gaps_s), 1000 * max(steady.gaps_s)
    click.echo(f"soak: 500 at 10 Hz, gaps {low:.1f} to {high:.1f} ms")
    cuts = await cut_links(5, 40, seed=7)
    worst = max(cuts.recovered_s)
    click.echo(
        f"cuts: {len(cuts.recovered_s)}, back after {median(cuts.recovered_s):.2f} s (median), {worst:.2f} s (worst); "
        f"{cuts.readings} readings, {len(cuts.faults)} faults"
    )
    leaked = await leaked_handles(30, Patience())
    click.echo(f"handles leaked over 30 links: {leaked}")
    for fault in cuts.faults:
        click.echo(fault)
    failed = flood.lost_or_doubled or steady.lost_or_doubled or cuts.faults or worst > 3 or leaked > 0
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(asyncio.run(main()))
