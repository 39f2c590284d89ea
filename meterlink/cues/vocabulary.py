"""One language at one brevity: names of the trade and figures as spoken words. Pure."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from enum import StrEnum
from functools import reduce
from typing import Any

from meterlink.circuit.fault import Kin
from meterlink.circuit.page import OWN_POLE
from meterlink.cues.numbers import shown, whole_number
from meterlink.cues.tags import as_spoken, limits
from meterlink.cues.words.model import Said, Words
from meterlink.phrases import FUNCTION_NAMES

_FUNCTIONS = {name: function for function, name in FUNCTION_NAMES.items()}


class Brevity(StrEnum):
    """How much is said."""

    FULL = "full"
    SHORT = "short"
    EXPERT = "expert"
    """The point and the result, and where the black lead and the dial go when that changes."""


class Vocabulary:
    """Puts one thing into words."""

    def __init__(self, words: Words, brevity: Brevity, names: Mapping[str, str]) -> None:
        """Be ready.

        Args:
            words: of the language.
            brevity: which form of a sentence is taken.
            names: what the procedure calls a node where the black lead may go.
        """
        self.words, self.brevity, self._names = words, brevity, names

    def said(self, said: Said, **values: str) -> str:
        """Fill a sentence."""
        template = said.full
        if self.brevity is not Brevity.FULL and said.short is not None:
            template = said.short
        if self.brevity is Brevity.EXPERT and said.expert is not None:
            template = said.expert
        return " ".join(template.format_map(values).split())

    def written(self, text: str) -> str:
        """Speak what somebody wrote, or a point."""
        return as_spoken(text, self.words)

    def any_of(self, names: Sequence[str]) -> str:
        """Join names, already spoken, of which any will do."""
        return self._joined(self.words.either, names)

    def place(self, name: str) -> str:
        """Where the black lead goes: a place that has a name in this language, a source's pole, or as written."""
        name = self._names.get(name, name)
        if name.endswith(OWN_POLE):
            return self.words.own_pole.format(part=self.written(name.removesuffix(OWN_POLE)))
        return self.words.places.get(name) or self.written(name)

    def dial(self, names: Sequence[str]) -> str:
        """Positions of the dial, from the words that the screen has for them."""
        return self.any_of([self._function(name) for name in names])

    def value(self, value: object, unit: object) -> str:
        """A value as JSON has it, `OL` or digits, with its unit; empty for none."""
        if value is None or unit is None:
            return ""
        return shown(None if value == "OL" else Decimal(str(value)), str(unit), self.words)

    def limits(self, text: object) -> str:
        """What a value should have been; empty where that only makes sense beside another."""
        spoken = limits(text, self.words) if isinstance(text, str) else None
        return self.words.limits.format(limits=spoken) if spoken else ""

    def count(self, counted: tuple[int, int] | None) -> str:
        """Which of how many."""
        if counted is None:
            return ""
        first, second = (whole_number(number, self.words) for number in counted)
        return self.words.count.format(first=first, second=second)

    def times(self, times: int) -> str:
        """How often."""
        return self.words.once if times == 1 else self.words.times.format(count=whole_number(times, self.words))

    def fault(self, name: object) -> str:
        """A fault, or several at once, by the name that findings have; empty for none."""
        return self._joined(self.words.both, [self._fault(each) for each in str(name).split(" + ")]) if name else ""

    def likeliest(self, finding: Mapping[str, Any]) -> str:
        """The likeliest fault of a finding."""
        faults = finding.get("faults") or ()
        return self.words.likeliest.format(fault=self.fault(faults[0]["fault"])) if faults else ""

    def proof(self, finding: Mapping[str, Any]) -> str:
        """The readings that prove a finding."""
        touches = [
            self.words.at.format(value=self.value(each["value"], each["unit"]), point=self.written(each["point"]))
            for each in finding.get("proof") or ()
        ]
        return self.words.proof.format(proof=self._joined(self.words.both, touches)) if touches else ""

    def _joined(self, template: str, parts: Sequence[str]) -> str:
        return reduce(lambda first, second: template.format(first=first, second=second), parts) if parts else ""

    def _fault(self, name: str) -> str:
        kin, _, at = name.partition(":")
        return self.words.faults[Kin(kin)].format(part=self.place(at)) if kin in list(Kin) else name

    def _function(self, name: str) -> str:
        function = _FUNCTIONS.get(name)
        return self.words.functions.get(function, name) if function else name
