"""Simulated meters on real ports: a pseudo-terminal, a TCP port and a network adapter, through the real transports.

Seven-bit characters come through without a decoder here: what the port must hand over is known byte for byte.
"""

import asyncio
import sys
import threading
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest
import serial

from frames import VOLTS_24
from meterlink.driver import Connection, LineSettings, parse_meter_url
from meterlink.errors import LinkError
from meterlink.link import Link, open_link, start_clock
from meterlink.reading import Reading
from meterlink.registry import load_transport
from meterlink.seven_bit import SevenBits
from meterlink_sim.front import Front
from meterlink_sim.peer import Habits, SimulatedMeter, counting
from meterlink_sim.rfc2217_front import Rfc2217Front
from meterlink_sim.tcp_front import TcpFront
from meterlink_sim.wires import WIRES
from waiting import PATIENCE_S, soon

pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5's RFC 2217 client

LCD14 = WIRES["fs9721-lcd14"]
ES14 = WIRES["es51922-ascii14"]
LCD14_FORMAT = "format=fs9721-lcd14"
SPEED = 20.0
USUAL = Habits()

if sys.platform != "win32":
    from meterlink_sim.pty_front import PtyFront

OPEN_FILES = Path("/proc/self/fd")
counts_files = pytest.mark.skipif(not OPEN_FILES.exists(), reason="open files are listed on Linux only")
posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")


def counter(name: str = "fs9721-lcd14", habits: Habits = USUAL) -> SimulatedMeter:
    return SimulatedMeter(WIRES[name], counting(WIRES[name].sample, habits.rate), habits)


async def readings(link: Link, count: int) -> list[Reading]:
    found: list[Reading] = []
    async with asyncio.timeout(PATIENCE_S):
        while len(found) < count:
            item = await anext(link)
            if isinstance(item, Reading):
                found.append(item)
    return found


@asynccontextmanager
async def opened(address: str, line: LineSettings) -> AsyncIterator[Connection]:
    """The real transport with given line settings, and no decoder."""
    url = parse_meter_url(address)
    async with load_transport(url.scheme).open(url, line, start_clock()) as connection:
        yield connection


async def heard(connection: Connection, count: int) -> bytes:
    data = b""
    async with asyncio.timeout(PATIENCE_S):
        while len(data) < count:
            chunk = await connection.read()
            assert chunk is not None
            data += chunk.data
    return data


