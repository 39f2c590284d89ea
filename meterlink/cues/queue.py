"""What sounds next. Pure: cues go in, in their order; it says which tone and which phrase are due.

Tones and phrases run side by side, so that a tone never waits for speech. All that is announced at one instant is one
announcement. The rules:

- A tone sounds at once. Of one announcement, only the weightiest tone sounds. A lighter tone waits for a weightier
  one that is sounding, and only the newest waits; a tick that would have to wait is dropped.
- A phrase that waits is dropped once something newer is to be said, so nothing old is ever said after something new.
- The phrase that is being said is finished, unless the newer one weighs more or is an alarm: a fail interrupts.
"""

from collections import deque
from dataclasses import dataclass

from meterlink.cues.codes import Weight
from meterlink.cues.tones import Tone


@dataclass(frozen=True, eq=False, slots=True)
class Sound:
    """What one cue sounds like. Two are the same only where they are one."""

    code: str
    tone: Tone | None
    phrase: str
    """Empty where nothing is said."""
    weight: Weight
    moment: float | None
    """When it was announced, in seconds since the job began; None for what belongs to no announcement."""

    def with_one(self, other: "Sound") -> bool:
        """Tell whether both are of one announcement."""
        return self.moment is not None and self.moment == other.moment


class Queue:
    """Tones and phrases that are due. Whoever plays them says when each has ended."""

    def __init__(self) -> None:
        self.tone: Sound | None = None
        """Whose tone sounds now."""
        self.phrase: Sound | None = None
        """Whose phrase is being said, or made ready to be said."""
        self._next_tone: Sound | None = None
        self._waiting: deque[Sound] = deque()
        self._newest: Sound | None = None

    @property
    def idle(self) -> bool:
        """Whether nothing sounds and nothing waits."""
        return self.tone is None and self.phrase is None and not self._waiting

    def add(self, sound: Sound) -> None:
        """Take in a cue, newer than all before."""
        if sound.tone is not None:
            self._add_tone(sound)
        if sound.phrase:
            self._add_phrase(sound)

    def tone_ended(self) -> None:
        """The tone has sounded to its end."""
        self.tone, self._next_tone = self._next_tone, None

    def phrase_ended(self) -> None:
        """The phrase has been said, or cannot be."""
        self.phrase = None

    def next_phrase(self) -> Sound | None:
        """Begin the next phrase, where none is being said; return it, or None where none is due."""
        if self.phrase is not None or not self._waiting:
            return None
        self.phrase = self._waiting.popleft()
        return self.phrase

    def _add_tone(self, sound: Sound) -> None:
        sounding = self.tone
        if sounding is None:
            self.tone = sound
        elif sound.tone is Tone.LIFT or (sounding.with_one(sound) and sound.weight <= sounding.weight):
            return
        elif sound.weight < sounding.weight:
            self._next_tone = sound
        else:
            self.tone, self._next_tone = sound, None

    def _add_phrase(self, sound: Sound) -> None:
        if self._newest is not None and not self._newest.with_one(sound):
            self._waiting.clear()
        self._newest = sound
        said = self.phrase
        if said is not None and not said.with_one(sound) and _interrupts(sound, said):
            self.phrase = None
        self._waiting.append(sound)


def _interrupts(newer: Sound, older: Sound) -> bool:
    return newer.weight is Weight.ALARM or newer.weight > older.weight
