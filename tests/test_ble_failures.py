"""Everything that Bluetooth was seen to do wrong, through the real transport: each has its own message.

Source of the conditions: what bleak 3.1 was seen to raise against a simulated BlueZ, and public reports of users.
"""

import asyncio
import socket
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from ble_bench import (
    ADDRESS,
    NOTIFY,
    QUICK,
    SERVICE,
    SystemBus,
    meter,
    needs_dbus,
    opened,
    radio,
    received,
    refused,
    said,
)
from meterlink.errors import LinkError
from meterlink_drivers.transports.ble_trouble import (
    ABSENT,
    BAD_BUS,
    BUSY,
    DEAD_BUS,
    DISTURBED,
    FORBIDDEN,
    LOST,
    MUTE,
    NO_BUS,
    NO_CENTRAL,
    NO_DISCOVERY,
    NO_SERVICE,
    OFF,
    SILENT_SYSTEM,
    UNPAIRED,
)
from meterlink_sim.bluez.bus import ALLOW_ALL
from meterlink_sim.bluez.peripheral import Characteristic
from meterlink_sim.bluez.stack import ABORTED, Adapter, SimulatedBluez
from waiting import PATIENCE_S

pytestmark = needs_dbus

OTHER_SERVICE = "0000180a-0000-1000-8000-00805f9b34fb"


def connecting(calls: list[str]) -> list[str]:
    """Return the calls that have to do with connecting."""
    return [call for call in calls if call in ("Connect", "Disconnect", "StartNotify", "RemoveDevice")]


async def called(bluez: SimulatedBluez, method: str) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while method not in bluez.calls:  # noqa: ASYNC110 - the simulation has no event for it
            await asyncio.sleep(0.01)


async def opened_in_the_end() -> None:
    async with asyncio.timeout(PATIENCE_S):
        while True:
            with suppress(LinkError):
                async with opened():
                    return
            await asyncio.sleep(0.02)


# Before a meter is heard: this computer


@pytest.mark.parametrize(
    ("adapter", "adapters", "options", "words"),
    [
        (Adapter(powered=False), 1, {}, OFF),
        (Adapter(powered=False), 1, {"adapter": "hci0"}, OFF),
        (None, 0, {}, ABSENT),
        (Adapter(roles=("peripheral",)), 1, {}, NO_CENTRAL),
        (Adapter(roles=None), 1, {}, "does not say its Roles; update the system, or use the cable"),
        (None, 1, {"adapter": "hci7"}, "adapter 'hci7' not found; leave adapter= out, or name one that there is"),
    ],
)
async def test_an_adapter_that_cannot_be_used(
    adapter: Adapter | None, adapters: int, options: dict[str, str], words: str
) -> None:
    async with radio(adapter, adapters=adapters):
        error = await refused(options=options)
    assert str(error).startswith(f"ble:{ADDRESS}: ")
    assert str(error).endswith(words)
    assert not error.passing


async def test_no_bluetooth_service() -> None:
    with SystemBus():
        error = await refused()
    assert str(error) == f"ble:{ADDRESS}: {NO_SERVICE}"
    assert not error.passing


async def test_no_bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/none")
    assert str(await refused()) == f"ble:{ADDRESS}: {NO_BUS}"


async def test_a_bus_that_died(monkeypatch: pytest.MonkeyPatch) -> None:
    with SystemBus() as bus:
        bus.kill()
        assert bus.socket.exists()
        assert str(await refused()) == f"ble:{ADDRESS}: {DEAD_BUS}"


async def test_a_malformed_bus_address(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "nonsense")
    assert str(await refused()) == f"ble:{ADDRESS}: {BAD_BUS}"


async def test_a_bus_that_takes_the_connection_and_never_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with socket.socket(socket.AF_UNIX) as deaf:
        deaf.bind(str(tmp_path / "s"))
        deaf.listen()
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/s")
        async with asyncio.timeout(PATIENCE_S):  # who waits for its answer waits for ever
            assert str(await refused(patience=replace(QUICK, start_s=1))) == f"ble:{ADDRESS}: {SILENT_SYSTEM}"


