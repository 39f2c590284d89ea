"""Lines of text: a value with its unit, and around it no more than is known not to change its meaning.

What a line says is read in `text_words.py`; here lines are cut from the stream. A line ends with LF, CR LF or CR. It is
UTF-8 or, where it is not, Latin-1.

There is no checksum, so a line is taken whole or not at all: everything on it has to be understood. Two things
need more than the line itself:

- The first line of a stream may be the tail of one that began before we listened: `4.1 V DC` of `24.1 V DC`. So it
  is thrown away, unless the option `from-start` says that the stream begins where a line begins, as a file does.
- Seven bits with odd parity, read as eight without, turn `240 C` into `24° C` and `15 F` into `1µ F`. A line
  that has a set bit 7 somewhere and an odd number of ones in all its characters, its end included, is refused. A line
  feed has an even number; so such a line that ends with CR is held until the next byte shows whether it is LF.

Resynchronisation: a line that is not understood is thrown away whole, and the next one is read again. A line longer
than 256 bytes is thrown away to its end; no more than one line is ever held.
"""

from collections.abc import Mapping

from meterlink.driver import Format, LineSettings
from meterlink.errors import UsageError
from meterlink.reading import Instant, Reading
from meterlink_drivers.formats.text_words import Profile, read_line
from meterlink_drivers.formats.unit_words import (
    COUPLING_HELP,
    UNIT_HELP,
    coupling_option,
    plain_letters,
    unit_option,
    yes_no_option,
)

MAX_LINE = 256


class TextDecoder:
    """Decodes one stream. A reading is returned with the byte that ends its line."""

    def __init__(self, profile: Profile, *, from_start: bool) -> None:
        self.skipped = 0
        self._profile = profile
        self._in_step = from_start
        """Whether the line being gathered is known to be gathered from its beginning."""
        self._line = bytearray()
        self._held = b""
        """A line whose end is CR and which may be odd parity read as eight bits."""

    def feed(self, data: bytes, at: Instant) -> list[Reading]:
        """Take the next bytes; see `meterlink.driver.Decoder`."""
        readings: list[Reading | None] = []
        for byte in data:
            held, self._held = self._held, b""
            if held and byte == ord("\n"):
                readings.append(self._take(held, at))
            else:
                self.skipped += len(held)
            self._line.append(byte)
            if byte in b"\r\n":
                readings.append(self._end(at))
                self._line.clear()
            elif len(self._line) > MAX_LINE:
                self._in_step = False
                self.skipped += len(self._line)
                self._line.clear()
        return [reading for reading in readings if reading is not None]

    def poll(self, at: Instant) -> bytes:
        """Nothing is ever asked: the meter streams."""
        return b""

    def _end(self, at: Instant) -> Reading | None:
        line, in_step = bytes(self._line), self._in_step
        self._in_step = True
        if len(line) == 1:  # between CR and LF, or an empty line
            return None
        if not in_step:
            self.skipped += len(line)
        elif _may_be_odd_parity(line):
            self._held = line
        else:
            return self._take(line, at)
        return None

    def _take(self, line: bytes, at: Instant) -> Reading | None:
        said = read_line(_text(line[:-1]), self._profile)
        if said is None:
            self.skipped += len(line)
            return None
        return Reading(said.display, said.unit, said.function, at, said.scale, said.flags, line)


def _may_be_odd_parity(line: bytes) -> bool:
    return any(byte >= 0x80 for byte in line) and all(byte.bit_count() % 2 for byte in line)


def _text(line: bytes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("latin-1")


def _decoder(options: Mapping[str, str]) -> TextDecoder:
    decimal = options.get("decimal", "")
    if decimal not in ("", ".", ","):
        raise UsageError(f"decimal {decimal!r}: expected . or ,")
    profile = Profile(
        decimal,
        unit_option(options),
        coupling_option(options),
        plain_letters(options.get("channel", "")),
    )
    return TextDecoder(profile, from_start=yes_no_option(options, "from-start", "yes", "no", "no"))


FORMAT = Format(
    name="text-line",
    summary="text or CSV lines, each with a value and its unit",
    source="common forms of meter and logger text; common practice, no standard",
    decoder=_decoder,
    line=LineSettings(baud=9600),
    options={
        "channel": "the name that stands on each line to be read, where a device writes lines of several channels",
        "coupling": COUPLING_HELP,
        "decimal": "the decimal mark, . or , (the other one only groups digits or separates); told from each line "
        "when left out",
        "from-start": "yes: the stream begins where a line begins; no: the first line may be a tail and is not read",
        "unit": UNIT_HELP,
    },
)
