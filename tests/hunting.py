"""A bench for searches: a short series chain, what a meter shows on it, and a technician who does what is asked.

What the chain reads is worked out here by hand, without the solver: a battery of 26.40 V, four closed elements in
series, a relay of 650 Ohm from the last node to PE. Above an open every node has the battery's voltage, below it the
relay pulls every node to 0; between two opens a node floats, and a meter shows next to nothing. Milliohms at 41 mA drop
millivolts, which the display of two decimals hardly shows.
"""

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Self

from commands import Lines
from known_meter import known_meter
from meterlink.circuit.load import LoadedCircuit
from meterlink.circuit.parse import parse_circuit
from meterlink.engine import Engine
from meterlink.hunt import Hunt
from meterlink.outcome import Answer, Break, Gap, Input, Json
from meterlink.prepared import Prepared, prepared_with
from meterlink.procedure.load import LoadedProcedure
from meterlink.procedure.model import LookStep, MeasuredStep
from meterlink.procedure.parse import parse_procedure
from meterlink.reading import NS_PER_S, Flag, Function, Instant, Reading
from meterlink.record.store import FILE_NAME, Store
from meterlink.session import Session

NODES = ("G1:+", "F1:2", "B1:12", "B2:12", "K1:A1")
PARTS = ("F1", "B1", "B2", "B3")
"""Between each node and the next."""

CIRCUIT = """\
circuit: chain
title: A short chain
reference: PE
elements:
  - {id: G1, kind: battery, from: PE, to: "G1:+", cells: 12, volts: 24.0..28.8 V}
  - {id: F1, kind: fuse, from: "G1:+", to: "F1:2", rating: 5 A}
  - {id: B1, kind: contact, from: "F1:2", to: "B1:12", positive: yes}
  - {id: B2, kind: contact, from: "B1:12", to: "B2:12", positive: yes}
  - {id: B3, kind: contact, from: "B2:12", to: "K1:A1", positive: yes}
  - {id: K1, kind: coil, from: "K1:A1", to: PE, resistance: 650 Ohm}
situations:
  - {name: limit-pressed, operated: B1}
  - {name: isolated, apart: [G1, F1]}
symptoms:
  - name: will-not-run
    shows: [{in: rest, coil: K1, works: no}]
"""

HEAD = """\
procedure: chain-check
title: Check of a short chain
revision: 1
circuit: chain.yaml
cautions: [Take care.]
references: [{name: earth bar, where: In the controller box., node: PE}]
steps:
"""

STEPS = """\
  - {id: battery, kind: reading, point: "G1:+", reference: earth bar, measure: dc-voltage, limits: 22..29 V}
  - {id: fuse, kind: reading, point: "F1:2", reference: earth bar, measure: dc-voltage, limits: 22..29 V, on_fail: find}
  - {id: relay, kind: reading, point: "K1:A1", reference: earth bar, measure: dc-voltage, limits: 22..29 V,
     on_fail: find}
  - {id: runs, kind: look, point: K1, ask: "Does the lift run?"}
"""
PROCEDURE = HEAD + STEPS

LIVE = 26.40


def prepared(procedure: str = PROCEDURE, circuit: str = CIRCUIT) -> Prepared:
    """A procedure tied to its circuit, as the commands do it."""
    loaded = LoadedProcedure(parse_procedure(procedure, "chain-check.yaml"), "chain-check.yaml", procedure)
    return prepared_with(loaded, LoadedCircuit(parse_circuit(circuit, "chain.yaml"), "chain.yaml", circuit))


class Chain:
    """The chain as it really is."""

    def __init__(self, *opens: str) -> None:
        self.opens = set(opens)
        self.isolated = False

    def volts(self, point: str, reference: str) -> float:
        """What a meter shows between two nodes with the supply on; next to nothing where one of them floats."""
        one, other = self._level(point), self._level(reference)
        return 0.0 if one is None or other is None else one - other

    def ohms(self, point: str, reference: str) -> float | None:
        """Between two nodes while the battery and the fuse are out, leads included; None: OL."""
        if "PE" in (point, reference) or reference == "earth bar":
            node = NODES.index(reference if point == "PE" else point)
            closed = node > 0 and not self.opens & set(PARTS[node:])
            return 650.5 if closed else None
        first, last = sorted((NODES.index(point), NODES.index(reference)))
        return None if first == 0 or self.opens & set(PARTS[first:last]) else 0.5

    def _level(self, node: str) -> float | None:
        if node in ("PE", "earth bar"):
            return 0.0
        place = NODES.index(node)
        if not self.opens & set(PARTS[:place]):
            return LIVE
        return None if self.opens & set(PARTS[place:]) else 0.0


Item = Reading | Input | Gap
Take = Callable[[Item], Sequence[Json]]
_MOST_ASKED = 40


