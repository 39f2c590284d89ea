"""Waiting for what another thread, task or process does."""

import asyncio
import time
from collections.abc import Callable

PATIENCE_S = 100.0
"""How long a test waits for what comes at once unless the computer stands still; then it fails with its own words."""


def soon(holds: Callable[[], object]) -> bool:
    """Wait until something holds; return whether it came to hold within the tests' patience."""
    end_s = time.monotonic() + PATIENCE_S
    while not holds() and time.monotonic() < end_s:
        time.sleep(0.01)
    return bool(holds())


async def until(condition: Callable[[], object], *, timeout_s: float = PATIENCE_S) -> None:
    """Wait until a function returns something true."""
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "waited in vain"
        await asyncio.sleep(0.05)
