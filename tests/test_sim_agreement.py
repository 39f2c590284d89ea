"""Encoders of the simulated meters and decoders of the drivers, each written without the other: they must agree.

Where they do not, one of them is wrong about the format.
"""

import asyncio
import struct
from collections import Counter
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from decimal import Decimal
from itertools import product

import pytest

from frames import NOW
from meterlink.keeper import Item, News
from meterlink.link import open_link, start_clock
from meterlink.reading import FAHRENHEIT, Flag, Function, Instant, Reading, State
from meterlink.registry import load_format
from meterlink_sim.peer import Habits, SimulatedMeter, counting
from meterlink_sim.rfc2217_front import Rfc2217Front
from meterlink_sim.wires import WIRES, Wire
from test_sim_peers import COUNTED, SENSORS, STREAMED, run
from waiting import PATIENCE_S

FLAGS = [frozenset[Flag](), *(frozenset({flag}) for flag in Flag)]
UNITS = [(function, function.unit) for function in Function] + [(Function.TEMPERATURE, FAHRENHEIT)]


def displays(wire: Wire) -> Iterator[str]:
    """Overload, blank, and numbers as wide as the format's sample with the point in each place."""
    yield from ("OL", "-OL", "")
    places = sum(character.isdigit() for character in wire.sample.display)
    for digits, decimals in product(("120345"[:places], "012345"[:places]), range(places)):
        display = f"{digits[: places - decimals]}.{digits[places - decimals :]}".removesuffix(".")
        yield from (display, f"-{display}")


def showable(wire: Wire) -> Iterator[tuple[Reading, bytes]]:
    """All that a format can show, and how it is sent."""
    for (function, unit), scale, display, flags in product(UNITS, range(-12, 12, 3), displays(wire), FLAGS):
        reading = Reading(display, unit, function, NOW, scale, flags)
        try:
            yield reading, wire.encode(reading)
        except ValueError:
            continue


REFUSED = {
    # Ranges that are only taken over from the 4000-count part; the decoder waits for a source.
    "es51986-19200-11": {Function.FREQUENCY, Function.CAPACITANCE},
}
"""Functions of which a decoder refuses some ranges that an encoder sends."""


@pytest.mark.parametrize("name", STREAMED)
def test_all_that_a_format_can_show_is_read_back_as_it_was_shown(name: str) -> None:
    wire, format_, counted = WIRES[name], load_format(name), Counter[str]()
    start = b"\n" if name == "text-line" else b""
    for shown, data in showable(wire):
        items = format_.decoder({}).feed(start + data, NOW)
        found = [item for item in items if isinstance(item, Reading)]
        if not found and shown.function in REFUSED.get(name, ()):
            counted["refused"] += 1
            continue
        assert len(found) == 1, shown
        assert said(found[0], name) == said(shown, name), shown
        counted["read back"] += 1
    assert counted["read back"] > 5
    assert counted["refused"] < counted["read back"]


def said(reading: Reading, name: str) -> tuple[object, ...]:
    """What a reading says, leading zeros apart; the SIG formats carry no number of digits."""
    exponent = reading.exponent if reading.state is State.VALUE and name not in SENSORS else None
    minus = reading.display.startswith("-")
    return reading.state, reading.value, exponent, minus, reading.unit, reading.function, reading.flags


@pytest.mark.parametrize("name", COUNTED)
def test_the_decoder_reads_every_update_and_no_other(name: str) -> None:
    wire = WIRES[name]
    meter = SimulatedMeter(wire, counting(wire.sample), Habits(seed=1))
    decoder = load_format(name).decoder({})
    received = [
        item
        for at, data in run(meter, 40.2)
        for item in decoder.feed(data, Instant(round(at * 1e9), 0))
        if isinstance(item, Reading)
    ]
    expected = [reading for reading in meter.shown for _ in range(2 if wire.twice else 1)]
    if name == "text-line":
        del expected[0]  # the first line of a stream may be a tail
    assert len(received) == len(expected) >= 119
    assert [said(item, name) for item in received] == [said(item, name) for item in expected]


