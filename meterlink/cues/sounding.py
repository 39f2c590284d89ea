"""The shell that lets cues be heard: a thread that speaks, and a device that pulls from the mix.

Handing a cue over never waits for either: speech is made in the thread, and the device has a thread of its own.
"""

import threading
import time
from array import array
from collections.abc import Callable
from types import TracebackType

from meterlink.cues.mix import Loudness, Mix
from meterlink.cues.queue import Sound

_LAST_WORDS_S = 8.0
"""How long what was announced last may still sound, once the check is over."""
_DRAIN_S = 0.25
"""How long the device may have samples in its own buffers; closed sooner, it would swallow the end of the last tone."""

Speak = Callable[[str], "array[int]"]
"""Makes samples of a phrase."""


class Sounding:
    """Takes cues and gives samples. A context: what was announced last is still heard to its end."""

    def __init__(self, loudness: Loudness, speak: Speak | None) -> None:
        """Be ready.

        Args:
            loudness: how loud it is.
            speak: makes samples of a phrase; None for tones only.
        """
        self._mix, self._speak = Mix(loudness), speak
        self._changed = threading.Condition()
        self._closed = False
        self._thread = threading.Thread(target=self._run, name="voice", daemon=True)

    def add(self, sound: Sound) -> None:
        """Take in a cue, newer than all before."""
        with self._changed:
            self._mix.queue.add(sound)
            self._changed.notify_all()

    def pull(self, frames: int) -> "array[int]":
        """Return the next samples; called from the device's thread."""
        with self._changed:
            samples = self._mix.pull(frames)
            self._changed.notify_all()
        return samples

    def __enter__(self) -> "Sounding":
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        patience = time.monotonic() + (_LAST_WORDS_S if error is None else 0)
        with self._changed:
            while not self._mix.queue.idle and time.monotonic() < patience:
                self._changed.wait(0.1)
        if error is None:
            time.sleep(_DRAIN_S)
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        self._thread.join()

    def _run(self) -> None:
        """Make speech of the phrase that is due, again and again."""
        while True:
            with self._changed:
                while (sound := self._mix.wanted()) is None and not self._closed:
                    self._changed.wait()
            if sound is None or self._closed:
                return
            speech = self._speak(sound.phrase) if self._speak else array("h")
            with self._changed:
                self._mix.ready(sound, speech)
