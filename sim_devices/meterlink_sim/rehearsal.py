"""One procedure on one simulated lift, from the first cue to the end: what the technician hears, what catches a fault.

The engine is the real one; readings, answers and cues pass between it and the simulation in virtual time, so that
nothing waits. The same seed gives the same run.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from meterlink.circuit.coverage import coverage
from meterlink.circuit.fault import Faults, Kin, parse_faults
from meterlink.engine import Engine
from meterlink.errors import UsageError
from meterlink.instrument import Instrument
from meterlink.outcome import Cue, End, Found, Json, Outcome, Verdict, VerdictOutcome
from meterlink.prepared import Prepared
from meterlink_sim.lift import SimulatedJob
from meterlink_sim.mishap import Mishap, parse_mishap, plausible
from meterlink_sim.scenario import SCENARIOS

CLEAN = str(Kin.NONE)
"""The name of the run in which nothing is wrong."""

FOUND = "found"
"""What a search's own step comes to that has named the fault; it has no verdict."""

NARROWED = "narrowed"
"""What it comes to where the search knew that something is wrong, but could not tell two places apart, as the two ends
of one wire with a short to earth."""

_DOUBT = 0.1
"""A search that gives a sound circuit less than this knows that something is wrong; else it has named nothing."""

_LONGEST_S = 3600.0
_NO_DOUBT = ("pass", "not-applicable")


@dataclass(frozen=True, slots=True)
class Planted:
    """What is wrong in a run, and what should notice."""

    name: str
    catchers: frozenset[str] = frozenset()
    """The steps of which one should notice; empty where that was not worked out."""


@dataclass(frozen=True, slots=True)
class Plan:
    """The runs of one procedure."""

    runs: tuple[Planted, ...]
    """The clean one first."""
    left_out: Mapping[str, str]
    """The faults that no step is meant to catch, each with the procedure's reason."""


class Result(StrEnum):
    """What a run came to."""

    CLEAN = "clean"
    """Nothing was wrong, all passed."""
    FALSE_ALARM = "false alarm"
    """Nothing was wrong, and something did not pass, or not all was judged."""
    CAUGHT = "caught"
    ELSEWHERE = "caught elsewhere"
    """By a step that should not have been the first to notice."""
    MISSED = "missed"
    STUCK = "stuck"
    """It did not come to an end."""

    @property
    def good(self) -> bool:
        """Whether it is as it should be."""
        return self in (Result.CLEAN, Result.CAUGHT)


@dataclass(slots=True)
class Rehearsal:
    """What a run came to, step by step."""

    procedure: str
    planted: Planted
    caught_by: str | None = None
    """The step that was the first not to pass, or the search's own that named the fault."""
    complete: bool = False
    ended: bool = False
    verdicts: dict[str, str] = field(default_factory=dict)
    """By step: what it came to, and for one that was judged again after a repair, what it came to before."""
    heard: list[str] = field(default_factory=list)
    """The cues, in order."""

    @property
    def result(self) -> Result:
        """What is to be thought of it."""
        if not self.ended:
            return Result.STUCK
        if self.planted.name == CLEAN:
            return Result.CLEAN if self.complete and self.caught_by is None else Result.FALSE_ALARM
        if self.caught_by is None:
            return Result.MISSED
        searched = self.verdicts[self.caught_by] in (FOUND, NARROWED)
        expected = searched or not self.planted.catchers or self.caught_by in self.planted.catchers
        return Result.CAUGHT if expected else Result.ELSEWHERE

    def as_json(self) -> Json:
        """One line of `dry-run --json`."""
        return {
            "procedure": self.procedure,
            "fault": None if self.planted.name == CLEAN else self.planted.name,
            "caught_by": self.caught_by,
            "complete": self.complete,
            "verdicts": self.verdicts,
        }

    def take(self, outcome: Outcome) -> None:
        """Note one outcome."""
        match outcome:
            case Verdict():
                if self.verdicts.get(outcome.step, VerdictOutcome.PASS) in _NO_DOUBT:
                    self.verdicts[outcome.step] = outcome.outcome.value
                if outcome.outcome not in _NO_DOUBT:
                    self.caught_by = self.caught_by or outcome.step
            case Found() if (come_to := _come_to(outcome)) is not None:
                step = str(outcome.body["step"])
                self.verdicts.setdefault(step, come_to)
                self.caught_by = self.caught_by or step
            case Cue():
                self.heard.append(outcome.text)
            case End():
                self.ended, self.complete = True, outcome.complete
            case _:
                pass


