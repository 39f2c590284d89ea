"""A search inside a check: what begins it, what leads it on, what ends it, what is proved again, and how it replays."""

import json
import random
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest

from hunting import CIRCUIT, HEAD, NODES, PARTS, PROCEDURE, Chain, Hunting, alter, job_of, prepared
from known_meter import known_meter
from meterlink.circuit.search import Finding
from meterlink.engine import Engine
from meterlink.errors import FileError, RecordError
from meterlink.outcome import Answer, Break
from meterlink.procedure.model import LookStep, MeasuredStep
from meterlink.reading import Flag, Function
from meterlink.record.entry import Kind
from meterlink.record.store import Store
from meterlink.session import Session

DEAD, LIVE = "0.00", "26.40"
FIND_FIRST = PROCEDURE.replace("circuit: chain.yaml\n", "circuit: chain.yaml\nbegin_with: find\n")


def failed(*opens: str) -> Hunting:
    """The first two points are live, the relay is dead: a search has begun."""
    return Hunting.at(Chain(*opens)).touch(LIVE).touch(LIVE).dead()


def shares(hunting: Hunting) -> dict[str, float]:
    return {each.name: each.probability for each in hunting.hunt.finding.faults}


def asked_for(hunting: Hunting) -> tuple[str, str]:
    """Where the red lead goes, and the black one."""
    step = hunting.engine.step
    assert isinstance(step, MeasuredStep)
    return step.point, step.reference


# How it begins


def test_a_failed_step_begins_a_search_with_what_was_read_before() -> None:
    hunting = failed("B2")
    assert hunting.verdicts == [("battery", "pass"), ("fuse", "pass"), ("relay", "fail")]
    (finding,) = hunting.of("finding")
    assert (finding["step"], finding["touches"], finding["situation"], finding["sure"]) == ("relay", 3, "rest", False)
    read = [(str(seen.question), seen.value) for seen in hunting.hunt.search.touches]
    assert read == [("G1:+", 26.40), ("F1:2", 26.40), ("K1:A1", 0.0)]
    # Three contacts of one kind lie between live and dead: one is as likely as the other.
    likely = shares(hunting)
    assert [likely[f"open:{part}"] for part in ("B1", "B2", "B3")] == pytest.approx([1 / 3] * 3, abs=0.01)
    assert hunting.cues[-3:] == ["fail", "find", "probe"]
    assert asked_for(hunting) in [("B1:12", "earth bar"), ("B2:12", "earth bar")]
    assert hunting.engine.step.id == "find-1"


def test_the_black_lead_goes_where_the_procedure_calls_it() -> None:
    (probe,) = [each for each in failed("B2").of("cue") if each["step"] == "find-1" and each["code"] == "probe"]
    assert "Black lead on earth bar." in str(probe["text"])


def test_a_search_may_come_first() -> None:
    hunting = Hunting.at(Chain("B2"), prepared(FIND_FIRST))
    assert [each["touches"] for each in hunting.of("finding")] == [0]
    assert hunting.engine.step.id == "find-1"
    hunting.obey_until(lambda: hunting.engine.ended)
    assert [each["answer"] for each in hunting.of("finding")][-1] == "open:B2"
    # Nothing had been judged before the repair: all the steps are the proof.
    assert hunting.verdicts == [("battery", "pass"), ("fuse", "pass"), ("relay", "pass"), ("runs", "pass")]


def test_a_symptom_weighs_what_is_likely() -> None:
    told = FIND_FIRST.replace("circuit: chain.yaml\n", "circuit: chain.yaml\nsymptom: will-not-run\n")
    plain, weighed = (shares(Hunting.at(Chain(), prepared(text))) for text in (FIND_FIRST, told))
    assert weighed["open:B1"] > plain["open:B1"]
    assert weighed.get("bridged:B1", 0.0) < plain["bridged:B1"]  # a bridge does not stop the lift


def test_what_is_read_in_another_situation_is_no_evidence() -> None:
    pressed = """\
  - {id: pressed, kind: reading, point: "K1:A1", reference: earth bar, measure: dc-voltage, limits: 0 V ± 0.5 V,
     situation: limit-pressed}
"""
    head, battery, rest = PROCEDURE.partition("  - {id: battery")
    hunting = Hunting.at(Chain("B2"), prepared(head + pressed + battery + rest))
    hunting.dead().touch(LIVE).touch(LIVE).dead()
    assert hunting.verdicts == [("pressed", "pass"), ("battery", "pass"), ("fuse", "pass"), ("relay", "fail")]
    assert [str(seen.question) for seen in hunting.hunt.search.touches] == ["G1:+", "F1:2", "K1:A1"]


