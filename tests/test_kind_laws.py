"""No readings and answers reach complete with a step unjudged, a jumper in, or a point half proved dead."""

from collections.abc import Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.engine import Engine
from meterlink.outcome import (
    Answer,
    Answered,
    Break,
    Cue,
    End,
    Gap,
    Input,
    Jumper,
    Outcome,
    Register,
    Reopened,
    Verdict,
)
from meterlink.procedure.parse import parse_procedure
from meterlink.reading import NS_PER_S, Flag, Function, Instant, Reading
from procedure_samples import with_steps

STEPS = """\
- {id: door, kind: ask, point: B3, ask: "Is there a lower door?"}
- {id: off, kind: dead, point: X1, reference: PE, measure: dc-voltage, limits: -0.5..0.5 V,
   known: {point: G1, limits: 22..29 V}, on_fail: continue}
- {id: fit, kind: bridge, jumper: temporary, point: X3, why: Run, if: door}
- {id: edge, kind: operate, point: S1, reference: S2, measure: dc-voltage, closed: 22..29 V, open: -1..1 V, times: 1}
- {id: hold, kind: watch, point: K1, reference: PE, measure: dc-voltage, limits: 22..29 V, least: 1 s}
- {id: lock, kind: interval, point: B2, reference: PE, measure: dc-voltage, from: -1..1 V, to: 22..29 V,
   limits: 0.5..5 s, on_fail: go-to last}
- group: Supplies
  any_order: yes
  steps:
    - {id: v24, kind: reading, point: G1, reference: PE, measure: dc-voltage, limits: 22..29 V}
    - {id: v12, kind: reading, point: G2, reference: PE, measure: dc-voltage, limits: 11..14 V, on_fail: go-to hold}
- {id: out, kind: bridge, jumper: removed, point: X3, if: door}
- {id: last, kind: look, point: Q1, ask: "Is it in?"}
"""
PROCEDURE = parse_procedure(with_steps(STEPS), "laws")

Move = tuple[str, ...]
"""What happens next, in words: `show 24.1 6`, `answer confirm`, `gap silent`, `jumper X9 in`, `pause`."""

MOVES: st.SearchStrategy[Move] = st.one_of(
    st.tuples(
        st.just("show"),
        st.sampled_from(["24.1", "0.00", "12.5", "18.0", "OL", ""]),
        st.sampled_from(["1", "3", "6", "14"]),
    ),
    st.tuples(st.just("answer"), st.sampled_from([each.value for each in Answer])),
    st.tuples(st.just("answer"), st.just("confirm")),
    st.tuples(st.just("gap"), st.sampled_from([each.value for each in Break])),
    st.tuples(st.just("jumper"), st.sampled_from(["X3", "X9"]), st.sampled_from(["in", "out"])),
    st.tuples(st.just("hold")),
    st.tuples(st.just("pause")),
    *[st.tuples(st.just("do"), st.just("what is asked"))] * 6,
)
MANY = st.lists(MOVES, max_size=25)


