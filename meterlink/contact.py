"""Where the probes are, as far as the display tells: in the air, or on something, and since when.

Leads in the air show OL in ohms and a value near 0 (or a wandering ghost voltage) in volts and amperes; a dead test
point shows the same. So what is told apart here is *idle-like* from *live*; only the technician's word tells dead from
lifted. A bounce or a slip is a short idle-like spell; a lift is a longer one.
"""

from dataclasses import dataclass, field, replace
from decimal import Decimal

from meterlink.limits import Limits
from meterlink.outcome import Measured, TouchOutcome
from meterlink.reading import NS_PER_S, Function, Instant, Reading, State
from meterlink.settle import newest

LIFT_READINGS = 2
"""A lift shows at least this many idle-like readings; a bounce shorter than one update shows a part value instead."""

LIFT_NS = 7 * NS_PER_S // 10
"""And lasts at least this long: a probe that slips is back sooner, a hand that moves to another terminal is not
(common practice, no source)."""

GAP_NS = 3 * NS_PER_S
"""A longer silence than this breaks a touch: nothing is spliced across it."""

REPEAT_NS = NS_PER_S // 20
"""The same display again within this time is the same conversion sent twice, as some parts do."""

RELEASE_SHARE = Decimal("0.15")
"""Below this share of the nearest limit a point is as good as dead: a relay must have released at 10 to 15 % of its
rated voltage (relay data sheets)."""

STRAY_SHARE = Decimal("0.25")
"""Below this share of the nearest limit, a value that lifted leads have dropped to or drift along is stray voltage."""

FAR_OPEN = Decimal(100_000)
"""Ohms, and more than 1000 times the upper limit: skin or dirt between the tips, as good as leads in the air."""


FLOATING, STRAY = Decimal("0.5"), Decimal(3)
"""Volts at a point that nothing drives: what strays there, and how far it may drift (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Idle:
    """What leads in the air can show while a step is waited for."""

    below: Decimal = Decimal("0.5")
    """Magnitude up to which a value is idle-like, in the function's unit; not where open leads read OL."""
    stray: Decimal = Decimal(2)
    """Magnitude up to which stray voltage may go that does not jump, in the function's unit."""
    above: Decimal | None = None
    """Resistance from which a value is idle-like, in Ohm."""

    @classmethod
    def for_limits(cls, limits: Limits) -> "Idle":
        """Work the thresholds out from what the step accepts."""
        widest = max((abs(end) for end in (limits.low, limits.high) if end is not None), default=Decimal(0))
        near = limits.nearest_zero
        return cls(
            below=near * RELEASE_SHARE or widest,
            stray=near * STRAY_SHARE or 4 * widest,
            above=None if limits.high is None else max(FAR_OPEN, 1000 * abs(limits.high)),
        )

    def where_it_may_float(self) -> "Idle":
        """Widen the thresholds for a point that may float: 0 V expected says nothing of what strays there."""
        return replace(self, below=max(self.below, FLOATING), stray=max(self.stray, STRAY))

    def covers(self, reading: Reading) -> bool:
        """Tell whether a reading is idle-like wherever it comes from. A blank is not: the meter is busy."""
        if reading.function.open_leads_read_overload:
            far = self.above is not None and reading.value is not None and reading.value >= self.above
            return reading.state is State.OVERLOAD or far
        return reading.value is not None and abs(reading.value) <= max(self.below, 3 * reading.resolution)

    def drifts(self, reading: Reading, before: Reading) -> bool:
        """Tell whether a reading follows an idle-like one as stray voltage does, without a jump."""
        if not self._may_stray(reading) or reading.value is None or before.value is None:
            return False
        return abs(reading.value - before.value) <= self.below

    def dropped(self, reading: Reading, peak: Decimal) -> bool:
        """Tell whether a reading has dropped from a contact's peak to what may be stray voltage."""
        return self._may_stray(reading) and reading.value is not None and 2 * abs(reading.value) < peak

    def _may_stray(self, reading: Reading) -> bool:
        if reading.function.open_leads_read_overload:
            return False
        return reading.value is not None and abs(reading.value) <= self.stray


@dataclass(slots=True)
class Contact:
    """The probes on something live."""

    function: Function
    idle: Idle
    start: Instant
    last: Instant
    """The newest reading that was not idle-like."""
    eligible: bool
    """Whether it began after a lift, so that the waiting step may have it."""
    window: list[Reading] = field(default_factory=list)
    """The newest readings of one range, without a break."""
    peak: Decimal = Decimal(0)
    """The largest magnitude it showed, in the function's unit."""
    dips: list[Reading] = field(default_factory=list)
    """The idle-like readings since `last`."""
    overloads: int = 0
    """Consecutive OL readings in a function whose open leads do not read OL."""
    step: str | None = None
    """The step that it was taken for."""
    outcome: TouchOutcome | None = None
    """What it came to; None until it has settled."""
    measured: Measured | None = None
    told: set[str] = field(default_factory=set)
    """Codes of the cues given because of it; each is given once."""


