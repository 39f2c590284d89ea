"""The speech engine, eSpeak NG, in a process of its own: a line of JSON in, samples out, offline.

    python -m meterlink.cues.espeak

What it is asked: `{"language": "en", "rate": 165, "text": "..."}`; what it answers: `{"samples": 4410}` and that many
16-bit samples, or `{"error": "..."}`. A fault in the engine, which is C, ends this process and no check.

The library comes with a package, with its voices; where that has none for the machine, the system's own is taken.
"""

import ctypes
import ctypes.util
import json
import signal
import sys
from array import array
from typing import Any

from meterlink.cues.tones import RATE

# speak_lib.h of eSpeak NG 1.52
_AUDIO_OUTPUT_SYNCHRONOUS = 2
_DONT_EXIT = 0x8000
_CHARS_UTF8 = 1
_RATE = 1
_OK = 0
_Heard = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.POINTER(ctypes.c_short), ctypes.c_int, ctypes.c_void_p)


class EngineError(Exception):
    """The engine, or a language in it, is missing."""


class Engine:
    """The engine, started; one a process, for it has one state for the whole of it."""

    def __init__(self) -> None:
        """Load and start it.

        Raises:
            EngineError: it cannot be had.
        """
        library, data = _installed()
        try:
            self._engine = ctypes.CDLL(library)
        except OSError as error:
            raise EngineError(f"the speech engine cannot be loaded: {error}") from error
        rate = self._engine.espeak_Initialize(_AUDIO_OUTPUT_SYNCHRONOUS, 0, data, _DONT_EXIT)
        if rate != RATE:
            raise EngineError(f"the speech engine gives {rate} samples a second, expected {RATE}")

    def speak(self, language: str, rate: int, text: str) -> "array[int]":
        """Return a text as 16-bit samples, one channel, at `RATE`.

        Args:
            language: ISO 639-1.
            rate: words a minute.
            text: what is to be said.

        Raises:
            EngineError: it does not know the language.
        """
        speech = array("h")

        def take(samples: Any, count: int, _: object) -> int:
            if samples:
                speech.frombytes(ctypes.string_at(samples, 2 * count))
            return 0

        heard = _Heard(take)
        written = text.replace("\0", " ").encode()
        self._engine.espeak_SetSynthCallback(heard)
        if self._engine.espeak_SetVoiceByName(language.encode()) != _OK:
            raise EngineError(f"the speech engine has none for the language {language!r}")
        self._engine.espeak_SetParameter(_RATE, rate, 0)
        self._engine.espeak_Synth(written, ctypes.c_size_t(len(written) + 1), 0, 0, 0, _CHARS_UTF8, None, None)
        self._engine.espeak_Synchronize()
        return speech


def _installed() -> tuple[str, bytes | None]:
    """Find the engine's library and its data: the package's, else the system's, which knows where its data is."""
    try:
        import espeakng_loader  # noqa: PLC0415 - not there on every machine

        return espeakng_loader.get_library_path(), espeakng_loader.get_data_path().encode()
    except (ImportError, RuntimeError) as error:
        found = ctypes.util.find_library("espeak-ng")
        if found is None:
            raise EngineError("install espeak-ng (Debian: apt-get install libespeak-ng1)") from error
        return found, None


def _serve() -> None:
    """Answer until there is nobody who asks."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the check, which lets the last words be heard
    engine: Engine | None = None
    for line in sys.stdin.buffer:
        asked = json.loads(line)
        try:
            engine = engine or Engine()
            speech = engine.speak(asked["language"], asked["rate"], asked["text"])
        except EngineError as error:
            head: dict[str, object] = {"error": str(error)}
            body = b""
        else:
            head, body = {"samples": len(speech)}, speech.tobytes()
        sys.stdout.buffer.write(json.dumps(head).encode() + b"\n" + body)
        sys.stdout.buffer.flush()


if __name__ == "__main__":
    _serve()
