"""Samples as WAV files."""

import io
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
    path.write_bytes(wav(samples))


def wav(samples: "array[int]") -> bytes:
    """Return 16-bit samples of one channel as a file's bytes."""
    little_endian = array("h", samples)
    if sys.byteorder == "big":
        little_endian.byteswap()
    whole = io.BytesIO()
    with wave.open(whole, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(little_endian.tobytes())
    return whole.getvalue()
