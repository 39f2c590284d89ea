"""From what is announced to what is spoken, in the technician's language. Pure.

An event is the JSON of an outcome (`meterlink.outcome`): a cue says what is told, and the verdict and finding before it
hold the figures. Sentences that the procedure's author wrote (`say`, `ask`, `remedy`) are spoken as written, terminals
and quantities in them as the trade speaks them.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from meterlink.circuit.dictionary import Measure
from meterlink.cues import told
from meterlink.cues.languages import words_of
from meterlink.cues.numbers import whole_number
from meterlink.cues.vocabulary import Brevity, Vocabulary
from meterlink.outcome import Json
from meterlink.procedure.model import Procedure, Step


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
        self._words = words_of(language)
        names = {reference.node: reference.name for reference in procedure.references if reference.node}
        self.vocabulary = Vocabulary(self._words, brevity, names)
        self._steps: dict[str, Step] = {step.id: step for step in procedure.steps}
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
            return " ".join(self._end(event))
        elif kind == "cue":
            return " ".join(filter(None, self._cue(str(event["code"]), str(event["text"]), event.get("step"))))
        return ""

    def _cue(self, code: str, text: str, step_id: object) -> Iterator[str]:
        step = self._steps.get(str(step_id))
        if code == "probe":
            yield from self._probe(text, step)
        elif code in ("look", "ask"):
            yield from self._look(code, text, step)
        elif code == "jumper-open" and "is still in" not in text:
            yield self._words.asks["removed"].format(point=self._point(code, text, None))
        elif code in self._words.verdicts:
            yield from self._verdict(code, text, step)
        elif code == "meter":
            yield self._words.meters[told.meter(text)]
        elif code == "office-note":
            yield self.vocabulary.said(self._words.cues[code], ask=self.vocabulary.written(text.partition(": ")[2]))
        elif code in self._words.cues:
            yield from self._plain(code, text, step)
        else:  # a cue that this version has no words for: better in another language than not at all
            yield self.vocabulary.written(text)

    def _probe(self, text: str, step: Step | None) -> Iterator[str]:
        asked, say = told.asked(text), self.vocabulary
        if asked is None or (step is not None and step.say is not None and text.endswith(step.say)):
            yield say.written(text)
            return
        yield say.said(self._words.others[asked.before]) if asked.before else say.written(asked.title)
        points = say.any_of([say.written(each) for each in asked.points])
        yield say.said(self._words.cues["probe"], point=points)
        if asked.reference:
            yield say.said(self._words.lead, reference=say.place(asked.reference))
        if asked.dial:
            yield say.said(self._words.dial, dial=say.dial(asked.dial))
        if asked.after:
            yield say.said(self._words.others[asked.after])

    def _look(self, code: str, text: str, step: Step | None) -> Iterator[str]:
        """A question as its author wrote it, after its group's title; a search's or a jumper's in words of its own."""
        title, found, question = text.partition(f"{step.point}: " if step else ": ")
        if step is not None and found:
            yield self.vocabulary.written(title.strip())
        yield self.vocabulary.said(
            self._words.cues[code],
            point=self._point(code, text, step),
            ask=self._own_question(step) or self.vocabulary.written(question or text),
        )

    def _own_question(self, step: Step | None) -> str | None:
        if step is not None:
            jumper = None if getattr(step, "ask", None) else getattr(step, "jumper", None)
            return self._words.asks[jumper].format(point=self.vocabulary.written(step.point)) if jumper else None
        if not self._finding:
            return None
        following = self._finding["next"]
        if self._finding["sure"]:
            return self._words.asks["repair"].format(fault=self.vocabulary.fault(self._finding["answer"]))
        if following is None:
            return self._words.asks["otherwise"]
        return self._words.asks["isolate" if following["measure"] == Measure.RESISTANCE.value else "supply"]

    def _verdict(self, code: str, text: str, step: Step | None) -> Iterator[str]:
        given: Json = self._verdicts.get(step.id, {}) if step else {}
        point = self._point(code, text, step)
        value = self.vocabulary.value(given.get("value"), given.get("unit"))
        brief = self.vocabulary.brevity
        if value and code == "pass" and brief is not Brevity.FULL:
            yield f"{value}."
        else:
            yield self._words.cues["read"].full.format(point=point, value=value) if value else f"{point}."
        yield self.vocabulary.said(self._words.verdicts[code], limits=self.vocabulary.limits(given.get("limits")))
        if code != "pass" and step is not None and step.remedy and brief is not Brevity.EXPERT:
            yield self.vocabulary.written(step.remedy)

    def _plain(self, code: str, text: str, step: Step | None) -> Iterator[str]:
        dial, lift_first = told.dial_to_set(text)
        if lift_first:
            yield self._words.lift_first
        other, say = told.other(code, text), self.vocabulary
        yield say.said(
            self._words.others[other] if other else self._words.cues[code],
            point=self._point(code, text, step),
            value=self._read(text),
            dial=say.dial(dial),
            count=say.count(told.count(text)),
            times=say.times(told.times(text)),
            likeliest=say.likeliest(self._finding),
            fault=say.fault(self._finding.get("answer")),
            proof=say.proof(self._finding),
        )

    def _end(self, event: Json) -> Iterator[str]:
        ends, not_judged = self._words.ends, event["not_judged"]
        counts = {each: event[each] for each in ("passed", "failed", "unclear")}
        counts["open"] = len(not_judged) if isinstance(not_judged, list) else 0
        yield ends["complete" if event["complete"] else "stopped"]
        tally = [
            ends[key].format(count=whole_number(number, self._words))
            for key, number in counts.items()
            if isinstance(number, int) and (number or key == "passed")
        ]
        yield f"{', '.join(tally)}."
        if event.get("jumpers_open"):
            yield ends["jumpers"]
        if self.vocabulary.brevity is Brevity.FULL:
            yield ends["permit"]

    def _point(self, code: str, text: str, step: Step | None) -> str:
        named = told.point(code, text) or (step.point if step else told.first_named(text))
        return self.vocabulary.written(named)

    def _read(self, text: str) -> str:
        """The value in a cue's text; OL there has no unit, but the search has said what it asks to be measured."""
        read = told.value_and_unit(text)
        asked = self._finding.get("next") or {}
        ohms = asked.get("measure") == Measure.RESISTANCE.value
        return self.vocabulary.value(read[0], read[1] or ("Ohm" if ohms else "V")) if read else ""
