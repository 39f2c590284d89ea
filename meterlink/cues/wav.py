"""Writes samples as WAV files."""

import sys
import wave
from array import array
from pathlib import Path

from meterlink.cues.tones import RATE


def write_wav(path: Path, samples: "array[int]") -> None:
    """Write 16-bit samples of one channel; an older file is written over.

    Raises:
        OSError: it cannot be written.
    """
    little_endian = array("h", samples)
    if sys.byteorder == "big":
        little_endian.byteswap()
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(little_endian.tobytes())