def test_too_close_to_call_stops_and_begins_no_search() -> None:
    guarded = PROCEDURE.replace("cautions:", "judging: {rule: guarded}\ncautions:")
    # 22.05 V: 0.05 V inside, and the meter may be off by more (0.5 % and counts).
    hunting = Hunting.at(Chain(), prepared(guarded)).touch(LIVE).touch("22.05")
    assert hunting.verdicts == [("battery", "pass"), ("fuse", "unclear")]
    assert (hunting.engine.ended, hunting.engine.hunt, hunting.of("finding")) == (True, None, [])


def test_a_look_that_is_refused_and_a_step_that_only_goes_on_begin_none() -> None:
    goes_on = PROCEDURE.replace(", on_fail: find", "").replace(",\n     on_fail: find}", "}")
    hunting = Hunting.at(Chain("B2"), prepared(goes_on)).touch(LIVE).touch(LIVE).dead().answer(Answer.REFUSE)
    assert hunting.verdicts[-2:] == [("relay", "fail"), ("runs", "fail")]
    assert (hunting.engine.ended, hunting.of("finding")) == (True, [])


def test_without_its_circuit_a_fail_stops() -> None:
    """A search cannot begin, and to go on past a fail that was to be searched would be worse than to stop."""
    engine = Engine(prepared().procedure)
    hunting = Hunting(Chain(), engine, lambda item: [each.as_json() for each in engine.feed(item)], [])
    hunting.feed_meter().touch(LIVE).dead()
    assert (engine.ended, engine.hunt) == (True, None)


# How it goes on


@pytest.mark.parametrize(("part", "above", "below"), list(zip(PARTS, NODES, NODES[1:], strict=False)))
def test_each_open_is_found_and_proved_on_both_its_sides(part: str, above: str, below: str) -> None:
    """Live in front of it and dead behind it, by definition."""
    hunting = Hunting.at(Chain(part))
    hunting.obey_until(lambda: hunting.engine.hunt is not None).search()
    finding = hunting.of("finding")[-1]
    assert (finding["sure"], finding["answer"], finding["next"]) == (True, f"open:{part}", None)
    proof = finding["proof"]
    assert isinstance(proof, list)
    assert [(each["point"], float(each["value"])) for each in proof] == [(above, 26.4), (below, 0.0)]
    assert isinstance(hunting.engine.step, LookStep)
    assert hunting.cues[-2:] == ["found", "look"]


def test_a_live_touch_settles_by_itself_and_a_dead_one_needs_the_technicians_word() -> None:
    hunting = failed("B3")
    hunting.touch(LIVE)
    assert [each["touches"] for each in hunting.of("finding")] == [3, 4]
    at = hunting.engine.step.id
    hunting.lift().show(*[DEAD] * 30)
    assert (hunting.engine.step.id, hunting.cues[-1]) == (at, "confirm-dead")
    hunting.answer(Answer.CONFIRM).show(DEAD, DEAD)
    assert [each["touches"] for each in hunting.of("finding")] == [3, 4, 5]
    # A touch is told once it has ended; a dead one as soon as it was confirmed.
    assert [(each["step"], each["outcome"]) for each in hunting.of("touch")][-2:] == [
        ("find-1", "matched"),
        (at, "out-of-limits"),
    ]


def test_what_the_screen_shows_as_limits_is_what_the_sound_chain_reads() -> None:
    limits = failed("B2").engine.limits()
    assert limits is not None
    assert [limits.accept(each) for each in map(_exact, ("0.00", "13.2", "24.1", "26.4", "28.7", "32"))] == [
        False, False, True, True, True, False,
    ]  # fmt: skip


