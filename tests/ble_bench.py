"""A bench for the Bluetooth transport: bleak's real Linux backend, a real D-Bus, a simulated BlueZ and its meters.

Not proved here: radio timing, a real bluetoothd's order of answers, pairing, and bleak's backends for other systems.
"""

import asyncio
import os
import random
from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass, field, replace
from itertools import count

import pytest

from meterlink.driver import Connection, GattPlace, LineSettings, MeterUrl, Transport
from meterlink.errors import LinkError
from meterlink.link import start_clock
from meterlink.reading import Function, Instant, Reading
from meterlink_drivers.formats.fs9721_lcd14 import Fs9721Decoder
from meterlink_drivers.transports.ble import TRANSPORT, transport
from meterlink_drivers.transports.ble_patience import Patience
from meterlink_sim.bluez.bus import ALLOW_ALL, PrivateBus, missing
from meterlink_sim.bluez.peripheral import Characteristic, Peripheral
from meterlink_sim.bluez.stack import Adapter, SimulatedBluez
from meterlink_sim.encoders.fs9721_lcd14 import encode

needs_dbus = pytest.mark.skipif(bool(missing()) and not os.environ.get("CI"), reason=missing() or "not skipped")
"""Skips where there is no dbus-daemon; in CI the tests run all the same, and fail."""

SERVICE = "0000fff0-0000-1000-8000-00805f9b34fb"
NOTIFY = "0000fff4-0000-1000-8000-00805f9b34fb"
WRITE = "0000fff3-0000-1000-8000-00805f9b34fb"
PLACE = GattPlace(SERVICE, NOTIFY, WRITE)
LINE = LineSettings(gatt=PLACE)
ADDRESS = "C0:FF:EE:00:00:01"

QUICK = Patience(
    start_s=1.0,
    hear_s=0.6,
    busy_s=1.0,
    connect_s=1.0,
    hold_s=0.1,
    gone_s=0.1,
    look_s=0.3,
    read_every_s=0.02,
    leave_s=0.3,
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
    with bus_only(policy, auth) as bus:
        async with SimulatedBluez(bus.address, adapter, adapters=adapters) as bluez:
            yield bluez


class bus_only:  # noqa: N801 - reads as a function
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
) -> AbstractAsyncContextManager[Connection]:
    """Open the transport, with short times unless told otherwise."""
    made = transport(patience, random.Random(1))
    return made.open(MeterUrl("ble", address, options or {}), line, start_clock())


async def refused(
    address: str = ADDRESS, patience: Patience = QUICK, options: Mapping[str, str] | None = None
) -> LinkError:
    """Open the transport, which must fail, and return why."""
    with pytest.raises(LinkError) as caught:
        async with asyncio.timeout(20), opened(address, patience, options):
            pass
    return caught.value


async def received(connection: Connection, size: int) -> bytes:
    """Read until so many bytes have come."""
    data = b""
    async with asyncio.timeout(5):
        while len(data) < size:
            chunk = await connection.read()
            assert chunk is not None
            data += chunk.data
    return data


@dataclass
class Followed:
    """What came of one meter over all its links."""

    readings: list[Reading] = field(default_factory=list)
    opened: int = 0
    breaks: list[str] = field(default_factory=list)
    grew: asyncio.Event = field(default_factory=asyncio.Event)

    async def more(self, count: int = 1) -> None:
        """Wait for so many more readings."""
        async with asyncio.timeout(30):
            wanted = len(self.readings) + count
            while len(self.readings) < wanted:
                self.grew.clear()
                await self.grew.wait()

    def positions(self, sent: Sequence[bytes]) -> list[int]:
        """Return where each reading stands among the frames sent; a reading that was never sent is a KeyError."""
        places = {frame: place for place, frame in enumerate(sent)}
        return [places[reading.raw] for reading in self.readings]


async def follow(
    followed: Followed, address: str = ADDRESS, through: Transport = TRANSPORT, silence_s: float = 3.0
) -> None:
    """Read a meter for ever: after each break open it again with a fresh decoder; silence is a break too."""
    while True:
        decoder = Fs9721Decoder()
        try:
            async with through.open(MeterUrl("ble", address, {}), LINE, start_clock()) as connection:
                followed.opened += 1
                while True:
                    chunk = await asyncio.wait_for(connection.read(), silence_s)
                    assert chunk is not None
                    followed.readings += decoder.feed(chunk.data, chunk.at)
                    followed.grew.set()
        except TimeoutError:
            followed.breaks.append("silence")
        except LinkError as error:
            followed.breaks.append(str(error))
            if not error.passing:
                raise