class Visit:
    """Plays moves to an engine and keeps what it says."""

    def __init__(self) -> None:
        self.engine = Engine(PROCEDURE)
        self.ns = 0
        self.inputs: list[object] = []
        self.outcomes: list[Outcome] = self.engine.start(self.at())

    def at(self) -> Instant:
        return Instant(self.ns, self.ns)

    def feed(self, item: Reading | Input | Gap | Jumper) -> None:
        self.inputs.append(item)
        self.outcomes += self.engine.feed(item)

    def show(self, display: str, updates: int, *flags: Flag) -> None:
        for _ in range(updates):
            self.ns += 2 * NS_PER_S // 5
            self.feed(Reading(display, "V", Function.DC_VOLTAGE, self.at(), flags=frozenset(flags)))

    def answer(self, answer: Answer) -> None:
        self.ns += NS_PER_S
        self.feed(Input(answer, self.at()))

    def play(self, move: Move) -> None:
        match move:
            case ("show", display, updates):
                self.show(display, int(updates))
            case ("answer", word):
                self.answer(Answer(word))
            case ("gap", reason):
                self.feed(Gap(self.at(), Break(reason)))
            case ("jumper", where, way):
                self.feed(Jumper(way == "in", where, "", self.at()))
            case ("hold",):
                self.show("24.1", 2, Flag.HOLD)
            case ("pause",):
                self.ns += 5 * 3600 * NS_PER_S
                self.feed(Gap(self.at(), Break.RESUMED))
            case _:
                self.do_what_is_asked()

    def do_what_is_asked(self) -> None:
        """What a technician does on a sound lift, so that the end is reached at all."""
        step = self.engine.step
        self.show("0.00", 4)
        if step.id == "v12":
            self.show("12.5", 6)
        elif step.id == "off" and step.point == "X1":
            self.answer(Answer.CONFIRM)
            self.show("0.00", 2)
        elif step.kind in ("look", "bridge", "ask"):
            self.answer(Answer.CONFIRM)
        else:
            self.show("24.1", 6)
        if step.kind in ("operate", "interval"):
            self.show("0.00", 4)
            self.show("24.1", 4)
        if step.kind == "watch":
            self.answer(Answer.CONFIRM)
            self.show("24.1", 6)
            self.answer(Answer.CONFIRM)


def check(outcomes: Sequence[Outcome]) -> None:
    """Hold every end against what was said before it, and against nothing that the engine keeps."""
    known: dict[str, str] = {}
    jumpers: set[str] = set()
    proofs: list[str] = []
    for outcome in outcomes:
        if isinstance(outcome, Verdict):
            known[outcome.step] = outcome.outcome.value
            if outcome.step == "off" and outcome.outcome.value == "pass":
                assert proofs == ["proved-live", "proved-dead"], "a dead step passed without both of its live proofs"
                assert outcome.reason.endswith("after."), outcome.reason
            if outcome.step == "off":
                proofs = []
        elif isinstance(outcome, Answered):
            known[outcome.step] = "answered"
        elif isinstance(outcome, Reopened):
            for step in outcome.steps:
                known.pop(step, None)
        elif isinstance(outcome, Register):
            (jumpers.add if outcome.fitted else jumpers.discard)(outcome.where)
        elif isinstance(outcome, Cue):
            if outcome.code in ("proved-live", "proved-dead"):
                proofs.append(outcome.code)
            elif outcome.step == "off" and (outcome.code == "started-over" or "Known source first" in outcome.text):
                proofs = []
        elif isinstance(outcome, End):
            judged = {step.id for step in PROCEDURE.steps} <= set(known)
            assert outcome.complete == (judged and not jumpers), (outcome, known, jumpers)
            assert set(outcome.jumpers_open) == jumpers
            assert set(outcome.not_judged) == {step.id for step in PROCEDURE.steps} - set(known)


@settings(max_examples=400)
@given(MANY, MANY, MANY)
def test_complete_means_every_step_judged_every_jumper_out_and_every_dead_point_proved_twice(
    before: list[Move], on_the_way: list[Move], after: list[Move]
) -> None:
    visit = Visit()
    for move in before:
        visit.play(move)
    for move in [*on_the_way, *[("do",)] * 40]:
        if not visit.engine.ended:
            visit.do_what_is_asked()
            visit.play(move)
    assert visit.engine.ended  # else this would prove nothing
    for move in after:
        visit.play(move)
    check(visit.outcomes)


@settings(max_examples=100)
@given(MANY)
def test_the_same_inputs_say_the_same_again(moves: list[Move]) -> None:
    visit = Visit()
    for move in moves:
        visit.play(move)
    again = Engine(PROCEDURE)
    outcomes = again.start(Instant(0, 0))
    for item in visit.inputs:
        outcomes += again.feed(item)  # type: ignore[arg-type]
    assert outcomes == visit.outcomes


def test_the_moves_can_reach_the_end() -> None:
    visit = Visit()
    for _ in range(40):
        if not visit.engine.ended:
            visit.do_what_is_asked()
    check(visit.outcomes)
    assert [end.complete for end in visit.outcomes if isinstance(end, End)] == [True]
    assert {verdict.outcome.value for verdict in visit.engine.verdicts.values()} == {"pass"}
