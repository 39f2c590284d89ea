"""A bench for the Bluetooth transport: bleak's real Linux backend, a real D-Bus, a simulated BlueZ and its meters.

Not proved here: radio timing, a real bluetoothd's order of answers, pairing, and bleak's backends for other systems.
"""

import asyncio
import os
import random
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass, field, replace
from itertools import count, pairwise

import pytest

from meterlink.driver import Clock, Connection, GattPlace, LineSettings, MeterUrl, Transport
from meterlink.errors import LinkError
from meterlink.keeper import News
from meterlink.link import open_link, start_clock
from meterlink.reading import Function, Instant, Reading
from meterlink_drivers.formats.fs9721_lcd14 import Fs9721Decoder
from meterlink_drivers.transports.ble import TRANSPORT, transport
from meterlink_drivers.transports.ble_patience import Patience
from meterlink_sim.bluez.bus import ALLOW_ALL, PrivateBus, missing
from meterlink_sim.bluez.peripheral import Characteristic, Peripheral
from meterlink_sim.bluez.stack import Adapter, SimulatedBluez
from meterlink_sim.encoders.fs9721_lcd14 import encode
from waiting import PATIENCE_S

needs_dbus = pytest.mark.skipif(bool(missing()) and not os.environ.get("CI"), reason=missing() or "not skipped")
"""Skips where there is no dbus-daemon; in CI the tests run all the same, and fail."""

SERVICE = "0000fff0-0000-1000-8000-00805f9b34fb"
NOTIFY = "0000fff4-0000-1000-8000-00805f9b34fb"
WRITE = "0000fff3-0000-1000-8000-00805f9b34fb"
PLACE = GattPlace(SERVICE, NOTIFY, WRITE)
LINE = LineSettings(gatt=PLACE)
ADDRESS = "C0:FF:EE:00:00:01"

QUICK = Patience(
    start_s=10.0,
    hear_s=0.6,
    turn_s=0.3,
    busy_s=1.0,
    connect_s=10.0,
    hold_s=0.1,
    gone_s=0.1,
    look_s=0.3,
    read_every_s=0.02,
    leave_s=5.0,
)


def meter(number: int = 1, **more: object) -> Peripheral:
    """Return a meter that notifies and takes queries."""
    services = {SERVICE: (Characteristic(NOTIFY), Characteristic(WRITE, ("write",)))}
    plain = Peripheral(f"C0:FF:EE:00:00:{number:02X}", services, advertised=(SERVICE,))
    return replace(plain, **more)  # type: ignore[arg-type]


def counter_frames(start: int = 0) -> Iterator[bytes]:
    """Yield frames whose four digits count; none comes twice among 10,000."""
    for number in count(start):
        digits = f"{number % 10_000:04d}"
        reading = Reading(f"{digits[:2]}.{digits[2:]}", "V", Function.DC_VOLTAGE, Instant(0, 0))
        yield encode(reading)


@asynccontextmanager
async def radio(
    adapter: Adapter | None = None, *, adapters: int = 1, policy: str = ALLOW_ALL, auth: str = "EXTERNAL"
) -> AsyncIterator[SimulatedBluez]:
    """Run a simulated BlueZ on a bus of its own, and make it this process's system bus."""
    with SystemBus(policy, auth) as bus:
        async with SimulatedBluez(bus.address, adapter, adapters=adapters) as bluez:
            yield bluez


class SystemBus:
    """A bus of its own as this process's system bus, with nobody on it."""

    def __init__(self, policy: str = ALLOW_ALL, auth: str = "EXTERNAL") -> None:
        self._bus = PrivateBus(policy, auth)
        self._environment = pytest.MonkeyPatch()

    def __enter__(self) -> PrivateBus:
        bus = self._bus.__enter__()
        self._environment.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.address)
        return bus

    def __exit__(self, *_: object) -> None:
        self._environment.undo()
        self._bus.__exit__(None, None, None)


def opened(
    address: str = ADDRESS,
    patience: Patience = QUICK,
    options: Mapping[str, str] | None = None,
    line: LineSettings = LINE,
    clock: Clock | None = None,
) -> AbstractAsyncContextManager[Connection]:
    """Open the transport, with short times unless told otherwise."""
    made = transport(patience, random.Random(1))
    return made.open(MeterUrl("ble", address, options or {}), line, clock or start_clock())


