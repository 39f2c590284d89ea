"""`steadypoint account`: who may log in to the pages, and what for."""

import json

import click

from meterlink.access.names import checked_name
from meterlink.access.roles import Role
from meterlink.access.session import Account
from meterlink.cli._accounts import accounts_at, accounts_option, new_password, password_file_option, role_choice
from meterlink.errors import UsageError
from meterlink.record.words import columns


@click.group(
    "account",
    invoke_without_command=True,
    short_help="Say who may log in to the pages: add, list, password, remove.",
)
@click.pass_context
def command(context: click.Context) -> None:
    """Say who may log in to the pages, and what for; without a command, list the accounts.

    A technician runs checks, the office looks on and sends notes, an auditor reads and changes nothing. Passwords are
    kept as Argon2 hashes only.
    """
    if context.invoked_subcommand is None:
        context.invoke(list_)


@command.command("add")
@click.argument("name")
@click.option("--role", required=True, type=role_choice, help="What the account is for.")
@password_file_option
@accounts_option
def add(name: str, role: str, password_file: str | None, accounts: str | None) -> None:
    """Add an account called NAME; its password is asked for twice."""
    from meterlink.access.hasher import Argon2Hasher  # noqa: PLC0415 - lazy, for a quick --help

    checked_name(name)
    account = Account(name, Role(role), Argon2Hasher().hash(new_password(name, password_file)))
    with accounts_at(accounts) as store:
        if not store.add(account):
            raise UsageError(f"there is an account {name!r} already; steadypoint account password changes its password")
    click.echo(f"{name} can log in as {role}.")


@command.command("list")
@click.option("--json", "as_json", is_flag=True, help="Print JSON lines.")
@accounts_option
def list_(as_json: bool = False, accounts: str | None = None) -> None:
    """List the accounts."""
    with accounts_at(accounts) as store:
        rows = [(account.name, account.role.value) for account in store.accounts()]
    if as_json:
        for name, role in rows:
            click.echo(json.dumps({"name": name, "role": role}))
    elif rows:
        click.echo("\n".join(columns([("NAME", "ROLE"), *rows])))
    else:
        click.echo("There is no account yet; steadypoint account add makes one.", err=True)


@command.command("password")
@click.argument("name")
@password_file_option
@accounts_option
def password(name: str, password_file: str | None, accounts: str | None) -> None:
    """Give the account NAME a new password; whoever is logged in with it is logged out."""
    from meterlink.access.hasher import Argon2Hasher  # noqa: PLC0415 - lazy, for a quick --help

    with accounts_at(accounts) as store:
        if store.account(name) is None:
            raise _unknown(name)
        if not store.change_password(name, Argon2Hasher().hash(new_password(name, password_file))):
            raise _unknown(name)
    click.echo(f"{name} has a new password.")


@command.command("remove")
@click.argument("name")
@accounts_option
def remove(name: str, accounts: str | None) -> None:
    """Remove the account NAME; whoever is logged in with it is logged out."""
    with accounts_at(accounts) as store:
        if not store.remove(name):
            raise _unknown(name)
    click.echo(f"{name} can no longer log in.")


def _unknown(name: str) -> UsageError:
    return UsageError(f"there is no account {name!r}; steadypoint account list shows those there are")
