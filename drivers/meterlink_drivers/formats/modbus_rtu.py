"""Modbus RTU: a session that asks a meter for its registers, or a listener to a bus that others talk on.

What registers mean is not on the wire. A register map says it (the option `map`, see `register_map.py`), or, for one
32-bit float, the options `register`, `kind`, `word-order` and `function`.

The listener shows everything on the bus: requests, responses, exceptions, as notices. A response is a reading where it
answers the request before it and the map says what the registers hold; without a map, every response of two
registers is taken for that one float, whichever register it is from.

The session asks for one entry of the map after another, five a second at most. Only an answer within a second, from the
address that was asked, to the function that was asked, with as many registers as were asked for, is a reading. Modbus
RTU does not number its questions; so after one without an answer the session stays quiet for another second, and drops
the answer if it comes then. What other devices say, and an echo of the question, is dropped as well.

Resynchronisation: see `modbus_frames.py`; the session also forgets what was begun whenever it asks.
"""

from collections.abc import Mapping, Sequence

from meterlink.driver import Decoder, Format, LineSettings, Notice
from meterlink.errors import UsageError
from meterlink.reading import NS_PER_S, Function, Instant, Reading
from meterlink_drivers.formats.modbus_frames import EXCEPTIONS, READS, BusReader, Frame, Kind, request
from meterlink_drivers.formats.modbus_registers import Entry, Type, WordOrder
from meterlink_drivers.formats.unit_words import function_option, yes_no_option
from meterlink_drivers.register_map import load_register_map

ANSWER_WITHIN_NS = NS_PER_S
ASK_EVERY_NS = NS_PER_S // 5
_FUNCTION_CODES = {kind: code for code, kind in READS.items()}


class ModbusListener:
    """Decodes what is said on a bus, and never asks."""

    def __init__(self, entries: Sequence[Entry], *, any_two: bool) -> None:
        """Prepare for a stream.

        Args:
            entries: what the registers hold.
            any_two: whether each response of two registers is the first entry, whatever was asked.
        """
        self._bus = BusReader()
        self._entries = entries
        self._any_two = any_two
        self._request: Frame | None = None

    @property
    def skipped(self) -> int:
        """Bytes thrown away so far."""
        return self._bus.skipped

    def feed(self, data: bytes, at: Instant) -> list[Reading | Notice]:
        """Take the next bytes; see `meterlink.driver.Decoder`."""
        return [item for frame in self._bus.feed(data, at) for item in self._items(frame, at)]

    def poll(self, at: Instant) -> bytes:
        """Nothing is ever asked."""
        return b""

    def _items(self, frame: Frame, at: Instant) -> list[Reading | Notice]:
        asked, self._request = self._request, frame if frame.kind is Kind.REQUEST else None
        readings: list[Reading | Notice] = []
        if frame.kind is Kind.RESPONSE and self._any_two and len(frame.registers) == 2:
            readings = [_reading(self._entries[0], frame.registers, frame, at)]
        elif frame.kind is Kind.RESPONSE and asked is not None and _answers(frame, asked):
            readings = [
                _reading(entry, frame.registers[first : first + entry.type.registers], frame, at)
                for entry in self._entries
                if READS[frame.function] == entry.kind
                and 0 <= (first := entry.register - asked.start) <= asked.count - entry.type.registers
            ]
        return readings or [_notice(frame, at)]


class ModbusSession:
    """Asks one device through `poll`."""

    def __init__(self, entries: Sequence[Entry], address: int) -> None:
        self._bus = BusReader()
        self._entries = entries
        self._address = address
        self._turn = 0
        self._asked: Entry | None = None
        self._asked_at_ns = 0
        self._quiet_until_ns = 0
        self._dropped = 0

    @property
    def skipped(self) -> int:
        """Bytes thrown away so far, answers to nobody's question among them."""
        return self._bus.skipped + self._dropped

    def feed(self, data: bytes, at: Instant) -> list[Reading | Notice]:
        """Take the next bytes; see `meterlink.driver.Decoder`."""
        items: list[Reading | Notice] = []
        for frame in self._bus.feed(data, at):
            entry = self._asked
            if entry is None or self._overdue(at) or not self._fits(frame, entry):
                self._dropped += len(frame.raw)
                continue
            self._asked = None
            is_answer = frame.kind is Kind.RESPONSE
            items.append(_reading(entry, frame.registers, frame, at) if is_answer else _notice(frame, at))
        return items

    def poll(self, at: Instant) -> bytes:
        """Return the next question once the last one is answered or overdue; see `meterlink.driver.Decoder`."""
        now = at.monotonic_ns
        if self._asked is not None:
            if self._overdue(at):
                self._asked = None
                self._quiet_until_ns = now + ANSWER_WITHIN_NS
            return b""
        if now < self._quiet_until_ns:
            return b""
        self._bus.drop()
        entry = self._asked = self._entries[self._turn % len(self._entries)]
        self._turn += 1
        self._asked_at_ns = now
        self._quiet_until_ns = now + ASK_EVERY_NS
        return request(self._address, _FUNCTION_CODES[entry.kind], entry.register, entry.type.registers)

    def _overdue(self, at: Instant) -> bool:
        return at.monotonic_ns - self._asked_at_ns >= ANSWER_WITHIN_NS

    def _fits(self, frame: Frame, entry: Entry) -> bool:
        """Tell whether a frame answers the question for an entry."""
        if (frame.address, frame.function) != (self._address, _FUNCTION_CODES[entry.kind]):
            return False
        return frame.kind is Kind.EXCEPTION or len(frame.registers) == entry.type.registers


