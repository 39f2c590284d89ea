"""Transport `ble:` at work: bytes in order, none twice, none of an older link; reads, queries, the list of devices."""

import asyncio
import json
import random
import subprocess
import sys
from dataclasses import replace

import pytest
from bleak import BleakClient
from hypothesis import given
from hypothesis import strategies as st

from ble_bench import (
    ADDRESS,
    NOTIFY,
    QUICK,
    SERVICE,
    WRITE,
    counter_frames,
    meter,
    needs_dbus,
    opened,
    radio,
    received,
    running,
)
from frames import VOLTS_24
from meterlink.driver import GattPlace, LineSettings
from meterlink.errors import LinkError, UsageError
from meterlink.link import start_clock
from meterlink.reading import Instant
from meterlink.registry import format_names, load_format
from meterlink_drivers.formats.fs9721_lcd14 import Fs9721Decoder
from meterlink_drivers.transports.ble import TRANSPORT, gatt_place, parse_address, transport
from meterlink_drivers.transports.ble_inbox import MOST_WAITING, Inbox
from meterlink_drivers.transports.ble_patience import back_off_s
from meterlink_drivers.transports.ble_scan import printable
from meterlink_sim.bluez.gatt_meter import Cutter, GattMeter
from meterlink_sim.bluez.peripheral import Characteristic
from meterlink_sim.bluez.stack import Adapter
from waiting import PATIENCE_S

APPLE = "5F3A0F32-7B1C-4C63-9B52-1F0F4E2A9D10"
OTHER = "0000ff01-0000-1000-8000-00805f9b34fb"

# The address and its options


@pytest.mark.parametrize("text", ["C0:FF:EE:00:00:01", "c0:ff:ee:00:00:01"])
async def test_a_hardware_address_is_one_identity_however_it_is_spelled(text: str) -> None:
    assert parse_address(text) == ADDRESS
    assert TRANSPORT.identity is not None
    assert await TRANSPORT.identity(text) == f"ble:{ADDRESS}"


def test_an_identifier_of_an_apple_host_is_an_address() -> None:
    assert parse_address(APPLE.lower()) == APPLE


@pytest.mark.parametrize(
    "text", ["METER", "C0:FF:EE:00:00", "C0-FF-EE-00-00-01", "C0:FF:EE:00:00:0G", "١:FF:EE:00:00:01"]
)
def test_what_is_no_address_is_refused_before_the_radio_is_asked(text: str) -> None:
    with pytest.raises(UsageError, match="expected a Bluetooth address such as C0:FF:EE:01:02:03"):
        parse_address(text)


def test_options_stand_over_the_format_s_own_place() -> None:
    place = GattPlace(SERVICE, NOTIFY)
    assert gatt_place({}, place) == place
    assert gatt_place({"notify": "FF01"}, place) == GattPlace(SERVICE, OTHER)
    assert gatt_place({"service": OTHER.upper(), "notify": "fff4", "write": "fff3"}, None) == GattPlace(
        OTHER, NOTIFY, WRITE
    )


@pytest.mark.parametrize("options", [{}, {"service": "fff0"}, {"notify": "fff4"}])
def test_a_format_without_a_place_asks_for_one(options: dict[str, str]) -> None:
    with pytest.raises(UsageError, match="add service=UUID and notify=UUID"):
        gatt_place(options, None)


@pytest.mark.parametrize("uuid", ["fff", "ffff0", "0xfff0", f"{SERVICE}0", "service", "١٢٣٤"])
def test_what_is_no_uuid_is_refused(uuid: str) -> None:
    with pytest.raises(UsageError, match="expected a UUID in full, or its short form of 4 hex digits"):
        gatt_place({"service": uuid, "notify": "fff4"}, None)


def test_the_transport_declares_every_option_it_takes() -> None:
    assert set(TRANSPORT.options) == {"service", "notify", "write", "adapter"}


def test_bluetooth_s_library_is_not_loaded_before_a_meter_is_opened() -> None:
    script = (
        "import sys; from meterlink.registry import load_transport; load_transport('ble');"
        "print(sorted({name.partition('.')[0] for name in sys.modules} & {'bleak', 'dbus_fast'}))"
    )
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert result.stdout == "[]\n"


@given(st.text())
def test_a_name_from_the_air_is_safe_to_print(name: str) -> None:
    shown = printable(name)
    assert shown.isprintable()
    assert len(shown) <= 60


def test_a_name_from_the_air_keeps_what_can_be_read() -> None:
    assert printable("\x1b[2JMeter\u202e 7\x00 ") == "[2JMeter 7"


@given(st.integers(0, 60), st.integers())
def test_waits_grow_to_four_seconds_and_are_never_in_step(attempt: int, seed: int) -> None:
    wait = back_off_s(attempt, random.Random(seed))
    middle = min(4, 0.25 * 2**attempt)
    assert 0.5 * middle <= wait <= 1.5 * middle
    assert wait != back_off_s(attempt, random.Random(seed + 1))


# What reaches the reader


