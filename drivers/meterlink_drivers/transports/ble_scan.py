"""Listening for Bluetooth LE meters with bleak: one scan at a time, and only what is heard in it counts.

The system remembers devices for long after they have gone. A device counts as present when it was heard, with a signal
strength, while our own scan ran.
"""

import asyncio
import random
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from itertools import count
from weakref import WeakKeyDictionary

from bleak import BleakAdapter, BleakScanner
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from meterlink.driver import Device
from meterlink.errors import LinkError, UsageError
from meterlink.registry import format_names, load_format
from meterlink_drivers.transports.ble_patience import Patience, back_off_s
from meterlink_drivers.transports.ble_trouble import in_progress, trouble

_NOT_HEARD = -127
"""bleak's signal strength for a device of which something changed, but which was not heard."""
_LONGEST_NAME = 60

_Detect = Callable[[BLEDevice, AdvertisementData], None]

_locks: WeakKeyDictionary[asyncio.AbstractEventLoop, asyncio.Lock] = WeakKeyDictionary()


async def hear(address: str, adapter: str | None, patience: Patience, jitter: random.Random) -> BLEDevice:
    """Listen until this device is heard.

    Raises:
        LinkError: it was not heard in time, or listening is impossible.
    """
    heard: asyncio.Future[BLEDevice] = asyncio.get_running_loop().create_future()

    def detect(device: BLEDevice, advertisement: AdvertisementData) -> None:
        if device.address.upper() == address and advertisement.rssi != _NOT_HEARD and not heard.done():
            heard.set_result(device)

    async with _scan(detect, f"ble:{address}", adapter, patience, jitter):
        try:
            async with asyncio.timeout(patience.hear_s):
                return await heard
        except TimeoutError:
            raise LinkError(
                f"ble:{address}: the meter was not heard in {patience.hear_s:g} s; switch it on, light its Bluetooth "
                "key, bring it nearer, and close whatever else may hold it: a phone or another program",
                passing=True,
            ) from None


async def connected_already(address: str, service: str, adapter: str | None, patience: Patience) -> BLEDevice | None:
    """Return the device if the system is connected to it; such a device cannot be heard.

    A program that was killed leaves its link behind, and the system keeps it.

    Raises:
        LinkError: Bluetooth cannot be used.
    """
    try:
        async with asyncio.timeout(patience.start_s):
            system = await BleakAdapter.get(bluez={"adapter": adapter} if adapter else {})
            devices = await system.get_connected_devices([service])
    except NotImplementedError:  # not every system can tell
        return None
    except Exception as error:  # bleak raises more kinds than its own; each has its words
        raise trouble(error, f"ble:{address}") from error
    return next((device for device in devices if device.address.upper() == address), None)


async def look_around(patience: Patience, jitter: random.Random) -> list[Device]:
    """List the devices heard during one scan: those that suggest a format first, then those with a name.

    Raises:
        LinkError: listening is impossible.
    """
    heard: dict[str, tuple[BLEDevice, AdvertisementData]] = {}

    def detect(device: BLEDevice, advertisement: AdvertisementData) -> None:
        if advertisement.rssi != _NOT_HEARD:
            heard[device.address.upper()] = (device, advertisement)

    async with _scan(detect, "ble", None, patience, jitter):
        await asyncio.sleep(patience.look_s)
    services = _formats_by_service()
    found = [
        Device(
            identity=f"ble:{address}",
            address=f"ble:{address}",
            name=printable(device.name or advertisement.local_name or ""),
            formats=tuple(name for uuid in advertisement.service_uuids for name in services.get(uuid.lower(), ())),
        )
        for address, (device, advertisement) in heard.items()
    ]
    return sorted(found, key=lambda device: (not device.formats, not device.name, device.name, device.address))


def printable(name: str) -> str:
    """Make a name that a stranger's radio chose safe to show: no control or direction characters, not too long."""
    return "".join(filter(str.isprintable, name)).strip()[:_LONGEST_NAME]


def _formats_by_service() -> dict[str, list[str]]:
    """Look up which formats come under which service; a format that does not load suggests nothing."""
    services: dict[str, list[str]] = {}
    for name in format_names():
        with suppress(UsageError):
            if place := load_format(name).line.gatt:
                services.setdefault(place.service, []).append(name)
    return services


@asynccontextmanager
async def _scan(
    detect: _Detect, where: str, adapter: str | None, patience: Patience, jitter: random.Random
) -> AsyncIterator[None]:
    """Scan while the body runs. Within this process one scan waits for the other."""
    scanner = BleakScanner(detect, bluez={"adapter": adapter} if adapter else {})
    async with _locks.setdefault(asyncio.get_running_loop(), asyncio.Lock()):
        await _start(scanner, where, patience, jitter)
        try:
            yield
        finally:
            with suppress(Exception):  # it ends with our link to the system at the latest
                async with asyncio.timeout(patience.leave_s):
                    await scanner.stop()


async def _start(scanner: BleakScanner, where: str, patience: Patience, jitter: random.Random) -> None:
    loop = asyncio.get_running_loop()
    give_up_at = loop.time() + patience.busy_s
    for attempt in count():
        try:
            async with asyncio.timeout(patience.start_s):
                await scanner.start()
                return
        except Exception as error:  # bleak raises more kinds than its own; each has its words
            pause_s = back_off_s(attempt, jitter)
            if not in_progress(error) or loop.time() + pause_s > give_up_at:
                raise trouble(error, where) from error
        await asyncio.sleep(pause_s)
