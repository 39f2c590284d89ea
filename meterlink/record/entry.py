"""One line of a job's log, before and after it is stored."""

import json
from dataclasses import dataclass
from enum import StrEnum

from meterlink.outcome import Json
from meterlink.reading import Instant


class Kind(StrEnum):
    """What a line of the log is about."""

    START = "start"
    """The cautions were acknowledged; the check begins."""
    INSTRUMENT = "instrument"
    """What is known of the meter from now on, with the whole text of its accuracy sheet."""
    READING = "reading"
    INPUT = "input"
    GAP = "gap"
    TOUCH = "touch"
    VERDICT = "verdict"
    CUE = "cue"
    FINDING = "finding"
    """Where a search for a fault stands."""
    CHANGE = "change"
    """A point went over from one state to another."""
    ANSWER = "answer"
    """A question about the lift was answered."""
    JUMPER = "jumper"
    """A temporary jumper was fitted or taken out."""
    REOPENED = "reopened"
    """Verdicts that no longer count."""
    END = "end"
    NOTE = "note"
    """Something worth keeping that no decision rests on: a person's note, an error the meter reports, news of the
    link."""


OUTCOMES = (
    Kind.TOUCH,
    Kind.VERDICT,
    Kind.CUE,
    Kind.FINDING,
    Kind.CHANGE,
    Kind.ANSWER,
    Kind.JUMPER,
    Kind.REOPENED,
    Kind.END,
)
"""What the engine says, and must say again when its inputs are replayed."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A line to store."""

    kind: Kind
    at: Instant
    body: Json
    """What `json` can write: text, numbers, booleans, None, lists and objects of them."""
    raw: bytes = b""
    """The bytes it was decoded from; empty where there are none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event(Entry):
    """A line as stored."""

    seq: int
    """Its number in the job, from 1 without a gap: the order of the log, whatever the clocks say."""


_KINDS = {kind.value: kind for kind in Kind}
_EXACT, _PLAIN = 2**53, 10**21


def stored_event(kind: str, at: Instant, body: str, raw: bytes, seq: int) -> Event:
    """Read a line back as it was given to be stored.

    Raises:
        ValueError: its kind is not known, or its body is no JSON.
    """
    if kind not in _KINDS:
        raise ValueError(f"{kind!r} is no kind of line")
    return Event(_KINDS[kind], at, _BODIES.decode(body), raw, seq=seq)


def _whole(text: str) -> int | float:
    """Read a number without a point: RFC 8785 writes doubles up to 1e21 so, and whole numbers only below 2^53."""
    number = int(text)
    return float(number) if _EXACT < abs(number) < _PLAIN else number


_BODIES = json.JSONDecoder(parse_int=_whole)