@pytest.mark.parametrize(
    "rule",
    [
        '<deny send_destination="org.bluez"/>',
        '<deny send_destination="org.bluez" send_interface="org.bluez.Adapter1"/>',
        '<deny send_destination="org.bluez" send_interface="org.bluez.Device1" send_member="Connect"/>',
        '<deny send_destination="org.bluez" send_interface="org.bluez.GattCharacteristic1"/>',
    ],
    ids=["everything", "scan", "connect", "notify"],
)
async def test_a_policy_that_forbids(rule: str) -> None:
    async with radio(policy=ALLOW_ALL + rule) as bluez:
        bluez.advertise(meter())
        error = await refused()
    assert str(error) == f"ble:{ADDRESS}: {FORBIDDEN}"
    assert not error.passing
    assert "root" not in str(error)
    assert "sudo" not in str(error)


async def test_a_bus_that_rejects_us() -> None:
    with SystemBus(auth="DBUS_COOKIE_SHA1"):
        assert str(await refused()) == f"ble:{ADDRESS}: {FORBIDDEN}"


# The scan


async def test_a_meter_that_is_not_heard_gets_every_likely_cause() -> None:
    async with radio() as bluez:
        bluez.remember(meter())  # known to the system from before, but not heard now
        bluez.advertise(meter(2))
        error = await refused()
    assert error.passing
    assert "not heard in 0.6 s" in str(error)
    for cause in ("switch it on", "Bluetooth key", "nearer", "a phone or another program"):
        assert cause in str(error)
    assert "Connect" not in bluez.calls


async def test_a_busy_scan_is_waited_for() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        bluez.refuse("StartDiscovery", "InProgress", "Operation already in progress", times=2)
        async with opened(patience=replace(QUICK, busy_s=10)):
            pass
    assert bluez.calls.count("StartDiscovery") == 3


async def test_a_scan_that_stays_busy_ends_in_advice_and_was_no_tight_loop() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        bluez.refuse("StartDiscovery", "InProgress", "Operation already in progress")
        error = await refused()
    assert str(error) == f"ble:{ADDRESS}: {BUSY}"
    assert "use the cable" in str(error)
    assert error.passing
    assert 2 <= bluez.calls.count("StartDiscovery") <= 5  # in one second


async def test_two_meters_are_looked_for_one_after_the_other() -> None:
    async with radio() as bluez:
        bluez.advertise(meter(1))
        bluez.advertise(meter(2))
        async with opened(), opened("C0:FF:EE:00:00:02"):
            pass
        bluez.calls.clear()

        async def open_one(address: str) -> None:
            async with opened(address):
                await asyncio.sleep(0)

        await asyncio.gather(open_one(ADDRESS), open_one("C0:FF:EE:00:00:02"))
    scans = [call for call in bluez.calls if call in ("StartDiscovery", "StopDiscovery")]
    assert scans == ["StartDiscovery", "StopDiscovery"] * 2


async def test_a_meter_that_is_absent_does_not_keep_another_from_being_heard() -> None:
    async with radio() as bluez:
        bluez.advertise(meter(2))
        absent = asyncio.create_task(refused(patience=replace(QUICK, hear_s=5)))
        await called(bluez, "StartDiscovery")
        async with opened("C0:FF:EE:00:00:02", replace(QUICK, turn_s=5)):
            assert not absent.done()
        assert "was not heard in 5 s" in str(await absent)


# Connecting


async def test_services_that_come_late_are_waited_for_within_limits() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        bluez.faults.services_delay_s = 0.6
        async with opened():
            pass
        bluez.faults.services_delay_s = 4
        error = await refused(patience=replace(QUICK, connect_s=1, retries=0))
        assert "heard but did not connect in 1 s" in str(error)
        assert error.passing
        assert bluez.calls[-1] == "Disconnect"


async def test_a_service_that_hangs_while_connecting_and_disconnecting_does_not_hang_us() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        bluez.faults.unanswered = {"Connect", "Disconnect"}
        async with asyncio.timeout(PATIENCE_S):  # who waits for its answer waits for ever
            error = await refused(patience=replace(QUICK, connect_s=0.2, leave_s=0.3, retries=1))
        assert "heard but did not connect" in str(error)


async def test_an_aborted_connection_is_tried_again() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        bluez.refuse("Connect", "Failed", ABORTED, times=3)
        async with opened(patience=replace(QUICK, hear_s=10)):
            pass
        assert bluez.calls.count("Connect") == 4
        bluez.refuse("Connect", "Failed", ABORTED)
        bluez.calls.clear()
        error = await refused(patience=replace(QUICK, hear_s=10))
    assert str(error) == f"ble:{ADDRESS}: {DISTURBED}"
    assert error.passing
    assert bluez.calls.count("Connect") == 6  # the first, and five quick ones


