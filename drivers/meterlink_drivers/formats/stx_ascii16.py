"""The 16-character ASCII record that begins with STX, streamed at 9600 8N1.

    02  '4'  display (1, 2)  unit (2 characters)  polarity (0 +, 1 -)  point from the right (0 to 3)  8 digits  0D

There is no checksum, so every place is checked against what it can hold, and the unit against the table. A meter with
two displays sends a record for each; a second display is never taken for the main one, so only the records of the
display that the option names are read. The digits come with leading zeros, which no display shows; they are taken off.
The coding of overload is not documented. A field filled with nines could be one, so it is refused; whatever is no digit
is refused anyway.

Resynchronisation: a byte that cannot stand in its place throws away what was gathered, and starts the next record if it
is STX. STX stands nowhere inside a record, so a good record is never lost to a bad one before it; 16 bytes are the most
that are ever held.
"""

from collections.abc import Mapping

from meterlink.driver import Format, LineSettings
from meterlink.errors import UsageError
from meterlink.reading import FAHRENHEIT, Function, Instant, Reading

_ALPHANUMERIC = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_DIGITS = b"0123456789"
_PLACES = (b"\x02", b"4", b"12", _ALPHANUMERIC, _ALPHANUMERIC, b"01", b"0123", *(_DIGITS,) * 8, b"\r")
"""What each byte of a record can be."""
_UNITS = {
    "34": (0, "V", Function.DC_VOLTAGE),
    "18": (-3, "V", Function.DC_VOLTAGE),
    "50": (0, "V", Function.AC_VOLTAGE),
    "49": (-3, "V", Function.AC_VOLTAGE),
    "36": (0, "A", Function.DC_CURRENT),
    "37": (-3, "A", Function.DC_CURRENT),
    "35": (-6, "A", Function.DC_CURRENT),
    "52": (0, "A", Function.AC_CURRENT),
    "53": (-3, "A", Function.AC_CURRENT),
    "51": (-6, "A", Function.AC_CURRENT),
    "38": (0, "Ohm", Function.RESISTANCE),
    "39": (3, "Ohm", Function.RESISTANCE),
    "40": (6, "Ohm", Function.RESISTANCE),
    "31": (0, "Hz", Function.FREQUENCY),
    "33": (3, "Hz", Function.FREQUENCY),
    "67": (6, "Hz", Function.FREQUENCY),
    "46": (0, "V", Function.DIODE),
    "44": (-6, "F", Function.CAPACITANCE),
    "43": (-9, "F", Function.CAPACITANCE),
    "A4": (-12, "F", Function.CAPACITANCE),
    "01": (0, "Cel", Function.TEMPERATURE),
    "02": (0, FAHRENHEIT, Function.TEMPERATURE),
}


class StxDecoder:
    """Decodes one stream. A reading is returned as soon as the last byte of its record is fed."""

    def __init__(self, display: str = "1") -> None:
        self.skipped = 0
        self._display = display
        self._record = bytearray()

    def feed(self, data: bytes, at: Instant) -> list[Reading]:
        """Take the next bytes; see `meterlink.driver.Decoder`."""
        readings = []
        for byte in data:
            self._place(byte)
            if len(self._record) == len(_PLACES):
                reading = _reading(bytes(self._record), self._display, at)
                if reading is None:
                    self.skipped += len(_PLACES)
                else:
                    readings.append(reading)
                self._record.clear()
        return readings

    def poll(self, at: Instant) -> bytes:
        """Nothing is ever asked: the meter streams."""
        return b""

    def _place(self, byte: int) -> None:
        if byte not in _PLACES[len(self._record)]:
            self.skipped += len(self._record)
            self._record.clear()
        if byte in _PLACES[len(self._record)]:
            self._record.append(byte)
        else:
            self.skipped += 1


def _reading(record: bytes, display: str, at: Instant) -> Reading | None:
    text = record.decode("ascii")
    unit = _UNITS.get(text[3:5])
    digits = text[7:15]
    if text[2] != display or unit is None or digits == "99999999":
        return None
    scale, name, function = unit
    point = len(digits) - int(text[6])
    shown = digits[:point].lstrip("0") or "0"
    if digits[point:]:
        shown += f".{digits[point:]}"
    sign = "-" if text[5] == "1" else ""
    return Reading(f"{sign}{shown}", name, function, at, scale, raw=record)


def _decoder(options: Mapping[str, str]) -> StxDecoder:
    display = options.get("display", "1")
    if display not in ("1", "2"):
        raise UsageError(f"display {display!r}: expected 1 or 2")
    return StxDecoder(display)


FORMAT = Format(
    name="stx-ascii16",
    summary="16-character ASCII record that begins with STX, streamed at 9600 8N1",
    source="record layout and unit table as several published meter manuals print them; overload is not documented",
    decoder=_decoder,
    line=LineSettings(baud=9600),
    options={"display": "which of the meter's displays is read, 1 or 2; 1 when left out"},
)
