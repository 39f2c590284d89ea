"""The 14-byte frame of the FS9721_LP3: a copy of the display's segments, streamed at 2400 8N1.

What makes a frame good stands in `lcd_frame`, how the next is found after a damaged one in `fixed_frames`: one damaged
byte costs one frame, and less than one is ever held.

The DTM0660 sends such bytes too, and a 15th with the index F, whose symbols are not known. Its stream is refused here:
the byte after one with the index E tells, and every frame after such an F is thrown away until something else stands in
that place. The very first frame of such a stream does pass, since its last byte completes it before the F is there; a
verdict takes three readings.
"""

from collections.abc import Mapping

from meterlink.driver import Format, LineSettings
from meterlink.errors import UsageError
from meterlink.reading import Instant, Reading
from meterlink_drivers.formats.fixed_frames import FixedFrames
from meterlink_drivers.formats.lcd_frame import SYMBOLS, Lamp, lcd_places, lcd_reading

FRAME_LENGTH = 14


class Fs9721Decoder:
    """Decodes one stream. A reading is returned as soon as the last byte of its frame is fed."""

    def __init__(self, celsius_bit: int | None = None) -> None:
        self._symbols = SYMBOLS if celsius_bit is None else SYMBOLS | {("Cel", Lamp(FRAME_LENGTH, celsius_bit))}
        self._frames = FixedFrames(lcd_places(FRAME_LENGTH), self._reading)
        self._previous = 0
        self._other_chip = False

    @property
    def skipped(self) -> int:
        """Bytes thrown away so far."""
        return self._frames.skipped

    def feed(self, data: bytes, at: Instant) -> list[Reading]:
        """Take the next bytes; see `meterlink.driver.Decoder`."""
        readings, start = [], 0
        for index, byte in enumerate(data):
            if self._previous >> 4 == FRAME_LENGTH and self._other_chip is not (byte >> 4 == FRAME_LENGTH + 1):
                readings += self._frames.feed(data[start:index], at)
                start, self._other_chip = index, not self._other_chip
            self._previous = byte
        return readings + self._frames.feed(data[start:], at)

    def poll(self, at: Instant) -> bytes:
        """Nothing is ever asked: the meter streams."""
        return b""

    def _reading(self, frame: bytes, at: Instant) -> Reading | None:
        return None if self._other_chip else lcd_reading(frame, self._symbols, at)


def _decoder(options: Mapping[str, str]) -> Fs9721Decoder:
    bit = options.get("celsius-bit")
    if bit is None:
        return Fs9721Decoder()
    if bit not in ("0", "1", "2", "3"):
        raise UsageError(f"celsius-bit {bit!r}: expected 0, 1, 2 or 3")
    return Fs9721Decoder(int(bit))


FORMAT = Format(
    name="fs9721-lcd14",
    summary="14-byte display copy of the FS9721_LP3, streamed at 2400 8N1",
    source="FS9721_LP3 data sheet, segment table, by way of transcriptions that agree; byte E differs between meters",
    decoder=_decoder,
    line=LineSettings(baud=2400),
    options={"celsius-bit": "which user bit of the last byte (0 to 3) means degrees Celsius; without it none does"},
)
