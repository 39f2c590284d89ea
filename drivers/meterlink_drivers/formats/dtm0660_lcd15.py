"""The 15-byte frame of the DTM0660: a copy of the display's segments, streamed at 2400 8N1. From memory throughout.

Bytes 1 to 13 are read as the FS9721_LP3 sends them. Bytes E and F carry further symbols (degrees, minimum, maximum,
transistor gain and others) whose bits are not known: they are kept in the raw frame and not decoded, so a frame that
shows nothing but such a symbol is refused, and a minimum or maximum cannot be told from a live value. A capture has to
settle that before anybody relies on this format.

What makes a frame good stands in `lcd_frame`, how the next is found after a damaged one in `fixed_frames`: one damaged
byte costs one frame, and less than one is ever held. A stream of the FS9721_LP3 never decodes here: it
has no byte with the index F.
"""

from meterlink.driver import Confidence, Format, LineSettings
from meterlink.reading import Instant, Reading
from meterlink_drivers.formats.fixed_frames import FixedFrames
from meterlink_drivers.formats.lcd_frame import SYMBOLS, lcd_places, lcd_reading


def _reading(frame: bytes, at: Instant) -> Reading | None:
    return lcd_reading(frame, SYMBOLS, at)


FORMAT = Format(
    name="dtm0660-lcd15",
    summary="15-byte display copy of the DTM0660, streamed at 2400 8N1; symbols of the last two bytes are not decoded",
    source="from memory: the FS9721_LP3's symbols with one byte more; no data sheet and no capture seen",
    decoder=lambda options: FixedFrames(lcd_places(15), _reading),
    confidence=Confidence.LOW,
    line=LineSettings(baud=2400),
)
