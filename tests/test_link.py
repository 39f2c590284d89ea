"""Links: addresses, options, polling, traces as meters, the simulated meter's answers, drivers that do not load."""

import asyncio
import io
import os
import sys
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from importlib.metadata import EntryPoint, EntryPoints
from pathlib import Path

import pytest

from frames import VOLTS_24
from meter_server import meter_server
from meterlink import registry
from meterlink.driver import Chunk, Clock, Format, LineSettings, MeterUrl, Transport
from meterlink.errors import FileError, UsageError
from meterlink.keeper import Item, News
from meterlink.link import Link, open_link, start_clock
from meterlink.outcome import Answer, Input
from meterlink.reading import NS_PER_S, Instant, Reading
from meterlink_drivers.formats import fs9721_lcd14
from meterlink_sim.scpi_instrument import ScpiInstrument, serve_scpi
from waiting import PATIENCE_S, until

TRACE = (
    '{"t": 0.5, "display": "24.10", "unit": "V", "function": "dc-voltage"}\n'
    '{"t": 9.5, "input": "confirm"}\n'
    '{"t": 10, "display": "OL", "unit": "Ohm", "function": "resistance", "scale": 6}'
)


class Script:
    """A connection that gives what the test puts in, and answers of a simulated technician beside it."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.chunks: asyncio.Queue[Chunk | None] = asyncio.Queue()
        self.inputs: list[Input] = []
        self.heard: list[Mapping[str, object]] = []
        self.written: list[bytes] = []

    async def read(self) -> Chunk | None:
        return await self.chunks.get()

    async def write(self, data: bytes) -> None:
        self.written.append(data)

    def hear(self, announcement: Mapping[str, object]) -> None:
        self.heard.append(announcement)

    def take_inputs(self) -> list[Input]:
        inputs, self.inputs = self.inputs, []
        return inputs

    def come(self, data: bytes) -> None:
        self.chunks.put_nowait(Chunk(data, self.clock()))


class Driver:
    """A transport `script:`, and what was given to it."""

    def __init__(self) -> None:
        self.url: MeterUrl
        self.line: LineSettings
        self.script: Script

    @asynccontextmanager
    async def open(self, url: MeterUrl, line: LineSettings, clock: Clock) -> AsyncIterator[Script]:
        self.url, self.line, self.script = url, line, Script(clock)
        yield self.script


@pytest.fixture
def driver(monkeypatch: pytest.MonkeyPatch) -> Driver:
    driver = Driver()
    transport = Transport("script", "a test's", driver.open, {"pace": "how fast"}, default_format="fs9721-lcd14")
    monkeypatch.setattr("meterlink.link.load_transport", lambda scheme: transport)
    return driver


async def take(link: Link, count: int) -> list[Item]:
    """Wait for so many items; that the link was opened is not counted."""
    items: list[Item] = []
    async with asyncio.timeout(PATIENCE_S):
        while len(items) < count:
            item = await anext(link)
            if not isinstance(item, News):
                items.append(item)
    return items


async def test_a_transport_gets_its_own_options_and_the_formats_line_settings(driver: Driver) -> None:
    async with open_link("script:here?pace=2&celsius-bit=1&time-scale=4", start_clock()):
        assert driver.url == MeterUrl("script", "here", {"pace": "2"})
        assert driver.line.baud == 2400


async def test_an_unknown_option_lists_the_known_ones(driver: Driver) -> None:
    with pytest.raises(UsageError, match="'speed'; known: celsius-bit, format, pace, patience, profile, time-"):
        async with open_link("script:here?speed=2", start_clock()):
            pass


@pytest.mark.parametrize("scale", ["0.5", "0", "-1", "nan", "inf", "1/0", "fast", "1e9"])
async def test_a_time_scale_is_a_number_of_1_or_more(driver: Driver, scale: str) -> None:
    with pytest.raises(UsageError, match=f"time-scale '{scale}': expected a number from 1"):
        async with open_link(f"script:here?time-scale={scale}", start_clock()):
            pass


async def test_a_time_scale_stretches_the_clock_from_the_opening_on(driver: Driver) -> None:
    real_ns = 10 * NS_PER_S

    def clock() -> Instant:
        return Instant(real_ns, real_ns + 7)

    async with open_link("script:here?time-scale=2.5", clock) as link:
        assert link.now() == Instant(10 * NS_PER_S, 10 * NS_PER_S + 7)
        real_ns += 4 * NS_PER_S
        driver.script.come(VOLTS_24)
        (reading,) = await take(link, 1)
        assert reading.at == Instant(20 * NS_PER_S, 20 * NS_PER_S + 7)


async def test_a_simulated_technicians_answers_keep_their_place(driver: Driver) -> None:
    async with open_link("script:here", start_clock()) as link:
        answer = Input(Answer.CONFIRM, driver.script.clock())
        driver.script.inputs.append(answer)
        driver.script.come(b"")
        assert await take(link, 1) == [answer]
        driver.script.come(VOLTS_24)
        assert isinstance((await take(link, 1))[0], Reading)
        link.hear({"event": "cue"})
        assert driver.script.heard == [{"event": "cue"}]


async def test_waiting_may_be_cancelled_without_loss(driver: Driver) -> None:
    async with open_link("script:here", start_clock()) as link:
        for half in (VOLTS_24[:7], VOLTS_24[7:]):
            waiting = asyncio.ensure_future(anext(link))
            await asyncio.sleep(0)
            driver.script.come(half)
            waiting.cancel()
            await asyncio.gather(waiting, return_exceptions=True)
        assert len(await take(link, 1)) == 1


async def test_the_clock_never_stands_before_what_came_last(driver: Driver) -> None:
    async with open_link("script:here", lambda: Instant(5, 5)) as link:
        driver.script.chunks.put_nowait(Chunk(VOLTS_24, Instant(9, 9)))
        await take(link, 1)
        assert link.now() == Instant(9, 9)


async def test_the_end_stays_the_end(driver: Driver) -> None:
    async with open_link("script:here", start_clock()) as link:
        driver.script.chunks.put_nowait(None)
        assert [item async for item in link if not isinstance(item, News)] == []
        assert [item async for item in link] == []


async def test_skipped_bytes_and_identity_are_passed_on(driver: Driver) -> None:
    async with open_link("script:here", start_clock()) as link:
        driver.script.come(b"\x00\x00" + VOLTS_24)
        await take(link, 1)
        assert (link.skipped, link.received, link.identity) == (2, 16, None)


async def test_a_scpi_instrument_over_tcp() -> None:
    instrument = ScpiInstrument()
    async with (
        serve_scpi(instrument) as port,
        open_link(f"tcp:127.0.0.1:{port}?format=scpi-line", start_clock()) as link,
    ):
        (reading,) = await take(link, 1)
        assert isinstance(reading, Reading)
        assert (reading.display, reading.function.value) == ("24.0612000", "dc-voltage")
        assert link.identity == "DEMO,SIMULATED METER,0,0"
        instrument.function = "RES"
        *_, last = await take(link, 3)
        assert isinstance(last, Reading)
        assert last.unit == "Ohm"


async def test_a_meter_that_answers_nothing_is_asked_again_and_again() -> None:
    async with (
        meter_server() as meter,
        open_link(f"tcp:127.0.0.1:{meter.port}?format=scpi-line&time-scale=20", start_clock()) as link,
    ):
        asked = b"*IDN?\nSYST:ERR?\nSYST:REM\n*CLS\nFUNC?\n"
        taking = asyncio.create_task(take(link, 1))
        await until(lambda: len(meter.received) >= len(asked))
        assert meter.received.startswith(asked)
        assert not taking.done()
        taking.cancel()
        with pytest.raises(asyncio.CancelledError):
            await taking


async def test_the_format_may_not_be_left_out_where_none_is_usual(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STEADYPOINT_HOME", str(tmp_path))
    with pytest.raises(UsageError, match=r"not known; run: steadypoint identify tcp:127\.0\.0\.1:9, or add \?profile="):
        async with open_link("tcp:127.0.0.1:9", start_clock()):
            pass


async def test_a_trace_is_a_meter_with_its_own_times(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_text(TRACE, encoding="utf-8")
    async with open_link(f"trace:{path}", lambda: Instant(3, 1_000_003)) as link:
        items = await take(link, 3)
        assert [item.at for item in items] == [
            Instant(500_000_000, 501_000_000),
            Instant(9_500_000_000, 9_501_000_000),
            Instant(10_000_000_000, 10_001_000_000),
        ]
        assert [type(item) for item in items] == [Reading, Input, Reading]
        assert link.now() == items[-1].at
        assert [item async for item in link] == []


async def test_a_trace_comes_through_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(TRACE.encode())))
    async with open_link("trace:-", start_clock()) as link:
        assert len([item async for item in link]) == 3


async def test_a_trace_may_be_longer_than_the_memory_wants(tmp_path: Path) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    line = TRACE.splitlines()[0].encode() + b"\n"
    written = 0

    def write() -> None:
        nonlocal written
        with path.open("wb", buffering=0) as pipe:
            while True:
                try:
                    written += pipe.write(line * 1000) or 0
                except BrokenPipeError:
                    return

    writing = asyncio.create_task(asyncio.to_thread(write))
    async with open_link(f"trace:{path}", start_clock()) as link:
        await take(link, 10)
        await asyncio.sleep(0)
        assert link.received < 1_000_000  # only what was asked for is read
    await asyncio.wait_for(writing, PATIENCE_S)
    assert written < 1_000_000


async def test_a_wrong_line_is_told_when_it_is_reached(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_text(f"{TRACE}\n{{}}\n", encoding="utf-8")
    async with open_link(f"trace:{path}", start_clock()) as link:
        assert len(await take(link, 3)) == 3
        with pytest.raises(FileError, match=r"a\.jsonl:4: t null is not a number"):
            await anext(link)


async def test_a_trace_that_is_not_there_or_no_file(tmp_path: Path) -> None:
    for path, reason in ((tmp_path / "none", "No such file"), (tmp_path, "Is a directory")):
        with pytest.raises(FileError, match=f"{path.name}: cannot be opened .*{reason}"):
            async with open_link(f"trace:{path}", start_clock()):
                pass


async def test_a_trace_takes_no_options() -> None:
    with pytest.raises(UsageError, match="trace: unknown option 'speed'; known: none"):
        async with open_link("trace:-?speed=2", start_clock()):
            pass


def entry(name: str, value: str, group: str = "meterlink.formats") -> EntryPoint:
    return EntryPoint(name, value, group)


@pytest.fixture
def found(monkeypatch: pytest.MonkeyPatch) -> list[EntryPoint]:
    found = [entry("good", "meterlink_drivers.formats.fs9721_lcd14:FORMAT"), entry("broken", "no_such_module:FORMAT")]
    monkeypatch.setattr(registry, "entry_points", lambda group: EntryPoints(found))
    return found


def test_a_broken_driver_is_named_when_asked_for_and_harms_no_other(found: list[EntryPoint]) -> None:
    assert registry.load_format("good") is fs9721_lcd14.FORMAT
    assert registry.format_names() == ["broken", "good"]
    with pytest.raises(UsageError, match="'broken' of no_such_module:FORMAT cannot be loaded: ModuleNotFound"):
        registry.load_format("broken")


def test_an_unknown_name_lists_the_known_ones(found: list[EntryPoint]) -> None:
    with pytest.raises(UsageError, match="unknown format 'other'; known: broken, good"):
        registry.load_format("other")
    with pytest.raises(UsageError, match="unknown scheme 'other'; known: broken, good, trace"):
        registry.load_transport("other")


def test_a_name_that_two_packages_offer_is_refused(found: list[EntryPoint]) -> None:
    found.append(entry("good", "meterlink_drivers.formats.scpi_line:FORMAT"))
    with pytest.raises(UsageError, match="'good' is offered twice"):
        registry.load_format("good")


def test_an_entry_point_must_lead_to_a_format(found: list[EntryPoint]) -> None:
    found.append(entry("odd", "math:pi"))
    with pytest.raises(UsageError, match=r"format 'odd' of math:pi is no Format: math:pi is 3\.14"):
        registry.load_format("odd")
    assert isinstance(registry.load_format("good"), Format)


async def test_a_meter_that_only_sends_cannot_be_asked(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot take"):
        async with open_link("sim:healthy?format=scpi-line&speed=max", start_clock()) as link:
            await take(link, 1)
