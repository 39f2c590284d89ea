"""A voice: text in, samples out, from the speech engine in a process of its own, started anew if it falls over."""

import json
import re
import subprocess
import sys
import threading
from array import array
from contextlib import suppress

from meterlink.errors import MeterlinkError

USUAL_RATE, SLOWEST, FASTEST = 165, 80, 400
"""Words a minute; the engine's own bounds are 80 and 450."""

_RESPELT = {"de": (re.compile("(?<=und|ert|end)vier"), "fier")}
"""What the engine would mispronounce: in `einundvierzig` and `hundertvier` it says the v as in `Vase`."""


class VoiceError(MeterlinkError):
    """There is no voice."""


class Voice:
    """A voice of one language at one rate."""

    def __init__(self, language: str, rate: int = USUAL_RATE) -> None:
        """Start the engine.

        Args:
            language: ISO 639-1.
            rate: words a minute.

        Raises:
            VoiceError: the engine, or the language in it, is missing.
        """
        self._language, self._rate = language, rate
        self._one_at_a_time = threading.Lock()
        self._engine = _started()
        self._asked("")

    def speak(self, text: str) -> "array[int]":
        """Return a text as 16-bit samples, one channel, at `RATE`; none where the engine falls over twice at it."""
        for _ in range(2):
            with suppress(OSError, ValueError):
                return self._asked(respelt(text, self._language))
            with self._one_at_a_time:
                self.close()
                self._engine = _started()
        return array("h")

    def close(self) -> None:
        """End the engine."""
        self._engine.kill()
        self._engine.communicate()

    def __del__(self) -> None:
        with suppress(AttributeError):  # where the engine was never started
            self.close()

    def _asked(self, text: str) -> "array[int]":
        """Have the engine speak.

        Raises:
            VoiceError: it cannot.
            OSError, ValueError: it has fallen over.
        """
        words = json.dumps({"language": self._language, "rate": self._rate, "text": text})
        to, back = self._engine.stdin, self._engine.stdout
        assert to is not None and back is not None  # noqa: S101, PT018 - both are pipes
        with self._one_at_a_time:
            to.write(f"{words}\n".encode())
            to.flush()
            head = json.loads(back.readline())
            if "error" in head:
                raise VoiceError(f"no voice: {head['error']}")
            speech = array("h")
            speech.frombytes(back.read(2 * int(head["samples"])))
            return speech


def respelt(text: str, language: str) -> str:
    """Spell a text so that the engine pronounces it right."""
    mistaken, instead = _RESPELT.get(language, (None, ""))
    return mistaken.sub(instead, text) if mistaken else text


def _started() -> "subprocess.Popen[bytes]":
    try:
        return subprocess.Popen(
            [sys.executable, "-m", "meterlink.cues.espeak"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
    except OSError as error:
        raise VoiceError(f"no voice: the speech engine cannot be started: {error}") from error
