"""Simulated lifts visited over 24 months: how often a sound one is said to drift, and when a bad contact is seen.

    python tests/ageing.py 200 20

The first number is of sound histories, nine visits each, a quarter of a year apart; the second of histories in which
one contact of the chain grows worse until a step fails. Each visit is a whole start-up check of the same lift with the
same meter, as the simulator has it: charge, weather and contacts are a little different each time, and so are the
technician's hands. What `history` says after each visit is held against the truth.
"""

import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from statistics import median

import click

from meterlink.circuit.fault import parse_faults
from meterlink.engine import Engine
from meterlink.history.figure import What
from meterlink.history.series import LEVEL, History, Series, history
from meterlink.history.visit import VISIT_KINDS, Standing, Visit, visit_of
from meterlink.instrument import Calibration, Instrument
from meterlink.instruments.shelf import load_sheet
from meterlink.outcome import EngineInput, Outcome, VerdictOutcome
from meterlink.prepared import Prepared, prepare
from meterlink.procedure.load import load_procedure
from meterlink.reading import NS_PER_S, Instant
from meterlink.record.codec import start_entry, to_entry
from meterlink.record.device_key import DeviceKey
from meterlink.record.entry import Entry, Event, Kind
from meterlink.record.store import Job, Store
from meterlink_sim.lift import SimulatedJob
from meterlink_sim.scenario import SCENARIOS

FIRST_NS = 1_795_598_400 * NS_PER_S
MONTH_NS = 2_629_800 * NS_PER_S
EVERY = 3
"""Months between two visits."""
VISITS = 9
"""Over 24 months."""
CONTACTS = ("B1", "X2", "B2", "S1", "B3", "B4")
_LONGEST_S = 3600.0
_SOUND = Standing(intact=True, sealed=True)


def meter(name: str | None = "crew 1, meter A", calibrated: str = "2026-01-12") -> Instrument:
    """A registered meter of the class that the simulator's is of."""
    sheet = load_sheet("six-thousand-counts")
    certificate = (f"C-{calibrated}", calibrated, "2029-01-01", Calibration.VALID)
    return Instrument(sheet, Instant(0, 0), name, None, *certificate)


def start_up() -> Prepared:
    """The shipped start-up check."""
    return prepare(load_procedure("start-up"))


@dataclass(frozen=True, slots=True)
class Lift:
    """One simulated lift, to be visited again and again."""

    prepared: Prepared
    name: str
    instrument: Instrument
    rate: float = 3.0

    def visited(
        self, number: int, fault: str = "none", *, instrument: Instrument | None = None, repairs: bool = False
    ) -> Visit:
        """Run a whole check, as a visit.

        Args:
            number: of the visit, from 0, which gives its day and its chances.
            fault: what is wrong then.
            instrument: another meter than the usual.
            repairs: whether the technician mends what a search finds.
        """
        begun_ns, log = self._check(number, fault, instrument or self.instrument, repairs=repairs)
        events = [_event(entry, seq) for seq, entry in enumerate(log, 1)]
        readings = [event for event in events if event.kind is Kind.READING]
        kept = [event for event in events if event.kind in VISIT_KINDS]
        return visit_of(self._line(number, begun_ns), kept, readings, _SOUND)

    def recorded(
        self,
        store: Store,
        key: DeviceKey,
        number: int,
        fault: str = "none",
        *,
        instrument: Instrument | None = None,
        lift: str | None = None,
        sealed: bool = True,
    ) -> str:
        """Run a whole check into a record, as `check` does, and return the job's id."""
        begun_ns, log = self._check(number, fault, instrument or self.instrument)
        job = store.begin_job(
            self.prepared.procedure,
            self.prepared.source,
            meter="sim:healthy",
            meter_identity=None,
            software="steadypoint 0",
            started_utc_ns=begun_ns,
            utc_offset_s=0,
            lift=lift or self.name,
            device=key.public_key,
            seals_at_end=sealed,
        )
        store.append(job, log, key if sealed else None)
        return job

    def _check(self, number: int, fault: str, hand: Instrument, *, repairs: bool = False) -> tuple[int, list[Entry]]:
        """When a visit began, and all that it left in the log."""
        begun_ns = FIRST_NS + number * EVERY * MONTH_NS
        job = self._job(number, fault, hand, begun_ns, repairs=repairs)
        return begun_ns, list(_log(job, self.prepared, replace(hand, at=Instant(0, begun_ns))))

    def _job(self, number: int, fault: str, hand: Instrument, begun_ns: int, *, repairs: bool) -> SimulatedJob:
        assert self.prepared.tied is not None
        circuit = self.prepared.tied.circuit
        return SimulatedJob(
            self.prepared.procedure,
            SCENARIOS["healthy"],
            f"{self.name} {number}",
            rate=self.rate,
            start=Instant(0, begun_ns),
            circuit=circuit,
            faults=parse_faults(circuit, fault),
            repairs=repairs,
            lift=self.name,
            meter=f"{self.name} {hand.name}",
        )

    def _line(self, number: int, begun_ns: int) -> Job:
        procedure = self.prepared.procedure
        about = (procedure.procedure, procedure.title, procedure.revision, self.prepared.source, "")
        job = Job(f"{self.name}-{number}", *about, "sim:healthy", None, "steadypoint 0", begun_ns, 0, self.name)
        return replace(job, sha256="")


