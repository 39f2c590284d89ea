"""One Bluetooth LE link with bleak: hear, connect, subscribe, hold; then bytes until it breaks or is left.

Every attempt has a client of its own: a client whose goodbye was answered in the wrong order believes for ever that it
is connected. An attempt counts when its link has held for a second after connecting; what a link that only blinked
brought is thrown away. After a failed attempt the next one waits until the system has said that the link is gone.
"""

import asyncio
import random
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice

from meterlink.driver import Chunk, Clock, GattPlace
from meterlink.errors import LinkError
from meterlink_drivers.transports.ble_inbox import Inbox
from meterlink_drivers.transports.ble_patience import Patience, back_off_s
from meterlink_drivers.transports.ble_scan import connected_already, hear
from meterlink_drivers.transports.ble_trouble import DISTURBED, LOST, trouble

_HELD = "bring the meter nearer, and close whatever else may hold it: a phone or another program"
_NOTIFYING = {"notify", "indicate"}


@dataclass(frozen=True, slots=True)
class Target:
    """Which meter, and where in it."""

    address: str
    """Upper case."""
    place: GattPlace
    adapter: str | None

    @property
    def name(self) -> str:
        """Its METER address without options."""
        return f"ble:{self.address}"


class _MissingPlaceError(Exception):
    """The meter's table of services lacks what its format needs; the system may have shown an old copy."""


class _Attempt:
    """One client, used once."""

    def __init__(
        self, device: BLEDevice, target: Target, inbox: Inbox, patience: Patience, *, retries: int, fresh: bool
    ) -> None:
        """Prepare.

        Args:
            retries: how often more the library may try by itself after an abort, which it would do without end.
            fresh: read the table of services from the meter, where the system lets us choose.
        """
        self.gone = asyncio.Event()
        """Set when the system said that the link is gone."""
        self.aborts = 0
        """Links that the system itself aborted while it was connecting."""
        self._target = target
        self._patience = patience
        self._inbox = inbox
        self._generation = inbox.begin()
        self._most_aborts = max(1, retries)
        self._limit: asyncio.Timeout | None = None
        self._reading: asyncio.Task[None] | None = None
        self._subscribed: BleakGATTCharacteristic | None = None
        self._client = BleakClient(
            device,
            self._on_gone,
            timeout=patience.connect_s + patience.leave_s,  # ours ends first
            bluez={"adapter": target.adapter} if target.adapter else {},
            winrt={"use_cached_services": False} if fresh else {},
        )

    async def connect(self) -> None:
        """Connect, subscribe, and see the link hold. A failed attempt is cleaned up.

        Raises whatever bleak raises, `_MissingPlaceError`, or `LinkError`.
        """
        try:
            held_from = await self._connect_in_time()
            await self._hold(held_from + self._patience.hold_s)
        except BaseException:
            await self.leave()
            with suppress(TimeoutError):
                async with asyncio.timeout(self._patience.gone_s):
                    await self.gone.wait()
            raise

    async def send(self, data: bytes) -> None:
        """Write to the characteristic that takes queries, in pieces that it takes."""
        characteristic = self._characteristic("write", self._target.place.write)
        size = characteristic.max_write_without_response_size
        for start in range(0, len(data), size):
            await self._client.write_gatt_char(characteristic, data[start : start + size])

    async def leave(self) -> None:
        """Say goodbye, whatever state the link is in. Whatever goes wrong now, the link is given up."""
        if self._reading is not None:
            self._reading.cancel()
            await asyncio.gather(self._reading, return_exceptions=True)
        with suppress(Exception):
            async with asyncio.timeout(self._patience.leave_s):
                if self._subscribed is not None and self._client.is_connected:
                    await self._client.stop_notify(self._subscribed)
        with suppress(Exception):
            async with asyncio.timeout(self._patience.leave_s):
                await self._client.disconnect()

    async def _connect_in_time(self) -> float:
        """Return the time of the event loop at which the link stood."""
        patience = self._patience
        try:
            # bleak answers the inner timeout with a goodbye, which hangs if the system does; the outer one ends that.
            async with asyncio.timeout(patience.connect_s + patience.leave_s):
                async with asyncio.timeout(patience.connect_s) as limit:
                    self._limit = limit
                    await self._client.connect()
                    self._limit = None
                    self.gone.clear()  # aborted links, of which the library tells too, came before this one
                    held_from = asyncio.get_running_loop().time()
                    await self._subscribe(self._characteristic("notify", self._target.place.notify))
        except TimeoutError:
            if self.aborts > self._most_aborts:
                raise LinkError(f"{self._target.name}: {DISTURBED}", passing=True) from None
            raise LinkError(
                f"{self._target.name}: the meter was heard but did not connect in {patience.connect_s:g} s; {_HELD}",
                passing=True,
            ) from None
        return held_from

    async def _hold(self, until: float) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout_at(until):
                await self.gone.wait()
        if self.gone.is_set():
            raise LinkError(
                f"{self._target.name}: the link broke within {self._patience.hold_s:g} s of connecting; {_HELD}",
                passing=True,
            )

    async def _subscribe(self, characteristic: BleakGATTCharacteristic) -> None:
        take = self._inbox.callback(self._generation)
        if _NOTIFYING.intersection(characteristic.properties):
            await self._client.start_notify(characteristic, take)
            self._subscribed = characteristic
        else:
            self._reading = asyncio.create_task(self._keep_reading(characteristic), name="ble-read")

    async def _keep_reading(self, characteristic: BleakGATTCharacteristic) -> None:
        take = self._inbox.callback(self._generation)
        try:
            while True:
                take(characteristic, await self._client.read_gatt_char(characteristic))
                await asyncio.sleep(self._patience.read_every_s)
        except Exception as error:  # bleak raises more kinds than its own; the reader must learn of each
            self._inbox.lose(self._generation, trouble(error, self._target.name))

    def _characteristic(self, purpose: str, uuid: str | None) -> BleakGATTCharacteristic:
        """Find a characteristic of the service; of several the first."""
        place = self._target.place
        for service in self._client.services:
            for characteristic in service.characteristics:
                if service.uuid == place.service and characteristic.uuid == uuid:
                    return characteristic
        offered = ", ".join(sorted({service.uuid for service in self._client.services})) or "none"
        raise _MissingPlaceError(f"service {place.service} with {purpose} characteristic {uuid} (services: {offered})")

    def _on_gone(self, _client: BleakClient) -> None:
        self.gone.set()
        if self._limit is None:
            self._inbox.lose(self._generation, LinkError(f"{self._target.name}: {LOST}", passing=True))
        elif not self._limit.expired():  # still connecting
            self.aborts += 1
            if self.aborts > self._most_aborts:
                self._limit.reschedule(asyncio.get_running_loop().time())