@pytest.mark.parametrize("name", SENSORS)
def test_the_decoder_reads_the_values_of_a_sensor(name: str) -> None:
    wire = WIRES[name]
    [received] = load_format(name).decoder({}).feed(wire.encode(wire.sample), NOW)
    assert isinstance(received, Reading)
    assert (received.value, received.function) == (wire.sample.value, wire.sample.function)


# A text line that has lost its first digits is a text line: nothing in the format tells.
@pytest.mark.parametrize("name", [name for name in COUNTED if name != "text-line"])
def test_no_damage_on_the_line_makes_a_number_that_was_not_shown(name: str) -> None:
    wire = WIRES[name]
    meter = SimulatedMeter(wire, counting(wire.sample), Habits(half=0.3, junk=0.3, seed=2))
    decoder = load_format(name).decoder({})
    arrived = run(meter, 60)
    received = [item for at, data in arrived for item in decoder.feed(data, Instant(round(at * 1e9), 0))]
    shown = {reading.value for reading in meter.shown}
    assert len(received) > 60
    assert [item for item in received if isinstance(item, Reading) and item.value not in shown] == []
    assert decoder.skipped > 0


def test_a_scpi_instrument_is_asked_and_answers() -> None:
    meter = SimulatedMeter(WIRES["scpi-line"], counting(WIRES["scpi-line"].sample))
    decoder = load_format("scpi-line").decoder({})
    received: list[Reading] = []
    for tick in range(400):
        at = tick * 0.1
        if query := decoder.poll(Instant(round(at * 1e9), 0)):
            meter.hear(query, at)
        for when, data in run(meter, at + 0.1):
            received += [
                item for item in decoder.feed(data, Instant(round(when * 1e9), 0)) if isinstance(item, Reading)
            ]
    shown = {reading.value for reading in meter.shown}
    assert len(received) > 50
    assert {reading.value for reading in received} <= shown
    assert {reading.function for reading in received} == {Function.DC_VOLTAGE}


POLLED = sorted(name for name, wire in WIRES.items() if wire.responder is not None)


def single(value: Decimal | None) -> float:
    """A value as a 32-bit float carries it."""
    assert value is not None
    (rounded,) = struct.unpack("<f", struct.pack("<f", float(value)))
    return float(rounded)


@pytest.mark.parametrize("name", POLLED)
def test_a_meter_that_is_asked_is_read(name: str) -> None:
    wire = WIRES[name]
    meter = SimulatedMeter(wire, counting(wire.sample))
    decoder = load_format(name).decoder({})
    received: list[Reading] = []
    for tick in range(400):
        at = tick * 0.1
        if query := decoder.poll(Instant(round(at * 1e9), 0)):
            meter.hear(query, at)
        for when, data in run(meter, at + 0.1):
            items = decoder.feed(data, Instant(round(when * 1e9), 0))
            received += [item for item in items if isinstance(item, Reading)]
    assert len(received) > 50
    assert {single(reading.value) for reading in received} <= {single(reading.value) for reading in meter.shown}
    assert {reading.function for reading in received} == {Function.DC_VOLTAGE}


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5's RFC 2217 client
@pytest.mark.parametrize("name", [name for name in sorted(WIRES) if not name.startswith(("ble", "gatt", "sfloat"))])
async def test_the_format_sets_the_line_as_its_meter_needs_it(name: str) -> None:
    # Heard bit by bit through the adapter; a handheld meter's cable only while DTR is high and RTS low.
    wire = WIRES[name]
    meter = SimulatedMeter(wire, counting(wire.sample), Habits(fed_from_lines=name != "scpi-line"))
    with Rfc2217Front(meter, speed=5) as front:
        async with open_link(f"{front.where}?format={name}", start_clock()) as link, asyncio.timeout(PATIENCE_S):
            found = [item async for item in first(link, 6) if not isinstance(item, News)]
        line = front.lines[-1]
    assert all(isinstance(item, Reading) for item in found)
    assert {single(item.value) for item in found if isinstance(item, Reading)} <= {
        single(reading.value) for reading in meter.shown
    }
    assert replace(line, baud=0, stopbits=1) == replace(wire.line, baud=0, stopbits=1)
    assert line.baud == pytest.approx(wire.line.baud, rel=0.01)


async def first(items: AsyncIterator[Item], count: int) -> AsyncIterator[Item]:
    for _ in range(count):
        yield await anext(items)