def _log(job: SimulatedJob, prepared: Prepared, instrument: Instrument) -> Iterator[Entry]:
    """All that goes into the engine and comes out of it, in order."""
    engine = Engine(prepared.procedure, prepared.tied)
    begun = job.instant(0)
    yield start_entry(prepared.procedure.cautions, begun, prepared.kept)
    given: list[EngineInput] = [instrument]
    outcomes: list[Outcome] = engine.start(begun)
    while True:
        yield from map(to_entry, outcomes)
        for outcome in outcomes:
            job.hear(outcome.as_json())
        if engine.ended or job.now > _LONGEST_S:
            return
        while not given:
            given = [*job.advance()]
        item = given.pop(0)
        yield to_entry(item)
        outcomes = engine.feed(item)


def _event(entry: Entry, seq: int) -> Event:
    return Event(entry.kind, entry.at, entry.body, entry.raw, seq=seq)


def sound(lift: Lift, visits: int = VISITS) -> History:
    """The history of a lift of which nothing wears."""
    return history(lift.name, [lift.visited(number) for number in range(visits)])


@dataclass(frozen=True, slots=True)
class Seen:
    """When a contact that grows worse was seen."""

    contact: str
    seen_at: int | None
    """The number of the visit after which a drift was significant for the first time."""
    right: bool
    """Whether it was that of a drop over this contact."""
    fails_at: int | None
    """The number of the first visit at which a step did not pass."""
    foretold: tuple[float, float, float] | None
    """For the visit at which it was seen: in how many visits the limit is reached, with the interval."""

    @property
    def ahead(self) -> int | None:
        """So many visits before the step failed."""
        return None if self.seen_at is None or self.fails_at is None else self.fails_at - self.seen_at


def going_bad(lift: Lift, contact: str, ohms_a_visit: float, visits: int = 2 * VISITS) -> Seen:
    """Let a contact grow worse by so many ohms from visit to visit, until a step does not pass."""
    made: list[Visit] = []
    seen: tuple[int, Series] | None = None
    fails = None
    for number in range(visits):
        made.append(lift.visited(number, f"high:{contact}@{number * ohms_a_visit:.3f} Ohm" if number else "none"))
        if made[-1].summary.count(VerdictOutcome.PASS) < len(lift.prepared.procedure.steps):
            fails = number
            break
        drifts = [series for series in history(lift.name, made).series if series.significant]
        if drifts and seen is None:
            seen = number, min(drifts, key=lambda series: series.p_adjusted or 0.0)
    if seen is None:
        return Seen(contact, None, False, fails, None)
    number, series = seen
    right = series.key.what is What.DROP and spans(lift.prepared, series, contact)
    crossing = series.crossing
    foretold = None
    if crossing is not None:
        a_visit = EVERY / 12
        foretold = (crossing.at / a_visit, crossing.early / a_visit, crossing.late / a_visit)
    return Seen(contact, number, right, fails, foretold)


def spans(prepared: Prepared, series: Series, contact: str) -> bool:
    """Whether a drop's two points lie on either side of a contact, in the order of the circuit file."""
    assert prepared.tied is not None
    nodes = list(prepared.tied.circuit.nodes)
    part = prepared.tied.circuit.by_id[contact]
    before, behind = (nodes.index(point) for point in series.key.points)
    one, other = sorted(nodes.index(node) for node in part.nodes)
    return before <= one and other <= behind


def count_false_alarms(prepared: Prepared, count: int) -> None:
    """Print how many slopes and histories of sound lifts are called significant."""
    began = time.monotonic()
    slopes, steep, wrong = Counter[What](), Counter[What](), Counter[str]()
    histories = 0
    for seed in range(count):
        lines = [series for series in sound(Lift(prepared, f"sound {seed}", meter())).series if series.line]
        slopes.update(series.key.what for series in lines)
        steep.update(series.key.what for series in lines if series.line and series.line.p < LEVEL)
        alarms = [series for series in lines if series.significant]
        histories += bool(alarms)
        wrong.update(f"{series.key.what} {series.key.name}" for series in alarms)
    click.echo(f"{count} sound histories of {VISITS} visits in {time.monotonic() - began:.0f} s")
    for what, several in slopes.items():
        share = steep[what] / several
        click.echo(f"  {what}: {steep[what]} of {several} slopes with p < {LEVEL:.0%} by themselves ({share:.1%})")
    click.echo(
        f"  corrected by Holm: {histories} of {count} histories say drift ({histories / count:.1%}): {dict(wrong)}"
    )


def foresee(prepared: Prepared, count: int) -> None:
    """Print how early contacts that grow worse by 1 Ohm a visit are seen."""
    seen = [
        going_bad(Lift(prepared, f"bad {seed}", meter()), CONTACTS[seed % len(CONTACTS)], 1.0) for seed in range(count)
    ]
    for each in seen:
        told = "" if each.foretold is None else "limit foretold for visit {:.1f}, {:.1f}..{:.1f}".format(*each.foretold)
        place = "there" if each.right else "ELSEWHERE"
        click.echo(f"  {each.contact}: seen at {each.seen_at} {place}, {told}; fails at {each.fails_at}")
    ahead = [each.ahead for each in seen if each.ahead is not None]
    before = sum(each > 0 for each in ahead)
    click.echo(f"seen before the step failed: {before} of {count}, {median(ahead or [0]):g} visits before (median)")


def main(sound_count: int, bad_count: int) -> None:
    """Print the full figures."""
    prepared = start_up()
    if sound_count:
        count_false_alarms(prepared, sound_count)
    if bad_count:
        foresee(prepared, bad_count)


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]]
    main(*(given or (200, 20)))
