"""Live-dead-live: the known source, the point, the known source once more; only all three prove a point dead. Pure.

A meter, a lead or a fuse that failed at the point shows 0 V too; the second live proof is what tells (GS38, paragraph
17 in the fourth edition, from memory).
"""

from collections.abc import Iterator
from enum import IntEnum

from meterlink.outcome import Cue, Measured, Verdict, VerdictOutcome
from meterlink.procedure.model import DeadStep, ReadingStep
from meterlink.reading import Instant


class Phase(IntEnum):
    """Which of the three touches is waited for."""

    BEFORE = 0
    POINT = 1
    AFTER = 2


class DeadProof:
    """Conducts one `dead` step: asks for three readings in turn."""

    def __init__(self, step: DeadStep) -> None:
        self._step = step
        self._known = _touch(step, step.known.point, step.known.reference or step.reference, step.known.limits)
        self._point = _touch(step, step.point, step.reference, step.limits)
        self.phase = Phase.BEFORE
        self._live: Measured | None = None
        self._dead: Verdict | None = None

    @property
    def step(self) -> ReadingStep:
        """The reading that is waited for; it has the dead step's own id."""
        return self._point if self.phase is Phase.POINT else self._known

    @property
    def asks(self) -> str:
        """What is said before the touch is asked for."""
        return ("Known source first: ", "Now the point that is to be dead: ", "Known source once more: ")[self.phase]

    def take(self, result: Verdict) -> Iterator[Cue | Verdict]:
        """Take in what a touch came to; the verdict comes with the last one, or where the point is not dead."""
        if self.phase is Phase.POINT:
            if result.outcome is VerdictOutcome.PASS:
                self.phase, self._dead = Phase.AFTER, result
                yield Cue("proved-dead", f"{self._step.point}: {result.measured}.", self._step.id, result.at)
            else:
                yield result
        elif self.phase is Phase.BEFORE:
            if result.outcome is VerdictOutcome.PASS:
                self.phase, self._live = Phase.POINT, result.measured
                yield Cue("proved-live", f"{self._known.point}: {result.measured}, live.", self._step.id, result.at)
            else:
                text = f"{self._known.point}: {result.measured}. {result.reason} The meter is not proved; try again."
                yield Cue("not-live", text, self._step.id, result.at)
        elif result.outcome is VerdictOutcome.PASS:
            yield self._proved(result)
        else:
            yield from self._not_proved_again(f"it read {result.measured}", result.at)

    def refuse(self, at: Instant) -> Iterator[Cue | Verdict]:
        """The known source cannot be touched: nothing is proved."""
        if self.phase is Phase.BEFORE:
            yield self._unclear(f"The known source {self._known.point} was not proved live first.", at)
        else:
            yield from self._not_proved_again("it was refused", at)

    def start_over(self, at: Instant) -> Iterator[Cue]:
        """A break: what was proved before it proves nothing after it."""
        if self.phase is not Phase.BEFORE:
            self.phase, self._live, self._dead = Phase.BEFORE, None, None
            text = f"The proof was broken off: {self._step.point} begins anew at the known source."
            yield Cue("started-over", text, self._step.id, at)

    def _proved(self, after: Verdict) -> Verdict:
        assert self._dead is not None  # noqa: S101 - the phases come in order
        told = f"Known source {self._known.point}: {self._live} before, {after.measured} after."
        return Verdict(
            self._step.id,
            VerdictOutcome.PASS,
            self._dead.measured,
            self._step.limits.text,
            True,
            told,
            after.at,
            self._step.source,
            self._dead.assessment,
        )

    def _not_proved_again(self, why: str, at: Instant) -> Iterator[Cue | Verdict]:
        text = f"The known source {self._known.point} was not re-proved: {why}. Take {self._step.point} for live."
        yield Cue("not-reproved", text, self._step.id, at)
        yield self._unclear(f"The known source {self._known.point} was not re-proved: {why}.", at)

    def _unclear(self, why: str, at: Instant) -> Verdict:
        measured = self._dead.measured if self._dead else None
        limits, source = self._step.limits.text, self._step.source
        return Verdict(self._step.id, VerdictOutcome.UNCLEAR, measured, limits, self._dead is not None, why, at, source)


def _touch(step: DeadStep, point: str, reference: str, limits: object) -> ReadingStep:
    return ReadingStep.model_validate(
        {
            "id": step.id,
            "kind": "reading",
            "point": point,
            "reference": reference,
            "measure": step.measure,
            "limits": limits,
            "say": step.say if point == step.point else None,
            "remedy": step.remedy,
            "judging": step.judging,
            "source": step.source,
        }
    )
