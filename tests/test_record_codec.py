import json
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.driver import Notice
from meterlink.errors import RecordError
from meterlink.note import Note, Photo
from meterlink.outcome import (
    Answer,
    Answered,
    Break,
    Change,
    Cue,
    End,
    Gap,
    Input,
    Jumper,
    Measured,
    Outcome,
    Register,
    Reopened,
    Touch,
    TouchOutcome,
    Verdict,
    VerdictOutcome,
)
from meterlink.reading import Flag, Function, Instant, Reading
from meterlink.record.chain import canonical
from meterlink.record.codec import from_event, link_note, start_entry, to_entry
from meterlink.record.entry import Entry, Event, Kind
from meterlink.record.store import Store
from record_samples import STARTED_UTC_NS, at, begin, reading

NS = st.integers(0, 2**63 - 1)  # SQLite's INTEGER has 64 bits, signed (SQLite "Datatypes", section 2)
INSTANTS = st.builds(Instant, NS, NS)
TEXTS = st.text(max_size=40)
DISPLAYS = st.sampled_from(["OL", "-OL", ""]) | st.from_regex(
    r"-?([0-9]{1,5}\.?[0-9]{0,4}|\.[0-9]{1,4})", fullmatch=True
)
READINGS = st.builds(
    Reading,
    display=DISPLAYS,
    unit=st.sampled_from(["V", "A", "Ohm", "Hz", "F", "Cel", "%"]),
    function=st.sampled_from(Function),
    at=INSTANTS,
    scale=st.integers(-12, 9),
    flags=st.frozensets(st.sampled_from(Flag)),
    raw=st.binary(max_size=40),
)
INPUTS = (
    st.builds(Jumper, st.booleans(), TEXTS, TEXTS, INSTANTS)
    | READINGS
    | st.builds(Input, st.sampled_from(Answer), INSTANTS)
    | st.builds(Gap, INSTANTS, st.sampled_from(Break))
)

MEASURED = st.none() | st.builds(
    Measured, st.none() | st.decimals(-1000, 1000, places=3), st.sampled_from(["V", "Ohm"])
)
OUTCOMES = (
    st.builds(Touch, st.none() | TEXTS, st.sampled_from(TouchOutcome), MEASURED, INSTANTS, INSTANTS)
    | st.builds(
        Verdict, TEXTS, st.sampled_from(VerdictOutcome), MEASURED, st.none() | TEXTS, st.booleans(), TEXTS, INSTANTS
    )
    | st.builds(
        Change,
        TEXTS,
        TEXTS,
        TEXTS,
        st.builds(Measured, st.none() | st.decimals(-1000, 1000, places=3), st.just("V")),
        NS,
        st.integers(0, 99),
        INSTANTS,
    )
    | st.builds(Answered, TEXTS, st.booleans(), INSTANTS)
    | st.builds(Register, st.booleans(), TEXTS, TEXTS, st.none() | TEXTS, INSTANTS)
    | st.builds(Reopened, st.just(("a", "b")), TEXTS, INSTANTS)
    | st.builds(Cue, TEXTS, TEXTS, st.none() | TEXTS, INSTANTS)
    | st.builds(
        End, st.booleans(), *[st.integers(0, 99)] * 3, st.just(("a",)), st.none() | st.tuples(TEXTS, TEXTS), INSTANTS
    )
)


def stored(entry: Entry) -> Event:
    return Event(entry.kind, entry.at, json.loads(canonical(entry.body).decode()), entry.raw, seq=1)


@given(INPUTS)
def test_what_the_engine_is_given_comes_back_exactly(item: Reading | Input | Gap | Jumper) -> None:
    assert from_event(stored(to_entry(item))) == item


@given(READINGS)
def test_a_reading_stores_to_the_same_text_again(item: Reading) -> None:
    entry = to_entry(item)
    again = from_event(stored(entry))
    assert isinstance(again, Reading)
    assert canonical(to_entry(again).body).decode() == canonical(entry.body).decode()
    assert (again.display, again.raw) == (item.display, item.raw)


@given(OUTCOMES)
def test_an_outcome_is_stored_as_its_json_form_and_is_no_input(item: Outcome) -> None:
    event = stored(to_entry(item))
    assert event.body == item.as_json()
    assert event.body["event"] == event.kind
    assert from_event(event) is None


