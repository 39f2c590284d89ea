"""What a page shows of a check: the waiting step, the rail, the band, what confirm would confirm, what is heard."""

import json
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hunting import Chain, Hunting
from known_meter import engine_for
from meterlink.band import Band
from meterlink.circuit.picture.marks import Mark
from meterlink.engine import Engine
from meterlink.limits import parse_limits
from meterlink.outcome import Answer, Input, Json
from meterlink.procedure.parse import parse_procedure
from meterlink.reading import Flag, Function, Instant, Reading
from meterlink.screen import band as text_band
from meterlink.web.scene import circuit_shown, live_scene, scene
from meterlink.web.sounds import Sounds
from procedure_samples import TWO_POINTS, with_steps


def shown(engine: Engine) -> dict[str, Any]:
    """The scene, as it goes through JSON."""
    body: dict[str, Any] = json.loads(json.dumps(scene(engine, circuit_shown(engine))))
    return body


def live(engine: Engine, display: str, function: Function = Function.DC_VOLTAGE, scale: int = 0) -> dict[str, Any]:
    reading = Reading(display, function.unit, function, Instant(0, 0), scale, frozenset({Flag.AUTO_RANGE}))
    body: dict[str, Any] = json.loads(json.dumps(live_scene(engine, reading)))
    return body


def stops(scene: dict[str, Any]) -> list[tuple[str, str]]:
    return [(stop["tag"], stop["state"]) for stop in scene["rail"]]


def here(scene: dict[str, Any]) -> list[str]:
    return [stop["tag"] for stop in scene["rail"] if stop["here"]]


def test_the_first_step_is_asked_and_the_second_comes_next() -> None:
    engine = engine_for(parse_procedure(TWO_POINTS, "two-points.yaml"))
    seen = shown(engine)
    assert (seen["steps"], seen["judged"], seen["next"], seen["last"]) == (4, 0, "F1:2", None)
    step = seen["step"]
    assert (step["point"], step["black"], step["dial"]) == ("G1:+", "earth bar", "DC volts")
    assert (step["number"], step["limits"], step["look"]) == (1, "24.0..29.0 V", False)
    assert seen["band"] == {"low": 0.25, "high": 0.75, "low_text": "24", "high_text": "29", "unit": "V"}
    assert stops(seen) == [("G1:+", "not yet"), ("F1:2", "not yet"), ("Q1", "not yet"), ("X1:7", "not yet")]
    assert here(seen) == ["G1:+"]


def test_a_verdict_stands_on_the_rail_and_as_the_last_result() -> None:
    hunting = Hunting.at(Chain()).touch("26.40")
    seen = shown(hunting.engine)
    assert seen["last"] == {"point": "G1:+", "outcome": "pass", "value": "26.40 V", "why": "Inside 22..29 V."}
    assert stops(seen)[:2] == [("G1:+", "pass"), ("F1:2", "not yet")]
    assert here(seen) == ["F1:2"]
    pictured = circuit_shown(hunting.engine)
    assert pictured is not None
    assert pictured[1].nodes == {"G1:+": Mark.LIVE}
    assert pictured[1].probe == "F1:2"


def test_a_live_value_stands_on_the_band_with_what_it_may_be_off_by() -> None:
    engine = engine_for(parse_procedure(TWO_POINTS, "two-points.yaml"))
    mark = live(engine, "26.50")["mark"]
    assert mark["at"] == 0.5
    assert mark["from"] < 0.5 < mark["to"]
    assert (mark["beyond"], mark["inside"]) == (0, True)
    assert live(engine, "23.99")["mark"]["inside"] is False
    assert live(engine, "5.0")["mark"]["beyond"] == -1
    assert live(engine, "99.0")["mark"]["beyond"] == 1
    assert live(engine, "26500", scale=-3)["mark"]["at"] == 0.5
    assert live(engine, "26500", scale=-3)["unit"] == "mV"
    for nothing in (live(engine, "OL"), live(engine, ""), live(engine, "1.2", Function.RESISTANCE)):
        assert nothing["mark"] is None


def test_confirm_says_what_it_would_confirm_and_nothing_else_can_be_confirmed() -> None:
    hunting = Hunting.at(Chain())
    assert hunting.engine.confirms() is None
    hunting.show("0.00", "0.00", "0.00", "0.00")
    assert hunting.engine.confirms() == "G1:+ reads 0.00 V"
    hunting.show(*["26.40"] * 2)
    assert hunting.engine.confirms() is None
    hunting.show(*["26.40"] * 5).lift().touch("26.40").touch("26.40")
    assert hunting.engine.confirms() == "Does the lift run?"
    hunting.answer(Answer.CONFIRM)
    assert hunting.engine.ended
    assert hunting.engine.confirms() is None
    assert shown(hunting.engine)["step"] is None
    assert here(shown(hunting.engine)) == []