class BleConnection:
    """An open link. Where its bytes are cut carries no meaning."""

    def __init__(self, attempt: _Attempt, target: Target, inbox: Inbox, patience: Patience) -> None:
        self._attempt = attempt
        self._target = target
        self._inbox = inbox
        self._patience = patience

    async def read(self) -> Chunk | None:
        """Wait for the next bytes. Raises `LinkError` when the link broke; it has no regular end."""
        try:
            async with asyncio.timeout(self._patience.stall_s):
                return await self._inbox.get()
        except TimeoutError:
            raise LinkError(
                f"{self._target.name}: the link stands but nothing came for {self._patience.stall_s:g} s; "
                "see that the meter is on and its Bluetooth key is lit",
                passing=True,
            ) from None

    async def write(self, data: bytes) -> None:
        """Send bytes. Raises `LinkError` when the link broke or has no place for queries."""
        if self._target.place.write is None:
            raise LinkError(
                f"{self._target.name}: nothing can be asked here; add write=UUID, as the meter's maker says"
            )
        if self._attempt.gone.is_set():
            raise LinkError(f"{self._target.name}: {LOST}", passing=True)
        try:
            async with asyncio.timeout(self._patience.connect_s):
                await self._attempt.send(data)
        except _MissingPlaceError as error:
            raise LinkError(f"{self._target.name}: the meter offers no {error}; check write=") from error
        except Exception as error:  # bleak raises more kinds than its own; each has its words
            raise trouble(error, self._target.name) from error

    def hear(self, announcement: Mapping[str, object]) -> None:
        """Nobody listens at this end."""


@asynccontextmanager
async def open_link(
    target: Target, patience: Patience, jitter: random.Random, clock: Clock
) -> AsyncIterator[BleConnection]:
    """Open the link; leave it in order, or at least for good.

    Raises:
        LinkError: no attempt succeeded.
    """
    inbox = Inbox(clock)
    attempt = await _connect(target, inbox, patience, jitter)
    try:
        yield BleConnection(attempt, target, inbox, patience)
    finally:
        inbox.begin()
        await attempt.leave()


async def _connect(target: Target, inbox: Inbox, patience: Patience, jitter: random.Random) -> _Attempt:
    """Try until a link holds, or until retries or time are used up."""
    loop = asyncio.get_running_loop()
    begin_until = loop.time() + patience.hear_s
    held = await connected_already(target.address, target.place.service, target.adapter, patience)
    fresh = False
    tried = 0
    while True:
        device = held or await hear(target.address, target.adapter, patience, jitter)
        held = None
        attempt = _Attempt(device, target, inbox, patience, retries=patience.retries - tried, fresh=fresh)
        try:
            await attempt.connect()
        except _MissingPlaceError as error:
            if fresh:
                raise LinkError(_stale(target, error)) from error
            fresh = True
            await _forget(device, patience)
        except Exception as error:  # bleak raises more kinds than its own; each has its words
            problem = trouble(error, target.name)
            tried += max(1, attempt.aborts)
            if not problem.passing or tried > patience.retries or loop.time() > begin_until:
                raise problem from error
            await asyncio.sleep(back_off_s(0, jitter))
        else:
            return attempt


async def _forget(device: BLEDevice, patience: Patience) -> None:
    """Have BlueZ drop its copy of the meter's services, which goes with the device.

    A device that the user paired or trusted is left alone: that is not ours to remove.
    """
    known = device.details.get("props", {}) if isinstance(device.details, dict) else {}
    if not known or known.get("Paired") or known.get("Bonded") or known.get("Trusted"):
        return
    with suppress(Exception):  # then the copy stays, and the next attempt says what to remove
        async with asyncio.timeout(patience.leave_s):
            await BleakClient(device).unpair()


def _stale(target: Target, error: _MissingPlaceError) -> str:
    return (
        f"{target.name}: the meter offers no {error}; the system may have kept an old list: remove the meter from its "
        f"Bluetooth settings (on Linux: bluetoothctl remove {target.address}) and open it again; "
        "otherwise check the format, service= and notify="
    )
