"""What the office lacks of one job, and what to send next. Pure.

Lines are sent ahead of their acknowledgements, a few packs at a time, always in order (go-back-N). Each way of sending
is a run with a number that goes with every pack and comes back with its acknowledgement: where lines went missing, the
office names where it stands, and a new run begins there. What is still on its way of an older run can only move the
mark forward. Whatever the broker forgets, the office's own word decides.
"""

from collections import deque
from dataclasses import dataclass

from meterlink.reading import NS_PER_S
from meterlink.relay.ack import NOTHING, Ack, Why

WIDEST = 8
"""So many packs may be on their way unacknowledged."""
_PATIENCE_S, _LONGEST_PATIENCE_S = 3.0, 10.0
"""How long an acknowledgement is waited for before the office is asked; doubled each time it says nothing."""
_REFUSED_FOR_S = 60.0
"""After so long a refused job is tried again: its device may have been enrolled meanwhile."""


@dataclass(frozen=True, slots=True)
class Ask:
    """Ask how far the office has the job."""

    run: int


@dataclass(frozen=True, slots=True)
class Send:
    """Send lines from one number on, as many as a pack takes, and the seals that go with them."""

    run: int
    first: int
    """0 is the job's own line."""
    sealed: int
    """Only seals of lines behind this one."""


@dataclass(slots=True)
class _Sent:
    last: int
    at_ns: int | None = None
    """When the broker had it; None while it is on its way there, however slow that is."""


class Outstanding:
    """One job's way to the office. Times are in nanoseconds of any steady clock."""

    def __init__(self) -> None:
        self.seq, self.sealed = NOTHING, 0
        """The last line of the log here, and the last that a seal covers."""
        self.acked: int | None = None
        """The last line that the office has; None until it says."""
        self.acked_seal = 0
        self.refused: str | None = None
        """Why the office takes nothing of it; it is tried again later."""
        self.lost: str | None = None
        """Why it can never be taken on: what the office has is no part of the log here."""
        self._run = 0
        self._next: int | None = None
        self._next_seal = 0
        self._ask: _Sent | None = None
        self._sent: deque[_Sent] = deque()
        self._window = WIDEST
        self._patience_s = _PATIENCE_S
        self._again_ns = 0

    @property
    def complete(self) -> bool:
        """Whether the office has all there is."""
        return self.acked == self.seq and self.acked_seal >= self.sealed

    @property
    def given_up(self) -> bool:
        """Whether nothing more is sent for now."""
        return self.refused is not None or self.lost is not None

    def grown(self, seq: int, sealed: int) -> None:
        """Take over how far the log here goes."""
        self.seq, self.sealed = seq, sealed

    def interrupted(self) -> None:
        """Begin anew by asking: the connection is new, and what was on its way may be lost."""
        if not self.complete:
            self._begin_run()

    def due(self, now_ns: int) -> Ask | Send | None:
        """Say what is to be sent now, if anything."""
        if self.lost is not None or (self.refused is not None and now_ns < self._again_ns):
            return None
        if self.complete and not self._sent:
            return None
        waited_for = self._sent[0] if self._sent else self._ask
        since = waited_for.at_ns if waited_for else None
        if since is not None and now_ns - since > self._patience_s * NS_PER_S:
            self._begin_run()
            self._patience_s = min(self._patience_s * 2, _LONGEST_PATIENCE_S)
        if self._next is None:
            return Ask(self._run) if self._ask is None else None
        more = self._next <= self.seq or self._next_seal < self.sealed
        if more and len(self._sent) < self._window:
            return Send(self._run, self._next, self._next_seal)
        return None

    @property
    def asking(self) -> bool:
        """Whether the office was asked and has not answered yet."""
        return self._ask is not None and self._next is None

    def asked(self) -> None:
        """Note that the office is being asked."""
        self._ask = _Sent(NOTHING)

    def sent(self, last: int, sealed: int) -> None:
        """Note that a pack is on its way that ends with this line; seals up to `sealed` are in it."""
        self._next, self._next_seal = last + 1, max(self._next_seal, sealed)
        self._sent.append(_Sent(last))

    def delivered(self, run: int, now_ns: int) -> None:
        """Note that the broker has the first pack of this run that it had not; the office's time begins now."""
        if run != self._run:
            return
        waiting = [*([self._ask] if self._ask else []), *self._sent]
        if first := next((each for each in waiting if each.at_ns is None), None):
            first.at_ns = now_ns

    def took(self, ack: Ack, run: int, here: str | None, now_ns: int) -> None:
        """Take an acknowledgement.

        Args:
            ack: what the office says.
            run: the run that it answers; any other number than the present one for that of an older one.
            here: the hash of the line `ack.seq` of the log here; None where there is no such line.
            now_ns: the time.
        """
        current = run == self._run
        if ack.why is Why.REFUSED:
            if current:
                self.refused, self._again_ns = ack.text, now_ns + int(_REFUSED_FOR_S * NS_PER_S)
                self._begin_run()
            return
        if ack.seq != NOTHING and here != ack.sha256:
            if current:
                what = "more lines than are" if ack.seq > self.seq else "another history than is"
                self.lost = f"the office has {what} here (up to line {ack.seq}); compare both with: steadypoint verify"
            return
        if current:
            self.refused, self._patience_s = None, _PATIENCE_S
        if current and (self._next is None or ack.why is Why.GAP):
            self._go_on_after(ack)
        elif self.acked is not None:
            self._forward(ack)

    def _go_on_after(self, ack: Ack) -> None:
        """Begin a run where the office stands."""
        if ack.why is Why.GAP:
            self._window = max(1, self._window // 2)
            self._begin_run()
        self.acked, self.acked_seal = ack.seq, ack.sealed
        self._next, self._next_seal, self._ask = ack.seq + 1, ack.sealed, None

    def _forward(self, ack: Ack) -> None:
        self.acked = max(self.acked or NOTHING, ack.seq)
        self.acked_seal = max(self.acked_seal, ack.sealed)
        if self._next is not None:
            self._next = max(self._next, self.acked + 1)
        while self._sent and self._sent[0].last <= self.acked and (len(self._sent) > 1 or self._all_of_it_is_there):
            self._sent.popleft()
            self._window = min(self._window + 1, WIDEST)

    @property
    def _all_of_it_is_there(self) -> bool:
        return self.acked_seal >= self._next_seal

    def _begin_run(self) -> None:
        self._run += 1
        self._next = self._ask = None
        self._sent.clear()