async def refused(
    address: str = ADDRESS, patience: Patience = QUICK, options: Mapping[str, str] | None = None
) -> LinkError:
    """Open the transport, which must fail, and return why."""
    with pytest.raises(LinkError) as caught:
        async with asyncio.timeout(PATIENCE_S), opened(address, patience, options):
            pass
    return caught.value


async def received(connection: Connection, size: int) -> bytes:
    """Read until so many bytes have come."""
    data = b""
    async with asyncio.timeout(PATIENCE_S):
        while len(data) < size:
            chunk = await connection.read()
            assert chunk is not None
            data += chunk.data
    return data


async def said(bluez: SimulatedBluez, peripheral: Peripheral, data: bytes) -> None:
    """Send one notification as soon as somebody is subscribed."""
    async with asyncio.timeout(PATIENCE_S):
        while not await bluez.notify(peripheral, NOTIFY, data):  # noqa: ASYNC110 - the simulation has no event for it
            await asyncio.sleep(0.002)


@dataclass
class Followed:
    """What came of one meter over all its links."""

    readings: list[Reading] = field(default_factory=list)
    links: list[int] = field(default_factory=list)
    """For each reading the number of the link that brought it, from 1."""
    opened: int = 0
    breaks: list[str] = field(default_factory=list)
    grew: asyncio.Event = field(default_factory=asyncio.Event)

    async def more(self, count: int) -> None:
        """Wait for so many more readings."""
        wanted = len(self.readings) + count
        await self._until(lambda: len(self.readings) >= wanted)

    async def another_link(self) -> None:
        """Wait for the first reading of a link that is not open yet."""
        wanted = self.opened + 1
        await self._until(lambda: self.links[-1:] >= [wanted])

    def faults(self, sent: Sequence[bytes]) -> list[str]:
        """Say which readings were never sent, came twice or out of order; every frame sent is another one."""
        places = {frame: place for place, frame in enumerate(sent)}
        faults = [f"never sent: {reading.display}" for reading in self.readings if reading.raw not in places]
        order = [places[reading.raw] for reading in self.readings if reading.raw in places]
        faults += [f"{after} came after {before}" for before, after in pairwise(order) if after <= before]
        return faults

    async def _until(self, reached: Callable[[], bool]) -> None:
        async with asyncio.timeout(PATIENCE_S):
            while not reached():
                self.grew.clear()
                await self.grew.wait()


async def follow(
    followed: Followed,
    address: str = ADDRESS,
    through: Transport = TRANSPORT,
    *,
    silence_s: float = 3.0,
    new_decoder: Callable[[], Fs9721Decoder] = Fs9721Decoder,
) -> None:
    """Read a meter for ever: after each break open it again with a fresh decoder; silence is a break too."""
    while True:
        decoder = new_decoder()
        try:
            async with through.open(MeterUrl("ble", address, {}), LINE, start_clock()) as connection:
                followed.opened += 1
                while True:
                    async with asyncio.timeout(silence_s):  # `wait_for` of Python 3.11 can swallow a cancellation
                        chunk = await connection.read()
                    assert chunk is not None
                    for reading in decoder.feed(chunk.data, chunk.at):
                        followed.readings.append(reading)
                        followed.links.append(followed.opened)
                    followed.grew.set()
        except TimeoutError:
            followed.breaks.append("silence")
        except LinkError as error:
            followed.breaks.append(str(error))
            if not error.passing:
                raise


async def keep(followed: Followed, address: str = ADDRESS) -> None:
    """Read a meter for ever through the link that a check uses."""
    place = f"service={SERVICE}&notify={NOTIFY}"
    async with open_link(f"ble:{address}?format=fs9721-lcd14&{place}", start_clock()) as link:
        async for item in link:
            match item:
                case Reading():
                    followed.readings.append(item)
                    followed.links.append(followed.opened)
                case News(text, _, trouble) if trouble:
                    followed.breaks.append(text)
                case News():
                    followed.opened += 1
            followed.grew.set()


@asynccontextmanager
async def running(*work: Coroutine[object, object, None]) -> AsyncIterator[None]:
    """Run these beside the body, and end them with it."""
    tasks = [asyncio.create_task(each) for each in work]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
