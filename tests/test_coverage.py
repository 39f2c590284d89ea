"""What a procedure catches: what `lint` says of small ones; the shipped ones against a simulation of all faults."""

import re
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path

import pytest

from commands import Lines, lines, steadypoint
from hunting import CIRCUIT
from known_meter import known_meter
from meterlink.circuit.coverage import Coverage, coverage, faults_of
from meterlink.circuit.fault import Faults, Kin, name_of
from meterlink.circuit.parts import REST, Kind
from meterlink.circuit.solve import Bench, Values
from meterlink.circuit.tied import Tied
from meterlink.engine import Engine
from meterlink.outcome import Answer, Input, Verdict, VerdictOutcome
from meterlink.prepared import prepare
from meterlink.procedure.load import load_procedure, shipped
from meterlink.procedure.model import AgreeStep, MeasuredStep, Step
from meterlink.reading import NS_PER_S, Flag, Function, Instant, Reading

# Small procedures

HEAD = """\
procedure: sample
title: Sample
revision: 1
circuit: circuit.yaml
cautions: [Take care.]
"""
CHARGER = """\
circuit: charger
title: A charger behind the fuse
reference: PE
elements:
  - {id: G1, kind: battery, from: PE, to: "G1:+", cells: 12, state: full}
  - {id: F1, kind: fuse, from: "G1:+", to: "F1:2", rating: 10 A}
  - {id: T1, kind: charger, from: PE, to: "F1:2"}
  - {id: K1, kind: coil, from: "F1:2", to: PE, resistance: 650 Ohm}
"""
LAMP = """\
circuit: lamp
title: A lamp across the fuse, which lights when it has blown
reference: PE
elements:
  - {id: G1, kind: battery, from: PE, to: "G1:+", cells: 12, volts: 24.0..28.8 V}
  - {id: F1, kind: fuse, from: "G1:+", to: "F1:2", rating: 5 A}
  - {id: H1, kind: lamp, from: "G1:+", to: "F1:2", resistance: 10 kOhm}
  - {id: S1, kind: contact, from: "F1:2", to: "K1:A1", normally: open}
  - {id: K1, kind: coil, from: "K1:A1", to: PE, resistance: 650 Ohm}
situations:
  - {name: running, operated: S1}
"""


def step(name: str, point: str, limits: str = "22..30 V", more: str = "") -> str:
    return (
        f'  - {{id: {name}, kind: reading, point: "{point}", reference: PE, measure: dc-voltage, '
        f"limits: {limits}{more}}}\n"
    )


def lint(folder: Path, circuit: str, steps: str, head: str = HEAD, *arguments: str) -> Lines:
    """What `lint` says of a procedure, error or warning."""
    (folder / "circuit.yaml").write_text(circuit, encoding="utf-8")
    path = folder / "sample.yaml"
    path.write_text(f"{head}steps:\n{steps}", encoding="utf-8")
    return lines(steadypoint(folder / "home", "lint", str(path), *arguments, "--json").stdout)


def gaps(problems: Lines) -> Mapping[str, str]:
    """By fault: what is said of it after its name."""
    found = {}
    for problem in problems:
        match = re.fullmatch(
            r"no step catches (\S+?)(?:; (.*))?, or say under uncaught why .*", str(problem["message"])
        )
        if match:
            assert (problem["severity"], problem["line"]) == ("warning", 4)  # circuit: circuit.yaml
            found[match[1]] = match[2] or ""
    return found


LINE = step("line", "G1:+")
LOAD = step("load", "F1:2")


def test_a_blown_fuse_that_a_charger_feeds_past_passes_both_its_sides(tmp_path: Path) -> None:
    """25.5 V in front of it, 27.3 V behind it, both as good as any: only the 1.8 V across it tell."""
    said = gaps(lint(tmp_path, CHARGER, LINE + LOAD))
    assert said["open:F1"] == "line, load would pass it; to close the gap, read across F1, G1:+ to F1:2"


def test_what_is_asked_for_closes_the_gap(tmp_path: Path) -> None:
    """A sound fuse drops 14 A of charging current in 10 mOhm: some 0.1 V. A blown one leaves 1.8 V the other way."""
    across = step("across", "G1:+", "-0.5..0.5 V").replace("reference: PE", 'reference: "F1:2"')
    assert "open:F1" not in gaps(lint(tmp_path, CHARGER, LINE + LOAD + across))