def test_holding_on_or_sliding_on_answers_nothing() -> None:
    hunting = failed("B3").lift().show(*[LIVE] * 7)
    asked = hunting.engine.step.id
    hunting.show(*[LIVE] * 20)
    assert hunting.engine.step.id == asked
    assert [each["touches"] for each in hunting.of("finding")] == [3, 4]


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (lambda hunting: hunting.show(*[LIVE] * 12, flags=[Flag.HOLD]), "hold"),
        (lambda hunting: hunting.show(*[LIVE] * 12, flags=[Flag.RELATIVE]), "relative"),
        (lambda hunting: hunting.show(*[LIVE] * 12, function=Function.AC_VOLTAGE), "wrong-function"),
        (lambda hunting: hunting.show(*["650.0"] * 12, function=Function.RESISTANCE), "wrong-function"),
        (lambda hunting: hunting.show(*["-26.40"] * 12), "reversed"),
    ],
    ids=["hold", "relative", "AC", "ohms", "reversed"],
)
def test_a_display_that_cannot_be_trusted_is_cued_and_judges_nothing(
    spoil: Callable[[Hunting], Hunting], code: str
) -> None:
    hunting = failed("B2").lift()
    told = len(hunting.events)
    spoil(hunting)
    new = hunting.events[told:]
    assert [each["code"] for each in new if each["event"] == "cue"].count(code) == 1
    assert [each for each in new if each["event"] in ("finding", "verdict")] == []
    assert hunting.engine.step.id == "find-1"
    hunting.lift().touch(LIVE)
    assert hunting.of("finding")[-1]["touches"] == 4


def test_a_dead_reading_under_hold_cannot_be_confirmed() -> None:
    hunting = failed("B2").lift().show(*[DEAD] * 8, flags=[Flag.HOLD]).answer(Answer.CONFIRM).show(DEAD)
    assert hunting.cues[-1] == "nothing-to-confirm"
    assert len(hunting.of("finding")) == 1


# Answers


def test_repeat_asks_for_the_same_touch_once_more() -> None:
    hunting = failed("B2").answer(Answer.REPEAT)
    assert (hunting.asked[-2:], len(hunting.of("finding"))) == (["find-1", "find-1"], 1)
    assert hunting.touch(LIVE).of("finding")[-1]["touches"] == 4


def test_refuse_counts_no_touch() -> None:
    hunting = failed("B2").answer(Answer.REFUSE)
    assert (hunting.cues[-1], hunting.engine.step.id, len(hunting.of("finding"))) == ("refused", "find-1", 1)


def test_back_leaves_the_search_and_asks_for_the_failed_step() -> None:
    hunting = failed("B2").touch(LIVE).answer(Answer.BACK)
    assert (hunting.engine.hunt, hunting.engine.step.id) == (None, "relay")
    hunting.dead()
    assert hunting.verdicts[-2:] == [("relay", "fail"), ("relay", "fail")]
    # The new search has ids of its own, and knows of what the steps have read, not of what the old search had.
    assert hunting.of("finding")[-1]["touches"] == 3
    assert hunting.asked.count(hunting.engine.step.id) == 1


def test_back_then_a_pass_goes_on_without_a_search() -> None:
    """A probe that had slipped off: the point was live all the time."""
    hunting = failed("B2").answer(Answer.BACK).touch(LIVE)
    assert hunting.verdicts[-2:] == [("relay", "fail"), ("relay", "pass")]
    assert hunting.engine.step.id == "runs"


# Ohms, with the supply isolated


def open_coil() -> Hunting:
    """Every point of the chain is live and the relay does not pull: only ohms tell its open coil."""
    coil = Hunting.at(_OpenCoil(), prepared(FIND_FIRST))
    return coil.obey_until(lambda: isinstance(coil.engine.step, LookStep))


class _OpenCoil(Chain):
    """All is live to the relay, and there is no path through it."""

    def ohms(self, point: str, reference: str) -> float | None:
        return None if {"PE", "earth bar"} & {point, reference} else super().ohms(point, reference)


def test_the_supply_is_isolated_before_ohms() -> None:
    hunting = open_coil()
    step = hunting.engine.step
    assert isinstance(step, LookStep)
    assert step.ask == "Is the supply isolated, the charger too, and the point proved dead?"
    hunting.answer(Answer.CONFIRM)
    step = hunting.engine.step
    assert isinstance(step, MeasuredStep)
    assert (step.measure, step.point) == ((Function.RESISTANCE,), "K1:A1")
    assert "Dial on resistance." in str(hunting.of("cue")[-1]["text"])


