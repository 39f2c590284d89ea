"""What one visit says of one thing that can drift: a value, what is lost between two points, a settling time. Pure."""

from collections.abc import Hashable
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from meterlink.instrument import Instrument


class What(StrEnum):
    """What is looked at from visit to visit."""

    VALUE = "value"
    DROP = "drop"
    """Volts lost from one point of the chain to the next, or between two that a step compares."""
    SETTLE = "settle"
    """Seconds from the touch to its verdict."""


@dataclass(frozen=True, slots=True)
class Key:
    """What makes figures of several visits comparable. Step ids and revisions of the procedure do not count."""

    what: What
    points: tuple[str, ...]
    """The test point; of a drop the one before and the one behind."""
    reference: str
    situation: str
    """Of the circuit while it is read."""
    kind: str
    """Of the step; empty for a drop, which has two."""
    function: str
    unit: str
    nth: int = 0
    """Which of several that have all else in common, from 0, in the procedure's order."""

    @property
    def name(self) -> str:
        """For people: `G1:+`, `X2:3 to B2:12`."""
        return " to ".join(self.points)


@dataclass(frozen=True, slots=True)
class Meter:
    """The meter in hand at a visit, as far as it is known."""

    name: str | None
    """As registered, or else the device's own identity; None: any meter."""
    sheet: str
    calibrated: str | None
    certificate: str | None
    calibration: str

    @classmethod
    def of(cls, instrument: Instrument) -> "Meter":
        """What matters of an instrument."""
        name = instrument.name or instrument.identity
        rest = (instrument.calibrated, instrument.certificate, instrument.calibration.value)
        return cls(name, instrument.sheet.name, *rest)


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of one visit."""

    key: Key
    step: str
    """The id of the step that it comes from; of a drop, of the later one."""
    value: Decimal | None
    """In the key's unit; None for OL."""
    own: float | None
    """Standard uncertainty of what it shares with no other visit; None where nothing is known of the meter."""
    shared: float
    """Standard uncertainty of the meter's error, the same at each visit with this meter and calibration."""
    group: Hashable
    """Figures of one group share it."""
    same: Hashable
    """Figures of which this differs cannot be compared at all; None for any."""
    verdict: str | None
    """None for what has no verdict of its own."""
    limits: str | None
    """As the verdict has them; of a drop, what it would make fail first."""
    written: str | None
    """Its limits as the procedure writes them, before another reading is put in; None for what has none of its own."""
    low: Decimal | None
    high: Decimal | None
    margin: Decimal | None
    """Distance to the nearer limit, negative outside; None where there is none."""
    mended: bool
    """Whether the step failed at this visit and passed after a repair: what was before is no part of the drift."""
    looked_at: bool
    """Whether its drift is: that of a point down the chain is told by the drops before it."""

    @property
    def uncertainty(self) -> float | None:
        """Standard uncertainty; None where nothing is known."""
        return None if self.own is None else (self.own**2 + self.shared**2) ** 0.5
