"""The shell around the speech engine, eSpeak NG: text in, samples out, offline and in this process.

The library comes with a package, with its voices; where that has none for the machine, the system's own is taken.
"""

import ctypes
import ctypes.util
import re
import threading
from array import array
from typing import Any

from meterlink.cues.tones import RATE
from meterlink.errors import MeterlinkError

USUAL_RATE, SLOWEST, FASTEST = 165, 80, 400
"""Words a minute; the engine's own bounds are 80 and 450."""

# speak_lib.h of eSpeak NG 1.52
_AUDIO_OUTPUT_SYNCHRONOUS = 2
_DONT_EXIT = 0x8000
_CHARS_UTF8 = 1
_RATE = 1
_OK = 0
_Heard = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.POINTER(ctypes.c_short), ctypes.c_int, ctypes.c_void_p)

_RESPELT = {"de": (re.compile("(?<=und|ert|end)vier"), "fier")}
"""What the engine would mispronounce: in `einundvierzig` and `hundertvier` it says the v as in `Vase`."""

_one_at_a_time = threading.Lock()
"""The engine has one state for the whole process."""


class VoiceError(MeterlinkError):
    """There is no voice."""


class Voice:
    """A voice of one language at one rate."""

    def __init__(self, language: str, rate: int = USUAL_RATE) -> None:
        """Load the engine.

        Args:
            language: ISO 639-1.
            rate: words a minute.

        Raises:
            VoiceError: the engine, or the language in it, is missing.
        """
        self._language, self._rate = language.encode(), rate
        self._engine = _engine()
        with _one_at_a_time:
            if self._engine.espeak_SetVoiceByName(self._language) != _OK:
                raise VoiceError(f"no voice: the speech engine has none for the language {language!r}")

    def speak(self, text: str) -> "array[int]":
        """Return a text as 16-bit samples, one channel, at `RATE`."""
        speech = array("h")

        def take(samples: Any, count: int, _: object) -> int:
            if samples:
                speech.frombytes(ctypes.string_at(samples, 2 * count))
            return 0

        heard = _Heard(take)
        written = respelt(text, self._language.decode()).replace("\0", " ").encode()
        with _one_at_a_time:
            self._engine.espeak_SetSynthCallback(heard)
            self._engine.espeak_SetVoiceByName(self._language)
            self._engine.espeak_SetParameter(_RATE, self._rate, 0)
            self._engine.espeak_Synth(written, ctypes.c_size_t(len(written) + 1), 0, 0, 0, _CHARS_UTF8, None, None)
            self._engine.espeak_Synchronize()
        return speech


def respelt(text: str, language: str) -> str:
    """Spell a text so that the engine pronounces it right."""
    mistaken, instead = _RESPELT.get(language, (None, ""))
    return mistaken.sub(instead, text) if mistaken else text


def _engine() -> ctypes.CDLL:
    """Load and start the engine; a second time it is there already."""
    library, data = _installed()
    try:
        engine = ctypes.CDLL(library)
    except OSError as error:
        raise VoiceError(f"no voice: the speech engine cannot be loaded: {error}") from error
    with _one_at_a_time:
        rate = engine.espeak_Initialize(_AUDIO_OUTPUT_SYNCHRONOUS, 0, data, _DONT_EXIT)
    if rate != RATE:
        raise VoiceError(f"no voice: the speech engine gives {rate} samples a second, expected {RATE}")
    return engine


def _installed() -> tuple[str, bytes | None]:
    """Find the engine's library and its data: the package's, else the system's, which knows where its data is."""
    try:
        import espeakng_loader  # noqa: PLC0415 - not there on every machine

        return espeakng_loader.get_library_path(), espeakng_loader.get_data_path().encode()
    except (ImportError, RuntimeError) as error:
        found = ctypes.util.find_library("espeak-ng")
        if found is None:
            raise VoiceError("no voice: install espeak-ng (Debian: apt-get install libespeak-ng1)") from error
        return found, None
