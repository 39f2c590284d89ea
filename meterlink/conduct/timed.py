"""What the steps have in common in which readings are followed over time."""

from collections.abc import Callable, Iterator
from typing import Protocol

from meterlink.judging.judge import Judge
from meterlink.limits import Limits
from meterlink.outcome import Answer, Change, Cue, Verdict
from meterlink.procedure.model import TimedStep
from meterlink.reading import NS_PER_S, Instant, Reading

JudgeFor = Callable[[Limits], Judge]
"""What the step's values are judged by, for these limits."""

Said = Cue | Change | Verdict

FRESH_NS = 2 * NS_PER_S
"""An answer about what the display shows counts only while the newest reading is not older than this."""


class Timed(Protocol):
    """Conducts one step from its first touch to its verdict; begun anew for each attempt."""

    @property
    def step(self) -> TimedStep:
        """What is conducted."""

    @property
    def limits(self) -> Limits:
        """What the display is held against now."""

    @property
    def under_way(self) -> bool:
        """Whether something is being followed that a break would spoil."""

    @property
    def confirms(self) -> str | None:
        """What yes would confirm now; None where it would confirm nothing."""

    def take(self, reading: Reading, *, touching: bool) -> Iterator[Said]:
        """Follow one reading in a function of the step, after a lift.

        Args:
            reading: not blank.
            touching: whether the probes are on something, as far as the display tells.
        """

    def answer(self, answer: Answer, at: Instant) -> Iterator[Said]:
        """Take in yes (confirm) or no (refuse)."""

    def start_over(self, at: Instant, why: str) -> Iterator[Said]:
        """Forget what was followed; say so if anything was."""


def lasted(ns: int) -> str:
    """Write a time for people: `1.2 s`."""
    return f"{ns / NS_PER_S:.1f} s"


def up_to(ns: int) -> str:
    """Write what a time may be at most, rounded up: `0.43 s`."""
    return f"{-(-ns // (NS_PER_S // 100)) / 100:.2f} s"


def often(count: int) -> str:
    """Write how often: `once`, `3 times`."""
    return "once" if count == 1 else f"{count} times"


def said_to_start_over(step: TimedStep, at: Instant, why: str) -> Cue:
    """Tell that the measurement was broken and begins anew."""
    return Cue("started-over", f"{why} {step.point} begins anew.", step.id, at)


def nothing_to_confirm(step: TimedStep, at: Instant, why: str) -> Cue:
    """Tell that there is nothing to be confirmed now."""
    return Cue("nothing-to-confirm", f"Nothing to confirm: {why}", step.id, at)
