"""The tones, as samples. Pure and deterministic: the same samples on every run.

Each has a rhythm and a contour of its own, so that neither noise nor a small loudspeaker makes one pass for another:
every note lies above 500 Hz, where a telephone's loudspeaker begins to carry (300 Hz: common practice, no source).

    settled    ▬            one short note
    pass       ▁ ▔          two, rising
    fail       ▔ ▬ ▁        three, falling, rough
    unclear    ∿∿∿∿         one, wavering
    lift       ·            a soft tick
    attention  ▔   ▁        two, far apart in pitch and in time
"""

import math
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from functools import cache

RATE = 22_050
"""Samples a second, of tones and speech alike; one channel."""

FULL = 32_767
"""The largest sample."""


class Tone(StrEnum):
    """What a tone means."""

    SETTLED = "settled"
    """A value was taken in, which is no verdict."""
    PASS = "pass"  # noqa: S105 - a verdict, not a password
    FAIL = "fail"
    UNCLEAR = "unclear"
    LIFT = "lift"
    """The probes have left."""
    ATTENTION = "attention"
    """Something to hear, read or do."""


@dataclass(frozen=True, slots=True)
class _Note:
    """One note, or the rest between two where `hz` is 0."""

    hz: float
    seconds: float
    level: float = 0.6
    """Of full scale, at its loudest."""
    overtones: tuple[float, ...] = (0.25,)
    """How strong the second, third ... harmonic is, beside the first."""
    fade: float = 2.0
    """How fast it dies away: its level falls to 1/e in the note's length divided by this."""
    rough_hz: float = 0.0
    """How often a second its level trembles."""
    waver_hz: float = 0.0
    """How often a second its pitch wavers."""
    waver: float = 0.0
    """By how much, as a share of the pitch."""


_REST = _Note(0, 0.03, level=0)


def _rough(hz: float) -> _Note:
    return _Note(hz, 0.15, level=1.0, overtones=(0.8, 0.6, 0.5, 0.4), fade=0.5, rough_hz=55)


_SCORES: dict[Tone, tuple[_Note, ...]] = {
    Tone.SETTLED: (_Note(932, 0.13),),
    Tone.PASS: (_Note(784, 0.13), _REST, _Note(1175, 0.19)),
    Tone.FAIL: (_rough(740), _REST, _rough(622), _REST, _rough(523)),
    Tone.UNCLEAR: (_Note(1047, 0.55, 0.4, fade=0.5, waver_hz=6.5, waver=0.09),),
    Tone.LIFT: (_Note(2349, 0.045, level=0.3, overtones=(), fade=5.0),),
    Tone.ATTENTION: (_Note(1661, 0.13), _Note(0, 0.16, level=0), _Note(554, 0.2, 0.7, overtones=(0.5, 0.2))),
}
_EDGE_S = 0.004
"""How long a note takes to rise and to end, so that it does not click."""


@cache
def samples(tone: Tone) -> "array[int]":
    """Return a tone as 16-bit samples, one channel, at `RATE`."""
    return array("h", [round(FULL * value) for note in _SCORES[tone] for value in _played(note)])


def _played(note: _Note) -> Iterator[float]:
    count = round(note.seconds * RATE)
    weights = (1.0, *note.overtones)
    whole = sum(weights)
    phase = 0.0
    for index in range(count):
        at = index / RATE
        bend = 1 + note.waver * math.sin(2 * math.pi * note.waver_hz * at)
        phase += 2 * math.pi * note.hz * bend / RATE
        wave = math.fsum(weight * math.sin((order + 1) * phase) for order, weight in enumerate(weights)) / whole
        tremble = 0.6 + 0.4 * math.cos(2 * math.pi * note.rough_hz * at) if note.rough_hz else 1.0
        edge = min(1.0, at / _EDGE_S, (count - 1 - index) / RATE / _EDGE_S)
        yield note.level * wave * tremble * edge * math.exp(-note.fade * index / count)