def test_ohms_on_a_circuit_that_is_still_live_are_refused() -> None:
    hunting = open_coil().answer(Answer.CONFIRM)
    touches = len(hunting.of("finding"))
    hunting.lift(Function.RESISTANCE).show(*["-48.0"] * 12, function=Function.RESISTANCE)
    assert "live-circuit" in hunting.cues
    assert len(hunting.of("finding")) == touches


def test_what_only_ohms_show_is_found_and_proved_with_the_supply_back_on() -> None:
    hunting = open_coil()
    hunting.search()
    assert hunting.hunt.finding.answer == "open:K1"
    step = hunting.engine.step
    assert isinstance(step, LookStep)
    assert step.ask == "Is open:K1 mended, and the supply back on?"
    assert hunting.chain.isolated
    hunting.chain.isolated = False
    hunting.answer(Answer.CONFIRM).obey_until(lambda: hunting.engine.ended)
    assert {outcome for _, outcome in hunting.verdicts} == {"pass"}


def test_who_will_not_isolate_the_supply_gives_the_search_up() -> None:
    hunting = open_coil().answer(Answer.REFUSE)
    assert (hunting.cues[-1], hunting.engine.ended, hunting.engine.hunt) == ("given-up", True, None)
    assert hunting.of("end")[-1]["complete"] is False


# The repair


def test_after_the_repair_the_failed_step_and_those_at_the_parts_terminals_are_proved_again() -> None:
    hunting = failed("B1").search()
    told = len(hunting.verdicts)
    hunting.obey_until(lambda: hunting.engine.ended)
    # B1 lies between F1:2, where the step `fuse` touches, and B1:12, where none does.
    assert hunting.verdicts[told:] == [("fuse", "pass"), ("relay", "pass"), ("runs", "pass")]
    assert hunting.cues.count("prove-again") == 1
    end = hunting.of("end")[-1]
    assert (end["complete"], end["passed"], end["failed"], end["lost_between"]) == (True, 4, 0, None)


def test_a_verdict_is_superseded_and_never_removed() -> None:
    hunting = failed("B1").search()
    hunting.obey_until(lambda: hunting.engine.ended)
    assert [outcome for step, outcome in hunting.verdicts if step == "relay"] == ["fail", "pass"]
    assert hunting.engine.verdicts["relay"].outcome == "pass"


def test_what_had_failed_before_the_search_is_proved_again_too() -> None:
    """Both points lie behind the fuse; the first one's fail only went on, and its cause is mended with the other's."""
    steps = """\
  - {id: battery, kind: reading, point: "G1:+", reference: earth bar, measure: dc-voltage, limits: 22..29 V}
  - {id: limit, kind: reading, point: "B1:12", reference: earth bar, measure: dc-voltage, limits: 22..29 V}
  - {id: relay, kind: reading, point: "K1:A1", reference: earth bar, measure: dc-voltage, limits: 22..29 V,
     on_fail: find}
"""
    hunting = Hunting.at(Chain("F1"), prepared(HEAD + steps))
    hunting.obey_until(lambda: hunting.engine.ended)
    assert hunting.engine.verdicts["limit"].outcome == "pass"
    end = hunting.of("end")[-1]
    assert (end["passed"], end["failed"], end["lost_between"]) == (3, 0, None)


def test_who_has_not_mended_it_gives_the_search_up_and_the_fail_stands() -> None:
    hunting = failed("B1").search().answer(Answer.REFUSE)
    assert hunting.cues[-1] == "given-up"
    assert (hunting.engine.ended, hunting.engine.hunt) == (True, None)
    assert hunting.engine.verdicts["relay"].outcome == "fail"
    end = hunting.of("end")[-1]
    assert (end["complete"], end["failed"], end["not_judged"]) == (False, 1, ["runs"])
    # Taken up again, the step is asked for, and its fail begins a search anew.
    hunting.answer(Answer.REPEAT)
    assert hunting.engine.step.id == "relay"
    hunting.dead()
    assert hunting.engine.hunt is not None


def test_a_fault_that_is_still_there_is_found_again() -> None:
    """The technician says it is mended, and it is not."""
    hunting = failed("B1").search()
    hunting.answer(Answer.CONFIRM)
    assert hunting.chain.opens == {"B1"}
    hunting.obey_until(lambda: hunting.engine.hunt is not None).search()
    assert [each["answer"] for each in hunting.of("finding") if each["sure"]] == ["open:B1", "open:B1"]


