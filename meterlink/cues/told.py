"""What a cue's own words tell: which point, where the black lead and the dial go, how often, how much. Pure.

The words are those of `meterlink.phrases` and of the engine. They are what was stored and shown, also for steps that a
search made up and that stand in no procedure, so what is spoken is read back from them and from nothing else.
"""

import re
from dataclasses import dataclass

_TOUCH = re.compile(
    r"(?P<before>(?:.*[.:] )?)Touch (?P<points>.+?)\."
    r"(?: Black lead on (?P<reference>.+?)\.)?(?: Dial on (?P<dial>[A-Za-z, ]+)\.)?(?P<after>(?: .*)?)"
)
_SET_DIAL = re.compile(r"set the dial to (?P<dial>[A-Za-z, ]+)\.(?P<lift>.*Lift the probes first)?")
_POINT = re.compile(r"(?:[Tt]ouch|confirm|Red on|On to) (?P<point>.+?)\.?$")
_JUMPER = re.compile(r"[Jj]umper (?:is entered )?(?:at )?(?P<point>.+?)(?: entered\.| is |;)")
_BEFORE_COLON = re.compile(r"(?P<point>.+?):(?: |$)")
_NAMES_ITS_POINT = ("lift-first", "refused", "confirm-dead", "reversed", "go-to", "fits-none")
"""Cues that end with the point they are about."""
_TIMES = re.compile(r"(?P<count>\d+) times")
_OF = re.compile(r"(?P<first>\d+) of (?P<second>\d+)")
_SHOWN = re.compile(r": (?P<value>-?\d+(?:\.\d+)?|OL)(?: (?P<unit>\S+?))?\.(?: |$)", re.ASCII)

_BEFORE = {
    "Known source first: ": "proof-first",
    "Now the point that is to be dead: ": "proof-point",
    "Known source once more: ": "proof-again",
}
_AFTER = {" Hold the probes on.": "hold-on", " With both probes firmly on, confirm.": "confirm-on"}
_INSTEAD = (
    ("jumper-unknown", "is entered already", "jumper-known"),
    ("jumper-unknown", "needs its place", "jumper-place"),
    ("interval-ready", "With both probes firmly on", "confirm-on"),
)
_METERS = {"is not known": "unknown", "overdue": "overdue", "No calibration": "missing"}


@dataclass(frozen=True, slots=True)
class Asked:
    """A touch that is asked for."""

    title: str
    """What stands before it, such as the title of a group."""
    before: str | None
    """Which other sentence is said before it, by its key in `Words.others`."""
    points: tuple[str, ...]
    """The point; or the last of several of which any may come first, and those before it."""
    reference: str | None
    """Where the black lead goes, where that is said."""
    dial: tuple[str, ...]
    """Positions of the dial, in the screen's words, where they are said."""
    after: str | None
    """Which other sentence is said after it."""


def asked(text: str) -> Asked | None:
    """Read back which touch is asked for; None where the author's own words ask."""
    found = _TOUCH.fullmatch(text)
    if found is None:
        return None
    before = _BEFORE.get(found["before"])
    title = "" if before else found["before"].strip()
    dial = tuple(found["dial"].split(" or ")) if found["dial"] else ()
    points = tuple(found["points"].rsplit(" or ", 1))
    return Asked(title, before, points, found["reference"], dial, _AFTER.get(found["after"]))


def dial_to_set(text: str) -> tuple[tuple[str, ...], bool]:
    """Read back the positions that the dial is to be set to, and whether the probes must be lifted first."""
    found = _SET_DIAL.search(text)
    return (tuple(found["dial"].split(" or ")), found["lift"] is not None) if found else ((), False)


def point(code: str, text: str) -> str | None:
    """Read back which point a cue is about; None where its step says it."""
    if code.startswith("jumper"):
        found = _JUMPER.search(text) or _BEFORE_COLON.match(text)
    elif code in _NAMES_ITS_POINT:
        found = _POINT.search(text)
    else:
        found = None
    return found["point"] if found else None


def first_named(text: str) -> str:
    """Read back what stands before a text's first colon: the point, for a step that stands in no procedure."""
    found = _BEFORE_COLON.match(text)
    return found["point"] if found else ""


def value_and_unit(text: str) -> tuple[str, str | None] | None:
    """Read back what a point showed; OL has no unit."""
    found = _SHOWN.search(text)
    return (found["value"], found["unit"]) if found else None


def count(text: str) -> tuple[int, int] | None:
    """Read back which of how many."""
    found = _OF.search(text)
    return (int(found["first"]), int(found["second"])) if found else None


def times(text: str) -> int:
    """Read back how often; once, unless it says more."""
    found = _TIMES.search(text)
    return int(found["count"]) if found else 1


def other(code: str, text: str) -> str | None:
    """Tell which other sentence stands in the place of a cue's usual one, by its key in `Words.others`."""
    return next((key for cue, mark, key in _INSTEAD if cue == code and mark in text), None)


def meter(text: str) -> str:
    """Tell how the meter in hand stands, by its key in `Words.meters`."""
    return next((key for mark, key in _METERS.items() if mark in text), "valid")
