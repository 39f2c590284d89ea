"""From what is announced to what is spoken, in the technician's language. Pure.

An event is the JSON of an outcome (`meterlink.outcome`): a cue says what is told, and the verdict and finding before it
hold the figures. Which point, which place for the black lead and which dial position a cue asks for is read back from
its own text: that is what was stored and told, also for steps that a search made up. Sentences that the procedure's
author wrote (`say`, `ask`, `remedy`) are spoken as written, terminals and quantities in them as the trade speaks them.
"""

import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from enum import StrEnum
from typing import Any

from meterlink.circuit.dictionary import Measure
from meterlink.circuit.fault import Kin
from meterlink.circuit.page import OWN_POLE
from meterlink.cues.languages import words_of
from meterlink.cues.numbers import shown, whole_number
from meterlink.cues.tags import as_spoken, first_tag, limits
from meterlink.cues.words.model import Said, Words
from meterlink.outcome import Json
from meterlink.phrases import FUNCTION_NAMES
from meterlink.procedure.model import Procedure, Step
from meterlink.reading import Function


class Brevity(StrEnum):
    """How much is said."""

    FULL = "full"
    SHORT = "short"
    EXPERT = "expert"
    """The point and the result, and where the black lead and the dial go when that changes."""


_TOUCH = re.compile(
    r"(?P<before>(?:.*[.:] )?)Touch (?P<point>.+?)\."
    r"(?: Black lead on (?P<reference>.+?)\.)?(?: Dial on (?P<dial>[A-Za-z, ]+)\.)?(?P<after>(?: .*)?)"
)
"""How `meterlink.phrases.announce` asks for a touch, with what stands before and after it."""
_SET_DIAL = re.compile(r"set the dial to (?P<dial>[A-Za-z, ]+)\.")
_POINT = re.compile(r"(?:[Tt]ouch|confirm|Red on|On to) (?P<point>.+?)\.?$")
_JUMPER = re.compile(r"[Jj]umper (?:is entered )?(?:at )?(?P<point>.+?)(?: entered\.| is |;)")
_BEFORE_COLON = re.compile(r"(?P<point>.+?):(?: |$)")
_TIMES = re.compile(r"(?P<count>\d+) times")
_OF = re.compile(r"(?P<first>\d+) of (?P<second>\d+)")
_FUNCTIONS = {name: function for function, name in FUNCTION_NAMES.items()}
_METERS = {"is not known": "unknown", "overdue": "overdue", "No calibration": "missing"}
"""What the cue about the meter says, and which sentence that is."""
_BEFORE = {
    "Known source first: ": "proof-first",
    "Now the point that is to be dead: ": "proof-point",
    "Known source once more: ": "proof-again",
}
_AFTER = {" Hold the probes on.": "hold-on", " With both probes firmly on, confirm.": "confirm-on"}
"""What stands before and after the question of a touch, and which of the other sentences that is."""
_INSTEAD = (
    ("jumper-unknown", "is entered already", "jumper-known"),
    ("jumper-unknown", "needs its place", "jumper-place"),
    ("interval-ready", "With both probes firmly on", "confirm-on"),
)
"""A cue, what makes it another one, and which of the other sentences that is."""
_WITH_VALUE = re.compile(r": (?P<value>-?[0-9.]+|OL)(?: (?P<unit>\S+?))?\.(?: |$)")


