"""Transport `ble:ADDRESS`: a Bluetooth LE meter, by its hardware address (on Apple hosts by the system's identifier).

Opening it is one sequence: listen until the meter is heard, connect, read its table of services, subscribe, and see the
link hold for a second. Up to five quick attempts more are made for links that are refused, aborted or that only blink.
When that fails, `LinkError` says why; where its `passing` is true, opening again may help by itself. An open transport
never reconnects: whoever reads it leaves it and opens it again, with a fresh decoder, so nothing is spliced.

A break that the system announces ends the reader's wait at once. Two kinds are announced by nobody: notifications that
just stop, and a Bluetooth service that dies. Only the reader's own watch over silence finds those, tied to the meter's
rate; the transport itself gives up after a minute without a byte.

Bluetooth's library is loaded when a meter is opened or looked for, never before.
"""

import random
import re
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

from meterlink.driver import Clock, Connection, Device, GattPlace, LineSettings, MeterUrl, Transport
from meterlink.errors import UsageError
from meterlink_drivers.transports.ble_patience import Patience

if TYPE_CHECKING:
    from meterlink_drivers.transports.ble_link import Target

_OPTIONS = {
    "service": "UUID of the service that carries the bytes, in full or as 4 hex digits, instead of the format's own",
    "notify": "UUID of the characteristic that notifies",
    "write": "UUID of the characteristic that takes queries",
    "adapter": "the computer's Bluetooth adapter, such as hci0 (Linux)",
}
_DEAD_AFTER_S = 3.0
"""Notifications may stop for good while the stack still calls the link connected; a meter sends twice a second."""
_HARDWARE_ADDRESS = re.compile(r"[0-9A-F]{2}(:[0-9A-F]{2}){5}", re.ASCII)
_LONG_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.ASCII)
_SHORT_UUID = re.compile(r"[0-9a-f]{4}", re.ASCII)
_BASE_UUID = "0000{}-0000-1000-8000-00805f9b34fb"
"""Bluetooth Core Specification, volume 3, part B, 2.5.1: what a 16-bit UUID stands for."""


def transport(patience: Patience, jitter: random.Random) -> Transport:
    """Make the transport, with its times and the source of the back-off's jitter."""

    @asynccontextmanager
    async def open_meter(url: MeterUrl, line: LineSettings, clock: Clock) -> AsyncIterator[Connection]:
        from meterlink_drivers.transports.ble_link import open_link  # noqa: PLC0415 - loads Bluetooth's library

        async with open_link(_target(url, line.gatt), patience, jitter, clock) as connection:
            yield connection

    async def find() -> Sequence[Device]:
        from meterlink_drivers.transports.ble_scan import look_around  # noqa: PLC0415 - loads Bluetooth's library

        return await look_around(patience, jitter)

    return Transport(
        scheme="ble",
        summary="Bluetooth LE meter by its address, such as ble:C0:FF:EE:01:02:03",
        open=open_meter,
        options=_OPTIONS,
        find=find,
        identity=_identity,
        reopen_after_s=_DEAD_AFTER_S,
    )


async def _identity(address: str) -> str:
    """The address itself, spelled in one way. The radio is not asked."""
    return f"ble:{parse_address(address)}"


def parse_address(text: str) -> str:
    """Spell a meter's address in upper case.

    Raises:
        UsageError: neither a hardware address nor an identifier as Apple hosts give it.
    """
    address = text.upper()
    if not _HARDWARE_ADDRESS.fullmatch(address) and not _LONG_UUID.fullmatch(text.lower()):
        raise UsageError(
            f"ble:{text}: expected a Bluetooth address such as C0:FF:EE:01:02:03, "
            "or on Apple hosts the identifier that the list of devices shows"
        )
    return address


def gatt_place(options: Mapping[str, str], place: GattPlace | None) -> GattPlace:
    """Put the options of a METER address over the place that its format names.

    Raises:
        UsageError: a value that is no UUID, or service and characteristic are not both known.
    """
    given = {name: _uuid(name, options[name]) for name in ("service", "notify", "write") if name in options}
    if place is None:
        if "service" not in given or "notify" not in given:
            raise UsageError(
                "ble: this format names no Bluetooth service of its own; "
                "add service=UUID and notify=UUID, as the meter's maker gives them"
            )
        return GattPlace(given["service"], given["notify"], given.get("write"))
    return GattPlace(
        given.get("service", place.service), given.get("notify", place.notify), given.get("write", place.write)
    )


def _uuid(name: str, text: str) -> str:
    uuid = text.lower()
    if _SHORT_UUID.fullmatch(uuid):
        return _BASE_UUID.format(uuid)
    if not _LONG_UUID.fullmatch(uuid):
        raise UsageError(f"{name} {text!r}: expected a UUID in full, or its short form of 4 hex digits such as fff0")
    return uuid


def _target(url: MeterUrl, place: GattPlace | None) -> "Target":
    from meterlink_drivers.transports.ble_link import Target  # noqa: PLC0415 - loads Bluetooth's library

    return Target(parse_address(url.address), gatt_place(url.options, place), url.options.get("adapter"))


TRANSPORT = transport(Patience(), random.Random())  # noqa: S311 - spreads waits, keeps no secret
