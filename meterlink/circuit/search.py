"""Looks for what is wrong: from the touches so far to the ranked faults, the proof, and the next question. Pure.

An answer needs a proving pair and a probability of `SURE`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from meterlink.circuit.asking import Asking, Next
from meterlink.circuit.dictionary import Dictionary, Question
from meterlink.circuit.evidence import MOSTLY_AS_STATED, Evidence, Seen
from meterlink.circuit.look import AS_GOOD_AS, Look, Ranked
from meterlink.circuit.parts import Circuit
from meterlink.circuit.proof import Proofs

SURE = 0.999
"""From this probability on, and with a proving pair, something counts as found."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What the touches so far come to."""

    faults: tuple[Ranked, ...]
    """The likeliest first; those of next to no probability are left out."""
    sure: bool
    answer: str | None
    """The fault that is proven; None unless `sure`."""
    proof: tuple[Seen, ...]
    """The touches that prove it."""
    next: Next | None
    """None where it is sure, or where no reading here would tell more."""
    doubtful: tuple[Seen, ...] = ()
    """Touches that the likeliest explanation has to take for misses."""


@dataclass
class Search:
    """One search in one situation."""

    dictionary: Dictionary
    weights: Sequence[float] | None = None
    """Of the dictionary's suspects; their own unless told, as a symptom would."""
    as_stated: float = MOSTLY_AS_STATED
    """How likely the supply stands where the circuit says."""
    _evidence: Evidence = field(init=False)
    _pairs: bool = False
    """Whether faults that are there together are looked at: only once a single one does not explain the touches."""

    def __post_init__(self) -> None:
        if self.weights is None:
            self.weights = [each.weight for each in self.dictionary.suspects]
        self._evidence = Evidence(self.dictionary, self.weights, pairs=False, as_stated=self.as_stated)

    @property
    def circuit(self) -> Circuit:
        """The circuit."""
        return self.dictionary.circuit

    @property
    def touches(self) -> tuple[Seen, ...]:
        """What was touched, in order."""
        return self._evidence.touches

    def take(self, seen: Seen) -> None:
        """Take a touch in."""
        self._evidence.take(seen)

    def finding(self) -> Finding:
        """Say what the touches so far come to, and what to touch next."""
        look = self._look()
        if Proofs(look).doubtful(look.top) and not self._pairs:
            self._pairs = True
            touches = self.touches
            self._evidence = Evidence(self.dictionary, self.weights or (), as_stated=self.as_stated)
            for seen in touches:
                self._evidence.take(seen)
            look = self._look()
        return _finding(look)

    def minutes(self, question: Question) -> float:
        """What a question would cost from here: going there, or not, and putting the supply right for it."""
        return self._look().minutes(question)

    def _look(self) -> Look:
        return Look(self.dictionary, self.touches, self._evidence.standings())


def _finding(look: Look) -> Finding:
    proofs = Proofs(look)
    top = look.top
    doubtful, proof, share = proofs.doubtful(top), proofs.proof(top), look.probability(top)
    proved = proof is not None and not doubtful
    following = None if proved and share >= SURE else Asking(look, proofs).next(top, doubtful, proved=proof is not None)
    # Where no reading tells more, what is left beside the answer is its like: the next terminal on the same wire.
    sure = proved and (share >= SURE or (share >= AS_GOOD_AS and following is None))
    return Finding(
        faults=tuple(look.ranked),
        sure=sure,
        answer=look.name(top) if sure else None,
        proof=proof or () if sure else (),
        next=following,
        doubtful=doubtful,
    )