class Speaker:
    """Turns one job's events, in their order, into phrases."""

    def __init__(self, procedure: Procedure, language: str, brevity: Brevity = Brevity.FULL) -> None:
        """Be ready to speak.

        Args:
            procedure: the one that is run.
            language: `en`, `de`, `fr` or `es`.
            brevity: how much to say.

        Raises:
            UsageError: the language is not known.
        """
        self._words: Words = words_of(language)
        self._brevity = brevity
        self._steps: dict[str, Step] = {step.id: step for step in procedure.steps}
        self._names = {reference.node: reference.name for reference in procedure.references if reference.node}
        self._verdicts: dict[str, Json] = {}
        self._finding: Mapping[str, Any] = {}

    def phrase(self, event: Json) -> str:
        """Return what to say on an event; empty where nothing is."""
        kind = event["event"]
        if kind == "verdict":
            self._verdicts[str(event["step"])] = event
        elif kind == "finding":
            self._finding = event
        elif kind == "end":
            return self._end(event)
        elif kind == "cue":
            return " ".join(filter(None, self._cue(str(event["code"]), str(event["text"]), event.get("step"))))
        return ""

    # Cues

    def _cue(self, code: str, text: str, step_id: object) -> Iterator[str]:
        step = self._steps.get(str(step_id))
        if code == "probe":
            yield from self._probe(text, step)
        elif code in ("look", "ask"):
            yield self._before(step, text)
            yield self._said(self._words.cues[code], point=self._point(text, step), ask=self._question(step, text))
        elif code == "jumper-open" and "is still in" not in text:
            yield self._words.asks["removed"].format(point=self._point(text, None))
        elif code in self._words.verdicts:
            yield from self._verdict(code, text, step)
        elif code == "meter":
            yield self._words.meters[next((key for mark, key in _METERS.items() if mark in text), "valid")]
        elif code in self._words.cues:
            yield from self._plain(code, text, step)
        else:  # a cue that this version has no words for: better in another language than not at all
            yield as_spoken(text, self._words)

    def _probe(self, text: str, step: Step | None) -> Iterator[str]:
        asked = _TOUCH.fullmatch(text)
        if asked is None or (step is not None and step.say is not None and text.endswith(step.say)):
            yield as_spoken(text, self._words)
            return
        before, after = _BEFORE.get(asked["before"]), _AFTER.get(asked["after"])
        yield self._said(self._words.others[before]) if before else as_spoken(asked["before"].strip(), self._words)
        yield self._said(self._words.cues["probe"], point=self._any_of(asked["point"]))
        if asked["reference"]:
            yield self._said(self._words.lead, reference=self._place(asked["reference"]))
        if asked["dial"]:
            yield self._said(self._words.dial, dial=self._dial(asked["dial"]))
        if after:
            yield self._said(self._words.others[after])

    def _before(self, step: Step | None, text: str) -> str:
        """What stands before a question: the title of the group that it begins."""
        title, found, _ = text.partition(f"{step.point}: ") if step else ("", "", "")
        return as_spoken(title.strip(), self._words) if found else ""

    def _question(self, step: Step | None, text: str) -> str:
        """A question as its author wrote it; one that a search or the register of jumpers asks, in words of its own."""
        if step is None:
            return self._search_asks() if self._finding else as_spoken(text.partition(": ")[2], self._words)
        asked = getattr(step, "ask", None)
        if asked is not None:
            return as_spoken(str(asked), self._words)
        jumper = str(getattr(step, "jumper", ""))
        point = as_spoken(step.point, self._words)
        return (
            self._words.asks[jumper].format(point=point) if jumper in self._words.asks else as_spoken(text, self._words)
        )

    def _search_asks(self) -> str:
        following = self._finding.get("next")
        if self._finding.get("sure"):
            return self._words.asks["repair"].format(fault=self._fault(str(self._finding["answer"])))
        if following is None:
            return self._words.asks["otherwise"]
        return self._words.asks["isolate" if following["measure"] == Measure.RESISTANCE.value else "supply"]

    def _verdict(self, code: str, text: str, step: Step | None) -> Iterator[str]:
        given = self._verdicts.get(step.id if step else "", {})
        point, value = self._point(text, step), self._value(given.get("value"), given.get("unit"))
        if value and code == "pass" and self._brevity is not Brevity.FULL:
            yield f"{value}."
        else:
            yield self._words.cues["read"].full.format(point=point, value=value) if value else f"{point}."
        yield self._said(self._words.verdicts[code], limits=self._limits(given.get("limits")))
        if code != "pass" and step is not None and step.remedy and self._brevity is not Brevity.EXPERT:
            yield as_spoken(step.remedy, self._words)

    def _plain(self, code: str, text: str, step: Step | None) -> Iterator[str]:
        dial = _SET_DIAL.search(text)
        if dial and "Lift the probes first" in text:
            yield self._words.lift_first
        counted = _OF.search(text)
        other = next((key for cue, mark, key in _INSTEAD if cue == code and mark in text), None)
        yield self._said(
            self._words.others[other] if other else self._words.cues[code],
            point=self._point(text, step),
            value=self._value_in(text),
            dial=self._dial(dial["dial"]) if dial else "",
            count=self._count(counted) if counted else "",
            times=self._times(text),
            likeliest=self._likeliest(),
            fault=self._fault(str(self._finding.get("answer"))) if self._finding.get("answer") else "",
            proof=self._proof(),
        )

    def _end(self, event: Json) -> str:
        ends, complete = self._words.ends, bool(event["complete"])
        not_judged = event["not_judged"]
        counts = {
            "passed": event["passed"],
            "failed": event["failed"],
            "unclear": event["unclear"],
            "open": len(not_judged) if isinstance(not_judged, list) else 0,
        }
        tally = [
            ends[key].format(count=whole_number(count, self._words))
            for key, count in counts.items()
            if isinstance(count, int) and (count or key == "passed")
        ]
        said = [ends["complete" if complete else "stopped"], f"{', '.join(tally)}."]
        if event.get("jumpers_open"):
            said.append(ends["jumpers"])
        if self._brevity is Brevity.FULL:
            said.append(ends["permit"])
        return " ".join(said)

    # Words

    def _said(self, said: Said, **values: str) -> str:
        template = said.full
        if self._brevity is not Brevity.FULL and said.short is not None:
            template = said.short
        if self._brevity is Brevity.EXPERT and said.expert is not None:
            template = said.expert
        return " ".join(template.format_map(values).split())

    def _point(self, text: str, step: Step | None) -> str:
        """The point that a cue is about, as its text has it; else the step's."""
        named = _JUMPER.search(text) or _POINT.search(text)
        if named is None and (step is None or text.startswith(f"{step.point}:")):
            named = _BEFORE_COLON.match(text)
        if named is not None:
            return as_spoken(named["point"], self._words)
        return as_spoken(step.point if step else first_tag(text) or "", self._words)

    def _any_of(self, points: str) -> str:
        """One point, or several of which any may come first."""
        *first, last = points.split(" or ")
        said = [as_spoken(each, self._words) for each in (" or ".join(first), last) if each]
        return self._words.either.format(first=said[0], second=said[1]) if len(said) > 1 else said[0]

    def _place(self, name: str) -> str:
        """Where the black lead goes: a place that has a name in this language, a source's pole, or as written."""
        name = self._names.get(name, name)
        if name.endswith(OWN_POLE):
            return self._words.own_pole.format(part=as_spoken(name.removesuffix(OWN_POLE), self._words))
        return self._words.places.get(name) or as_spoken(name, self._words)

    def _dial(self, written: str) -> str:
        """Positions of the dial, from the words that the screen has for them."""
        spoken = ""
        for name in written.split(" or "):
            function = _FUNCTIONS.get(name)
            said = self._function(function) if function else name
            spoken = self._words.either.format(first=spoken, second=said) if spoken else said
        return spoken

    def _function(self, function: Function) -> str:
        return self._words.functions.get(function, FUNCTION_NAMES[function])

    def _value(self, value: object, unit: object) -> str:
        if value is None or unit is None:
            return ""
        return shown(None if value == "OL" else Decimal(str(value)), str(unit), self._words)

    def _value_in(self, text: str) -> str:
        """The value in the text of a cue that names a point and what it read; OL there has no unit."""
        found = _WITH_VALUE.search(text)
        if found is None:
            return ""
        asked = self._finding.get("next") or {}
        ohms = asked.get("measure") == Measure.RESISTANCE.value
        return self._value(found["value"], found["unit"] or ("Ohm" if ohms else "V"))

    def _limits(self, text: object) -> str:
        spoken = limits(text, self._words) if isinstance(text, str) else None
        return self._words.limits.format(limits=spoken) if spoken else ""

    def _count(self, counted: re.Match[str]) -> str:
        first, second = (whole_number(int(number), self._words) for number in counted.groups())
        return self._words.count.format(first=first, second=second)

    def _times(self, text: str) -> str:
        found = _TIMES.search(text)
        return (
            self._words.times.format(count=whole_number(int(found["count"]), self._words))
            if found
            else self._words.once
        )

    def _fault(self, name: str) -> str:
        """A fault, or several at once, by the names that findings have."""
        spoken = ""
        for each in name.split(" + "):
            kin, _, at = each.partition(":")
            said = self._words.faults[Kin(kin)].format(part=self._place(at)) if kin in list(Kin) else each
            spoken = self._words.both.format(first=spoken, second=said) if spoken else said
        return spoken

    def _likeliest(self) -> str:
        faults = self._finding.get("faults") or ()
        return self._words.likeliest.format(fault=self._fault(faults[0]["fault"])) if faults else ""

    def _proof(self) -> str:
        touches = [
            self._words.at.format(
                value=self._value(each["value"], each["unit"]), point=as_spoken(each["point"], self._words)
            )
            for each in self._finding.get("proof") or ()
        ]
        if not touches:
            return ""
        joined = touches[0]
        for each in touches[1:]:
            joined = self._words.both.format(first=joined, second=each)
        return self._words.proof.format(proof=joined)