def test_a_search_shows_the_chain_with_the_suspects_in_its_gaps_until_one_is_found() -> None:
    hunting = Hunting.at(Chain("B2")).touch("26.40").touch("26.40").dead()
    seen = shown(hunting.engine)
    assert seen["step"]["number"] is None
    assert [tag for tag, state in stops(seen) if state == "suspect"] == ["B1", "B2", "B3"]
    assert dict(stops(seen))["F1:2"] == "live"
    assert dict(stops(seen))["K1:A1"] == "dead"
    assert here(seen) == [seen["step"]["point"]]
    assert {each["name"] for each in seen["search"]["suspects"][:3]} == {"open:B1", "open:B2", "open:B3"}

    hunting.search()
    seen = shown(hunting.engine)
    assert seen["search"]["found"] == "open:B2"
    assert [tag for tag, state in stops(seen) if state == "found"] == ["B2"]
    assert seen["search"]["why"].startswith("Found: open:B2. Proof: ")


def test_a_question_without_a_verdict_shows_its_answer_and_what_is_passed_over() -> None:
    steps = with_steps(
        """
        - {id: lower-door, kind: ask, point: B3, ask: "Is there a lower door?"}
        - {id: shut, kind: look, point: B4, ask: "Is it shut?", if: lower-door}
        - {id: runs, kind: look, point: K1, ask: "Does the lift run?"}
        """
    )
    engine = engine_for(parse_procedure(steps, "sample.yaml"))
    engine.start(Instant(0, 0))
    assert engine.confirms() == "Is there a lower door?"
    engine.feed(Input(Answer.REFUSE, Instant(10**9, 10**9)))
    seen = shown(engine)
    assert stops(seen) == [("B3", "answered"), ("B4", "not-applicable"), ("K1", "not yet")]
    assert seen["rail"][0]["word"] == "no"
    assert seen["judged"] == 2


@given(
    low=st.decimals(-1000, 1000, places=2),
    width=st.decimals(0, 1000, places=2),
    value=st.decimals(-5000, 5000, places=3),
)
def test_every_value_has_a_place_on_the_band_and_only_what_is_accepted_lies_between_the_limits(
    low: Decimal, width: Decimal, value: Decimal
) -> None:
    limits = parse_limits(f"{low}..{low + width} V")
    band = Band.around(limits)
    assert band is not None
    place = band.place(value)
    assert 0 <= place <= 1
    assert (band.place(low) <= place <= band.place(low + width)) is limits.accept(value)
    assert (band.beyond(value) != 0) is (value < band.start or value > band.start + band.width)
    assert ("◁" in text_band(limits, value, 40)) is (band.beyond(value) < 0)


@pytest.mark.parametrize(
    ("event", "tone", "phrase"),
    [
        ({"event": "cue", "code": "pass", "text": "G1:+: 25.41 V. Pass.", "step": "bank", "t": 1.0}, "pass", "pass"),
        ({"event": "cue", "code": "probe", "text": "Touch F1:2.", "step": "fuse-load-side", "t": 1.0}, None, "F one"),
    ],
)
def test_what_is_told_is_heard_in_every_language(event: Json, tone: str | None, phrase: str) -> None:
    sounds = Sounds(parse_procedure(TWO_POINTS, "two-points.yaml"))
    sounds.of(
        {"event": "verdict", "step": "bank", "outcome": "pass", "value": "25.41", "unit": "V", "reason": "", "t": 1.0}
    )
    heard = sounds.of(event)
    assert heard is not None
    assert heard["tone"] == tone
    phrases = heard["phrases"]
    assert isinstance(phrases, dict)
    languages = ("en", "de", "fr", "es")
    assert set(phrases) == {f"{each}-{brevity}" for each in languages for brevity in ("full", "expert")}
    assert len({phrases[f"{each}-full"] for each in languages}) == 4
    assert phrase.lower() in phrases["en-full"].lower()


def test_what_is_not_heard_is_not_sent_as_sound() -> None:
    sounds = Sounds(parse_procedure(TWO_POINTS, "two-points.yaml"))
    assert sounds.of({"event": "finding", "faults": [], "answer": None, "next": None, "proof": [], "t": 1.0}) is None