async def test_a_connection_that_fails_five_times_is_tried_a_sixth() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        bluez.refuse("Connect", "Failed", "Software caused connection abort", times=5)
        async with opened(patience=replace(QUICK, hear_s=10)):
            pass
        assert bluez.calls.count("Connect") == 6
        bluez.refuse("Connect", "Failed", "Software caused connection abort")
        bluez.calls.clear()
        error = await refused(patience=replace(QUICK, hear_s=10))
    assert str(error) == f"ble:{ADDRESS}: {DISTURBED} (Software caused connection abort)"
    assert error.passing
    assert bluez.calls.count("Connect") == 6


@pytest.mark.parametrize(
    ("name", "words", "passing"),
    [("NotReady", OFF, False), ("InProgress", BUSY, True), ("AuthenticationFailed", "", True)],
)
async def test_a_connection_that_is_refused(name: str, words: str, passing: bool) -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        bluez.refuse("Connect", name)
        error = await refused(patience=replace(QUICK, hear_s=10, retries=1))
    assert words in str(error)
    assert error.passing == passing
    assert bluez.calls.count("Connect") == (2 if passing else 1)


async def test_a_drop_while_services_are_read_is_a_failed_attempt() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        bluez.faults.drops_in_discovery = 2
        async with opened(patience=replace(QUICK, hear_s=10)):
            pass
        assert bluez.calls.count("Connect") == 3
        bluez.faults.drops_in_discovery = 100
        error = await refused(patience=replace(QUICK, hear_s=10, retries=1))
    assert str(error) == f"ble:{ADDRESS}: {NO_DISCOVERY}"
    assert error.passing


async def test_a_blink_never_counts_as_connected_and_what_it_brought_is_dropped() -> None:
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        bluez.faults.blinks = [1.0]

        patient = replace(QUICK, hear_s=10, hold_s=2)
        speaking = asyncio.create_task(said(bluez, peripheral, b"from the blink"))
        async with opened(patience=patient) as connection:
            await speaking
            assert bluez.calls.count("Connect") == 2
            await bluez.notify(peripheral, NOTIFY, b"from the link")
            assert await received(connection, 1) == b"from the link"
        bluez.faults.blinks = [1.0] * 9
        error = await refused(patience=replace(patient, hold_s=20, retries=1))
    assert "the link broke within 20 s of connecting" in str(error)
    assert error.passing


async def test_a_goodbye_that_is_answered_too_early_does_not_spoil_the_next_attempt() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        bluez.faults.goodbye_ahead_s = 0.05
        bluez.faults.services_delay_s = 0.5
        await refused(patience=replace(QUICK, connect_s=0.2, retries=0))
        bluez.faults.services_delay_s = 0
        async with opened():
            pass
        async with opened():
            pass


async def test_giving_up_while_connecting_leaves_no_link() -> None:
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        bluez.faults.services_delay_s = 5

        async def open_one() -> None:
            async with opened(patience=replace(QUICK, connect_s=5)):
                pytest.fail("it cannot have connected")

        opening = asyncio.create_task(open_one())
        await called(bluez, "Connect")
        opening.cancel()
        with pytest.raises(asyncio.CancelledError):
            await opening
        assert connecting(bluez.calls) == ["Connect", "Disconnect"]


async def test_an_old_table_of_services_is_read_anew_once() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        bluez.faults.stale = {OTHER_SERVICE: ()}
        async with opened():
            pass
        assert connecting(bluez.calls) == [
            "Connect",
            "Disconnect",
            "RemoveDevice",
            "Connect",
            "StartNotify",
            "Disconnect",
        ]


async def test_a_table_without_the_service_says_what_to_remove() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        bluez.faults.stale = {OTHER_SERVICE: ()}
        bluez.faults.keeps_stale = True
        error = await refused()
    assert not error.passing
    assert f"the meter offers no service {SERVICE} with notify characteristic {NOTIFY}" in str(error)
    assert f"(services: {OTHER_SERVICE})" in str(error)
    assert f"bluetoothctl remove {ADDRESS}" in str(error)
    assert bluez.calls.count("Connect") == 2