def test_a_blown_fuse_that_a_lamp_feeds_past_shows_only_under_load(tmp_path: Path) -> None:
    """Nothing draws at rest, so 10 kOhm drop next to nothing; running, the relay leaves 26.4 * 650 / 10650 V."""
    said = gaps(lint(tmp_path, LAMP, LINE + LOAD))
    running = "read across F1, G1:+ to F1:2 in the situation running"
    assert said["open:F1"] == f"line, load would pass it; to close the gap, {running}"
    loaded = step("loaded", "F1:2", more=", situation: running")
    assert "open:F1" not in gaps(lint(tmp_path, LAMP, LINE + loaded))


def test_a_line_side_alone_says_nothing_of_the_fuse(tmp_path: Path) -> None:
    said = gaps(lint(tmp_path, LAMP, LINE, HEAD.replace("cautions", "situation: running\ncautions")))
    assert said["open:F1"] == "line would pass it; to close the gap, read across F1, G1:+ to F1:2"


def test_a_bridge_shows_only_with_the_contact_worked(tmp_path: Path) -> None:
    """Pressed, the whole supply stands across a sound B1, and nothing across one that is bridged."""
    chain = step("supply", "G1:+") + step("limit", "B1:12") + step("relay", "K1:A1")
    said = gaps(lint(tmp_path, CIRCUIT, chain))
    pressed = "read across B1, F1:2 to B1:12 in the situation limit-pressed"
    assert said["bridged:B1"] == f"limit would pass it; to close the gap, {pressed}"
    worked = step("worked", "K1:A1", "0 V ± 0.5 V", ", situation: limit-pressed")
    closed = gaps(lint(tmp_path, CIRCUIT, chain + worked))
    assert set(said) - set(closed) == {"bridged:B1"}


def test_a_joint_that_is_read_without_a_load_may_have_any_resistance(tmp_path: Path) -> None:
    """10 MOhm of the meter beside 100 Ohm: nothing. Running, 40 mA drop 3.5 V there."""
    said = gaps(lint(tmp_path, LAMP, LINE + step("stop", "F1:2")))
    assert said["high:F1"].endswith("to close the gap, read across F1, G1:+ to F1:2 in the situation running")


def test_what_no_voltage_shows_is_measured_in_ohms(tmp_path: Path) -> None:
    """The coil's own open: all its terminals read as before."""
    said = gaps(lint(tmp_path, CIRCUIT, step("relay", "K1:A1")))
    assert said["open:K1"] == "relay would pass it; to close the gap, measure K1 in ohms with the supply isolated"


def test_a_chain_that_is_read_at_its_end_catches_every_open_in_it(tmp_path: Path) -> None:
    said = gaps(lint(tmp_path, CIRCUIT, step("relay", "K1:A1")))
    assert {name for name in said if name.startswith("open:")} == {"open:K1"}
    assert {name for name in said if name.startswith("earth:")} == set()


# What is accepted


def accepting(*entries: tuple[str, str]) -> str:
    listed = "".join(f'  - {{fault: "{fault}", reason: "{reason}"}}\n' for fault, reason in entries)
    return f"{HEAD}uncaught:\n{listed}"


RELAY = step("relay", "K1:A1")


def test_reasons_silence_what_they_name(tmp_path: Path) -> None:
    before = gaps(lint(tmp_path, CIRCUIT, RELAY))
    assert {"bridged:B1", "bridged:B2", "bridged:B3", "open:K1"} <= set(before)
    head = accepting(("bridged:*", "The function test works each."), ("open:K1", "The lift would not run."))
    after = gaps(lint(tmp_path, CIRCUIT, RELAY, head))
    assert set(before) - set(after) == {"bridged:B1", "bridged:B2", "bridged:B3", "open:K1"}
    assert gaps(lint(tmp_path, CIRCUIT, RELAY, accepting(("*", "All of it is tried elsewhere.")))) == {}


@pytest.mark.parametrize("fault", ["open:F1", "open:B9", "bridged:K*", "melted:*"])
def test_reasons_that_match_nothing_are_warned_of_where_they_stand(tmp_path: Path, fault: str) -> None:
    """A caught fault, a part that is not there, a kind that the part cannot have, a kind that is none."""
    head = accepting(("bridged:*", "The function test works each."), (fault, "No reason at all."))
    warned = [
        (each["severity"], each["line"], each["message"])
        for each in lint(tmp_path, CIRCUIT, RELAY, head)
        if not str(each["message"]).startswith("no step catches")
    ]
    text = f"every fault of the name '{fault}' is caught, or there is none: nothing is to be accepted here"
    assert warned == [("warning", 8, text)]  # the second entry of uncaught


