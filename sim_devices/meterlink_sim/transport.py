"""`sim:SCENARIO`: a simulated lift, meter and technician inside the program, for demos, tests and training.

The technician hears what the check announces and answers by itself. Times are virtual: they pass `speed` times as fast
as real ones, or as fast as the check asks for the next update.
"""

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from math import inf, isfinite

from meterlink.circuit.errand import errand
from meterlink.circuit.load import load_circuit
from meterlink.circuit.parts import REST
from meterlink.driver import Chunk, Clock, Connection, LineSettings, MeterUrl, Transport
from meterlink.errors import UsageError
from meterlink.outcome import Input
from meterlink.prepared import Prepared, prepare, prepared_with
from meterlink.procedure.load import LoadedProcedure, load_procedure
from meterlink.procedure.parse import parse_procedure
from meterlink_sim.circuit_lift import faults_of
from meterlink_sim.encoders.fs9721_lcd14 import encode
from meterlink_sim.lift import SimulatedJob
from meterlink_sim.mishap import Mishap, parse_mishap
from meterlink_sim.scenario import SCENARIOS, find_scenario


@asynccontextmanager
async def open_simulation(url: MeterUrl, _line: LineSettings, clock: Clock) -> AsyncIterator[Connection]:
    """Open a simulated job; virtual time 0 is now.

    Raises:
        UsageError: the scenario or an option is wrong, or the procedure asks for what the simulation does not have.
        FileError: the procedure cannot be loaded.
    """
    options = url.options
    prepared = _learnt(options)
    circuit = prepared.tied.circuit if prepared.tied else None
    scenario = SCENARIOS.get(url.address)
    mishap = _mishap(prepared, url.address)
    job = SimulatedJob(
        prepared.procedure,
        SCENARIOS["healthy"] if circuit or mishap else find_scenario(url.address),
        options.get("seed", "0"),
        rate=_number(options, "rate", 3, 2, 10),
        noise=_number(options, "noise", 1, 0, 100),
        slips=_number(options, "slips", 1, 0, 100),
        start=clock(),
        circuit=circuit,
        faults=faults_of(circuit, url.address, scenario) if circuit and mishap is None else (),
        mishaps=(mishap,) if mishap else (),
        repairs=_yes(options, "repairs"),
        lift=options.get("lift"),
        meter=options.get("meter"),
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
        raise UsageError(f"the simulated meter only sends; it cannot take {data!r}")

    def hear(self, announcement: Mapping[str, object]) -> None:
        self._job.hear(announcement)

    def take_inputs(self) -> list[Input]:
        inputs, self._inputs = self._inputs, []
        return inputs


def _learnt(options: Mapping[str, str]) -> Prepared:
    """What the technician has learnt to do: a procedure, or to search a circuit."""
    if "circuit" not in options:
        return prepare(load_procedure(options.get("procedure", "start-up")))
    loaded = load_circuit(options["circuit"])
    text = errand(loaded.circuit, loaded.circuit.name, options.get("situation", REST), options.get("symptom"))
    procedure = parse_procedure(text, options["circuit"])
    return prepared_with(LoadedProcedure(procedure, options["circuit"], text), loaded)


def _mishap(prepared: Prepared, address: str) -> Mishap | None:
    try:
        return parse_mishap(prepared.procedure, prepared.tied.circuit if prepared.tied else None, address)
    except ValueError as error:
        raise UsageError(f"scenario {error}") from error


def _yes(options: Mapping[str, str], name: str) -> bool:
    text = options.get(name, "no")
    if text not in ("yes", "no"):
        raise UsageError(f"option {name}={text}: expected yes or no")
    return text == "yes"


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
        "circuit": "instead: the circuit that is searched, a file or a shipped one; the address is healthy or a fault",
        "situation": "in which it is searched (default rest)",
        "symptom": "with which it is searched",
        "repairs": "yes: the technician mends what a search finds; no: gives it up then (default no)",
        "lift": "which lift, where the seed is that of one of several visits to it (default the seed's own)",
        "meter": "which meter, where several visits are made with it (default the seed's own)",
    },
    default_format="fs9721-lcd14",
)
