"""Identifying over Bluetooth LE: bleak's real backend, a simulated BlueZ, meters of several formats."""

import asyncio
import random
from collections.abc import Iterator
from contextlib import suppress
from itertools import repeat
from pathlib import Path

import pytest

from ble_bench import ADDRESS, NOTIFY, QUICK, meter, needs_dbus, radio
from frames import vectors
from meterlink.driver import parse_meter_url
from meterlink.errors import LinkError
from meterlink.finder import identify
from meterlink.found import Finding
from meterlink.link import start_clock
from meterlink_drivers.transports.ble import transport
from meterlink_sim.bluez.gatt_meter import GattMeter
from meterlink_sim.bluez.peripheral import Characteristic

BASE = "-0000-1000-8000-00805f9b34fb"
SENSING, VOLTAGE = f"0000181a{BASE}", f"00002b18{BASE}"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STEADYPOINT_HOME", str(tmp_path))


async def find_out() -> Finding:
    through = transport(QUICK, random.Random(1))
    return await identify(parse_meter_url(f"ble:{ADDRESS}"), through, start_clock(), lambda what: None, listen_s=1.0)


@needs_dbus
@pytest.mark.parametrize("name", ["ble-count6", "ble-lcd11-xor", "fs9922-ascii14"])
async def test_at_a_makers_own_place_the_bytes_decide(name: str) -> None:
    frames: Iterator[bytes] = repeat(vectors(name)[0].data)
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        source = GattMeter(bluez, peripheral, NOTIFY, frames, rate_hz=20, rng=random.Random(1))
        streaming = asyncio.create_task(source.run())
        finding = await find_out()
        streaming.cancel()
        with suppress(asyncio.CancelledError):
            await streaming
    assert [each.format for each in finding.formats] == [name]
    assert finding.identity == f"ble:{ADDRESS}"
    assert finding.profile is not None


@needs_dbus
async def test_a_standard_characteristic_is_found_behind_places_that_are_not_offered() -> None:
    async with radio() as bluez:
        peripheral = meter(services={SENSING: (Characteristic(VOLTAGE),)}, advertised=(SENSING,))
        bluez.advertise(peripheral)
        source = GattMeter(bluez, peripheral, VOLTAGE, repeat(b"\x04\x06"), rate_hz=20, rng=random.Random(1))
        streaming = asyncio.create_task(source.run())
        finding = await find_out()
        streaming.cancel()
        with suppress(asyncio.CancelledError):
            await streaming
    assert [each.format for each in finding.formats] == ["gatt-voltage-2b18"]
    assert any("offers no" in step.trouble for step in finding.steps)


@needs_dbus
async def test_a_meter_that_is_not_heard_is_told_at_once() -> None:
    async with radio():
        with pytest.raises(LinkError) as caught:
            await find_out()
    assert caught.value.passing