def repeats(data: bytes, block: bytes) -> bool:
    """Whether one block was heard over and over; the first and the last may have been cut."""
    return data in block * (len(data) // len(block) + 2)


async def nothing_heard(connection: Connection, seconds: float = 0.3) -> bool:
    try:
        async with asyncio.timeout(seconds):
            await connection.read()
    except TimeoutError:
        return True
    return False


def in_order(found: list[Reading]) -> bool:
    """Whether counted readings follow each other without a gap, a double or another number."""
    counts = [reading.counts for reading in found]
    return counts == list(range(counts[0] or 0, (counts[0] or 0) + len(counts)))


def open_files() -> int:
    return len(list(OPEN_FILES.iterdir()))


# Pseudo-terminal


@posix
async def test_every_update_comes_through_a_pseudo_terminal() -> None:
    with PtyFront(counter(), SPEED) as front:
        async with open_link(f"{front.where}?{LCD14_FORMAT}", start_clock()) as link:
            assert in_order(await readings(link, 30))


@posix
@pytest.mark.parametrize("name", sorted(name for name, wire in WIRES.items() if wire.responder is None))
@pytest.mark.parametrize("parity_left_in", [True, False])
async def test_the_bytes_of_each_format_come_through_the_real_port(name: str, parity_left_in: bool) -> None:
    wire = WIRES[name]
    block = wire.encode(wire.sample)
    with PtyFront(SimulatedMeter(wire), SPEED, parity_left_in=parity_left_in) as front:
        async with opened(front.where, LineSettings(wire.line.baud)) as connection:
            data = await heard(connection, 6 * len(block))
    if wire.line.bytesize == 7:
        assert any(byte > 0x7F for byte in data) == parity_left_in
        data = SevenBits(wire.line.parity).feed(data)
    assert repeats(data, block)


@posix
async def test_a_cable_is_pulled_and_plugged_in_under_another_name(tmp_path: Path) -> None:
    lasting = tmp_path / "by-id-simulated-meter"
    with PtyFront(counter(), SPEED, lasting) as front:
        address = f"{front.where}?{LCD14_FORMAT}&patience=0"
        for _ in range(3):
            async with open_link(address, start_clock()) as link:
                assert in_order(await readings(link, 5))
                front.unplug()
                assert not lasting.is_symlink()
                with pytest.raises(LinkError, match="is lost"):
                    await readings(link, 100)
            with pytest.raises(LinkError, match="is absent"):
                async with open_link(address, start_clock()):
                    pass
            before = front.name
            front.replug()
            assert front.name != before
            assert str(lasting.readlink()) == front.name
        async with open_link(address, start_clock()) as link:
            assert in_order(await readings(link, 5))
    assert not lasting.is_symlink()


@posix
async def test_halves_and_junk_make_no_number_that_was_not_shown() -> None:
    meter = counter(habits=Habits(half=0.3, junk=0.3, seed=3))
    with PtyFront(meter, SPEED) as front:
        async with open_link(f"{front.where}?{LCD14_FORMAT}", start_clock()) as link:
            found = await readings(link, 40)
            assert link.skipped > 0
    shown = {reading.display for reading in meter.shown}
    assert {reading.display for reading in found} <= shown
    assert len(found) == len({reading.display for reading in found})


@posix
async def test_what_got_stuck_comes_at_once_through_the_port() -> None:
    meter = counter(habits=Habits(rate=5, pause_every=4, pause_for=2))
    with PtyFront(meter, SPEED) as front:
        async with open_link(f"{front.where}?{LCD14_FORMAT}", start_clock()) as link:
            found = await readings(link, 60)
    assert in_order(found)
    times = [reading.at for reading in found]
    assert max(times.count(at) for at in times) >= 8


@posix
async def test_a_meter_that_switched_itself_off_is_silent_until_a_key_is_pressed() -> None:
    with PtyFront(counter(habits=Habits(off_after=8)), SPEED) as front:
        async with opened(front.where, LCD14.line) as connection:
            front.press_key()  # its 8 s begin anew
            await heard(connection, 14)
            while not await nothing_heard(connection):
                pass
            assert front.now > 8
            front.press_key()
            assert await heard(connection, 14)


@posix
async def test_a_meter_that_loses_the_supply_of_its_cable_falls_silent() -> None:
    with PtyFront(counter(habits=Habits(fed_from_lines=True)), SPEED) as front:
        async with opened(front.where, LCD14.line) as connection:
            assert await nothing_heard(connection)
            front.set_lines(dtr=True, rts=False)
            assert await heard(connection, 28)
            front.set_lines(dtr=False, rts=False)
            while not await nothing_heard(connection, 0.1):
                pass  # what was under way
            assert await nothing_heard(connection)


@posix
async def test_a_meter_that_is_asked_answers_on_a_pseudo_terminal() -> None:
    with PtyFront(counter("scpi-line"), SPEED) as front:
        async with open_link(f"{front.where}?format=scpi-line", start_clock()) as link:
            found = await readings(link, 5)
            assert link.identity == "DEMO,SIMULATED METER,0,0"
    values = [reading.value for reading in found]
    assert set(values) <= {reading.value for reading in front.meter.shown}


# TCP


async def test_the_link_is_cut_and_comes_back_on_the_same_port() -> None:
    with TcpFront(counter(), SPEED) as front:
        address = f"{front.where}?{LCD14_FORMAT}&patience=0"
        async with open_link(address, start_clock()) as link:
            assert in_order(await readings(link, 5))
            front.cut(reset=True)
            with pytest.raises(LinkError, match="the connection broke"):
                await readings(link, 100)
        async with open_link(address, start_clock()) as link:
            assert in_order(await readings(link, 5))
            front.refuse()
            with pytest.raises(LinkError, match="the other end closed the connection"):
                await readings(link, 100)
        with pytest.raises(LinkError, match="cannot connect"):
            async with open_link(address, start_clock()):
                pass
        front.come_back()
        assert address.startswith(front.where)
        async with open_link(address, start_clock()) as link:
            assert in_order(await readings(link, 5))


async def test_two_may_listen_at_once_and_one_may_leave() -> None:
    with TcpFront(counter(), SPEED) as front:
        address = f"{front.where}?{LCD14_FORMAT}&patience=0"
        async with open_link(address, start_clock()) as stays:
            async with open_link(address, start_clock()) as leaves:
                assert in_order(await readings(leaves, 3))
            assert in_order(await readings(stays, 10))


async def test_a_meter_on_tcp_is_asked() -> None:
    with TcpFront(counter("scpi-line"), SPEED) as front:
        async with open_link(f"{front.where}?format=scpi-line", start_clock()) as link:
            assert len(await readings(link, 3)) == 3


# RFC 2217


async def test_the_line_settings_of_a_seven_bit_meter_reach_it() -> None:
    meter = SimulatedMeter(ES14, habits=Habits(fed_from_lines=True))
    with Rfc2217Front(meter, SPEED) as front:
        async with opened(front.where, LineSettings(19230, 7, "O", 1, dtr=True, rts=False)) as connection:
            data = await heard(connection, 70)
            lines = front.lines[-1]
    assert repeats(data, ES14.encode(ES14.sample))
    assert lines == LineSettings(19230, 7, "O", 1, dtr=True, rts=False)


async def test_options_of_the_meter_address_reach_the_line() -> None:
    with Rfc2217Front(SimulatedMeter(LCD14), SPEED) as front:
        options = f"{LCD14_FORMAT}&baud=19230&bytesize=7&parity=O&stopbits=2&dtr=off&rts=on"
        async with open_link(f"{front.where}?{options}", start_clock()):
            assert front.lines[-1] == LineSettings(19230, 7, "O", 2, dtr=False, rts=True)


async def test_a_meter_is_read_behind_the_adapter() -> None:
    with Rfc2217Front(counter(habits=Habits(fed_from_lines=True)), SPEED) as front:
        async with open_link(f"{front.where}?{LCD14_FORMAT}", start_clock()) as link:
            assert in_order(await readings(link, 10))


PLAIN_19230 = LineSettings(19230)
EVEN = LineSettings(19230, 7, "E")


@pytest.mark.parametrize(
    ("line", "looks_right"),
    [
        (ES14.line, True),
        (replace(ES14.line, baud=19200), True),
        (EVEN, True),  # a port that is wrong about the parity alone hands the seven bits over
        (PLAIN_19230, False),
        (replace(ES14.line, baud=9600), False),
        (replace(ES14.line, baud=2400), False),
    ],
)
async def test_the_adapter_s_settings_decide_what_is_heard(line: LineSettings, looks_right: bool) -> None:
    with Rfc2217Front(SimulatedMeter(ES14), SPEED) as front:
        async with opened(front.where, line) as connection:
            data = await heard(connection, 28)
    assert repeats(data, ES14.encode(ES14.sample)) == looks_right


async def test_the_parity_of_a_plain_port_can_be_taken_off() -> None:
    with Rfc2217Front(SimulatedMeter(ES14), SPEED) as front:
        async with opened(front.where, PLAIN_19230) as connection:
            data = await heard(connection, 56)
    assert any(byte > 0x7F for byte in data)
    assert repeats(SevenBits("O").feed(data), ES14.encode(ES14.sample))


@pytest.mark.parametrize(("dtr", "rts"), [(False, False), (False, True), (True, True)])
async def test_a_cable_that_is_not_fed_says_nothing(dtr: bool, rts: bool) -> None:
    with Rfc2217Front(counter(habits=Habits(fed_from_lines=True)), SPEED) as front:
        async with opened(front.where, replace(LCD14.line, dtr=dtr, rts=rts)) as connection:
            assert await nothing_heard(connection)
        async with opened(front.where, LCD14.line) as connection:
            assert await heard(connection, 28)


async def test_an_adapter_that_is_cut_takes_a_new_client() -> None:
    with Rfc2217Front(counter(), SPEED) as front:
        address = f"{front.where}?{LCD14_FORMAT}&patience=0"
        async with open_link(address, start_clock()) as link:
            assert in_order(await readings(link, 3))
            front.cut()
            with pytest.raises(LinkError, match="is lost"):
                await readings(link, 100)
        async with open_link(address, start_clock()) as link:
            assert in_order(await readings(link, 3))


async def test_bytes_that_telnet_uses_itself_survive_the_adapter() -> None:
    blank = replace(WIRES["gatt-voltage-2b18"].sample, display="")  # FF FF: "value is not known"
    with Rfc2217Front(SimulatedMeter(WIRES["gatt-voltage-2b18"], lambda _at: blank), SPEED) as front:
        async with opened(front.where, LineSettings()) as connection:
            data = await heard(connection, 6)
    assert data == b"\xff" * len(data)
    assert len(data) <= 2 * len(front.meter.shown)


# All of them


FRONTS: dict[str, Callable[[SimulatedMeter], Front]] = {
    "tcp": lambda meter: TcpFront(meter, SPEED),
    "rfc2217": lambda meter: Rfc2217Front(meter, SPEED),
}
if sys.platform != "win32":
    FRONTS["pty"] = lambda meter: PtyFront(meter, SPEED)


@counts_files
@pytest.mark.parametrize("make", FRONTS.values(), ids=FRONTS)
def test_a_front_closes_all_that_it_opened(make: Callable[[SimulatedMeter], Front]) -> None:
    def cycle() -> None:
        with make(counter()) as front:
            url = front.where.removeprefix("serial:").replace("tcp:", "socket://", 1)
            with serial.serial_for_url(url, baudrate=2400, timeout=PATIENCE_S) as port:
                assert len(port.read(20)) == 20

    cycle()  # what is imported and cached at the first use is no leak
    files, threads = open_files(), threading.active_count()
    for _ in range(3):
        cycle()
    assert soon(lambda: threading.active_count() <= threads)  # pyserial's own RFC 2217 reader ends a little later
    assert open_files() <= files


@counts_files
def test_a_port_that_is_taken_leaves_nothing_open() -> None:
    with TcpFront(counter()) as first:
        files = open_files()
        with pytest.raises(OSError, match="in use"), TcpFront(counter(), port=first.port):
            pytest.fail("opened")
        assert open_files() == files


def test_who_comes_later_hears_what_is_sent_from_then_on() -> None:
    with TcpFront(SimulatedMeter(LCD14), 1000) as front:
        time.sleep(0.2)
        with serial.serial_for_url(front.where.replace("tcp:", "socket://", 1), timeout=PATIENCE_S) as port:
            assert repeats(port.read(140), VOLTS_24)
