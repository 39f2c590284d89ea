"""What the lift does, as evidence: which faults would make it do so, worked out from the circuit."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from meterlink.circuit.fault import Suspect
from meterlink.circuit.parts import Showing, Symptom
from meterlink.circuit.solve import Bench, RestlessError, working_loads

_UNEXPLAINED = 0.002
"""How likely a symptom counts under a fault that would not bring it about: people err, and faults come and go (common
practice, no source)."""


@dataclass(frozen=True, slots=True)
class Suspicion:
    """What a symptom says before anything was measured."""

    suspects: tuple[Suspect, ...]
    """All of them, weighed anew."""
    explained_by: tuple[Suspect, ...]
    """Those that would bring the symptom about, the likeliest first."""
    situation: str
    """Where to look first: the first in which something that should work does not."""

    @property
    def names(self) -> list[str]:
        """The single faults that would bring it about, the likeliest first, whatever their size."""
        return list(dict.fromkeys(each.name for each in self.explained_by if len(each.faults) == 1))


def suspected(bench: Bench, symptom: Symptom, suspects: Sequence[Suspect]) -> Suspicion:
    """Weigh suspects by whether they would make the lift do this."""
    explains = [shows(bench, symptom, each) for each in suspects]
    weighed = [
        replace(each, weight=each.weight * (1.0 if explained else _UNEXPLAINED))
        for each, explained in zip(suspects, explains, strict=True)
    ]
    total = 0.0
    for each in weighed:
        total += each.weight
    explaining = [each for each, explained in zip(weighed, explains, strict=True) if explained]
    return Suspicion(
        tuple(replace(each, weight=each.weight / total) for each in weighed),
        tuple(sorted(explaining, key=lambda each: -each.weight)),
        next((shown.situation for shown in symptom.shows if not shown.works), symptom.shows[0].situation),
    )


def shows(bench: Bench, symptom: Symptom, suspect: Suspect) -> bool:
    """Whether the lift would do all that a symptom says, under a fault."""
    return all(_seen(bench, shown, suspect) for shown in symptom.shows)


def _seen(bench: Bench, shown: Showing, suspect: Suspect) -> bool:
    try:
        state = bench.state(suspect.faults, shown.situation)
    except RestlessError:
        return not shown.works  # a relay that chatters does not work
    return working_loads(bench, state).get(shown.coil, False) is shown.works
