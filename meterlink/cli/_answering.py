"""The options that say how a check may be answered without a keyboard."""

from collections.abc import Callable
from functools import wraps
from typing import Any

import click

from meterlink.gestures import Way

pedal_option = click.option(
    "--pedal", is_flag=True, help="A foot pedal or a presenter: any key that says nothing else says yes."
)


def ways_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options to a command that begins jobs, which gets as `ways` what the hands may answer with."""

    @click.option(
        "--hold-key/--no-hold-key",
        default=True,
        show_default=True,
        help="HOLD on and off again says yes; not for a meter that switches HOLD on by itself.",
    )
    @click.option(
        "--shorted-tips/--no-shorted-tips",
        default=True,
        show_default=True,
        help="In ohms, the tips together twice say yes to a question.",
    )
    @wraps(command)
    def with_ways(*args: Any, hold_key: bool, shorted_tips: bool, **kwargs: Any) -> None:
        ways = frozenset(way for way, on in ((Way.HOLD, hold_key), (Way.SHORT, shorted_tips)) if on)
        command(*args, ways=ways, **kwargs)

    return with_ways
