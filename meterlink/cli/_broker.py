"""The options that say which broker, and who we are to it."""

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from meterlink.relay.broker import Broker


def broker_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options to a command, which gets as `broker` a function that makes the `Broker`."""

    @click.option(
        "--broker", "url", metavar="URL", required=True, help="mqtts://HOST:PORT, or mqtt:// on this machine."
    )
    @click.option("--insecure", is_flag=True, help="Accept that everything can be read and altered on the way.")
    @wraps(command)
    def with_broker(*args: Any, url: str, insecure: bool, **kwargs: Any) -> None:
        def broker() -> "Broker":
            from meterlink.relay.address import parse_address  # noqa: PLC0415 - lazy, for a quick --help
            from meterlink.relay.broker import Broker  # noqa: PLC0415

            return Broker(parse_address(url, insecure=insecure))

        command(*args, broker=broker, **kwargs)

    return with_broker