class Hunting:
    """A technician at the chain, before an engine that is fed directly, or through a session that keeps the record."""

    def __init__(self, chain: Chain, engine: Engine, take: Take, told: Sequence[Json]) -> None:
        self.chain, self.engine, self._take = chain, engine, take
        self.events: Lines = [dict(each) for each in told]
        """All that was announced, in the public form."""
        self.items: list[Item] = []
        """All that was fed, in order."""
        self._now_ns = 0

    @classmethod
    def at(cls, chain: Chain, what: Prepared | None = None) -> Self:
        """Begin with an engine that is fed directly."""
        what = what or prepared()
        engine = Engine(what.procedure, what.tied)
        told = [*engine.start(Instant(0, 0)), *engine.feed(known_meter())]
        return cls(
            chain,
            engine,
            lambda item: [each.as_json() for each in engine.feed(item)],
            [each.as_json() for each in told],
        )

    @classmethod
    def recorded(cls, chain: Chain, session: Session) -> Self:
        """Go on with a session that has just begun, or been taken up again."""
        return cls(chain, session.engine, session.take, session.opening())

    # What the display shows, and what the technician answers

    def show(self, *displays: str, function: Function = Function.DC_VOLTAGE, flags: Sequence[Flag] = ()) -> Self:
        """Show these displays, one an update, 0.4 s apart."""
        for display in displays:
            self._now_ns += 4 * NS_PER_S // 10
            marks = frozenset({Flag.AUTO_RANGE, *flags})
            self.feed(Reading(display, function.unit, function, self._now(), 0, marks))
        return self

    def lift(self, function: Function = Function.DC_VOLTAGE) -> Self:
        """Take the leads off: in the air a meter shows next to nothing, or OL in ohms."""
        air = ["OL"] * 4 if function is Function.RESISTANCE else ["0.02", "0.05", "0.01", "0.04"]
        return self.show(*air, function=function)

    def answer(self, answer: Answer) -> Self:
        """Answer, well after what was asked."""
        self._now_ns += 4 * NS_PER_S // 10
        self.feed(Input(answer, self._now()))
        return self

    def gap(self, reason: Break) -> Self:
        """Break the stream of readings."""
        self.feed(Gap(self._now(), reason))
        return self

    def feed_meter(self) -> Self:
        """State the meter, to an engine that was made by hand."""
        self.engine.feed(known_meter())
        return self

    def feed(self, item: Item) -> None:
        """Feed one input."""
        self.items.append(item)
        self.events += [dict(each) for each in self._take(item)]

    def touch(self, shown: str, function: Function = Function.DC_VOLTAGE) -> Self:
        """Lift, lay the probes on until the display has shown that long enough for any verdict, and lift again."""
        return self.lift(function).show(*[shown] * 7, function=function).lift(function)

    def dead(self, shown: str = "0.00", function: Function = Function.DC_VOLTAGE) -> Self:
        """Lift, lay the probes on what is dead, or open, confirm it, and lift again."""
        self.lift(function).show(*[shown] * 4, function=function).answer(Answer.CONFIRM)
        return self.show(shown, shown, function=function).lift(function)

    # Doing what is asked

    def obey(self) -> Self:
        """Do what the waiting step asks for, as the chain really is; what is found is mended."""
        step = self.engine.step
        if isinstance(step, LookStep):
            return self._look(step)
        assert isinstance(step, MeasuredStep)
        if Function.RESISTANCE in step.measure:
            assert self.chain.isolated, "ohms on a live circuit"
            ohms = self.chain.ohms(step.point, step.reference)
            if ohms is None:
                return self.dead("OL", Function.RESISTANCE)
            return self.touch(f"{ohms:.1f}", Function.RESISTANCE)
        assert not self.chain.isolated, "volts while the supply is isolated"
        volts = self.chain.volts(step.point, step.reference)
        return self.touch(f"{volts:.2f}") if abs(volts) > 1 else self.dead()

    def obey_until(self, reached: Callable[[], bool]) -> Self:
        """Do what is asked until something is reached."""
        for _ in range(_MOST_ASKED):
            if reached():
                return self
            self.obey()
        raise AssertionError(f"not reached; asked last: {self.asked[-1]}")

    def search(self) -> Self:
        """Do what the search that is under way asks, until it has come to its answer or has none."""
        return self.obey_until(lambda: self.engine.hunt is None or self.engine.hunt.finding.next is None)

    def _look(self, step: LookStep) -> Self:
        if "isolated" in step.ask:
            self.chain.isolated = True
        elif "supply back on" in step.ask:
            self.chain.isolated = False
        if "mended" in step.ask and self.hunt.finding.answer is not None:
            self.chain.opens -= {each.partition(":")[2] for each in self.hunt.finding.answer.split(" + ")}
        return self.answer(Answer.CONFIRM)

    # What came of it

    @property
    def hunt(self) -> Hunt:
        """The search that is under way."""
        assert self.engine.hunt is not None
        return self.engine.hunt

    def of(self, kind: str) -> Lines:
        """The announcements of a kind."""
        return [event for event in self.events if event["event"] == kind]

    @property
    def verdicts(self) -> list[tuple[object, object]]:
        """All of them, in order: step and outcome."""
        return [(each["step"], each["outcome"]) for each in self.of("verdict")]

    @property
    def cues(self) -> list[object]:
        """The codes of all cues, in order."""
        return [each["code"] for each in self.of("cue")]

    @property
    def asked(self) -> list[object]:
        """The steps that were asked for, in order."""
        return [each["step"] for each in self.of("cue") if each["code"] in ("probe", "look")]

    def _now(self) -> Instant:
        return Instant(self._now_ns, self._now_ns)


def alter(folder: Path, change: str) -> None:
    """Change a record behind its back with a statement of SQL, as nothing in Steadypoint can."""
    with closing(sqlite3.connect(folder / FILE_NAME)) as file, file:
        for (trigger,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            file.execute(f"DROP TRIGGER {trigger}")
        assert file.execute(change).rowcount > 0


def job_of(store: Store) -> str:
    """The job begun last."""
    return store.jobs()[0].id
