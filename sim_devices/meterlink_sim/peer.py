"""A simulated meter at the far end of a link: what it sends and when, in virtual time, without any I/O.

It shows a display as a function of time, encodes each update, sends it at the pace of its line, cut at random borders,
and has a meter's habits and a line's faults. The same seed gives the same bytes at the same times.
"""

import random
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import inf

from meterlink.reading import Reading
from meterlink_sim.uart import character_seconds
from meterlink_sim.wires import Wire

_REMEMBERED = 10_000
_MOST_JUNK = 20
_ANSWER_AFTER_S = 0.02

Display = Callable[[float], Reading]
"""What is shown at a time, in seconds since the meter was switched on."""


@dataclass(frozen=True, slots=True)
class Habits:
    """How a meter sends, and what goes wrong. Times in virtual seconds; chances from 0 to 1."""

    rate: float = 3.0
    """Updates of the display a second."""
    off_after: float = inf
    """The meter switches itself off so long after it was switched on or a key was pressed."""
    pause_every: float = inf
    """How often what is sent gets stuck on the way, to come all at once."""
    pause_for: float = 0.0
    """For how long it gets stuck."""
    half: float = 0.0
    """Chance that a block loses its head or its tail."""
    junk: float = 0.0
    """Chance that random bytes come before a block."""
    fed_from_lines: bool = False
    """Whether the cable is fed from the port: it sends and hears only while DTR is high and RTS low."""
    seed: int = 0


USUAL = Habits()
"""No faults."""


class SimulatedMeter:
    """One meter. Whoever has it waits until `due`, calls `advance`, and passes on what it gives."""

    def __init__(self, wire: Wire, display: Display | None = None, habits: Habits = USUAL) -> None:
        """Switch the meter on, at time 0.

        Args:
            wire: what it speaks.
            display: what it shows; the wire's sample when None.
            habits: how it sends.
        """
        self.wire = wire
        self.habits = habits
        self.shown: deque[Reading] = deque(maxlen=_REMEMBERED)
        """The newest updates that were put on the line, or answered with."""
        self._display = display or steady(wire.sample)
        self._rng = random.Random(habits.seed)
        self._responder = wire.responder() if wire.responder else None
        self._pieces: deque[tuple[float, bytes]] = deque()
        self._stuck = b""
        self._line_free = 0.0
        self._fed = not habits.fed_from_lines
        self._woken = 0.0
        self._updates = 0

    @property
    def due(self) -> float:
        """When something happens next; `inf`: not before something is heard or a key pressed."""
        return min(self._pieces[0][0] if self._pieces else inf, self._next_update)

    def advance(self) -> bytes:
        """Let what is due happen. Returns the bytes that have reached the far end with it, perhaps none."""
        if self._pieces and self._pieces[0][0] <= self._next_update:
            return self._pieces.popleft()[1]
        at = self._next_update
        self._updates += 1
        if not self._fed:
            return b""
        block = self._block(self._show(at)) * (2 if self.wire.twice else 1)
        if at % self.habits.pause_every >= self.habits.pause_every - self.habits.pause_for:
            self._stuck += block
            return b""
        burst, self._stuck = self._stuck, b""
        if burst:
            self._pieces.append((at, burst))
        self._send(block, at)
        return b""

    def hear(self, data: bytes, now: float) -> None:
        """Take bytes that were sent to the meter; one that streams does not listen."""
        if self._responder is None or not self._fed or self._is_off(now):
            return
        shown = self._display(now)
        if answer := self._responder.hear(data, shown):
            self.shown.append(shown)
            self._send(self._damaged(answer), now + _ANSWER_AFTER_S)

    def set_lines(self, dtr: bool, rts: bool) -> None:
        """Set the control lines; what a cable that loses its supply was just sending breaks off."""
        if not self.habits.fed_from_lines:
            return
        self._fed = dtr and not rts
        if not self._fed:
            self._pieces.clear()
            self._stuck = b""

    def press_key(self, now: float) -> None:
        """Switch the meter on again, or keep it from switching itself off."""
        if self._is_off(now):
            self._updates = int(now * self.habits.rate)
        self._woken = now

    @property
    def _next_update(self) -> float:
        at = (self._updates + 1) / self.habits.rate
        return inf if self._responder is not None or self._is_off(at) else at

    def _is_off(self, at: float) -> bool:
        return at >= self._woken + self.habits.off_after

    def _show(self, at: float) -> Reading:
        reading = self._display(at)
        self.shown.append(reading)
        return reading

    def _block(self, reading: Reading) -> bytes:
        return self._damaged(self.wire.encode(reading))

    def _damaged(self, block: bytes) -> bytes:
        if self._rng.random() < self.habits.half:
            cut = self._rng.randrange(1, max(2, len(block)))
            block = block[cut:] if self._rng.random() < 0.5 else block[:cut]
        if self._rng.random() < self.habits.junk:
            block = self._rng.randbytes(self._rng.randint(1, _MOST_JUNK)) + block
        return block

    def _send(self, block: bytes, at: float) -> None:
        """Put a block on the line: in random pieces, each as soon as its last character has gone through."""
        begun = max(at, self._line_free)
        per_character = character_seconds(self.wire.line)
        start = 0
        while start < len(block):
            end = min(len(block), start + self._rng.randint(1, len(block)))
            self._pieces.append((begun + end * per_character, block[start:end]))
            start = end
        self._line_free = begun + len(block) * per_character


def steady(reading: Reading) -> Display:
    """A display that stands still."""
    return lambda _at: reading


def played(readings: Sequence[tuple[float, Reading]]) -> Display:
    """A display that changes at given times; the first stands there before, the last for good."""

    def shown(at: float) -> Reading:
        return next((reading for since, reading in reversed(readings) if since <= at), readings[0][1])

    return shown


def counting(reading: Reading, rate: float = 3.0) -> Display:
    """A display whose digits count its updates, from 1 on, so that every reading can be told from every other.

    Args:
        reading: gives the number of digits, the point and all else.
        rate: the updates a second, as in `Habits`.
    """

    def shown(at: float) -> Reading:
        places = sum(character.isdigit() for character in reading.display)
        digits = iter(f"{round(at * rate) % 10**places:0{places}d}")
        return replace(
            reading, display="".join(next(digits) if letter.isdigit() else letter for letter in reading.display)
        )

    return shown
