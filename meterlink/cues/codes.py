"""Which tone goes with which cue, and how much it weighs against others.

A verdict comes in the same instant as its touch settles, so it has only its own tone; `settled` is for a value that is
taken in without a verdict, as in a search. What only asks for the next touch has no tone: the one before says that it
is due. A code that is not known here calls for attention.
"""

from enum import IntEnum

from meterlink.cues.tones import Tone


class Weight(IntEnum):
    """What may interrupt what: an alarm all, a result what asks, and nothing else anything."""

    ASK = 0
    """Asks for something, or gives a hint."""
    RESULT = 1
    """What a touch or an answer came to: what was being asked is over."""
    ALARM = 2
    """A fail, or something that must be heard now."""


LIFT = "lift"
"""The code of a touch that has ended; there is no cue for it."""
END = "end"
"""The code of the tally at the end."""

_TONES: dict[str, Tone | None] = {
    "pass": Tone.PASS,
    "fail": Tone.FAIL,
    "unclear": Tone.UNCLEAR,
    "dip": Tone.FAIL,
    "not-reproved": Tone.UNCLEAR,
    **dict.fromkeys(("read", "operate-ready", "watch-ready", "watching", "interval-ready"), Tone.SETTLED),
    **dict.fromkeys(("proved-live", "proved-dead", "answered", "by-hand"), Tone.SETTLED),
    **dict.fromkeys((LIFT, "click", "timing", "jumper-fitted", "jumper-removed"), Tone.LIFT),
    **dict.fromkeys(("probe", "look", "ask", "meter", "find", "prove-again", "not-applicable"), None),
}
_WEIGHTS = {
    **dict.fromkeys(("pass", "unclear", "read", "found", "given-up", END), Weight.RESULT),
    **dict.fromkeys(("proved-live", "proved-dead", "not-reproved"), Weight.RESULT),
    **dict.fromkeys(("fail", "dip", "live-circuit", "link-lost", "no-data", "overload"), Weight.ALARM),
}


def tone_of(code: str) -> Tone | None:
    """Return a cue's tone; None for one that has none, by decision."""
    return _TONES.get(code, Tone.ATTENTION)


def weight_of(code: str) -> Weight:
    """Return how much a cue weighs."""
    return _WEIGHTS.get(code, Weight.ASK)
