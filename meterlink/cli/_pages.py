"""The options that say where the pages are served and to whom, and the step from them to a port.

The pages load when needed.
"""

from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from meterlink.errors import UsageError
from meterlink.file_change import replace_text

if TYPE_CHECKING:
    from meterlink.web.server import Admission, Place
    from meterlink.web.stage import Stage

PORT = 8024
"""Of the pages, unless told (no service is registered for it, from memory)."""

ADDRESS_FILE = "page-address"
"""In the home folder: where the pages that want a login were served last, for `enrol`."""

_UNENCRYPTED = (
    "Nothing is encrypted: whoever is on this network can listen, passwords too. Use a network of your own, such as "
    "the phone's own hotspot."
)
_NO_LOGIN = "Nobody has to log in: whoever reaches this address can watch, answer, and read the record."

_FILE = click.Path(dir_okay=False, path_type=Path)

_OPTIONS = (
    click.option(
        "--host", default="127.0.0.1", metavar="ADDRESS", help="Where the pages listen; this machine only unless told."
    ),
    click.option("--tls-cert", type=_FILE, help="Encrypt with this certificate (PEM, with its chain)."),
    click.option("--tls-key", type=_FILE, help="Its key (PEM)."),
    click.option("--insecure-lan", is_flag=True, help="Accept another --host without encryption."),
    click.option(
        "--login/--no-login", default=None, help="Whether to log in; without either, at any --host but this machine's."
    ),
)


@dataclass(frozen=True, slots=True)
class Pages:
    """Where the pages are to be served, and to whom."""

    host: str
    port: int
    tls_cert: Path | None = None
    tls_key: Path | None = None
    insecure_lan: bool = False
    login: bool | None = None

    @property
    def logs_in(self) -> bool:
        """Whether a login is wanted."""
        from meterlink.web.server import is_loopback  # noqa: PLC0415 - lazy: most checks have no page

        return not is_loopback(self.host) if self.login is None else self.login

    def take(self) -> "Place":
        """Take the port.

        Raises:
            UsageError: see `meterlink.web.server.take_place`.
        """
        from meterlink.web.server import Tls, is_loopback, take_place  # noqa: PLC0415 - lazy: most checks have no page

        if (self.tls_cert is None) != (self.tls_key is None):
            raise UsageError("--tls-cert and --tls-key belong together")
        tls = Tls(self.tls_cert, self.tls_key) if self.tls_cert and self.tls_key else None
        place = take_place(self.host, self.port, open_to_all=self.insecure_lan, tls=tls)
        if not is_loopback(self.host):
            for warning in ([] if tls else [_UNENCRYPTED]) + ([] if self.logs_in else [_NO_LOGIN]):
                click.echo(f"steadypoint: {warning}", err=True)
        return place

    @contextmanager
    def admission(self, place: "Place", folder: Path, store: str | None = None) -> "Iterator[Admission]":
        """Keep accounts at hand for as long as the block runs.

        Args:
            place: where the pages are served.
            folder: the home folder.
            store: a database URL, where accounts are not kept in a file of their own there.

        Raises:
            MeterlinkError: they cannot be kept.
        """
        from meterlink.access.gate import Gate  # noqa: PLC0415 - lazy: most checks have no page
        from meterlink.access.hasher import Argon2Hasher  # noqa: PLC0415
        from meterlink.access.journal import FILE_NAME, Journal  # noqa: PLC0415
        from meterlink.access.store import access_store  # noqa: PLC0415
        from meterlink.web.server import Admission  # noqa: PLC0415

        journal = Journal(folder / FILE_NAME, lambda words: click.echo(f"steadypoint: {words}", err=True))
        if not self.logs_in:
            yield Admission(journal)
            return
        with access_store(folder, store) as accounts:
            if not accounts.accounts():
                click.echo(
                    "steadypoint: Nobody can log in yet: steadypoint account add NAME --role technician makes an "
                    "account, steadypoint enrol NAME lets a phone in.",
                    err=True,
                )
            replace_text(folder / ADDRESS_FILE, place.url)
            yield Admission(journal, Gate(accounts, Argon2Hasher(), journal))


def place_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options to a command that serves pages at its `--port`, and gets them as `pages`."""

    @click.option("--port", type=click.IntRange(0, 65535), default=PORT, show_default=True, help="0: any that is free.")
    @_all_of_them
    @wraps(command)
    def with_pages(*args: Any, port: int, **kwargs: Any) -> None:
        command(*args, pages=_pages(port, kwargs), **kwargs)

    return with_pages


def optional_page(option: str, what: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Return what adds the options to a command that can do without, and gets them as `pages`: None for no page.

    Args:
        option: the one that takes the port, such as `--page`.
        what: its help.
    """

    def add(command: Callable[..., None]) -> Callable[..., None]:
        @click.option(option, "page", type=click.IntRange(0, 65535), metavar="PORT", help=what)
        @_all_of_them
        @wraps(command)
        def with_pages(*args: Any, page: int | None, **kwargs: Any) -> None:
            pages = _pages(page or 0, kwargs)
            command(*args, pages=None if page is None else pages, **kwargs)

        return with_pages

    return add


page_options = optional_page("--page", "Serve the technician's page there too.")
"""Add the options to a command that runs a check."""


@asynccontextmanager
async def served(pages: Pages | None, place: "Place | None", folder: Path) -> "AsyncIterator[Stage | None]":
    """Serve the technician's page while the block runs; nothing where no port was taken."""
    if pages is None or place is None:
        yield None
        return
    from meterlink.web.server import serving  # noqa: PLC0415 - lazy: most checks have no page
    from meterlink.web.stage import Stage  # noqa: PLC0415
    from meterlink.web.technician import TechnicianPage  # noqa: PLC0415

    stage = Stage()
    with pages.admission(place, folder) as admission:
        async with serving(place, stage, TechnicianPage(stage, folder).routes, admission):
            click.echo(f"The technician's page: {place.url}", err=True)
            yield stage


def _all_of_them(command: Callable[..., None]) -> Callable[..., None]:
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def _pages(port: int, options: dict[str, Any]) -> Pages:
    """Take the options of a place out of a command's."""
    names = ("tls_cert", "tls_key", "insecure_lan", "login")
    return Pages(options.pop("host"), port, **{name: options.pop(name) for name in names})