def test_the_whole_way_through_a_file_is_exact(tmp_path_factory: pytest.TempPathFactory) -> None:
    with Store.open(tmp_path_factory.mktemp("record")) as store:
        job = begin(store)

        @given(st.lists(INPUTS, min_size=1, max_size=5))
        def append_and_read(items: list[Reading | Input | Gap]) -> None:
            last = store.append(job, [to_entry(item) for item in items])
            assert [from_event(event) for event in store.events(job) if event.seq > last - len(items)] == items

        append_and_read()


def test_a_reading_body_in_full() -> None:
    item = Reading(
        "-0.05", "V", Function.DC_VOLTAGE, at(1250), -3, frozenset({Flag.RELATIVE, Flag.AUTO_RANGE}), b"\x1b\x2f"
    )
    entry = to_entry(item)
    assert canonical(entry.body).decode() == (
        '{"display":"-0.05","flags":["auto-range","relative"],"function":"dc-voltage","scale":-3,"unit":"V"}'
    )
    assert (entry.kind, entry.at, entry.raw) == (Kind.READING, at(1250), b"\x1b\x2f")


def test_an_input_and_a_gap_in_full() -> None:
    assert canonical(to_entry(Input(Answer.CONFIRM, at(1))).body).decode() == '{"input":"confirm"}'
    assert canonical(to_entry(Gap(at(1), Break.LINK_LOST)).body).decode() == '{"reason":"link-lost"}'


def test_a_touch_stands_in_the_log_when_it_ended() -> None:
    touch = Touch("fuse", TouchOutcome.MATCHED, Measured(Decimal("24.10"), "V"), at(1000), at(2500))
    assert to_entry(touch).at == at(2500)


def test_notes_keep_an_error_of_the_meter_with_its_bytes_and_news_of_the_link() -> None:
    # SCPI-99, volume 2, error codes (from memory): -113 is "Undefined header".
    error = to_entry(Notice("error", "-113", "Undefined header", at(5), b'-113,"Undefined header"\n'))
    assert (error.kind, error.raw) == (Kind.NOTE, b'-113,"Undefined header"\n')
    assert error.body == {"about": "meter-error", "code": "-113", "text": "Undefined header"}
    assert link_note("link lost", at(6)) == Entry(Kind.NOTE, at(6), {"about": "link", "text": "link lost"})
    assert from_event(stored(error)) is None


def test_the_start_keeps_the_cautions_that_were_acknowledged() -> None:
    entry = start_entry(("Prove dead.", "Isolate first."), at(0))
    assert (entry.kind, entry.body) == (Kind.START, {"acknowledged": ["Prove dead.", "Isolate first."]})
    assert entry.at.utc_ns == STARTED_UTC_NS


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        (Kind.READING, {}),
        (Kind.READING, {**to_entry(reading("1", 0)).body, "display": "O.L"}),
        (Kind.READING, {**to_entry(reading("1", 0)).body, "display": 1}),
        (Kind.READING, {**to_entry(reading("1", 0)).body, "scale": "0"}),
        (Kind.READING, {**to_entry(reading("1", 0)).body, "flags": ["no-such-flag"]}),
        (Kind.READING, {**to_entry(reading("1", 0)).body, "function": "dc"}),
        (Kind.INPUT, {"input": "perhaps"}),
        (Kind.GAP, {"reason": None}),
        (Kind.GAP, {"reason": "lunch"}),
    ],
)
def test_a_line_in_another_form_is_an_error_that_names_it(kind: Kind, body: dict[str, object]) -> None:
    with pytest.raises(RecordError, match=f"stored line 17 is no {kind} that can be read back"):
        from_event(Event(kind, at(0), body, seq=17))


def test_an_end_says_nothing_of_jumpers_and_steps_passed_over_where_there_are_none() -> None:
    assert {"not_applicable", "jumpers_open"}.isdisjoint(End(True, 3, 0, 0, (), None, at(1)).as_json())
    end = End(False, 3, 0, 0, (), None, at(1), not_applicable=2, jumpers_open=("X3",)).as_json()
    assert (end["not_applicable"], end["jumpers_open"]) == (2, ["X3"])


def test_a_note_is_kept_and_no_input_of_the_engine() -> None:
    note = Note("As found", "office", at(5), Photo("pit.jpg", "image/jpeg", 3, "ab"))
    event = stored(to_entry(note))
    assert (event.kind, event.at, event.body) == (Kind.NOTE, at(5), note.as_json())
    assert from_event(event) is None
