"""What the simulated technician's hands act on, and how they slip."""

from collections.abc import Generator
from dataclasses import dataclass
from typing import Protocol

from meterlink.outcome import Answer
from meterlink.procedure.model import DeadStep, IntervalStep, MeasuredStep, OperateStep, Step
from meterlink.reading import Function, Reading


@dataclass(frozen=True, slots=True)
class Slips:
    """How often each slip happens: the chance at one touch, or at one turn of the dial."""

    lose: float = 0.12
    """The probe leaves the point before the verdict and comes back."""
    lose_after: float = 0.08
    """The same after the verdict."""
    brush: float = 0.10
    """A neighbouring terminal is touched on the way."""
    forget_dial: float = 0.25
    """The dial stays where it was."""
    hold: float = 0.02
    """The HOLD key is pressed unawares while the meter is shifted."""

    def times(self, factor: float) -> "Slips":
        """The same slips, so many times as often; no chance above 1."""
        chances = (self.lose, self.lose_after, self.brush, self.forget_dial, self.hold)
        return Slips(*(min(1.0, chance * factor) for chance in chances))


class Bench(Protocol):
    """What the hands act on."""

    @property
    def now(self) -> float:
        """Virtual time, in seconds."""

    @property
    def function(self) -> Function:
        """Where the dial stands."""

    @property
    def shown(self) -> Reading | None:
        """The last update of the display."""

    @property
    def update_s(self) -> float:
        """The time from one update of the display to the next, in seconds."""

    def begin_touch(self, point: str, step: MeasuredStep) -> None:
        """Lay the red probe on a point; meant for a step, which says where the black lead is."""

    def neighbours(self, point: str) -> tuple[str, ...]:
        """The points next to one, on which a probe may land on the way."""

    def bounce(self) -> None:
        """Lose contact for an instant, or find it again, within one touch."""

    def lift(self) -> None:
        """Take the probes off."""

    def turn_dial(self, function: Function) -> None:
        """Turn the dial."""

    def press_hold(self) -> None:
        """Press the meter's HOLD key."""

    def work(self, step: OperateStep | IntervalStep, *, worked: bool) -> None:
        """Work by hand what a step asks for, or let it go; the probes stay on."""

    def lasts(self, step: IntervalStep) -> float:
        """How long what was worked takes to end by itself, in seconds."""

    def jolt(self, *, opens: bool) -> None:
        """Pass the place of the travel where what opens only in motion opens, or leave it."""

    def bend_leads(self, step: DeadStep) -> None:
        """Take the leads elsewhere after a point was found dead; one may break."""

    def amiss(self, step: Step) -> bool:
        """Whether what a step asks to be seen is not so; once seen, it is put right."""

    def isolate(self) -> None:
        """Take the supply off."""

    def restore(self) -> None:
        """Put the supply back."""

    def repair(self, answer: str | None) -> None:
        """Mend what a search has named; None: whatever is wrong."""

    def press(self, answer: Answer) -> None:
        """Answer the check."""


@dataclass(frozen=True, slots=True)
class Pause:
    """How long the technician does nothing new."""

    seconds: float
    listening: bool = False
    """Whether the next cue ends the pause."""


Doing = Generator[Pause, None, None]
