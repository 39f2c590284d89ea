"""The jumper register: where temporary jumpers are in, so that none is left behind. Pure."""

from collections.abc import Iterator

from meterlink.outcome import Cue, Jumper, Register
from meterlink.procedure.model import BridgeStep
from meterlink.reading import Instant

CLOSING_PREFIX = "jumper-out-"
"""How the ids of the questions begin that are asked at the end, one for each jumper still in."""


class Jumpers:
    """What is in at the moment."""

    def __init__(self) -> None:
        self._open: dict[str, Register] = {}
        self._asked = 0

    @property
    def open(self) -> tuple[str, ...]:
        """Where temporary jumpers are in, as they were entered."""
        return tuple(entry.where for entry in self._open.values())

    def enter(self, item: Jumper, step: str | None = None) -> Iterator[Register | Cue]:
        """Enter that one was fitted or taken out.

        Args:
            item: what the technician says.
            step: the step by which it was asked; None where it was not.
        """
        key = " ".join(item.where.split()).casefold()
        entry = Register(item.fitted, " ".join(item.where.split()), item.why, step, item.at)
        if not key or (item.fitted and key in self._open):
            why = f"A jumper at {entry.where} is entered already." if key else "A jumper needs its place."
            yield Cue("jumper-unknown", why, step, item.at)
        elif item.fitted:
            self._open[key] = entry
            yield entry
            text = f"Jumper {entry.where} entered. It must come out before the job is complete."
            yield Cue("jumper-fitted", text, step, item.at)
        elif key in self._open:
            del self._open[key]
            yield entry
            yield Cue("jumper-removed", f"Jumper {entry.where} is out.", step, item.at)
        else:
            known = ", ".join(self.open) or "none"
            yield Cue("jumper-unknown", f"No jumper is entered at {entry.where}; entered are: {known}.", step, item.at)

    def closing(self, where: str) -> BridgeStep:
        """The question at the end about one that is still in; its id is never used twice in a job."""
        self._asked += 1
        return BridgeStep.model_validate(
            {"id": f"{CLOSING_PREFIX}{self._asked}", "kind": "bridge", "jumper": "removed", "point": where}
        )


def entry_of(step: BridgeStep, at: Instant) -> Jumper:
    """What a yes to the question about a temporary jumper enters."""
    return Jumper(step.jumper == "temporary", step.point, step.why or "", at)
