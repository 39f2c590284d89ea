"""How long the Bluetooth transport waits for what, and how often it tries again. Pure."""

import random
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Patience:
    """Times in seconds. The defaults are the product's; tests shorten some."""

    start_s: float = 5.0
    """For the system to answer at all: message bus, Bluetooth service, adapter."""
    hear_s: float = 15.0
    """For the meter to be heard."""
    busy_s: float = 30.0
    """For another program's scan to end, where the system allows only one."""
    connect_s: float = 10.0
    """For one attempt to connect and to read the table of services."""
    hold_s: float = 1.0
    """A link that breaks earlier than this after connecting has only blinked, and does not count as connected."""
    gone_s: float = 0.5
    """For the system to say that a failed attempt's link is gone, before the next attempt begins."""
    retries: int = 5
    """Quick attempts after the first, for links that are refused, aborted, or that blink."""
    look_s: float = 5.0
    """How long the list of devices listens."""
    read_every_s: float = 0.5
    """Time between two reads of a characteristic that cannot notify."""
    stall_s: float = 60.0
    """The longest that an open link may say nothing. Whoever knows the meter's own rate notices silence long before."""
    leave_s: float = 3.0
    """For an orderly goodbye. After that the link is abandoned: the system may have hung."""


def back_off_s(attempt: int, jitter: random.Random) -> float:
    """Return how long to wait after failed attempt 0, 1, 2...: longer each time up to 4 s, and never in step.

    Two programs that wait equally long would collide each time; the wait is spread over half to one and a half.
    """
    return min(4.0, 0.25 * 2.0**attempt) * jitter.uniform(0.5, 1.5)
