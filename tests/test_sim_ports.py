"""The ports on which the simulated job appears: inside the program, and on a pseudo-terminal."""

import asyncio
import sys
import threading
from collections.abc import Mapping
from dataclasses import replace

import pytest
import serial

from known_meter import engine_for
from meterlink.driver import AnswersInputs, LineSettings, MeterUrl
from meterlink.errors import UsageError
from meterlink.outcome import Answer, Input, VerdictOutcome
from meterlink.procedure.load import load_procedure
from meterlink.reading import Instant, Reading
from meterlink_drivers.formats.fs9721_lcd14 import FORMAT
from meterlink_sim.lift import SimulatedJob
from meterlink_sim.scenario import find_scenario
from meterlink_sim.transport import TRANSPORT
from waiting import PATIENCE_S

START_UP = load_procedure("start-up").procedure
BEGUN = Instant(5_000_000_000, 1_700_000_000_000_000_000)


def simulation(name: str = "healthy", **options: str) -> MeterUrl:
    return MeterUrl("sim", name, options)


def begun() -> Instant:
    return BEGUN


async def test_a_whole_check_runs_over_the_transport() -> None:
    engine, decoder = engine_for(START_UP), FORMAT.decoder({})
    items: list[Reading | Input] = []
    async with TRANSPORT.open(simulation("open-final-limit", speed="max", seed="2"), LineSettings(), begun) as link:
        assert isinstance(link, AnswersInputs)
        for outcome in engine.start(BEGUN):
            link.hear(outcome.as_json())
        while not engine.ended:
            chunk = await link.read()
            assert chunk is not None
            readings = [item for item in decoder.feed(chunk.data, chunk.at) if isinstance(item, Reading)]
            batch: list[Reading | Input] = [*readings, *link.take_inputs()]
            items += batch
            for item in batch:
                for outcome in engine.feed(item):
                    link.hear(outcome.as_json())
    assert decoder.skipped == 0
    assert items == sorted(items, key=lambda item: item.at)
    assert engine.verdicts["final-limit-out"].outcome is VerdictOutcome.FAIL
    assert engine.verdicts["final-limit-in"].outcome is VerdictOutcome.PASS


async def test_times_are_virtual_and_count_from_the_opening() -> None:
    async with TRANSPORT.open(simulation(speed="max", rate="4"), LineSettings(), begun) as link:
        chunks = [await link.read() for _ in range(3)]
    assert [chunk.at.monotonic_ns - BEGUN.monotonic_ns for chunk in chunks if chunk] == [
        250_000_000,
        500_000_000,
        750_000_000,
    ]
    assert [chunk.at.utc_ns - BEGUN.utc_ns for chunk in chunks if chunk] == [250_000_000, 500_000_000, 750_000_000]


async def test_paced_updates_take_their_time() -> None:
    loop = asyncio.get_running_loop()
    before = loop.time()
    async with TRANSPORT.open(simulation(speed="50", rate="10"), LineSettings(), begun) as link:
        for _ in range(20):
            await link.read()
    assert loop.time() - before >= 20 / 10 / 50  # each may be taken late, and none is there early


async def test_the_simulated_meter_takes_no_bytes() -> None:
    async with TRANSPORT.open(simulation(), LineSettings(), begun) as link:
        with pytest.raises(UsageError, match="only sends"):
            await link.write(b"READ?")


@pytest.mark.parametrize(
    "options",
    [{"rate": "1"}, {"rate": "fast"}, {"speed": "0"}, {"speed": "nan"}, {"noise": "-1"}, {"slips": "inf"}],
)
async def test_an_option_out_of_reach_is_refused(options: Mapping[str, str]) -> None:
    [(name, value)] = options.items()
    with pytest.raises(UsageError, match=f"option {name}={value}: expected a number from"):
        async with TRANSPORT.open(simulation(**options), LineSettings(), begun):
            pytest.fail("opened")


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_bytes_come_through_a_real_serial_port_and_answers_come_back() -> None:
    from meterlink_sim.pty_port import PtyPort

    engine, decoder = engine_for(START_UP), FORMAT.decoder({})
    answers: list[Answer] = []
    job = SimulatedJob(START_UP, find_scenario("open-fuse"), 3, rate=5)
    with PtyPort(job, answers.append, scale=60) as port, serial.Serial(port.name, 2400, timeout=5) as line:
        for outcome in engine.start(Instant(0, 0)):
            port.hear(outcome.as_json())
        updates = cut = 0
        while not engine.ended and updates < 3000:
            for item in decoder.feed(line.read(max(1, line.in_waiting)), Instant(0, 0)):
                assert isinstance(item, Reading)
                cut = cut if updates else decoder.skipped  # the frame in which the port was opened
                updates += 1
                at = job.instant(updates / 5)
                inputs = [Input(answers.pop(0), at) for _ in range(len(answers))]
                batch: list[Reading | Input] = [*inputs, replace(item, at=at)]
                for taken in batch:
                    for outcome in engine.feed(taken):
                        port.hear(outcome.as_json())
    assert decoder.skipped == cut < 14
    assert engine.verdicts["fuse-load-side"].outcome is VerdictOutcome.FAIL


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
def test_a_port_that_nobody_reads_closes_cleanly() -> None:
    from meterlink_sim.pty_port import PtyPort

    heard = threading.Event()
    job = SimulatedJob(START_UP, find_scenario("healthy"), 3, rate=10)
    with PtyPort(job, lambda _: heard.set(), scale=1000) as port:
        port.hear({"event": "cue", "code": "look", "text": "", "step": "breaker-in", "t": 0})
        assert heard.wait(PATIENCE_S)
