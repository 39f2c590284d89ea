"""A test bench for the engine: write down what the display shows, get back what comes of it."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Self, TypeVar

from meterlink.engine import Engine
from meterlink.gestures import Way
from meterlink.instrument import Instrument
from meterlink.outcome import (
    Answer,
    Answered,
    Break,
    Change,
    Cue,
    End,
    Gap,
    Input,
    Jumper,
    Outcome,
    Register,
    Reopened,
    Touch,
    Verdict,
)
from meterlink.procedure.model import Procedure
from meterlink.procedure.parse import parse_procedure
from meterlink.reading import NS_PER_S, Flag, Function, Instant, Reading
from procedure_samples import with_steps

Kind = TypeVar("Kind", Touch, Verdict, Cue, End, Change, Answered, Register, Reopened)

VOLTS = {"reference": "earth bar", "measure": "dc-voltage"}
OHMS = {"reference": "X1:8", "measure": "resistance"}


def reading_step(step_id: str, limits: str, **more: object) -> dict[str, object]:
    """Return a step that waits for DC volts to the earth bar, unless told otherwise."""
    return {"id": step_id, "kind": "reading", "point": f"{step_id}:1", "limits": limits, **VOLTS, **more}


def procedure(*steps: Mapping[str, object]) -> Procedure:
    """Return a procedure of these steps."""
    return Procedure.model_validate(
        {"procedure": "bench", "title": "Bench", "revision": "1", "cautions": ["Take care."], "steps": steps}
    )


class Bench:
    """Feeds an engine update by update, at a fixed interval, and keeps all outcomes."""

    def __init__(
        self,
        *steps: Mapping[str, object],
        interval_s: float = 0.4,
        instrument: Instrument | None = None,
        written: str | None = None,
        ways: Collection[Way] = (),
    ) -> None:
        """Begin with these steps, or with those `written` as in a file."""
        asked = procedure(*steps) if written is None else parse_procedure(with_steps(written), "bench")
        self.engine = Engine(asked, ways=ways)
        self.interval_ns = round(interval_s * NS_PER_S)
        self.now_ns = 0
        self.outcomes: list[Outcome] = self.engine.feed(instrument) if instrument else []
        self.outcomes += self.engine.start(self.at())

    def at(self) -> Instant:
        return Instant(self.now_ns, self.now_ns)

    def show(
        self,
        displays: str | Iterable[str],
        function: str = "dc-voltage",
        scale: int = 0,
        flags: Sequence[str] = ("auto-range",),
    ) -> Self:
        """Show these displays, one an update; a string is split at white space, `-` stands for blank."""
        for display in displays.split() if isinstance(displays, str) else displays:
            self.now_ns += self.interval_ns
            chosen = Function(function)
            marks = frozenset(Flag(flag) for flag in flags)
            text = "" if display == "-" else display
            self.outcomes += self.engine.feed(Reading(text, chosen.unit, chosen, self.at(), scale, marks))
        return self

    def hold(self, display: str, updates: int, function: str = "dc-voltage", scale: int = 0) -> Self:
        return self.show([display] * updates, function, scale)

    def lift(self, updates: int = 4) -> Self:
        return self.show(["0.02", "0.05", "0.01", "0.04", "0.03", "0.00"][:updates])

    def answer(self, answer: str) -> Self:
        self.now_ns += self.interval_ns // 4
        self.outcomes += self.engine.feed(Input(Answer(answer), self.at()))
        return self

    def jumper(self, where: str, *, fitted: bool) -> Self:
        self.outcomes += self.engine.feed(Jumper(fitted, where, "", self.at()))
        return self

    def wait(self, seconds: float) -> Self:
        self.now_ns += round(seconds * NS_PER_S)
        return self

    def gap(self, reason: Break = Break.LINK_LOST) -> Self:
        self.outcomes += self.engine.feed(Gap(self.at(), reason))
        return self

    def confirm_dead(self, display: str = "0.00", function: str = "dc-voltage", scale: int = 0) -> Self:
        """Confirm, and let the display stay as it is for one more update."""
        return self.answer("confirm").show([display], function, scale)

    def of(self, kind: type[Kind]) -> list[Kind]:
        return [outcome for outcome in self.outcomes if isinstance(outcome, kind)]

    @property
    def verdicts(self) -> list[tuple[str, str]]:
        return [(verdict.step, verdict.outcome.value) for verdict in self.of(Verdict)]

    @property
    def touches(self) -> list[tuple[str | None, str]]:
        return [(touch.step, touch.outcome.value) for touch in self.of(Touch)]

    @property
    def cues(self) -> list[str]:
        return [cue.code for cue in self.of(Cue)]