@dataclass(slots=True)
class Probes:
    """Follows the readings: contacts begin and end, leads stay in the air, lifts are seen."""

    idle: Idle = field(default_factory=Idle)
    """For contacts that begin from now on."""
    contact: Contact | None = None
    in_air: list[Reading] = field(default_factory=list)
    """Idle-like readings of one function, without a break, newest last."""
    air_since: Instant | None = None
    """When that spell began; older readings of it than the window keeps may be gone."""
    lifted: bool = True
    """Whether a lift was seen since the last verdict."""
    last: Reading | None = None
    sent_twice: bool = False
    """Whether the newest reading is the one before it sent again."""
    _leave: Instant | None = None
    """When the probes were last on something, or a verdict was given on something idle-like."""

    def take(self, reading: Reading) -> list[Contact]:
        """Follow one reading; return the contacts that it ended, oldest first."""
        before, self.last = self.last, reading
        self.sent_twice = before is not None and _sent_twice(before, reading)
        if self.sent_twice:
            return []
        ended = self._break_before(before, reading)
        if reading.state is State.BLANK:
            self._clear_windows()
        elif self._idle_like(reading):
            ended += self._in_air(reading)
        else:
            ended += self._on_something(reading)
        return ended

    def require_lift(self) -> None:
        """Another step is waited for: it must see a lift first. Leads that hang in the air have been lifted."""
        self.lifted = self.lifted and self.contact is None
        if self.contact is not None:
            self.contact.eligible = False

    def judged_in_air(self, at: Instant) -> None:
        """A dead reading was judged: it cannot be told from leads in the air, so the spell starts anew."""
        self.in_air.clear()
        self.lifted = False
        self._leave = at

    def pass_over(self, reading: Reading) -> None:
        """Note a reading that cannot be trusted (HOLD and the like): what stood still must do so anew."""
        self.last = reading
        self._clear_windows()

    def drop(self) -> list[Contact]:
        """Break off: a gap in the stream, or the end. Return the contact that this ended."""
        ended = [self.contact] if self.contact else []
        self.contact = None
        self._clear_windows()
        return ended

    def _break_before(self, before: Reading | None, reading: Reading) -> list[Contact]:
        if before is None:
            return []
        if before.function is not reading.function or _apart(before.at, reading.at) > GAP_NS:
            return self.drop()
        return []

    def _idle_like(self, reading: Reading) -> bool:
        if self.contact is not None:
            return self.contact.idle.covers(reading) or self.contact.idle.dropped(reading, self.contact.peak)
        before = self.in_air[-1] if self.in_air else None
        return self.idle.covers(reading) or (before is not None and self.idle.drifts(reading, before))

    def _in_air(self, reading: Reading) -> list[Contact]:
        if not self.in_air:
            self.air_since = reading.at
        self.in_air = newest([*self.in_air, reading])
        if self.contact is None:
            self.lifted = self.lifted or self._lift_seen()
            return []
        self.contact.window.clear()
        self.contact.overloads = 0
        self.contact.dips.append(reading)
        if not self._lift_seen():
            return []
        ended, self.contact = [self.contact], None
        self.lifted = True
        return ended

    def _on_something(self, reading: Reading) -> list[Contact]:
        ended: list[Contact] = []
        if self.contact is not None and self.contact.dips and not self.contact.eligible:
            ended, self.contact = [self.contact], None
        if self.contact is None:
            self.contact = Contact(reading.function, self.idle, reading.at, reading.at, self.lifted)
        contact = self.contact
        self.in_air.clear()
        contact.dips.clear()
        contact.last = self._leave = reading.at
        if reading.state is State.OVERLOAD:
            contact.window.clear()
            contact.overloads += 1
        else:
            contact.overloads = 0
            contact.peak = max(contact.peak, abs(reading.value or Decimal(0)))
            if contact.window and contact.window[-1].resolution != reading.resolution:
                contact.window.clear()
            contact.window = newest([*contact.window, reading])
        return ended

    def _lift_seen(self) -> bool:
        if len(self.in_air) < LIFT_READINGS:
            return False
        return self._leave is None or _apart(self._leave, self.in_air[-1].at) >= LIFT_NS

    def _clear_windows(self) -> None:
        self.in_air.clear()
        if self.contact is not None:
            self.contact.window.clear()
            self.contact.overloads = 0


def _sent_twice(before: Reading, reading: Reading) -> bool:
    return (
        _apart(before.at, reading.at) < REPEAT_NS
        and before.display == reading.display
        and (before.function, before.scale, before.flags) == (reading.function, reading.scale, reading.flags)
    )


def _apart(one: Instant, other: Instant) -> int:
    return other.monotonic_ns - one.monotonic_ns