async def test_a_meter_that_the_user_paired_is_never_removed() -> None:
    async with radio() as bluez:
        bluez.advertise(meter(paired=True))
        bluez.faults.stale = {}
        await refused()
    assert bluez.calls.count("Connect") == 2
    assert "RemoveDevice" not in bluez.calls


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("NotSupported", "Operation is not supported", MUTE),
        ("NotPermitted", "Notify not permitted", MUTE),
        ("NotPermitted", "Not paired", UNPAIRED),
        ("Failed", "Operation failed with ATT error: 0x0e (Unlikely Error)", "the meter refused"),
        ("Failed", "Operation failed with ATT error: 0x05 (Insufficient Authentication)", UNPAIRED),
    ],
)
async def test_notifications_that_are_refused(name: str, text: str, words: str) -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        bluez.refuse("StartNotify", name, text)
        error = await refused()
    assert words in str(error)
    assert not error.passing
    assert connecting(bluez.calls) == ["Connect", "StartNotify", "Disconnect"]


# While it is open


async def test_a_drop_ends_the_wait_at_once_and_it_stays_lost() -> None:
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        async with opened() as connection:
            await bluez.notify(peripheral, NOTIFY, b"the last")
            bluez.drop_link(peripheral)
            assert await received(connection, 8) == b"the last"
            for _ in range(2):
                with pytest.raises(LinkError) as caught:
                    await connection.read()
                assert str(caught.value) == f"ble:{ADDRESS}: {LOST}"  # not that nothing came for long
                assert caught.value.passing
            with pytest.raises(LinkError, match="the Bluetooth link is lost"):
                await connection.write(b"?")


async def test_an_adapter_switched_off_is_a_drop() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        async with opened() as connection:
            bluez.power(on=False)
            with pytest.raises(LinkError, match="the Bluetooth link is lost"):
                await asyncio.wait_for(connection.read(), PATIENCE_S)
        assert str(await refused()) == f"ble:{ADDRESS}: {OFF}"
        bluez.power(on=True)
        await opened_in_the_end()  # once the system has heard of it


async def test_a_device_that_vanishes_says_nothing_but_can_be_left_and_opened_again() -> None:
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        async with opened() as connection:
            bluez.vanish(peripheral)
            with pytest.raises(TimeoutError):  # nobody tells; only the reader's own watch finds it
                await asyncio.wait_for(connection.read(), 0.3)
            with pytest.raises(LinkError, match="is not heard any more"):
                await connection.write(b"?")
        bluez.advertise(peripheral)
        async with opened() as connection:
            await bluez.notify(peripheral, NOTIFY, b"back")
            assert await received(connection, 4) == b"back"


async def test_a_bluetooth_service_that_restarts_says_nothing_but_can_be_left_and_opened_again() -> None:
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        async with opened() as connection:
            await bluez.exit()
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(connection.read(), 0.3)
            with pytest.raises(LinkError, match="Bluetooth service is not running"):
                await connection.write(b"?")
        assert str(await refused()) == f"ble:{ADDRESS}: {NO_SERVICE}"
        await bluez.start()
        async with opened() as connection:
            await bluez.notify(peripheral, NOTIFY, b"back")
            assert await received(connection, 4) == b"back"


async def test_a_bus_that_dies_ends_the_wait_at_once() -> None:
    with SystemBus() as bus:
        async with SimulatedBluez(bus.address) as bluez:
            bluez.advertise(meter())
            async with opened() as connection:
                bus.kill()
                with pytest.raises(LinkError, match="the Bluetooth link is lost"):
                    await asyncio.wait_for(connection.read(), PATIENCE_S)
            assert str(await refused()) == f"ble:{ADDRESS}: {DEAD_BUS}"


async def test_a_link_that_says_nothing_for_long_is_given_up() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        async with opened(patience=replace(QUICK, stall_s=0.2)) as connection:
            with pytest.raises(LinkError, match=r"the link stands but nothing came for 0.2 s") as caught:
                await connection.read()
    assert caught.value.passing


async def test_a_write_that_is_refused_says_so() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        bluez.refuse("WriteValue", "Failed", "Operation failed with ATT error: 0x0e", times=1)
        async with opened() as connection:
            with pytest.raises(LinkError, match=r"the meter refused \(GATT Protocol Error: Unlikely Error\)"):
                await connection.write(b"?")


async def test_a_place_for_queries_that_the_meter_lacks() -> None:
    async with radio() as bluez:
        bluez.advertise(meter(services={SERVICE: (Characteristic(NOTIFY),)}))
        async with opened() as connection:
            with pytest.raises(LinkError, match=r"the meter offers no .* write characteristic .* check write="):
                await connection.write(b"?")
