"""A finding for people and as JSON. Pure."""

from collections.abc import Sequence
from math import floor

from meterlink.circuit.asking import Next
from meterlink.circuit.dictionary import Measure, Question
from meterlink.circuit.elsewhere import Elsewhere, elsewhere
from meterlink.circuit.evidence import Seen
from meterlink.circuit.parts import Circuit, Kind
from meterlink.circuit.search import Finding, Search
from meterlink.circuit.seen import measured_of
from meterlink.circuit.symptoms import Suspicion
from meterlink.outcome import Json

_SHOWN = 8
"""So many faults are worth a line."""


def finding_json(search: Search, finding: Finding, suspicion: Suspicion | None = None) -> Json:
    """What a search came to: a public contract (`faults`, `sure`, `next`), and what it rests on."""
    told = {} if suspicion is None else {"suspects": suspicion.names}
    return {
        "circuit": search.circuit.name,
        "revision": search.circuit.revision,
        "situation": search.dictionary.situation,
        **told,
        "faults": [{"fault": each.name, "probability": _rounded_down(each.probability)} for each in finding.faults],
        "sure": finding.sure,
        "answer": finding.answer,
        "next": next_json(search, finding.next),
        "elsewhere": None if finding.sure or finding.next else elsewhere_json(elsewhere(search, finding)),
        "proof": [seen_json(each) for each in finding.proof],
        "doubtful": [seen_json(each) for each in finding.doubtful],
    }


def _rounded_down(probability: float) -> float:
    """To six digits; rounded to the nearest, many of them could add up to more than 1."""
    return floor(probability * 1e6) / 1e6


def next_json(search: Search, following: Next | None) -> Json | None:
    """The next question; None where there is none."""
    if following is None:
        return None
    question = following.question
    return {
        "point": question.point,
        "reference": question.reference or search.circuit.reference,
        "black_lead": black_lead(search.circuit, question),
        "measure": question.measure.value,
        "minutes": search.dictionary.minutes(question),
        "why": following.why,
    }


def elsewhere_json(found: Elsewhere | None) -> Json | None:
    """The reading in another situation that tells more; None where there is none."""
    if found is None:
        return None
    return {"situation": found.situation, "point": found.question.point, "tells": list(found.tells)}


def seen_json(seen: Seen) -> Json:
    """A touch."""
    return {"point": seen.question.point, "reference": seen.question.reference, **measured_of(seen).as_json()}


def finding_lines(search: Search, finding: Finding) -> list[str]:
    """What a search came to, in words."""
    lines = [f"  {_percent(each.probability):>8}  {each.name}" for each in finding.faults[:_SHOWN]]
    doubts = [f"  {seen_words(seen)} does not fit the likeliest fault." for seen in finding.doubtful]
    return [*lines, *doubts, "", *verdict_lines(search, finding)]


def verdict_lines(search: Search, finding: Finding) -> list[str]:
    """The answer with its proof, or what to touch next."""
    if finding.answer is not None:
        return [
            f"Found: {finding.answer}. Proof: {' and '.join(map(seen_words, finding.proof))}.",
            *advice(search, finding),
        ]
    if finding.next is None:
        return ["These readings tell no more apart.", elsewhere_words(elsewhere(search, finding))]
    return [f"Next: {asked(search, finding.next)}", f"  {finding.next.why}"]


def elsewhere_words(found: Elsewhere | None) -> str:
    """Where to look on."""
    if found is None:
        return "Read under load, or work the contacts by hand."
    one, other = found.tells
    title = found.title[0].lower() + found.title[1:]
    return f"Read {found.question} when {title} (situation {found.situation}): it tells {one} from {other}."


def asked(search: Search, following: Next) -> str:
    """The next touch in words."""
    question = following.question
    reach = search.circuit.points[question.point].reach
    dial = "ohms, supply isolated and proved dead" if question.measure is Measure.RESISTANCE else "DC volts"
    black = black_lead(search.circuit, question)
    return f"red on {question.point}, black on {black}, {dial}{f' ({reach})' if reach else ''}."


def black_lead(circuit: Circuit, question: Question) -> str:
    """Where the black lead goes: a source at its own poles is measured there, and not to the reference."""
    if question.reference != circuit.reference or question.measure is Measure.RESISTANCE:
        return question.reference or circuit.reference
    source = next((part.id for part in circuit.parts if part.kind.supplies and question.reference in part.nodes), "")
    return f"{source}{OWN_POLE}"


OWN_POLE = "'s own pole"


def advice(search: Search, finding: Finding) -> Sequence[str]:
    """What to bear in mind at the repair."""
    kin, _, at = (finding.answer or "").partition(":")
    part = search.circuit.by_id.get(at)
    words = []
    if kin == "open" and part is not None and part.kind in (Kind.FUSE, Kind.BREAKER):
        words.append(f"{at} opens for a reason: look for a short to earth behind it before it is put back.")
    if kin == "source":
        words.append("A meter that reads nothing anywhere would read this too: prove it on another live source.")
    if kin == "bridged":
        words.append(f"A bridge across {at} takes a safety function away. Take it out, and find out why it was fitted.")
    if kin == "reference":
        words.append(f"The black lead is not joined to {at}. Find bare metal, and prove the meter on a live source.")
    words.append("Isolate the supply before the repair. Afterwards what it touched is proved again.")
    return words


def seen_words(seen: Seen) -> str:
    """A touch in words."""
    return f"{measured_of(seen)} at {seen.question}"


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if share >= 0.001 else "< 0.1 %"
