"""The options that say where the pages are served, and the step from them to a port. The pages load when needed."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from meterlink.web.server import Place
    from meterlink.web.stage import Stage

PORT = 8024
"""Of the pages, unless told (no service is registered for it, from memory)."""

_WARNING = (
    "There are no logins yet, and nothing is encrypted: whoever reaches this address can watch this check, answer it "
    "and see the record's list of jobs. Use a network of your own, such as the phone's own hotspot."
)

host_option = click.option(
    "--host", default="127.0.0.1", metavar="ADDRESS", help="Where the pages listen; this machine only unless told."
)
lan_option = click.option(
    "--insecure-lan", is_flag=True, help="Accept that whoever reaches --host can watch and answer: there are no logins."
)


@dataclass(frozen=True, slots=True)
class Pages:
    """Where the pages are to be served."""

    host: str
    port: int
    open_to_all: bool

    def take(self) -> "Place":
        """Take the port.

        Raises:
            UsageError: see `meterlink.web.server.take_place`.
        """
        from meterlink.web.server import take_place  # noqa: PLC0415 - lazy: most checks have no page

        place = take_place(self.host, self.port, open_to_all=self.open_to_all)
        if self.open_to_all:
            click.echo(f"steadypoint: {_WARNING}", err=True)
        return place


def page_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options to a command that runs a check, which gets them as `pages`, None for no page."""

    @click.option(
        "--page", type=click.IntRange(0, 65535), metavar="PORT", help="Serve the technician's page there too."
    )
    @host_option
    @lan_option
    @wraps(command)
    def with_pages(*args: Any, page: int | None, host: str, insecure_lan: bool, **kwargs: Any) -> None:
        command(*args, pages=None if page is None else Pages(host, page, insecure_lan), **kwargs)

    return with_pages


@asynccontextmanager
async def served(place: "Place | None", folder: Path) -> "AsyncIterator[Stage | None]":
    """Serve the technician's page while the block runs; nothing where no port was taken."""
    if place is None:
        yield None
        return
    from meterlink.web.server import serving  # noqa: PLC0415 - lazy: most checks have no page
    from meterlink.web.stage import Stage  # noqa: PLC0415
    from meterlink.web.technician import TechnicianPage  # noqa: PLC0415

    stage = Stage()
    async with serving(place, stage, TechnicianPage(stage, folder).routes):
        click.echo(f"The technician's page: {place.url}", err=True)
        yield stage