def _come_to(found: Found) -> str | None:
    """How a search has ended; None while it goes on, or where it ended with the circuit most likely sound."""
    if found.body.get("answer"):
        return FOUND
    faults = found.body["faults"]
    if found.body["next"] is not None or not isinstance(faults, list) or not faults:
        return None
    sound = next((each["probability"] for each in faults if each["fault"] == Kin.NONE), 0.0)
    return NARROWED if sound < _DOUBT else None


def plan(prepared: Prepared, instrument: Instrument) -> Plan:
    """The clean run, and one for each fault that the procedure should catch.

    Args:
        prepared: the procedure; without a circuit it has the clean run only.
        instrument: the meter whose uncertainty counts.
    """
    if prepared.tied is None:
        return Plan((Planted(CLEAN),), {})
    found = coverage(prepared.tied, instrument)
    faults = [Planted(name, steps) for name, steps in found.noticed.items()]
    mishaps = [Planted(mishap.name, steps) for mishap, steps in plausible(prepared.tied, instrument)]
    left_out = {gap.fault: gap.reason or "no step catches it, and no reason is stated" for gap in found.gaps}
    return Plan((Planted(CLEAN), *faults, *mishaps), left_out)


def rehearse(prepared: Prepared, instrument: Instrument, planted: Planted, seed: int = 0) -> Rehearsal:
    """Run a procedure to its end.

    Args:
        prepared: the procedure.
        instrument: the meter that its verdicts go by.
        planted: what is wrong.
        seed: which lift, meter and technician.

    Raises:
        UsageError: the fault is not known, or the simulation does not have what a step asks for.
    """
    procedure, circuit = prepared.procedure, prepared.tied.circuit if prepared.tied else None
    faults, mishaps = read_fault(prepared, planted.name)
    job = SimulatedJob(
        procedure,
        SCENARIOS["healthy"],
        seed,
        circuit=circuit,
        faults=faults,
        repairs=True,
        mishaps=mishaps,
    )
    engine = Engine(procedure, prepared.tied)
    rehearsal = Rehearsal(procedure.procedure, planted)
    outcomes = [*engine.start(job.instant(0)), *engine.feed(instrument)]
    while True:
        for outcome in outcomes:
            rehearsal.take(outcome)
            job.hear(outcome.as_json())
        if rehearsal.ended or job.now > _LONGEST_S:
            return rehearsal
        outcomes = [outcome for item in job.advance() for outcome in engine.feed(item)]


def read_fault(prepared: Prepared, name: str) -> tuple[Faults, tuple[Mishap, ...]]:
    """Read a fault's name: one of the circuit, a mishap, or none.

    Raises:
        UsageError: the procedure and its circuit know none of that name.
    """
    circuit = prepared.tied.circuit if prepared.tied else None
    try:
        mishap = parse_mishap(prepared.procedure, circuit, name)
        if mishap is not None:
            return (), (mishap,)
        if circuit is not None:
            return parse_faults(circuit, name), ()
    except ValueError as error:
        raise UsageError(f"{prepared.procedure.procedure}: {error}") from error
    if name == CLEAN:
        return (), ()
    raise UsageError(f"{prepared.procedure.procedure}: fault {name!r}: the procedure has no circuit")
