"""The SCPI session, asked and answered in virtual time against the simulated instrument."""

from collections.abc import Callable
from decimal import Decimal

import pytest

from meterlink.driver import Notice
from meterlink.reading import NS_PER_S, Function, Instant, Reading, State
from meterlink_drivers.formats.scpi_line import ScpiSession
from meterlink_sim.scpi_instrument import NOT_A_NUMBER, OVERLOAD, ScpiInstrument

TICK_NS = NS_PER_S // 10


class Bench:
    """A session and an instrument on one line, with a clock that the test moves."""

    def __init__(self, instrument: ScpiInstrument, function: Function = Function.DC_VOLTAGE) -> None:
        self.instrument = instrument
        self.session = ScpiSession(function)
        self.now_ns = 0
        self.items: list[Reading | Notice] = []
        self.damage: Callable[[bytes], bytes] = lambda answer: answer

    def run(self, seconds: float) -> "Bench":
        end_ns = self.now_ns + round(seconds * NS_PER_S)
        while self.now_ns < end_ns:
            self.now_ns += TICK_NS
            message = self.session.poll(self.at()).decode("ascii")
            if message:
                assert message.endswith("\n")
                assert message.count("\n") == 1
                self._reply(self.instrument.answer(message))
        return self

    def _reply(self, answer: str | None) -> None:
        if answer is not None:
            self.items += self.session.feed(self.damage(f"{answer}\r\n".encode()), self.at())

    def at(self) -> Instant:
        return Instant(self.now_ns, self.now_ns)

    @property
    def shown(self) -> list[tuple[str, str]]:
        return [(item.display, item.function.value) for item in self.items if isinstance(item, Reading)]

    @property
    def errors(self) -> list[str]:
        return [item.display for item in self.items if isinstance(item, Notice)]


def test_it_opens_in_order_and_asks_the_function_around_each_reading() -> None:
    bench = Bench(ScpiInstrument(value=Decimal("24.0612"))).run(1.0)
    assert bench.instrument.heard[:8] == ["*IDN?", "SYST:REM", "*CLS", "FUNC?", "READ?", "FUNC?", "READ?", "FUNC?"]
    assert bench.shown[0] == ("24.0612000", "dc-voltage")
    assert bench.session.identity == "DEMO,SIMULATED METER,0,0"
    assert bench.errors == []


def test_a_reading_carries_the_time_of_its_own_answer() -> None:
    bench = Bench(ScpiInstrument()).run(0.6)
    assert [item.at.monotonic_ns for item in bench.items] == [5 * TICK_NS]  # READ? is the fifth message


def test_a_dial_turned_while_it_reads_gives_no_reading() -> None:
    instrument = ScpiInstrument()
    bench = Bench(instrument).run(0.6)
    instrument.before_read = lambda: setattr(instrument, "function", "RES")
    bench.run(0.2)
    assert bench.shown == [("24.0612000", "dc-voltage")]
    bench.run(0.2)
    assert bench.shown[1:] == [("24.0612000", "resistance")]


def test_a_function_that_is_not_ours_gives_no_reading() -> None:
    bench = Bench(ScpiInstrument(function="PER")).run(3)
    assert bench.items == []
    bench.instrument.function = "VOLT:AC"
    assert bench.run(0.5).shown[0] == ("24.0612000", "ac-voltage")


@pytest.mark.parametrize(
    ("value", "state", "display"),
    [
        (OVERLOAD, State.OVERLOAD, "OL"),
        (-OVERLOAD, State.OVERLOAD, "-OL"),
        (NOT_A_NUMBER, State.BLANK, ""),
    ],
)
def test_special_values_are_never_numbers(value: Decimal, state: State, display: str) -> None:
    # SCPI-99 volume 1, 7.2.1: INFinity 9.9E37, NINFinity -9.9E37, NAN 9.91E37.
    bench = Bench(ScpiInstrument(value=value)).run(0.6)
    assert [(item.display, item.state) for item in bench.items if isinstance(item, Reading)] == [(display, state)]


