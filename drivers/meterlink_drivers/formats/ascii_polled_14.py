"""The 14-character ASCII reply of meters that are asked with `D`, at 1200 or 600 7N2.

    function (2)  sign (1)  value with its point, right aligned (6)  unit (4)  CR (or LF)

There is no checksum. A reply becomes a reading only when it has 13 characters before its end, one number of at most six
characters (or an overload, or dashes) and a unit that belongs to its function. Within the 13 characters the fields may
stand a column off: the number is found by its digits, what stands before it is function and sign, what stands behind it
is the unit. The tail of a reply that was cut is too short, so it is never taken for a whole one.

Asked by the session below, twice a second at most. Some meters answer with up to four records, one for each of
their displays (from memory): the first is the main display, and the only one taken. The next question waits until
the reply is over, so that a late record is never taken for the first of the next reply.

HOLD, relative mode and the meter's battery are not sent.

Resynchronisation: a line that is no reply is thrown away whole, and the line after it is read again; a line longer than
14 characters is thrown away as it comes, so no more than that is ever held.
"""

import re
from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import NamedTuple

from meterlink.driver import Decoder, Format, LineSettings
from meterlink.errors import UsageError
from meterlink.reading import NS_PER_S, Function, Instant, Reading
from meterlink_drivers.formats.unit_words import yes_no_option

LENGTH = 13
"""Characters before the end of a record."""
QUERY = b"D"
ASK_EVERY_NS = NS_PER_S // 2
OVER_AFTER_NS = NS_PER_S // 5
"""A reply is over when nothing came for this long: ten characters even at 600 baud, and more than a port delays."""

_RECORD = re.compile(
    r"(?P<code>DC|AC|OH|DI|TE|FR|CA|)"
    r" *(?P<sign>-?) *"
    r"(?P<value>(?=[\d.]{1,6}(?![\d.]))(?:\d+\.?\d*|\.\d+)|\.?[0O]\.?L\.?|[-.]{2,6}|)"
    r" *(?P<unit>[A-Za-z]{1,4}) *",
    re.ASCII,
)
_OVERLOAD = "L"

_CODES = {
    ("DC", "V"): Function.DC_VOLTAGE,
    ("AC", "V"): Function.AC_VOLTAGE,
    ("DC", "A"): Function.DC_CURRENT,
    ("AC", "A"): Function.AC_CURRENT,
    ("", "Ohm"): Function.RESISTANCE,
    ("OH", "Ohm"): Function.RESISTANCE,
    ("DI", "V"): Function.DIODE,
    ("TE", "Cel"): Function.TEMPERATURE,
    ("FR", "Hz"): Function.FREQUENCY,
    ("CA", "F"): Function.CAPACITANCE,
}
"""Function code and unit; a pair that is not here is refused. The last four codes are from memory."""
_UNITS = {
    "v": (0, "V"),
    "mv": (-3, "V"),
    "a": (0, "A"),
    "ma": (-3, "A"),
    "ua": (-6, "A"),
    "ohm": (0, "Ohm"),
    "kohm": (3, "Ohm"),
    "Mohm": (6, "Ohm"),
    "hz": (0, "Hz"),
    "khz": (3, "Hz"),
    "Mhz": (6, "Hz"),
    "nf": (-9, "F"),
    "uf": (-6, "F"),
    "c": (0, "Cel"),
}
"""Units in small letters; only a leading M, mega, is kept apart from m, milli."""


class _Line(NamedTuple):
    """A line, whole or too long to be a record; its bytes with the one that ended it, or as many as were kept."""

    data: bytes
    whole: bool