def test_warnings_alone_end_with_0(tmp_path: Path) -> None:
    lint(tmp_path, CIRCUIT, RELAY)
    assert steadypoint(tmp_path / "home", "lint", str(tmp_path / "sample.yaml")).returncode == 0


# False alarms


def alarms(problems: Lines) -> list[tuple[object, object]]:
    text = "a sound circuit would not pass here at every supply that its file allows"
    return [(each["severity"], each["line"]) for each in problems if each["message"] == text]


@pytest.mark.parametrize(
    ("limits", "warned"),
    [
        ("23..30 V", False),
        ("24.0..28.8 V", False),  # the battery's own span; the relay takes 40 mA, a drop of millivolts
        ("25..30 V", True),
        ("23..28 V", True),
        ("0..1 V", True),
    ],
)
def test_limits_that_a_sound_circuit_would_not_keep_are_warned_of(tmp_path: Path, limits: str, warned: bool) -> None:
    problems = lint(tmp_path, CIRCUIT, LINE + step("battery", "G1:+", limits))
    # 24.0 V less 0.02 Ohm of 40 mA is 23.999 V, which a display of two decimals shows as 24.00 V.
    assert alarms(problems) == ([("warning", 8)] if warned else [])


def test_a_meter_that_is_less_sure_raises_more_of_them(tmp_path: Path) -> None:
    """Guarded by 95 %: 0.2 V beside the span, which 0.5 % and counts of 25 V just leave, and 1 % and counts do not."""
    head = HEAD.replace("cautions", "judging: {rule: guarded}\ncautions")
    steps = step("battery", "G1:+", "23.8..29.0 V")
    assert alarms(lint(tmp_path, CIRCUIT, steps, head)) == []
    assert alarms(lint(tmp_path, CIRCUIT, steps, head, "--sheet", "cautious-default")) == [("warning", 8)]


# Points that float


BETWEEN = """\
circuit: between
title: Two contacts that open together
reference: PE
elements:
  - {id: G1, kind: battery, from: PE, to: "G1:+", cells: 12, volts: 24.0..28.8 V}
  - {id: B1, kind: contact, from: "G1:+", to: "B1:12"}
  - {id: B2, kind: contact, from: "B1:12", to: "K1:A1"}
  - {id: K1, kind: coil, from: "K1:A1", to: PE, resistance: 650 Ohm}
situations:
  - {name: at-rest}
  - {name: door-open, operated: [B1, B2]}
"""


@pytest.mark.parametrize(("opened", "warned"), [("-1..1 V", True), ("-2..8 V", True), ("-8..8 V", False)])
def test_limits_that_leave_no_room_for_stray_voltage_are_warned_of(tmp_path: Path, opened: str, warned: bool) -> None:
    """Between two open contacts a meter of 10 MOhm shows volts of either sign (common practice, no source)."""
    works = (
        '  - {id: works, kind: operate, point: "B1:12", reference: PE, measure: dc-voltage, situation: at-rest, '
        f'worked: door-open, closed: 23..30 V, open: "{opened}"}}\n'
    )
    said = [str(each["message"]) for each in lint(tmp_path, BETWEEN, works) if "floats" in str(each["message"])]
    text = f"B1:12 floats in the situation door-open: stray voltage leaves {opened}"
    assert said == ([f"{text}; allow for it, or read a point that something drives"] if warned else [])
    driven = works.replace('point: "B1:12"', 'point: "K1:A1"')
    assert not any("floats" in str(each["message"]) for each in lint(tmp_path, BETWEEN, driven))


# The shipped procedures, against a simulation of every fault


@cache
def prepared_shipped(name: str) -> Tied:
    tied = prepare(load_procedure(name)).tied
    assert tied is not None
    return tied


WITH_CIRCUIT = [name for name in shipped() if load_procedure(name).procedure.circuit is not None]
WALKED = ["start-up"]
"""What is touched step by step here; those that are worked, watched and timed are rehearsed in `test_library.py`."""


@cache
def covered(name: str) -> Coverage:
    return coverage(prepared_shipped(name), known_meter())


def test_the_start_up_check_has_a_circuit() -> None:
    assert "start-up" in WITH_CIRCUIT


