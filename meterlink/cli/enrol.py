"""`steadypoint enrol`: a device's credentials for the broker, and a code that lets a phone into the pages."""

import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import click

from meterlink.access.names import OFFICE, checked_key, checked_name, checked_site
from meterlink.access.roles import Role
from meterlink.access.session import TICKET_MINUTES
from meterlink.cli._accounts import accounts_at, accounts_option, role_choice
from meterlink.cli._pages import ADDRESS_FILE, PORT
from meterlink.cli._store import office_file, office_url
from meterlink.errors import UsageError
from meterlink.home import home_folder
from meterlink.record.device_key import read_public_key

if TYPE_CHECKING:
    from meterlink.access.broker_folder import BrokerFolder
    from meterlink.access.enrolment import DeviceRegister, Registration

_FOLDER = click.Path(file_okay=False, path_type=Path)
_FILE = click.Path(dir_okay=False, path_type=Path)
_READ_AGAIN = (
    "The broker takes that up when it reads its files again: send its process SIGHUP (kill -HUP), or start it anew."
)


@click.command("enrol", short_help="Let a device in: credentials for the broker, a code for a phone.")
@click.argument("name")
@click.option("--only", type=click.Choice(["broker", "phone"]), help="Make one of the two only.")
@click.option("--revoke", is_flag=True, help="Take back what lets the device in.")
@click.option("--broker-folder", type=_FOLDER, help="Of the broker; `broker` beside the record unless told.")
@click.option("--broker-host", metavar="HOST", help="How devices reach the broker; makes it a new certificate.")
@click.option("-o", "--output", type=_FILE, help="The credentials file; NAME.credentials unless told.")
@click.option("--page", metavar="URL", help="The page for the phone; the one that was served last unless told.")
@click.option(
    "--role", type=role_choice, default=Role.TECHNICIAN.value, show_default=True, help="What the phone may do."
)
@click.option("--minutes", type=click.IntRange(1, 60), default=TICKET_MINUTES, show_default=True, help="Code's life.")
@click.option("--picture", type=_FILE, help="Write the code there too, .svg or .png.")
@click.option("--site", metavar="SITE", help="Enter the device in the office's register, at this site; with --key.")
@click.option("--key", metavar="FILE|HEX", help="The key that seals its jobs, as `keys --own` prints it there.")
@click.option(
    "--store", "store_url", metavar="URL", help="The office's store; `office.sqlite3` beside the record unless told."
)
@accounts_option
def command(
    *,
    name: str,
    only: str | None,
    revoke: bool,
    broker_folder: Path | None,
    broker_host: str | None,
    output: Path | None,
    page: str | None,
    role: str,
    minutes: int,
    picture: Path | None,
    site: str | None,
    key: str | None,
    store_url: str | None,
    accounts: str | None,
) -> None:
    """Let the device NAME in.

    For the broker it gets a password of its own, in a file to be carried to that machine; the name `office` makes the
    office's. The first time, the broker's folder is written too: configuration, rights, a private certificate
    authority. A second time makes a new password, and the old one void.

    With --site and --key it stands in the office's register from then on: only jobs of its own key are taken in.

    For the pages a QR code is shown: a phone that reads it is in, without typing. It works once, for a few minutes.
    """
    from meterlink.access.broker_folder import BrokerFolder  # noqa: PLC0415 - lazy, for a quick --help
    from meterlink.access.code import terminal_code, write_code  # noqa: PLC0415
    from meterlink.access.enrolment import Registration  # noqa: PLC0415
    from meterlink.access.gate import issue_ticket  # noqa: PLC0415

    checked_name(name)
    home = home_folder()
    broker = BrokerFolder((broker_folder or home / "broker").absolute())
    if revoke:
        with _register(store_url) as register:
            _revoke(broker, name, accounts, register)
        return
    entry = _entry(site, key)
    if entry is not None and only == "phone":
        raise UsageError("--site and --key are for the broker's devices; leave them or --only phone out")
    if only != "phone":
        with _register(store_url, needed=entry is not None) as register:
            registration = Registration(register, *entry) if entry is not None and register is not None else None
            _admit(broker, name, broker_host, output, registration)
    if only != "broker" and (only == "phone" or name != OFFICE):
        url = _checked_page(page or _page_served_last(home))
        with accounts_at(accounts) as store:
            opens = f"{url}enter?ticket={issue_ticket(store, name, Role(role), minutes)}"
        if picture is not None:
            write_code(picture, opens)
        click.echo(terminal_code(opens))
        click.echo(f"The phone opens {url} as {role}, once, within {minutes} minutes.")
        click.echo(opens)


