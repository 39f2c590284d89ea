"""The 15-byte LCD-segment frame of DTM0660-class chips (2400 baud, 8N1, no checksum). From memory.

The first 13 bytes are taken to be those of the FS9721_LP3; what the last two carry is not known, and they stay empty.
"""

from meterlink.reading import Reading
from meterlink_sim.encoders import fs9721_lcd14

_LAST = bytes([0xF0])


def encode(reading: Reading) -> bytes:
    """Write what a display shows as one frame.

    Raises:
        ValueError: as for the FS9721 frame.
    """
    return fs9721_lcd14.encode(reading) + _LAST
