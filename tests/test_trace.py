"""Traces: JSON lines of readings and answers."""

import json
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.driver import Notice
from meterlink.errors import FileError
from meterlink.outcome import Answer, Break, Gap, Input
from meterlink.reading import Flag, Function, Instant, Reading
from meterlink.trace import MAX_LINE, TraceDecoder, TraceItem, to_line

START_NS = 1_700_000_000_000_000_000
GOOD = '{"t": 1.25, "display": "24.10", "unit": "V", "function": "dc-voltage", "flags": ["auto-range"]}'


def decode(text: str | bytes) -> list[TraceItem]:
    data = text if isinstance(text, bytes) else text.encode()
    decoder = TraceDecoder("a.jsonl", START_NS)
    items = decoder.feed(data + b"\n")
    decoder.refuse_what_is_wrong()
    return items


def reading(**changed: object) -> str:
    record = {"t": 0, "display": "1", "unit": "V", "function": "dc-voltage", **changed}
    return json.dumps({key: value for key, value in record.items() if value is not None})


def test_a_reading_comes_out_as_written() -> None:
    at = Instant(1_250_000_000, START_NS + 1_250_000_000)
    flags = frozenset({Flag.AUTO_RANGE})
    assert decode(GOOD) == [Reading("24.10", "V", Function.DC_VOLTAGE, at, flags=flags)]


def test_an_answer_comes_out_as_written() -> None:
    at = Instant(9_500_000_000, START_NS + 9_500_000_000)
    assert decode('{"t": 9.5, "input": "confirm"}') == [Input(Answer.CONFIRM, at)]


WRITTEN: list[TraceItem] = [
    Reading("24.10", "V", Function.DC_VOLTAGE, Instant(1_250_000_000, START_NS + 1_250_000_000), raw=b"\x17\x25"),
    Reading("-OL", "Ohm", Function.RESISTANCE, Instant(2 * 10**9, START_NS + 2 * 10**9), 6, frozenset({Flag.HOLD})),
    Reading("70", "degF", Function.TEMPERATURE, Instant(2 * 10**9 + 1, START_NS + 2 * 10**9 + 1)),
    Reading("24.0625", "V", Function.VOLTAGE, Instant(3 * 10**9, START_NS + 3 * 10**9), step=Decimal("0.015625")),
    Notice("error", "-113", "Undefined header", Instant(4 * 10**9, START_NS + 4 * 10**9), b"-113\n"),
    Gap(Instant(5 * 10**9, START_NS + 5 * 10**9), Break.LINK_LOST),
    Input(Answer.CONFIRM, Instant(6 * 10**9, START_NS + 6 * 10**9)),
]


def test_what_is_written_comes_back_the_same() -> None:
    assert decode("\n".join(to_line(item) for item in WRITTEN)) == WRITTEN


@pytest.mark.parametrize("display", ["-0.05", "OL", "-OL", "", "000.3", ".5"])
def test_every_display_of_a_meter_is_taken(display: str) -> None:
    (item,) = decode(reading(display=display, scale=-3))
    assert isinstance(item, Reading)
    assert (item.display, item.scale) == (display, -3)


@given(st.decimals(0, 10**6, places=9))
def test_times_are_exact(seconds: Decimal) -> None:
    (item,) = decode(reading(t=0).replace('"t": 0', f'"t": {seconds}'))
    assert item.at.seconds == seconds


def test_blank_lines_crlf_and_a_byte_order_mark_are_taken() -> None:
    assert len(decode(f"\ufeff{GOOD}\r\n\r\n  \n{GOOD}\r\n")) == 2


@given(st.lists(st.integers(0, 400), max_size=6))
def test_any_split_gives_the_same_items(cuts: list[int]) -> None:
    stream = f'{GOOD}\n\n{GOOD}\n{{"t": 3, "input": "back"}}\n'.encode()
    decoder = TraceDecoder("a.jsonl", START_NS)
    items: list[TraceItem] = []
    for start, end in pairwise([0, *sorted(cuts), len(stream)]):
        items += decoder.feed(stream[start:end])
    assert items == decode(stream)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("nonsense", "not JSON"),
        ("[1]", "not a JSON object"),
        ("[" * 50_000, "nested too deeply|not JSON"),
        (b"\xff\xfe", "not UTF-8"),
        (reading(colour="red"), 'unknown key "colour"'),
        ('{"t": 1, "input": "confirm", "display": "1"}', 'unknown key "display"'),
        ('{"t": 1, "t": 2, "input": "confirm"}', "stands twice"),
        (reading(unit=None), '"unit" is missing'),
        (reading(unit="Ohm"), 'unit "Ohm" does not fit dc-voltage; expected "V"'),
        (reading(unit="mV"), 'unit "mV" does not fit'),
        (reading(display=24.1), 'display 24.1 is not text; expected it in quotes, as in "24.10"'),
        (reading(display="24,1"), "expected a number as a meter shows it"),
        (reading(display="+1"), "expected a number as a meter shows it"),
        (reading(function="volts"), 'function "volts" is not known; expected one of dc-voltage'),
        (reading(function=1), "function 1 is not known"),
        (reading(scale=1.5), "scale 1.5"),
        (reading(scale=True), "scale true"),
        (reading(scale=99), "scale 99"),
        (reading(flags="hold"), 'flags "hold": expected a list'),
        (reading(flags=["held"]), 'flag "held" is not known; expected one of hold'),
        (reading(t=None), "t null is not a number"),
        (reading(t="1"), 't "1" is not a number'),
        (reading(t=True), "t true is not a number"),
        (reading(t=-1), "out of range"),
        (reading(t=0).replace('"t": 0', '"t": 1e999999'), "out of range"),
        (reading(t=0).replace('"t": 0', '"t": NaN'), "NaN is not a number"),
        (reading(t=0).replace('"t": 0', '"t": -Infinity'), "-Infinity is not a number"),
        ('{"t": 1, "input": "maybe"}', 'input "maybe" is not known; expected one of confirm, refuse, repeat, back'),
        (" " * MAX_LINE + "{", "longer than"),
    ],
    ids=lambda value: str(value)[:40],
)
def test_a_wrong_line_is_refused_with_its_place(line: str | bytes, message: str) -> None:
    data = line if isinstance(line, bytes) else line.encode()
    with pytest.raises(FileError, match=message) as caught:
        decode(f"{reading()}\n\n".encode() + data)
    assert str(caught.value).startswith("a.jsonl:3: ")


def test_time_must_not_go_back() -> None:
    with pytest.raises(FileError, match=r"a\.jsonl:2: t goes back, from 2\.5 to 1\.25; expected no less"):
        decode(f"{reading(t=2.5)}\n{GOOD}")
    assert len(decode(f"{GOOD}\n{GOOD}")) == 2  # the same time twice is no step back


def test_what_stands_before_an_error_counts_and_what_follows_does_not() -> None:
    decoder = TraceDecoder("a.jsonl", START_NS)
    assert len(decoder.feed(f"{GOOD}\n{GOOD}\nnonsense\n{GOOD}\n".encode())) == 2
    assert decoder.feed(f"{GOOD}\n".encode()) == []
    with pytest.raises(FileError, match=r"a\.jsonl:3"):
        decoder.refuse_what_is_wrong()


def test_a_line_without_end_is_not_gathered() -> None:
    decoder = TraceDecoder("a.jsonl", START_NS)
    for _ in range(3):
        assert decoder.feed(b"{" * MAX_LINE) == []
    with pytest.raises(FileError, match=r"a\.jsonl:1: the line is longer than 65536 bytes"):
        decoder.refuse_what_is_wrong()