def test_an_instrument_that_does_not_know_func_is_read_as_configured() -> None:
    # SCPI-99 volume 2, SYSTem:ERRor: -113 is "Undefined header".
    bench = Bench(ScpiInstrument(unknown=frozenset({"FUNC?"})), Function.RESISTANCE).run(3)
    assert bench.errors == ["-113"]
    assert set(bench.shown) == {("24.0612000", "resistance")}
    assert bench.instrument.heard.count("FUNC?") == 1


def test_an_instrument_that_stays_silent_to_func_is_read_as_configured() -> None:
    bench = Bench(ScpiInstrument(mute=frozenset({"FUNC?", "SYST:ERR?"})), Function.DC_CURRENT).run(6)
    assert set(bench.shown) == {("24.0612000", "dc-current")}
    assert bench.instrument.heard.count("FUNC?") == 2


def test_one_lost_func_answer_does_not_end_the_asking() -> None:
    instrument = ScpiInstrument(mute=frozenset({"FUNC?"}))
    bench = Bench(instrument, Function.RESISTANCE).run(0.5)
    instrument.mute = frozenset()
    assert set(bench.run(3).shown) == {("24.0612000", "dc-voltage")}


def test_an_unanswered_reading_is_given_up_after_five_seconds_and_the_queue_read_empty() -> None:
    instrument = ScpiInstrument()
    bench = Bench(instrument).run(0.6)
    instrument.unknown = frozenset({"READ?"})
    bench.run(5.0)
    assert instrument.heard.count("READ?") == 2  # one at a time: nothing is asked while one is owed
    instrument.unknown = frozenset()
    bench.run(1.5)
    assert bench.errors == ["-113"]
    asked = instrument.heard[instrument.heard.index("SYST:ERR?") :]
    assert asked[:5] == ["SYST:ERR?", "SYST:ERR?", "FUNC?", "READ?", "FUNC?"]
    assert len(bench.shown) > 1


def test_an_error_queue_without_end_does_not_stop_the_readings() -> None:
    instrument = ScpiInstrument()
    bench = Bench(instrument).run(0.6)
    instrument.mute = frozenset({"READ?"})
    bench.run(5.0)
    instrument.mute = frozenset()
    bench.damage = lambda answer: b'-350,"Queue overflow"\r\n' if b"No error" in answer else answer
    before = len(bench.shown)
    bench.run(6)
    assert len(bench.errors) == 32
    assert len(bench.shown) > before


@pytest.mark.parametrize(
    "damage",
    [
        pytest.param(lambda answer: answer.replace(b".", b"\xae"), id="a bit flipped"),
        pytest.param(lambda answer: answer[:4], id="cut short"),
        pytest.param(lambda answer: answer.replace(b"E", b" "), id="a character lost"),
    ],
)
def test_a_damaged_answer_is_never_a_reading(damage: Callable[[bytes], bytes]) -> None:
    bench = Bench(ScpiInstrument()).run(0.4)
    bench.damage = damage
    bench.run(0.1)  # the answer to READ?
    bench.damage = lambda answer: answer
    bench.run(6.5)
    assert set(bench.shown) == {("24.0612000", "dc-voltage")}
    assert bench.session.skipped > 0


def test_a_damaged_reading_is_asked_for_again_at_once() -> None:
    session = ScpiSession(Function.DC_VOLTAGE)
    for tick, answer in enumerate((b"a,b,c,d\n", b"", b"", b'"VOLT"\n', b"+2.4\x80E+01\n")):
        session.poll(Instant(tick, 0))
        assert session.feed(answer, Instant(tick, 0)) == []
    assert session.poll(Instant(5, 0)) == b"READ?\n"


def test_half_an_answer_is_not_joined_to_the_next() -> None:
    session = ScpiSession(Function.DC_VOLTAGE)
    for second, answer in enumerate((b"1", b'0,"No error"\n', b"")):
        at = Instant(second * 2 * NS_PER_S, 0)
        session.poll(at)
        assert session.feed(answer, at) == []  # `1` and `0,"No error"` do not make an entry 10
    assert session.skipped == 1


def test_a_late_answer_is_not_taken_for_another() -> None:
    session = ScpiSession(Function.DC_VOLTAGE)
    session.poll(Instant(0, 0))
    assert session.feed(b"+1.0E+00\n", Instant(1, 1)) == []
    assert session.poll(Instant(2, 2)) == b""  # *IDN? is still owed
