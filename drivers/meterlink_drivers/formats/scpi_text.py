"""The text of SCPI over a line: where a line ends and what a reply says. Pure; knows nothing of sessions.

Numbers are the NR1, NR2 and NR3 forms of IEEE 488.2 (clause 8.7); 9.9E37, -9.9E37 and 9.91E37 are the infinities and
the not-a-number of SCPI-99 (volume 1, 7.2.1).
"""

import re
from dataclasses import dataclass
from decimal import Decimal

from meterlink.reading import Function

MAX_LINE = 256
"""Bytes. The longest reply asked for here, to `*IDN?`, is 72 characters at most by IEEE 488.2 (10.14, from memory)."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(E[+-]?\d{1,3})?", re.ASCII | re.IGNORECASE)
_ERROR = re.compile(r'([+-]?\d{1,5}), ?"((?:[^"]|"")*)"', re.ASCII)
_QUOTED = re.compile(r'"([A-Z:]+)"', re.ASCII | re.IGNORECASE)
_IDENTITY = re.compile(r"[^,]*[A-Za-z][^,]*(,[^,]*){3}")
_INFINITY = Decimal("9.8E37")
_NOT_A_NUMBER = Decimal("9.91E37")
_TOLERANCE = Decimal("1E35")

_SHORT_FORMS = {
    "VOLTAGE": "VOLT",
    "CURRENT": "CURR",
    "RESISTANCE": "RES",
    "FRESISTANCE": "FRES",
    "FREQUENCY": "FREQ",
    "CAPACITANCE": "CAP",
    "TEMPERATURE": "TEMP",
    "CONTINUITY": "CONT",
    "DIODE": "DIOD",
}
_FUNCTIONS = {
    "VOLT": Function.DC_VOLTAGE,
    "VOLT:DC": Function.DC_VOLTAGE,
    "VOLT:AC": Function.AC_VOLTAGE,
    "CURR": Function.DC_CURRENT,
    "CURR:DC": Function.DC_CURRENT,
    "CURR:AC": Function.AC_CURRENT,
    "RES": Function.RESISTANCE,
    "FRES": Function.RESISTANCE,
    "FREQ": Function.FREQUENCY,
    "CAP": Function.CAPACITANCE,
    "TEMP": Function.TEMPERATURE,
    "CONT": Function.CONTINUITY,
    "DIOD": Function.DIODE,
}


@dataclass(frozen=True, slots=True)
class Number:
    """A measured value, as the text of a display: `24.0612000`, `OL`, `-OL`; empty for not-a-number."""

    display: str


@dataclass(frozen=True, slots=True)
class Selected:
    """The function that the dial selects; None for one that is not ours, such as a ratio."""

    function: Function | None


@dataclass(frozen=True, slots=True)
class QueueEntry:
    """An entry of the error queue."""

    code: str
    text: str

    @property
    def empty(self) -> bool:
        """Whether this says that the queue is empty."""
        return int(self.code) == 0


@dataclass(frozen=True, slots=True)
class Identity:
    """Maker, model, serial number and firmware, as sent."""

    text: str


Reply = Number | Selected | QueueEntry | Identity


def parse_reply(line: bytes) -> Reply | None:
    """Read one line without its end. None where any character of it is out of place."""
    if not line.isascii():
        return None
    text = line.decode("ascii")
    if _NUMBER.fullmatch(text):
        return Number(number_display(Decimal(text)))
    if entry := _ERROR.fullmatch(text):
        return QueueEntry(entry[1], entry[2].replace('""', '"'))
    if quoted := _QUOTED.fullmatch(text):
        return Selected(_function(quoted[1]))
    if text.isprintable() and _IDENTITY.fullmatch(text):
        return Identity(text)
    return None


def number_display(value: Decimal) -> str:
    """Write a number as a display shows it: `OL` and `-OL` for the infinities, empty for not-a-number."""
    if abs(value - _NOT_A_NUMBER) < _TOLERANCE:
        return ""
    if abs(value) > _INFINITY:
        return "-OL" if value < 0 else "OL"
    return f"{value:f}"


def _function(name: str) -> Function | None:
    nodes = name.upper().split(":")
    return _FUNCTIONS.get(":".join(_SHORT_FORMS.get(node, node) for node in nodes))


class LineSplitter:
    """Cuts a stream into lines that end with LF, CR LF or CR.

    Empty lines are dropped, so the LF of a CR LF never makes one, wherever the stream is split. A line longer than
    `MAX_LINE` is thrown away to its end: that is the resynchronisation rule, and bounds what is held.
    """

    def __init__(self) -> None:
        self.skipped = 0
        self._line = bytearray()
        self._too_long = False

    def feed(self, data: bytes) -> list[bytes]:
        """Take the next bytes and return the lines they complete, each with the one byte that ended it."""
        lines = []
        for byte in data:
            if byte not in b"\r\n":
                self._add(byte)
            elif self._too_long:
                self._too_long = False
            elif self._line:
                lines.append(bytes(self._line) + bytes([byte]))
                self._line.clear()
        return lines

    def drop(self) -> None:
        """Throw away a line that was begun."""
        self.skipped += len(self._line)
        self._line.clear()

    def _add(self, byte: int) -> None:
        if self._too_long:
            self.skipped += 1
            return
        self._line.append(byte)
        if len(self._line) > MAX_LINE:
            self._too_long = True
            self.drop()
