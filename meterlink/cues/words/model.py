"""What a language has to say: one `Words` a language, complete, so that none falls back to another.

Sentences are templates. `{point}` and the like are put in as spoken words.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from meterlink.circuit.fault import Kin
from meterlink.reading import Function


@dataclass(frozen=True, slots=True)
class Said:
    """One sentence at each level of brevity; where a shorter one is not given, the next longer one stands."""

    full: str
    short: str | None = None
    expert: str | None = None


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as it is spoken."""

    one: str
    """With its number: `one volt`, `une seconde`."""
    many: str
    feminine: bool = False


@dataclass(frozen=True, slots=True)
class Words:
    """Everything that is spoken in one language."""

    language: str
    """ISO 639-1."""
    point: str
    """The decimal point."""
    minus: str
    plus: str
    plural_from_two: bool
    """Whether the plural begins at 2 (1.5 is singular), and not at anything but 1."""
    before_unit: tuple[tuple[str, str], ...]
    """Endings that change before a unit."""
    before_feminine: tuple[tuple[str, str], ...]
    """The same before a feminine one."""
    letters: Mapping[str, str]
    """Letters that the voice would not spell by their names."""
    units: Mapping[str, Unit]
    overload: str
    """OL in anything but ohms."""
    open: str
    """OL in ohms."""
    both: str
    """Joins two: `{first} and {second}`."""
    either: str
    span: str
    """`{low} to {high}`; the unit goes with the upper one."""
    at_most: str
    at_least: str
    limits: str
    functions: Mapping[Function, str]
    places: Mapping[str, str]
    """Names for the black lead's place that procedures of this project write in English."""
    own_pole: str
    lead: Said
    dial: Said
    lift_first: str
    """Put before the dial's position, where the range that is set would be harmed by voltage."""
    verdicts: Mapping[str, Said]
    faults: Mapping[Kin, str]
    likeliest: str
    proof: str
    at: str
    """A reading at a point."""
    asks: Mapping[str, str]
    """What a search, or the register of jumpers, asks to be answered."""
    meters: Mapping[str, str]
    """How the meter in hand stands."""
    count: str
    """`{first} of {second}`."""
    ends: Mapping[str, str]
    """The tally: `complete`, `stopped`, `passed`, `failed`, `unclear`, `open`, `jumpers`, `permit`."""
    times: str
    """`{count} times`."""
    once: str
    cues: Mapping[str, Said]
    """Every other cue, by its code."""
    others: Mapping[str, Said]
    """What is said before or after a question, or instead of a cue's usual words."""
