"""Cuts a Modbus RTU bus into frames: requests, responses, exceptions. Framing and messages are pymodbus's, without its
transports: no socket, no event loop.

RTU has no mark where a frame begins; silences end frames, and no PC sees those. So length and CRC decide: wherever a
frame may have begun, its function code and byte count say where it ends, and when that byte has come the CRC tells. The
frame that ends first is taken, however the bytes were split; what came before it is thrown away. By chance one place in
65,536 has a fitting CRC, so the message must make sense too, and whoever asks checks it against the question.

Resynchronisation: every byte may begin a frame, so a good frame is found right behind a damaged one. At most 256 bytes,
the longest frame, are held; what is older than half a second when more comes is thrown away.
"""

import logging
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ModbusPDU

from meterlink.reading import NS_PER_S, Instant

logging.getLogger("pymodbus").addHandler(logging.NullHandler())  # a bad frame is no event worth a line on a terminal

MAX_FRAME = 256
STALE_NS = NS_PER_S // 2
READS = {3: "holding", 4: "input"}
"""The functions that read registers, and which kind."""
EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledge, still at work",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target does not answer",
}
"""Modbus Application Protocol V1.1b3, section 7."""
_SHORTEST = 4
_HEADER = 12
"""Bytes from which every frame's length is known."""
_BROADCAST = 0
_HIGHEST_ADDRESS = 247

_REQUESTS = DecodePDU(True)
_RESPONSES = DecodePDU(False)


class Kind(Enum):
    """Which way a frame went, or that it refuses."""

    REQUEST = "request"
    RESPONSE = "response"
    EXCEPTION = "exception"


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame with a good CRC whose message makes sense."""

    kind: Kind
    address: int
    """Of the device that is asked or answers."""
    function: int
    """Without the exception bit."""
    raw: bytes
    start: int = 0
    """First register, in a request to read some."""
    count: int = 0
    """How many registers, in a request to read some."""
    registers: tuple[int, ...] = ()
    """Their contents, in a response that carries some."""
    code: int = 0
    """Of an exception."""


class BusReader:
    """Reads one bus."""

    def __init__(self) -> None:
        self.skipped = 0
        self._bytes = bytearray()
        self._heard_ns = 0
        self._gone = 0
        """How many bytes of this stretch were dropped in front of those held; places count from its beginning."""
        self._open: list[_Guess] = []
        """Guesses whose length is not known yet."""
        self._due: dict[int, list[_Guess]] = {}
        """Guesses by the place behind their last byte."""
        self._asked: tuple[int, int] | None = None
        """Address and function of the newest request, until it is answered: it tells an answer that is an echo."""

    def feed(self, data: bytes, at: Instant) -> list[Frame]:
        """Take the next bytes, in any split, and return the frames that they complete."""
        if at.monotonic_ns - self._heard_ns > STALE_NS:
            self.drop()
        self._heard_ns = at.monotonic_ns
        frames = []
        for byte in data:
            self._bytes.append(byte)
            if len(self._bytes) > MAX_FRAME:
                del self._bytes[0]
                self._gone += 1
                self.skipped += 1
            self._guess()
            frame = self._ending_here()
            if frame is not None:
                self.skipped -= len(frame.raw)
                self.drop()
                self._asked = (frame.address, frame.function) if frame.kind is Kind.REQUEST else None
                frames.append(frame)
        return frames

    def drop(self) -> None:
        """Throw away what was begun."""
        self.skipped += len(self._bytes)
        self._bytes.clear()
        self._gone = 0
        self._open.clear()
        self._due.clear()

    def _guess(self) -> None:
        """Take each place for the beginning of a frame, and work out its end as soon as its header tells."""
        begun = len(self._bytes) - 2
        if begun >= 0 and self._bytes[begun] <= _HIGHEST_ADDRESS:
            kinds = [Kind.EXCEPTION] if self._bytes[-1] & 0x80 else [Kind.REQUEST, Kind.RESPONSE]
            self._open += [_Guess(self._gone + begun, kind) for kind in kinds]
        still_open = []
        for guess in self._open:
            head = bytes(self._bytes[guess.start - self._gone :][:_HEADER])
            length = _length(_REQUESTS if guess.kind is Kind.REQUEST else _RESPONSES, head)
            if _SHORTEST <= length <= MAX_FRAME:
                self._due.setdefault(guess.start + length, []).append(guess)
            elif not length and len(head) < _HEADER:
                still_open.append(guess)
        self._open = still_open

    def _ending_here(self) -> Frame | None:
        """Return the longest frame that ends with the newest byte; of two readings of it the likelier one."""
        guesses = self._due.pop(self._gone + len(self._bytes), [])
        for guess in sorted(guesses, key=self._likelihood):
            frame = _read(bytes(self._bytes[guess.start - self._gone :]), guess.kind)
            if frame is not None:
                return frame
        return None

    def _likelihood(self, guess: "_Guess") -> tuple[int, bool]:
        begun = guess.start - self._gone
        answer = self._asked == (self._bytes[begun], self._bytes[begun + 1])
        return guess.start, (guess.kind is Kind.RESPONSE) != answer


class _Guess(NamedTuple):
    """A frame that may have begun."""

    start: int
    kind: Kind


def request(address: int, function: int, start: int, count: int) -> bytes:
    """Make the frame that asks a device for registers.

    Args:
        address: of the device, 1 to 247.
        function: 3 for holding registers, 4 for input registers.
        start: the first register as on the wire, from 0.
        count: how many, 1 to 125.
    """
    message_class = _REQUESTS.lookupPduClass(bytes((address, function)))
    assert message_class is not None  # noqa: S101 - both functions are pymodbus's own
    return FramerRTU(_REQUESTS).buildFrame(message_class(dev_id=address, address=start, count=count))


def _length(decoder: DecodePDU, head: bytes) -> int:
    """Return the length of the frame that begins so; 0 where it is not known yet, or the function is not known."""
    try:
        message_class = decoder.lookupPduClass(head)
        return message_class.calculateRtuFrameSize(head) if message_class else 0
    except (IndexError, ModbusException):
        return 0


def _read(raw: bytes, kind: Kind) -> Frame | None:
    if not FramerRTU.check_CRC(raw[:-2], int.from_bytes(raw[-2:], "big")):
        return None
    message = (_REQUESTS if kind is Kind.REQUEST else _RESPONSES).decode(raw[1:-2])
    return None if message is None else _frame(kind, message, raw)


def _frame(kind: Kind, message: ModbusPDU, raw: bytes) -> Frame | None:
    address, function = raw[0], raw[1] & 0x7F
    if kind is Kind.EXCEPTION:
        code = message.exception_code
        return Frame(kind, address, function, raw, code=code) if code in EXCEPTIONS and address else None
    if kind is Kind.RESPONSE and address == _BROADCAST:
        return None
    if function not in READS:
        return Frame(kind, address, function, raw)
    if kind is Kind.REQUEST:
        return Frame(kind, address, function, raw, message.address, message.count)
    registers = tuple(message.registers)
    return Frame(kind, address, function, raw, registers=registers) if raw[2] == 2 * len(registers) > 0 else None
