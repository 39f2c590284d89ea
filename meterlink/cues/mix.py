"""Tones and speech as one stream of samples, pulled as the device wants them. Pure: it holds the queue and positions.

Speech begins once the tone of its announcement has ended, and goes on quieter under the tone of a newer one.
"""

from array import array
from dataclasses import dataclass, field

from meterlink.cues.queue import Queue, Sound
from meterlink.cues.tones import FULL, samples

_DUCKED = 0.25
"""How loud speech is under a tone."""
_HUSH = 24
"""The loudest sample of the noise that keeps earphones awake: 63 dB below full scale."""
_MULTIPLIER, _INCREMENT, _MODULUS = 1_664_525, 1_013_904_223, 2**32
"""Of a linear congruential generator (Press et al., Numerical Recipes, 7.1): the noise is the same on every run."""


@dataclass(frozen=True, slots=True)
class Loudness:
    """How loud it is."""

    volume: float = 1.0
    """From 0 to 1, of samples."""
    awake: bool = False
    """Whether near-silent noise fills the pauses: wireless earphones sleep in silence, and swallow what comes next."""


@dataclass(slots=True)
class Mix:
    """The stream. Whoever synthesises speech asks `wanted` for a phrase, and hands its samples to `ready`."""

    loudness: Loudness
    queue: Queue = field(default_factory=Queue)
    _tone: Sound | None = None
    _tone_at: int = 0
    _spoken: Sound | None = None
    _speech: "array[int]" = field(default_factory=lambda: array("h"))
    _speech_at: int = 0
    _noise: int = 1

    @property
    def sounding(self) -> Sound | None:
        """The cue whose tone samples were given out last."""
        return self._tone

    def wanted(self) -> Sound | None:
        """Return the phrase to synthesise now; None where none is due."""
        return self.queue.next_phrase()

    def ready(self, sound: Sound, speech: "array[int]") -> None:
        """Take in a phrase's samples; one that has been interrupted meanwhile is dropped. Empty: it cannot be said."""
        if self.queue.phrase is not sound:
            return
        if not speech:
            self.queue.phrase_ended()
        self._spoken, self._speech, self._speech_at = sound, speech, 0

    def pull(self, frames: int) -> "array[int]":
        """Return the next samples."""
        if self.queue.idle and not self.loudness.awake:
            return array("h", bytes(2 * frames))
        mixed = [0.0] * frames
        from_tone = self._pull_tone(mixed)
        self._pull_speech(mixed, from_tone)
        scale = self.loudness.volume
        return array("h", [max(-FULL, min(FULL, round(scale * value) + self._hush())) for value in mixed])

    def _pull_tone(self, mixed: list[float]) -> int:
        """Put tones in; return where the last of them ended."""
        at = 0
        while at < len(mixed) and (sound := self.queue.tone) is not None and sound.tone is not None:
            if sound is not self._tone:
                self._tone, self._tone_at = sound, 0
            whole = samples(sound.tone)
            part = whole[self._tone_at : self._tone_at + len(mixed) - at]
            for index, value in enumerate(part, start=at):
                mixed[index] = value
            at += len(part)
            self._tone_at += len(part)
            if self._tone_at >= len(whole):
                self.queue.tone_ended()
        return at

    def _pull_speech(self, mixed: list[float], tone_until: int) -> None:
        sound = self._spoken
        if sound is None or sound is not self.queue.phrase:
            return
        begins = 0
        if self._speech_at == 0:
            if tone_until >= len(mixed):
                return
            begins = tone_until
        part = self._speech[self._speech_at : self._speech_at + len(mixed) - begins]
        for index, value in enumerate(part, start=begins):
            mixed[index] += value * (_DUCKED if index < tone_until else 1.0)
        self._speech_at += len(part)
        if self._speech_at >= len(self._speech):
            self.queue.phrase_ended()
            self._spoken = None

    def _hush(self) -> int:
        if not self.loudness.awake:
            return 0
        self._noise = (_MULTIPLIER * self._noise + _INCREMENT) % _MODULUS
        return self._noise * (2 * _HUSH + 1) // _MODULUS - _HUSH