@pytest.mark.parametrize("name", WITH_CIRCUIT)
def test_a_shipped_procedure_leaves_no_gap_without_a_reason(name: str, tmp_path: Path) -> None:
    found = covered(name)
    assert [gap.fault for gap in found.gaps if gap.reason is None] == []
    assert (found.false_alarms, found.idle_reasons) == ((), ())
    assert steadypoint(tmp_path, "lint", name).stdout == ""


def levels(tied: Tied) -> Sequence[Values]:
    """The circuit at the lowest, the usual and the highest supply; all else is nominal."""
    parts = tied.circuit.parts
    ohms = tuple(part.ohms.nominal for part in parts)
    spans = [part.volts for part in parts]
    return [
        Values(ohms, tuple(getattr(span, level) if span else 0.0 for span in spans))
        for level in ("low", "nominal", "high")
    ]


class Walk:
    """A technician who walks a procedure on a circuit with a fault, before a real engine; searches nothing."""

    def __init__(self, tied: Tied, faults: Faults, values: Values) -> None:
        self._tied, self._faults, self._values = tied, faults, values
        self._bench = Bench(tied.circuit)
        steps = tuple(each.model_copy(update={"on_fail": "continue"}) for each in tied.procedure.steps)
        self.engine = Engine(tied.procedure.model_copy(update={"steps": steps}))
        self.engine.feed(known_meter())
        self.engine.start(Instant(0, 0))
        self._ns = 0

    def outcomes(self, *, to_the_end: bool) -> dict[str, Verdict]:
        """What the steps came to that did not pass; the first one, or all of them."""
        while not self.engine.ended:
            at = self.engine.step
            self._touch(at) if isinstance(at, MeasuredStep) else self._answer()
            assert self._past(at), f"{name_of(self._faults)}: stuck at {at.id}"
            if self._failed and not to_the_end:
                break
        return self._failed

    def _past(self, at: Step | MeasuredStep) -> bool:
        return self.engine.ended or self.engine.step is not at

    @property
    def _failed(self) -> dict[str, Verdict]:
        given = self.engine.verdicts
        return {name: each for name, each in given.items() if each.outcome is not VerdictOutcome.PASS}

    def _touch(self, at: MeasuredStep) -> None:
        function = at.measure[0]
        shown = self._display(at)
        air = ("OL",) * 4 if function is Function.RESISTANCE else ("0.02", "0.05", "0.01", "0.04")
        self._show(function, *air, *[shown] * 14)
        if not self._past(at):  # it shows what leads in the air would: that needs the technician's word
            self._answer()
            self._show(function, shown, shown)

    def _display(self, at: MeasuredStep) -> str:
        black = self._tied.node(at.reference)
        reference = None if black == self._tied.circuit.reference else black
        ohms = at.measure[0] is Function.RESISTANCE
        state = self._bench.state(self._faults, at.situation or REST, self._values, supplied=not ohms)
        if ohms:
            found = self._bench.resistance(state, at.point, reference)
            return "OL" if found is None else f"{found + 0.3:.1f}"  # the leads: 0.2 to 0.5 Ohm (manufacturers' notes)
        lost = reference is None and any(fault.kin is Kin.REFERENCE for fault in self._faults)
        volts = None if lost else self._bench.reading(state, at.point, reference)
        return f"{volts or 0.0:z.2f}"

    def _show(self, function: Function, *displays: str) -> None:
        for display in displays:
            at = self._now()
            self.engine.feed(Reading(display, function.unit, function, at, 0, frozenset({Flag.AUTO_RANGE})))

    def _answer(self) -> None:
        self.engine.feed(Input(Answer.CONFIRM, self._now()))

    def _now(self) -> Instant:
        self._ns += 4 * NS_PER_S // 10
        return Instant(self._ns, self._ns)


@pytest.mark.parametrize("name", WALKED)
def test_a_sound_circuit_passes_at_every_supply(name: str) -> None:
    tied = prepared_shipped(name)
    assert [Walk(tied, (), values).outcomes(to_the_end=True) for values in levels(tied)] == [{}, {}, {}]


def kinds_of_fault() -> Iterator[tuple[str, str]]:
    for name in WALKED:
        circuit = prepared_shipped(name).circuit
        yield from ((name, kin) for kin in dict.fromkeys(faults[0].kin.value for faults in faults_of(circuit)))