def _entry(site: str | None, key: str | None) -> tuple[str, str] | None:
    """Read what the register is to be told: site and key; None for nothing."""
    if (site is None) != (key is None):
        raise UsageError("--site and --key belong together: the register holds both of a device")
    if site is None or key is None:
        return None
    return checked_site(site), read_public_key(Path(key)) if Path(key).is_file() else checked_key(key)


@contextmanager
def _register(store_url: str | None, *, needed: bool = False) -> "Iterator[DeviceRegister | None]":
    """Open the office's register; None where no store was named, none is there, and none is needed."""
    from meterlink.office.register import Register  # noqa: PLC0415 - lazy, for a quick --help
    from meterlink.record.store import Store  # noqa: PLC0415

    if store_url is None and not needed and not office_file().exists():
        yield None
        return
    with Store.at(office_url(store_url)) as store:
        yield Register(store)


def _admit(
    broker: "BrokerFolder", name: str, host: str | None, output: Path | None, registration: "Registration | None"
) -> None:
    from meterlink.access.enrolment import admit  # noqa: PLC0415

    if host is not None or not broker.there:
        new = broker.set_up(socket.gethostname() if host is None else host)
        click.echo(f"The broker's {'folder' if new else 'certificate'} is new: {broker.path}", err=True)
        if host is None:
            click.echo(f"Devices are to reach it as {socket.gethostname()}; else give --broker-host.", err=True)
        if new:
            click.echo(f"Start the broker with: mosquitto -c {broker.path / 'mosquitto.conf'}", err=True)
    for warning in broker.expiring():
        click.echo(f"steadypoint: {warning}", err=True)
    path = output or Path(f"{name}.credentials")
    admit(broker, name, path, registration, time.time_ns())
    click.echo(
        f"{path}: {name}'s credentials for the broker. Carry the file there by a safe way; it is secret.", err=True
    )
    if registration is not None:
        click.echo(f"{name} stands in the office's register, at {registration.site}.", err=True)
    click.echo(_READ_AGAIN, err=True)


def _revoke(broker: "BrokerFolder", name: str, accounts: str | None, register: "DeviceRegister | None") -> None:
    from meterlink.access.enrolment import dismiss  # noqa: PLC0415 - lazy, for a quick --help

    with accounts_at(accounts) as store:
        had = dismiss(broker if broker.there else None, store, register, name, time.time_ns())
    if not had:
        raise UsageError(f"there is no device {name!r} here: not at the broker, in the register or on the pages")
    click.echo(f"{name} has lost {', '.join(had)}.")
    if broker.there:
        click.echo(_READ_AGAIN, err=True)


def _page_served_last(home: Path) -> str:
    try:
        return (home / ADDRESS_FILE).read_text(encoding="utf-8")
    except OSError:
        return f"http://{socket.gethostname()}:{PORT}/"


def _checked_page(text: str) -> str:
    """Return the address of the pages, with a slash at its end."""
    expected = UsageError(f"--page {text!r}: expected an address such as http://192.168.4.1:{PORT}/")
    try:
        split = urlsplit(text)
        fine = split.scheme in ("http", "https") and split.hostname and split.port != 0 and split.path in ("", "/")
    except ValueError as error:
        raise expected from error
    if not fine or split.query or split.fragment or split.username or not text.isprintable():
        raise expected
    return f"{split.scheme}://{split.netloc}/"