async def test_the_inbox_gives_in_order_then_the_loss_for_good() -> None:
    inbox = Inbox(start_clock())
    now = inbox.begin()
    take = inbox.callback(now)
    take(None, bytearray(b"1"))
    take(None, bytearray(b"2"))
    inbox.lose(now, LinkError("lost"))
    assert [(await inbox.get()).data for _ in range(2)] == [b"1", b"2"]
    for _ in range(2):
        with pytest.raises(LinkError, match="lost"):
            await inbox.get()


async def test_the_inbox_knows_nothing_of_older_links() -> None:
    inbox = Inbox(start_clock())
    old = inbox.begin()
    inbox.callback(old)(None, bytearray(b"before the break"))
    new = inbox.begin()
    inbox.callback(old)(None, bytearray(b"late"))
    inbox.lose(old, LinkError("late"))
    inbox.callback(new)(None, bytearray(b"new"))
    assert (await inbox.get()).data == b"new"
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(inbox.get(), 0.05)


async def test_whatever_goes_wrong_in_a_callback_reaches_the_reader() -> None:
    def broken() -> Instant:
        raise ZeroDivisionError("the clock")

    inbox = Inbox(broken)
    inbox.callback(inbox.begin())(None, bytearray(b"x"))
    with pytest.raises(LinkError, match="ZeroDivisionError"):
        await inbox.get()


async def test_the_inbox_is_bounded() -> None:
    inbox = Inbox(start_clock())
    take = inbox.callback(inbox.begin())
    for _ in range(MOST_WAITING + 1):
        take(None, bytearray(b"x"))
    for _ in range(MOST_WAITING):
        assert (await inbox.get()).data == b"x"
    with pytest.raises(LinkError, match="50000 notifications wait to be read"):
        await inbox.get()


@given(st.integers(), st.integers(1, 40))
def test_the_cutter_loses_and_adds_nothing(seed: int, most: int) -> None:
    cutter = Cutter(random.Random(seed), most)
    frames = [VOLTS_24] * 20
    pieces = [piece for frame in frames for piece in cutter.cut(frame)] + cutter.rest()
    assert b"".join(pieces) == b"".join(frames)
    assert all(1 <= len(piece) <= most for piece in pieces)


@needs_dbus
@pytest.mark.parametrize("seed", range(3))
async def test_borders_of_notifications_mean_nothing(seed: int) -> None:
    frames = [frame for frame, _ in zip(counter_frames(), range(200), strict=False)]
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        source = GattMeter(bluez, peripheral, NOTIFY, iter(frames), rate_hz=2000, rng=random.Random(seed))
        async with opened() as connection:
            streaming = asyncio.create_task(source.run())
            data = await received(connection, 200 * 14)
            await streaming
    assert data == b"".join(frames)
    readings = Fs9721Decoder().feed(data, Instant(0, 0))
    assert [reading.raw for reading in readings] == frames


@needs_dbus
async def test_equal_notifications_in_a_row_all_arrive_each_with_its_time() -> None:
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        async with opened() as connection:
            for _ in range(5):
                await bluez.notify(peripheral, NOTIFY, b"same")
                await asyncio.sleep(0.01)
            chunks = [await connection.read() for _ in range(5)]
    times = [chunk.at for chunk in chunks if chunk is not None and chunk.data == b"same"]
    assert len(set(times)) == 5
    assert times == sorted(times)


