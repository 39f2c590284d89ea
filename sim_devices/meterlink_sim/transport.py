"""`sim:SCENARIO`: a simulated lift, meter and technician inside the program, for demos, tests and training.

The technician hears what the check announces and answers by itself. Times are virtual: they pass `speed` times as fast
as real ones, or as fast as the check asks for the next update.
"""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from math import inf, isfinite

from meterlink.driver import Chunk, Clock, Connection, LineSettings, MeterUrl, Transport
from meterlink.errors import LinkError, UsageError
from meterlink.outcome import Input
from meterlink.procedure.load import load_procedure
from meterlink_sim.encoders.fs9721_lcd14 import encode
from meterlink_sim.lift import SimulatedJob
from meterlink_sim.scenario import find_scenario


@asynccontextmanager
async def open_simulation(url: MeterUrl, _line: LineSettings, clock: Clock) -> AsyncIterator[Connection]:
    """Open a simulated job; virtual time 0 is now.

    Raises:
        UsageError: the scenario or an option is wrong, or the procedure asks for what the simulation does not have.
        FileError: the procedure cannot be loaded.
    """
    options = url.options
    job = SimulatedJob(
        load_procedure(options.get("procedure", "start-up")).procedure,
        find_scenario(url.address),
        options.get("seed", "0"),
        rate=_number(options, "rate", 3, 2, 10),
        noise=_number(options, "noise", 1, 0, 100),
        slips=_number(options, "slips", 1, 0, 100),
        start=clock(),
    )
    yield _Simulation(job, inf if options.get("speed") == "max" else _number(options, "speed", 1, 0.01, 1000))


class _Simulation:
    """The connection to a simulated job. It never runs ahead of the check: a moment passes only when `read` asks."""

    def __init__(self, job: SimulatedJob, speed: float) -> None:
        self._job = job
        self._speed = speed
        self._inputs: list[Input] = []
        self._epoch = asyncio.get_running_loop().time()

    async def read(self) -> Chunk:
        while True:
            late = asyncio.get_running_loop().time() - self._epoch - self._job.due / self._speed
            await asyncio.sleep(max(0.0, -late))
            for event in self._job.advance():
                if not isinstance(event, Input):
                    return Chunk(encode(event), event.at)
                self._inputs.append(event)
            if self._inputs:
                return Chunk(b"", self._inputs[-1].at)

    async def write(self, data: bytes) -> None:
        raise LinkError(f"the simulated meter only sends; it cannot take {data!r}")

    def hear(self, announcement: Mapping[str, object]) -> None:
        self._job.hear(announcement)

    def take_inputs(self) -> list[Input]:
        inputs, self._inputs = self._inputs, []
        return inputs


def _number(options: Mapping[str, str], name: str, default: float, lowest: float, highest: float) -> float:
    text = options.get(name)
    if text is None:
        return default
    try:
        value = float(text)
    except ValueError:
        value = inf
    if not isfinite(value) or not lowest <= value <= highest:
        raise UsageError(f"option {name}={text}: expected a number from {lowest:g} to {highest:g}")
    return value


TRANSPORT = Transport(
    scheme="sim",
    summary="A simulated lift, meter and technician; the address is a scenario: healthy, open-fuse, open:B1 ...",
    open=open_simulation,
    options={
        "seed": "which lift, meter and technician (default 0)",
        "rate": "updates of the display a second, 2 to 10 (default 3)",
        "speed": "times as fast as real, or max (default 1)",
        "noise": "flicker of the last digit, times the usual (default 1)",
        "slips": "how often the technician slips, times the usual (default 1)",
        "procedure": "what the technician has learnt: a file or a shipped procedure (default start-up)",
    },
    default_format="fs9721-lcd14",
)