@pytest.mark.parametrize("opens", [("B1", "B3"), ("F1", "B2"), ("F1", "B3"), ("B2", "B3"), ("F1", "B1", "B3")])
def test_a_second_open_is_found_in_the_same_job(opens: tuple[str, ...]) -> None:
    hunting = Hunting.at(Chain(*opens))
    hunting.obey_until(lambda: hunting.engine.ended)
    found = [part for each in hunting.of("finding") if each["sure"] for part in str(each["answer"]).split(" + ")]
    assert sorted(found) == sorted(f"open:{part}" for part in opens)
    assert hunting.of("end")[-1]["failed"] == 0
    assert hunting.of("end")[-1]["complete"] is True


def test_a_search_without_an_answer_asks_whether_it_was_found_otherwise() -> None:
    """All is sound, and nothing that can be touched says more."""
    hunting = Hunting.at(Chain(), prepared(FIND_FIRST))
    hunting.search()
    step = hunting.engine.step
    assert isinstance(step, LookStep)
    assert (hunting.hunt.finding.answer, hunting.hunt.finding.faults[0].name) == (None, "none")
    assert step.ask == "Was the fault found and mended otherwise, and is the supply back on?"
    hunting.obey_until(lambda: hunting.engine.ended)
    assert {outcome for _, outcome in hunting.verdicts} == {"pass"}


@pytest.mark.parametrize("seed", range(6))
def test_nonsense_comes_to_an_end(seed: int) -> None:
    """A loose probe that reads anything: the search gives up asking after 60 touches at the latest."""
    chance = random.Random(seed)
    hunting = failed("B2")
    for _ in range(200):
        if hunting.hunt.finding.next is None:
            break
        step = hunting.engine.step
        if isinstance(step, LookStep):
            hunting.answer(Answer.CONFIRM)
        elif isinstance(step, MeasuredStep) and Function.RESISTANCE in step.measure:
            shown = chance.choice(("OL", "0.5", "325.0", "650.0"))
            ohms = Function.RESISTANCE
            hunting.dead("OL", ohms) if shown == "OL" else hunting.touch(shown, ohms)
        else:
            shown = chance.choice((DEAD, "5.30", "13.20", "22.60", LIVE))
            hunting.dead() if shown == DEAD else hunting.touch(shown)
    assert hunting.hunt.finding.next is None
    assert len(hunting.hunt.search.touches) <= 61
    assert isinstance(hunting.engine.step, LookStep)


# Gaps


def test_a_touch_ends_where_the_link_does() -> None:
    hunting = failed("B2").lift().show(LIVE, LIVE).gap(Break.LINK_LOST).show(LIVE, LIVE)
    assert (hunting.engine.step.id, len(hunting.of("finding"))) == ("find-1", 1)
    assert "link-lost" in hunting.cues
    hunting.gap(Break.LINK_BACK)
    assert hunting.asked[-1] == "find-1"
    assert hunting.touch(LIVE).of("finding")[-1]["touches"] == 4


def test_a_confirmation_does_not_outlast_the_link() -> None:
    hunting = failed("B2").lift().show(*[DEAD] * 6).answer(Answer.CONFIRM).gap(Break.LINK_LOST).show(DEAD, DEAD)
    assert len(hunting.of("finding")) == 1


def test_taken_up_again_it_asks_for_the_same_touch() -> None:
    hunting = failed("B2").touch(LIVE)
    asked = hunting.engine.step.id
    hunting.gap(Break.RESUMED)
    assert (hunting.engine.step.id, hunting.asked[-1]) == (asked, asked)


# Replay


def test_the_same_inputs_bring_about_the_same_outcomes() -> None:
    first = Hunting.at(Chain("B1", "B3"))
    first.obey_until(lambda: first.engine.ended)
    again = Hunting.at(Chain())
    for item in first.items:
        again.feed(item)
    assert again.events == first.events


def begun(store: Store, chain: Chain) -> Hunting:
    return Hunting.recorded(chain, Session.begin(store, prepared(), "sim:test", known_meter()))


def kept_findings(store: Store) -> list[dict[str, object]]:
    return [dict(event.body) for event in store.events(job_of(store), [Kind.FINDING])]