@pytest.mark.parametrize(("name", "kin"), list(kinds_of_fault()))
def test_what_is_said_to_be_caught_is_caught_and_nothing_else(name: str, kin: str) -> None:
    """Every fault of the kind is taken through the whole check at three supplies, touch by touch.

    One difference is meant: where a point and its partner are both dead, the engine calls their agreement unclear, for
    two dead points prove nothing; the coverage counts it as a pass. It changes no fault's fate, since the partner, dead
    where it must be live, has not passed either.
    """
    tied, found = prepared_shipped(name), covered(name)
    low, usual, high = levels(tied)
    steps = {each.id: each for each in tied.procedure.steps}
    walked = 0
    for faults in faults_of(tied.circuit):
        if faults[0].kin.value != kin:
            continue
        walked += 1
        fault = name_of(faults)
        failed = Walk(tied, faults, usual).outcomes(to_the_end=True)
        ends = [Walk(tied, faults, values).outcomes(to_the_end=False) for values in (low, high)]
        assert bool(failed and all(ends)) is (fault in found.caught), (fault, failed, ends)
        if fault in found.caught:
            stated = set(found.caught[fault])
            assert stated <= failed.keys(), fault
            for other in failed.keys() - stated:
                at = steps[other]
                assert isinstance(at, AgreeStep), (fault, other)
                assert (failed[other].outcome, failed[at.with_].confirmed) == (VerdictOutcome.UNCLEAR, True)
    assert walked


@pytest.mark.parametrize("name", WITH_CIRCUIT)
def test_every_fault_is_either_caught_or_a_gap(name: str) -> None:
    circuit = prepared_shipped(name).circuit
    every = {name_of(faults) for faults in faults_of(circuit)}
    found = covered(name)
    missed = [gap.fault for gap in found.gaps]
    assert len(missed) == len(set(missed))
    assert set(found.caught) | set(missed) == every
    assert not set(found.caught) & set(missed)
    # What can open, of all parts: each has an open of its own, but for sources, jumpers that are out, and what stands
    # for no part.
    parts = [
        part
        for part in circuit.parts
        if not part.kind.supplies and part.weight > 0 and (part.conducts or part.kind is not Kind.JUMPER)
    ]
    assert {each for each in every if each.startswith("open:")} == {f"open:{part.id}" for part in parts}


# Contacts that are worked

GATE = """\
circuit: gate
title: A gate contact in front of a relay
reference: PE
elements:
  - {id: G1, kind: battery, from: PE, to: "G1:+", cells: 12, volts: 24.0..28.8 V}
  - {id: F1, kind: fuse, from: "G1:+", to: "F1:2", rating: 5 A}
  - {id: B1, kind: contact, from: "F1:2", to: "K1:A1"}
  - {id: K1, kind: coil, from: "K1:A1", to: PE, resistance: 650 Ohm}
situations:
  - {name: gate-open, operated: B1}
"""
WORKED = (
    '  - {id: gate, kind: operate, point: "K1:A1", reference: PE, measure: dc-voltage, closed: 22..30 V, '
    "open: -1..1 V, times: 1%s}\n"
)


def test_a_bridged_contact_is_caught_only_where_it_is_worked(tmp_path: Path) -> None:
    assert "bridged:B1" in gaps(lint(tmp_path, GATE, step("relay", "K1:A1")))
    assert "bridged:B1" in gaps(lint(tmp_path, GATE, WORKED % ""))
    assert "bridged:B1" not in gaps(lint(tmp_path, GATE, WORKED % ", worked: gate-open"))
    assert "open:B1" not in gaps(lint(tmp_path, GATE, WORKED % ""))


def test_a_watched_value_and_a_point_proved_dead_count_as_readings_do(tmp_path: Path) -> None:
    watch = (
        '  - {id: run, kind: watch, point: "K1:A1", reference: PE, measure: dc-voltage, limits: 22..30 V, least: 5 s}\n'
    )
    dead = (
        '  - {id: off, kind: dead, point: "K1:A1", reference: PE, measure: dc-voltage, limits: -1..1 V, '
        'known: {point: "G1:+", limits: 22..30 V}%s}\n'
    )
    assert "open:B1" not in gaps(lint(tmp_path, GATE, watch))
    assert "bridged:B1" not in gaps(lint(tmp_path, GATE, watch + dead % ", situation: gate-open"))
    assert "bridged:B1" in gaps(lint(tmp_path, GATE, watch + dead % ""))


def test_the_situation_in_which_a_contact_is_worked_must_be_the_circuit_s(tmp_path: Path) -> None:
    messages = [problem["message"] for problem in lint(tmp_path, GATE, WORKED % ", worked: gate-shut")]
    assert messages == ["situation 'gate-shut': expected one of rest, gate-open"]