class AsciiListener:
    """Decodes what a meter sends, and never asks. Every record is read, whichever display it is of."""

    def __init__(self) -> None:
        self.skipped = 0
        self._line = bytearray()
        self._too_long = False

    def feed(self, data: bytes, at: Instant) -> list[Reading]:
        """Take the next bytes; see `meterlink.driver.Decoder`."""
        readings = []
        for line in self._lines(data):
            wanted = self._wanted()
            reading = _reading(line.data, at) if wanted and line.whole else None
            if reading is None:
                self.skipped += len(line.data)
            else:
                readings.append(reading)
        return readings

    def poll(self, at: Instant) -> bytes:
        """Nothing is ever asked."""
        return b""

    def _wanted(self) -> bool:
        """Tell whether the line that has just ended may be a reading."""
        return True

    def _lines(self, data: bytes) -> list[_Line]:
        """Return the lines that the bytes complete. Empty lines, such as between CR and LF, are none."""
        lines = []
        for byte in data:
            self._line.append(byte)
            if byte in b"\r\n":
                if len(self._line) > 1 or self._too_long:
                    lines.append(_Line(bytes(self._line), not self._too_long))
                self._line.clear()
                self._too_long = False
            elif len(self._line) > LENGTH:
                self.skipped += len(self._line)
                self._line.clear()
                self._too_long = True
        return lines


class AsciiSession(AsciiListener):
    """Asks for replies through `poll`, and takes the first record of each."""

    def __init__(self, within_ns: int = NS_PER_S) -> None:
        """Prepare for a stream; `within_ns` is how long a reply may take."""
        super().__init__()
        self._within_ns = within_ns
        self._asked_at_ns: int | None = None
        self._heard_at_ns: int | None = None
        self._owed = False

    def feed(self, data: bytes, at: Instant) -> list[Reading]:
        """Take the next bytes; see `meterlink.driver.Decoder`."""
        if data:
            self._heard_at_ns = at.monotonic_ns
        return super().feed(data, at)

    def poll(self, at: Instant) -> bytes:
        """Return the next query once the last reply is over or overdue; see `meterlink.driver.Decoder`."""
        now = at.monotonic_ns
        if self._asked_at_ns is not None:
            wait = self._within_ns if self._owed else ASK_EVERY_NS
            if now - self._asked_at_ns < wait:
                return b""
        if self._heard_at_ns is not None and now - self._heard_at_ns < OVER_AFTER_NS:
            return b""
        self.skipped += len(self._line)
        self._line.clear()
        self._too_long = False
        self._asked_at_ns, self._owed = now, True
        return QUERY

    def _wanted(self) -> bool:
        wanted, self._owed = self._owed, False
        return wanted


def _reading(raw: bytes, at: Instant) -> Reading | None:
    text = raw[:-1].decode("ascii", "replace")
    record = _RECORD.fullmatch(text)
    if len(text) != LENGTH or record is None:
        return None
    word = record["unit"]
    unit = _UNITS.get(word.lower() if word[0] != "M" else "M" + word[1:].lower())
    if unit is None:
        return None
    scale, name = unit
    function = _CODES.get((record["code"], name))
    if function is None:
        return None
    return Reading(_display(record["sign"], record["value"]), name, function, at, scale, raw=raw)


def _display(sign: str, value: str) -> str:
    if _OVERLOAD in value:
        return f"{sign}OL"
    return f"{sign}{value}" if any(character.isdigit() for character in value) else ""


def _decoder(options: Mapping[str, str]) -> Decoder:
    within = _seconds(options.get("timeout", "1"))
    return AsciiSession(within) if yes_no_option(options, "poll", "on", "off", "on") else AsciiListener()


def _seconds(text: str) -> int:
    try:
        seconds = Decimal(text)
    except InvalidOperation:
        seconds = Decimal(0)
    if not (seconds.is_finite() and Decimal("0.5") <= seconds <= 60):
        raise UsageError(f"timeout {text!r}: expected seconds from 0.5 to 60, such as 2 for a meter at 600 baud")
    return int(seconds * NS_PER_S)


FORMAT = Format(
    name="ascii-polled-14",
    summary="14-character ASCII reply to the letter D, at 1200 7N2 (slower meters: baud=600, timeout=2)",
    source="mailing-list post of 2007-01-18 and a published 600 baud session; rare function codes from memory",
    decoder=_decoder,
    line=LineSettings(baud=1200, bytesize=7, parity="N", stopbits=2, dtr=True, rts=False),
    polled=True,
    options={
        "poll": "on: ask for each reading; off: only listen",
        "timeout": "seconds that a reply may take; 1 when left out, 2 for a meter at 600 baud",
    },
)