@pytest.mark.parametrize("touches", [3, 4, 5, 6])
def test_a_job_killed_in_the_middle_of_a_search_goes_on_where_it_stood(tmp_path: Path, touches: int) -> None:
    chain = Chain("B2")
    with Store.open(tmp_path) as store:
        killed = begun(store, chain)
        killed.obey_until(lambda: bool(killed.of("finding")) and killed.of("finding")[-1]["touches"] == touches)
        waited, stood = killed.engine.step, killed.hunt.finding
        assert kept_findings(store) == killed.of("finding")  # nothing was told that is not on disk
        session = Session.resume(store, job_of(store), known_meter())
        resumed = Hunting.recorded(chain, session)
        assert session.engine.step == waited
        assert _told(resumed.hunt.finding) == _told(stood)
        assert [each["step"] for each in resumed.of("cue") if each["code"] in ("probe", "look")] == [waited.id]
        resumed.obey_until(lambda: session.engine.ended)
        assert (resumed.of("end")[-1]["complete"], chain.opens) == (True, set())
        assert [each["answer"] for each in kept_findings(store)][-1] == "open:B2"
        with pytest.raises(RecordError, match="is complete"):
            Session.resume(store, job_of(store), known_meter())


def test_a_job_that_was_given_up_is_taken_up_at_its_failed_step(tmp_path: Path) -> None:
    chain = Chain("B2")
    with Store.open(tmp_path) as store:
        stopped = begun(store, chain)
        stopped.obey_until(lambda: stopped.engine.hunt is not None).search().answer(Answer.REFUSE)
        assert stopped.engine.ended
        session = Session.resume(store, job_of(store), known_meter())
        resumed = Hunting.recorded(chain, session)
        assert session.engine.step.id == "relay"
        resumed.obey_until(lambda: session.engine.ended)
        assert resumed.of("end")[-1]["complete"]


IN_START = "UPDATE event SET body = {} WHERE kind = 'start'"
IN_FINDINGS = "UPDATE event SET body = {} WHERE kind = 'finding'"
CHANGES = {
    "circuit": IN_START.format("replace(body, '24.0..28.8 V', '20.0..28.8 V')"),
    "no circuit": IN_START.format("json_remove(body, '$.circuit')"),
    "probability": IN_FINDINGS.format("json_set(body, '$.faults[0].probability', 0.5)"),
    "answer": IN_FINDINGS.format("json_set(body, '$.answer', 'open:B1')"),
    "findings": "DELETE FROM event WHERE kind = 'finding'",
    "readings": "UPDATE event SET body = replace(body, '26.40', '25.40') WHERE kind = 'reading'",
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_a_search_that_somebody_changed_does_not_replay(tmp_path: Path, change: str) -> None:
    with Store.open(tmp_path) as store:
        killed = begun(store, Chain("B2"))
        killed.obey_until(lambda: len(killed.of("finding")) == 2)
    alter(tmp_path, change)
    with Store.open(tmp_path) as store, pytest.raises(RecordError, match="does not replay"):
        Session.resume(store, job_of(store), known_meter())


@pytest.mark.parametrize(
    ("change", "error", "says"),
    [
        ("replace(body, 'kind: fuse', 'kind: fuze')", FileError, r"circuit of .* \(stored\):6:"),
        ("json_remove(body, '$.computed')", RecordError, "what it began with cannot be read back"),
        ("json_set(body, '$.circuit', 'none')", RecordError, "what it began with cannot be read back"),
        ("json_set(body, '$.computed.relay', 'much')", RecordError, "what it began with cannot be read back"),
    ],
    ids=["no circuit in the text", "no limits", "no keys", "no limits in the text"],
)
def test_a_beginning_that_cannot_be_read_back_is_refused(
    tmp_path: Path, change: str, error: type[Exception], says: str
) -> None:
    with Store.open(tmp_path) as store:
        begun(store, Chain("B2")).touch(LIVE)
    alter(tmp_path, IN_START.format(change))
    with Store.open(tmp_path) as store, pytest.raises(error, match=says):
        Session.resume(store, job_of(store), known_meter())


def test_the_record_keeps_the_circuit_s_text_as_it_was(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        begun(store, Chain())
        (start,) = store.events(job_of(store), [Kind.START])
    assert json.loads(json.dumps(start.body))["circuit"] == {"name": "chain", "revision": "1", "text": CIRCUIT}


def _exact(text: str) -> Decimal:
    return Decimal(text)


def _told(finding: Finding) -> tuple[object, ...]:
    return finding.faults, finding.sure, finding.answer, finding.next
