"""The shell around the computer's loudspeaker or earphones: a device that pulls samples in a thread of its own."""

import contextlib
import ctypes
import sys
from array import array
from collections.abc import Callable, Generator

import miniaudio

from meterlink.cues.tones import RATE
from meterlink.errors import MeterlinkError

PERIOD_MS = 20
"""How many samples the device pulls at a time: a cue waits no longer than this to be begun."""

Pull = Callable[[int], "array[int]"]
"""Gives that many samples."""

REAL = [backend for backend in miniaudio.Backend if backend is not miniaudio.Backend.NULL]
"""Every way to a device that can be heard."""


class PlayerError(MeterlinkError):
    """There is no device to be heard on."""


class Player:
    """An open device. It goes on pulling, silence too, until it is closed."""

    def __init__(self, pull: Pull, backends: list[miniaudio.Backend] | None = None) -> None:
        """Open the system's usual device and begin.

        Args:
            pull: called from the device's thread.
            backends: ways to a device, the best first; every one that can be heard where none are said.

        Raises:
            PlayerError: there is no device.
        """
        _hush_alsa()
        try:
            self._device = miniaudio.PlaybackDevice(
                output_format=miniaudio.SampleFormat.SIGNED16,
                nchannels=1,
                sample_rate=RATE,
                buffersize_msec=PERIOD_MS,
                backends=backends or REAL,
                app_name="Steadypoint",
            )
            self._device.start(_pulled(pull))
        except miniaudio.MiniaudioError as error:
            raise PlayerError("no sound: this computer has no loudspeaker or earphones that can be opened") from error

    def close(self) -> None:
        """Stop at once, and let the device go."""
        self._device.close()


def _pulled(pull: Pull) -> "Generator[array[int], int, None]":
    """Wrap a function as the generator that the device sends its wishes to; it stands ready for the first."""

    def generate() -> "Generator[array[int], int, None]":
        frames = yield array("h")
        while True:
            frames = yield pull(frames)

    ready = generate()
    next(ready)
    return ready


_Complaint = ctypes.CFUNCTYPE(None, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p)
_ignored = _Complaint(lambda *_: None)


def _hush_alsa() -> None:
    """Keep Linux' sound library from writing its complaints across the technician's screen."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            ctypes.CDLL("libasound.so.2").snd_lib_error_set_handler(_ignored)
