"""Slows guessing down: after a few tries each further one has to wait longer, for the account and for the address.

Names that exist and names that do not are counted alike. A try counts as failed from its beginning, so that a thousand
at once are no way around; a login that succeeds takes the account's count back, and its own try off the address's.
"""

from collections import OrderedDict
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Patience:
    """How many tries are free, and how long waiting becomes."""

    free: int
    first_s: float
    """After the first try that is not free; it doubles with each further one."""
    longest_s: float
    forgotten_s: float
    """After so long without a try all is forgotten."""

    def wait_s(self, failed: int) -> float:
        """Return how long after its last try somebody who failed so often has to wait."""
        beyond = failed - self.free
        return 0.0 if beyond < 0 else float(min(self.first_s * 2 ** min(beyond, 30), self.longest_s))


OF_ACCOUNT = Patience(free=5, first_s=2, longest_s=300, forgotten_s=3600)
"""At most 12 tries an hour in the long run. Longer, and anybody could lock anybody out for good."""

OF_ADDRESS = Patience(free=10, first_s=2, longest_s=900, forgotten_s=3600)
"""Crews may share an address, behind a router."""

MOST_KEPT = 10_000
"""Accounts and addresses each; beyond that the oldest is forgotten, for memory is bounded."""


@dataclass(frozen=True, slots=True)
class Tries:
    """Those of one account or address that failed."""

    failed: int = 0
    last_s: float = 0.0


class Lockout:
    """What is remembered of failed tries."""

    def __init__(self) -> None:
        self._accounts: OrderedDict[str, Tries] = OrderedDict()
        self._addresses: OrderedDict[str, Tries] = OrderedDict()

    def attempt(self, account: str, address: str, now_s: float) -> float:
        """Begin a try, which counts as failed until it succeeds.

        Args:
            account: as typed, whether there is one of that name or not; empty where a try is for none.
            address: where it comes from.
            now_s: of a clock that never goes back, seconds.

        Returns:
            How many seconds are to be waited first; 0 where the try may be made. One that has to wait is not counted:
            else whoever hammers locks its owner out for ever.
        """
        kept = [(self._addresses, address, OF_ADDRESS)]
        if account:
            kept.append((self._accounts, account, OF_ACCOUNT))
        waits = []
        for tries, key, patience in kept:
            each = _remembered(tries, key, patience, now_s)
            waits.append(each.last_s + patience.wait_s(each.failed) - now_s if each.failed else 0.0)
        if (wait_s := max(waits)) > 0:
            return wait_s
        for tries, key, patience in kept:
            tries[key] = Tries(_remembered(tries, key, patience, now_s).failed + 1, now_s)
            tries.move_to_end(key)
            if len(tries) > MOST_KEPT:
                tries.popitem(last=False)
        return 0.0

    def succeeded(self, account: str, address: str) -> None:
        """End a try that was right. Earlier ones of the address stay: a guesser may have an account of its own."""
        self._accounts.pop(account, None)
        if (tries := self._addresses.get(address)) is not None:
            self._addresses[address] = replace(tries, failed=tries.failed - 1)


def _remembered(tries: OrderedDict[str, Tries], key: str, patience: Patience, now_s: float) -> Tries:
    each = tries.get(key, Tries())
    return Tries() if now_s - each.last_s > patience.forgotten_s else each