def _answers(frame: Frame, asked: Frame) -> bool:
    same = (frame.address, frame.function) == (asked.address, asked.function)
    return same and frame.function in READS and len(frame.registers) == asked.count


def _reading(entry: Entry, registers: tuple[int, ...], frame: Frame, at: Instant) -> Reading:
    return Reading(
        entry.display(registers), entry.unit, entry.function, at, entry.scale, raw=frame.raw, step=entry.step
    )


def _notice(frame: Frame, at: Instant) -> Notice:
    who = f"address {frame.address}, function {frame.function}"
    match frame.kind:
        case Kind.EXCEPTION:
            return Notice("exception", str(frame.code), f"{EXCEPTIONS[frame.code]} ({who})", at, frame.raw)
        case Kind.REQUEST if frame.function in READS:
            what = f"{frame.count} {READS[frame.function]} registers from {frame.start}"
            return Notice("request", "", f"{who}: read {what}", at, frame.raw)
        case _:
            return Notice(frame.kind.value, " ".join(map(str, frame.registers)), who, at, frame.raw)


def _decoder(options: Mapping[str, str]) -> Decoder:
    single = [name for name in _ONE_FLOAT if name in options]
    if "map" in options and single:
        raise UsageError(f"{single[0]} and map: expected one of them; a map says what each of its registers holds")
    entries = load_register_map(options["map"]) if "map" in options else [_one_float(options)]
    address = _whole(options, "unit-address", 1, 1, 247)
    if yes_no_option(options, "poll", "on", "off", "on"):
        return ModbusSession(entries, address)
    return ModbusListener(entries, any_two="map" not in options)


def _one_float(options: Mapping[str, str]) -> Entry:
    kind, order = options.get("kind", "input"), options.get("word-order", WordOrder.ABCD.value)
    if kind not in _FUNCTION_CODES:
        raise UsageError(f"kind {kind!r}: expected one of {', '.join(_FUNCTION_CODES)}")
    if order not in {known.value for known in WordOrder}:
        raise UsageError(f"word-order {order!r}: expected one of {', '.join(WordOrder)}")
    function = function_option(options, Function.DC_VOLTAGE)
    register = _whole(options, "register", 0, 0, 0xFFFE)
    return Entry(register, kind, Type.FLOAT32, function, function.unit, order=WordOrder(order))


def _whole(options: Mapping[str, str], name: str, default: int, least: int, most: int) -> int:
    text = options.get(name, str(default))
    if not (text.isascii() and text.isdigit() and least <= int(text) <= most):
        raise UsageError(f"{name} {text!r}: expected a whole number from {least} to {most}")
    return int(text)


_ONE_FLOAT = {
    "register": "without a map: the first of the two registers, as on the wire, from 0; 0 when left out",
    "kind": "without a map: input or holding; input when left out",
    "word-order": f"without a map: the order of the bytes, {', '.join(WordOrder)}; ABCD when left out",
    "function": f"without a map: what is measured, {', '.join(Function)}; dc-voltage when left out",
}

FORMAT = Format(
    name="modbus-rtu",
    summary="Modbus RTU meter, asked for its registers, or a bus that others talk on; 9600 8E1, often 8N1",
    source="Modbus Application Protocol V1.1b3; Modbus over Serial Line V1.02; a register map is each device's own",
    decoder=_decoder,
    line=LineSettings(baud=9600, parity="E"),
    polled=True,
    options={
        **_ONE_FLOAT,
        "map": "a YAML file that says what the registers hold",
        "poll": "on: ask for each reading; off: only listen",
        "unit-address": "the meter's address on the bus, 1 to 247; 1 when left out",
    },
)