@needs_dbus
async def test_a_late_notification_of_an_old_subscription_is_ignored(monkeypatch: pytest.MonkeyPatch) -> None:
    callbacks = []
    start_notify = BleakClient.start_notify

    async def spy(client: BleakClient, characteristic: object, callback: object, **more: object) -> None:
        callbacks.append(callback)
        await start_notify(client, characteristic, callback, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(BleakClient, "start_notify", spy)
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        bluez.faults.blinks = [1.0]  # a first link that breaks, within one opening
        async with opened(patience=replace(QUICK, hear_s=10, hold_s=2)) as connection:
            old, new = callbacks
            old(None, bytearray(b"old"))  # type: ignore[operator]
            await bluez.notify(peripheral, NOTIFY, b"once")
            assert await received(connection, 1) == b"once"
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(connection.read(), 0.1)
        async with opened() as connection:
            old(None, bytearray(b"old"))  # type: ignore[operator]
            new(None, bytearray(b"older than this opening"))  # type: ignore[operator]
            await bluez.notify(peripheral, NOTIFY, b"once")
            assert await received(connection, 1) == b"once"
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(connection.read(), 0.1)


@needs_dbus
async def test_a_characteristic_that_cannot_notify_is_read_again_and_again() -> None:
    async with radio() as bluez:
        level = Characteristic(NOTIFY, ("read",), b"\x57")
        peripheral = meter(services={SERVICE: (level,)})
        bluez.advertise(peripheral)
        async with opened() as connection:
            assert await received(connection, 3) == b"\x57\x57\x57"
            level.value = b"\x58"
            while await received(connection, 1) != b"\x58":
                pass
            bluez.drop_link(peripheral)
            with pytest.raises(LinkError, match="the Bluetooth link is lost"):
                await received(connection, 1_000)
        reads = bluez.calls.count("ReadValue")
        await asyncio.sleep(0.1)
        assert bluez.calls.count("ReadValue") == reads  # nothing goes on reading


@needs_dbus
async def test_an_indication_is_as_good_as_a_notification() -> None:
    async with radio() as bluez:
        peripheral = meter(services={SERVICE: (Characteristic(NOTIFY, ("indicate",)),)})
        bluez.advertise(peripheral)
        async with opened() as connection:
            await bluez.notify(peripheral, NOTIFY, b"x")
            assert await received(connection, 1) == b"x"


@needs_dbus
async def test_queries_are_written_in_pieces_that_fit() -> None:
    written = []
    async with radio() as bluez:
        bluez.advertise(meter(on_write=lambda uuid, data: written.append((uuid, data))))
        async with opened() as connection:
            await connection.write(b"x" * 45)
    assert written == [(WRITE, b"x" * 20), (WRITE, b"x" * 20), (WRITE, b"x" * 5)]


@needs_dbus
async def test_a_format_without_a_place_for_queries_cannot_ask() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        async with opened(line=LineSettings(gatt=GattPlace(SERVICE, NOTIFY))) as connection:
            with pytest.raises(LinkError, match="nothing can be asked here; add write=UUID"):
                await connection.write(b"?")


@needs_dbus
async def test_leaving_unsubscribes_and_disconnects() -> None:
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        async with opened():
            assert bluez.is_notifying(peripheral, NOTIFY)
        assert bluez.calls[-2:] == ["StopNotify", "Disconnect"]
        assert not bluez.is_notifying(peripheral, NOTIFY)


@needs_dbus
async def test_a_link_that_a_killed_program_left_behind_is_taken_over() -> None:
    async with radio() as bluez:
        peripheral = meter()
        await bluez.connect_for_another(peripheral)
        async with opened() as connection:
            await bluez.notify(peripheral, NOTIFY, b"x")
            assert await received(connection, 1) == b"x"
        assert "Connect" not in bluez.calls
        assert "StartDiscovery" not in bluez.calls
        assert bluez.calls[-1] == "Disconnect"


@needs_dbus
async def test_the_named_adapter_is_used() -> None:
    async with radio() as bluez:
        bluez.advertise(meter())
        async with opened(options={"adapter": "hci0"}):
            pass


# The list of devices


@needs_dbus
async def test_only_devices_heard_now_are_listed_those_with_a_known_service_first() -> None:
    known = [name for name in format_names() if _service_of(name)]
    advertised = tuple(dict.fromkeys(_service_of(name) for name in known)) or (OTHER,)
    async with radio() as bluez:
        bluez.advertise(meter(1, name="a\x07 nobody's", advertised=()))
        bluez.advertise(meter(2, name="zz", advertised=advertised))
        bluez.remember(meter(3, name="gone"))
        find = transport(QUICK, random.Random(1)).find
        assert find is not None
        found = await find()
    assert {device.address for device in found} == {"ble:C0:FF:EE:00:00:01", "ble:C0:FF:EE:00:00:02"}
    by_name = {device.name: device for device in found}
    assert by_name["a nobody's"].formats == ()
    assert sorted(by_name["zz"].formats) == known
    assert [device.identity for device in found] == [device.address for device in found]
    if known:
        assert found[0].name == "zz"


def _service_of(name: str) -> str:
    try:
        place = load_format(name).line.gatt
    except UsageError:  # a format that does not load
        return ""
    return place.service if place else ""


@needs_dbus
async def test_listing_needs_bluetooth_and_says_so() -> None:
    async with radio(adapters=0):
        find = transport(replace(QUICK, look_s=0.1), random.Random(1)).find
        assert find is not None
        with pytest.raises(LinkError, match="ble: this computer has no Bluetooth adapter"):
            await find()


# The command


async def listen(*arguments: str) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "meterlink",
        "listen",
        *arguments,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )


@needs_dbus
async def test_the_command_listens_to_a_meter_over_bluetooth() -> None:
    async with radio() as bluez:
        peripheral = meter()
        bluez.advertise(peripheral)
        source = GattMeter(bluez, peripheral, NOTIFY, counter_frames(), rate_hz=20, rng=random.Random(1))
        address = f"ble:{ADDRESS}?format=fs9721-lcd14&service=fff0&notify=fff4"
        async with running(source.run()):
            command = await listen("--json", address)
            assert command.stdout is not None
            shown: list[str] = []
            async with asyncio.timeout(PATIENCE_S):
                while len(shown) < 3:  # the stream begins within a frame, and what is refused of it has lines as well
                    line = json.loads(await command.stdout.readline())
                    shown += [line["display"]] if "display" in line else []
            command.kill()
            await command.communicate()
    assert shown == sorted(shown)


@needs_dbus
async def test_the_command_says_what_is_wrong_with_bluetooth() -> None:
    async with radio(Adapter(powered=False)):
        command = await listen(f"ble:{ADDRESS}?format=ble-count6")
        async with asyncio.timeout(PATIENCE_S):
            _, complaint = await command.communicate()
    assert f"ble:{ADDRESS}: Bluetooth is off on this computer; switch it on" in complaint.decode()
    assert command.returncode not in (0, None)
    assert "Traceback" not in complaint.decode()
