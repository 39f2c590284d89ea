"""Waiting for what another thread, task or process does."""

import asyncio
import time
from collections.abc import Callable


def soon(holds: Callable[[], object]) -> bool:
    """Wait until something holds, for a minute at most; return whether it does."""
    end_s = time.monotonic() + 60
    while not holds() and time.monotonic() < end_s:
        time.sleep(0.01)
    return bool(holds())


async def until(condition: Callable[[], object], *, timeout_s: float = 60.0) -> None:
    """Wait until a function returns something true."""
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        await asyncio.sleep(0.05)
