"""Accounts and sessions on the disk, logging in and out, the log, and the commands around them."""

import asyncio
import json
import os
import sqlite3
import stat
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import zxingcpp

from commands import lines, steadypoint
from meterlink.access.broker_folder import BrokerFolder
from meterlink.access.credentials import Credentials, read_credentials, write_credentials
from meterlink.access.enrolment import Registration, admit, dismiss
from meterlink.access.gate import Entered, Gate, Refused, issue_ticket
from meterlink.access.hasher import Argon2Hasher
from meterlink.access.journal import KEPT, MOST_BYTES, Journal
from meterlink.access.roles import Role
from meterlink.access.session import IDLE_S, LONGEST_S, Account, Session, Ticket, digest
from meterlink.access.store import SqlAccessStore, access_store
from meterlink.errors import FileError, RecordError, UsageError
from meterlink.office.register import Register
from meterlink.record.device_key import own_public_key
from meterlink.record.store import Store
from waiting import PATIENCE_S, until

PASSWORD = "three blind cable ties"  # noqa: S105


class CountingHasher:
    """A hasher that counts, and takes no time."""

    def __init__(self) -> None:
        self.verified = 0
        self.dated = False

    def hash(self, password: str) -> str:
        return f"hash of {password}"

    def matches(self, password_hash: str, password: str) -> bool:
        self.verified += 1
        return password_hash in (f"hash of {password}", f"old hash of {password}")

    def is_dated(self, password_hash: str) -> bool:
        return password_hash.startswith("old")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqlAccessStore]:
    with access_store(tmp_path) as store:
        yield store


@pytest.fixture
def hasher() -> CountingHasher:
    return CountingHasher()


@pytest.fixture
def gate(store: SqlAccessStore, hasher: CountingHasher, tmp_path: Path) -> Gate:
    store.add(Account("lead", Role.OFFICE, hasher.hash(PASSWORD)))
    return Gate(store, hasher, Journal(tmp_path / "access.log"))


def logged(folder: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in (folder / "access.log").read_text(encoding="utf-8").splitlines()]


def contents(folder: Path) -> list[bytes]:
    return [path.read_bytes() for path in folder.iterdir()]


def is_private(path: Path) -> bool:
    return os.name != "posix" or stat.S_IMODE(path.stat().st_mode) == 0o600


def test_accounts_are_kept_by_name(store: SqlAccessStore) -> None:
    assert store.add(Account("lead", Role.OFFICE, "one"))
    assert not store.add(Account("lead", Role.AUDITOR, "two"))
    assert store.account("lead") == Account("lead", Role.OFFICE, "one")
    assert store.change_password("lead", "three")
    assert not store.change_password("nobody", "three")
    assert [account.password_hash for account in store.accounts()] == ["three"]
    assert store.remove("lead")
    assert not store.remove("lead")
    assert store.account("lead") is None


def test_a_session_goes_with_its_account_and_with_its_password(store: SqlAccessStore) -> None:
    session = Session("lead", Role.OFFICE, 0.0, 0.0)
    changes: list[Callable[[], bool]] = [lambda: store.change_password("lead", "x"), lambda: store.remove("lead")]
    for change in changes:
        store.add(Account("lead", Role.OFFICE, "one"))
        store.put_session("a", session)
        store.put_session("b", Session("other", Role.OFFICE, 0.0, 0.0))
        assert change()
        assert store.session("a") is None
        assert store.session("b") is not None
        store.end_session("b")


def test_what_is_over_is_forgotten(store: SqlAccessStore) -> None:
    now = 1e9
    store.put_session("holds", Session("a", Role.OFFICE, now - 60, now - 60))
    store.put_session("idle", Session("a", Role.OFFICE, now - IDLE_S - 60, now - IDLE_S - 1))
    store.put_session("long", Session("a", Role.OFFICE, now - LONGEST_S - 1, now))
    store.put_ticket("late", Ticket("a", Role.OFFICE, now - 1))
    store.tidy(now)
    assert [store.session(each) is not None for each in ("holds", "idle", "long")] == [True, False, False]
    assert store.ticket("late") is None


def test_a_store_in_another_database_is_the_same_store(tmp_path: Path) -> None:
    with access_store(tmp_path, f"sqlite:///{tmp_path / 'office.sqlite3'}") as store:
        assert store.add(Account("lead", Role.OFFICE, "one"))
    assert not (tmp_path / "access.sqlite3").exists()
    with pytest.raises(UsageError, match="database URL"), access_store(tmp_path, "no such thing"):
        pass


def test_a_damaged_store_lets_nobody_in(tmp_path: Path) -> None:
    (tmp_path / "access.sqlite3").write_bytes(b"this is no database, however long it may be" * 100)
    with pytest.raises(RecordError, match="cannot be read"), access_store(tmp_path):
        pass


@pytest.mark.skipif(os.name != "posix", reason="file modes are POSIX's")
def test_the_files_are_their_owner_s_alone(tmp_path: Path, gate: Gate) -> None:
    gate.journal.note("something", address="127.0.0.1")
    assert {path.name for path in tmp_path.iterdir()} >= {"access.sqlite3", "access.sqlite3-wal", "access.log"}
    assert [path.name for path in tmp_path.iterdir() if not is_private(path)] == []


async def test_whoever_reads_the_files_cannot_log_in_with_them(
    tmp_path: Path, gate: Gate, store: SqlAccessStore
) -> None:
    entered = await gate.log_in("lead", PASSWORD, "10.0.0.7", None)
    assert isinstance(entered, Entered)
    ticket = issue_ticket(store, "crew-1", Role.TECHNICIAN, 10)
    await gate.log_in("lead", "a wrong password", "10.0.0.7", None)
    await gate.log_in("a password in the wrong field", "x", "10.0.0.7", None)
    secret = (entered.token, ticket, "a wrong password", "wrong field")
    for data in contents(tmp_path):
        assert [each for each in secret if each.encode() in data] == []


async def test_a_right_password_opens_a_session_and_a_wrong_one_none(gate: Gate, tmp_path: Path) -> None:
    entered = await gate.log_in("lead", PASSWORD, "10.0.0.7", None)
    assert isinstance(entered, Entered)
    held = await gate.session(entered.token)
    assert held is not None
    assert (held.who, held.role) == ("lead", Role.OFFICE)
    assert isinstance(await gate.log_in("lead", "wrong", "10.0.0.7", None), Refused)
    assert await gate.session("guess") is None
    await gate.log_out(entered.token, "lead", "10.0.0.7")
    assert await gate.session(entered.token) is None
    assert [(each["what"], each["who"]) for each in logged(tmp_path)] == [
        ("entered", "lead"),
        ("login-refused", "lead"),
        ("logout", "lead"),
    ]


async def test_each_login_has_a_session_of_its_own_and_ends_the_one_before(gate: Gate) -> None:
    planted = "chosen-by-somebody-else"
    first = await gate.log_in("lead", PASSWORD, "10.0.0.7", planted)
    assert isinstance(first, Entered)
    assert first.token != planted
    assert await gate.session(planted) is None
    second = await gate.log_in("lead", PASSWORD, "10.0.0.7", first.token)
    assert isinstance(second, Entered)
    assert await gate.session(first.token) is None
    assert await gate.session(second.token) is not None
    assert len(second.token) == 43  # 256 bits


async def test_a_name_that_is_not_known_costs_the_same_hash_and_gets_the_same_answer(
    gate: Gate, hasher: CountingHasher
) -> None:
    answers = []
    for name in ("lead", "nobody", "", "x" * 5000, "<script>", "a\0b", "lead\n"):
        before = hasher.verified
        answers.append(await gate.log_in(name, "wrong", f"address of {name}", None))
        assert hasher.verified == before + 1, name
    assert set(answers) == {Refused(401, "Name or password is wrong.")}


async def test_whoever_is_locked_out_is_told_the_same_whether_there_is_an_account_or_not(gate: Gate) -> None:
    for name in ("lead", "nobody"):
        answers = [await gate.log_in(name, "wrong", f"address of {name}", None) for _ in range(6)]
        assert [each.status for each in answers if isinstance(each, Refused)] == [401] * 5 + [429]
        assert answers[-1] == Refused(429, "Too many tries. Wait 2 s, then try again.", 2)
        right = await gate.log_in(name, PASSWORD, "elsewhere", None)
        assert isinstance(right, Refused)  # the account is locked, whoever comes
        assert right.status == 429


async def test_passwords_are_checked_a_few_at_a_time_and_the_rest_is_turned_away(
    store: SqlAccessStore, tmp_path: Path
) -> None:
    class Slow(CountingHasher):
        at_once = most = 0

        def matches(self, password_hash: str, password: str) -> bool:
            self.at_once += 1
            self.most = max(self.most, self.at_once)
            held.wait(PATIENCE_S)
            self.at_once -= 1
            return super().matches(password_hash, password)

    held = threading.Event()
    slow = Slow()
    gate = Gate(store, slow, Journal(tmp_path / "access.log"))
    tries = [
        asyncio.create_task(gate.log_in(f"name{number}", "wrong", f"address{number}", None)) for number in range(40)
    ]
    await until(lambda: slow.at_once == 2)
    held.set()
    statuses = [each.status for each in await asyncio.gather(*tries) if isinstance(each, Refused)]
    assert sorted(set(statuses)) == [401, 503]
    assert statuses.count(401) == 16
    assert slow.most == 2


async def test_a_hash_of_another_cost_is_brought_up_with_the_next_login(store: SqlAccessStore, gate: Gate) -> None:
    store.change_password("lead", f"old hash of {PASSWORD}")
    entered = await gate.log_in("lead", PASSWORD, "10.0.0.7", None)
    assert isinstance(entered, Entered)
    account = store.account("lead")
    assert account is not None
    assert account.password_hash == f"hash of {PASSWORD}"
    assert await gate.session(entered.token) is not None


def test_argon2id_is_what_hashes_and_its_cost_stands_in_the_hash() -> None:
    """RFC 9106, section 4, second recommended option: t=3, m=2^16 KiB, p=4."""
    hasher = Argon2Hasher()
    made = hasher.hash(PASSWORD)
    assert made.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert made != hasher.hash(PASSWORD)
    assert hasher.matches(made, PASSWORD)
    assert not hasher.matches(made, f"{PASSWORD}.")
    assert not hasher.matches("no hash", PASSWORD)
    assert not hasher.is_dated(made)
    assert hasher.is_dated(made.replace("t=3", "t=2"))


async def test_a_ticket_lets_one_in_once_for_a_few_minutes(
    store: SqlAccessStore, gate: Gate, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = issue_ticket(store, "crew-1", Role.TECHNICIAN, 10)
    announced = await gate.announced(token)
    assert announced is not None
    assert (await gate.announced(token)) == announced  # looking takes nothing
    both = await asyncio.gather(*(gate.enter_by_ticket(token, f"address{number}", None) for number in range(5)))
    (entered,) = (each for each in both if isinstance(each, Entered))
    assert (entered.session.who, entered.session.role) == ("crew-1", Role.TECHNICIAN)
    assert await gate.announced(token) is None
    late = issue_ticket(store, "crew-1", Role.TECHNICIAN, 10)
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: now + 601)
    assert await gate.announced(late) is None
    refused = await gate.enter_by_ticket(late, "10.0.0.7", None)
    assert refused == Refused(403, "This code has been used or is too old. Ask for a new one.")


async def test_guessing_tickets_is_slowed_down_too(gate: Gate) -> None:
    statuses = [(await gate.enter_by_ticket(f"guess{number}", "10.0.0.7", None)) for number in range(12)]
    assert [each.status for each in statuses if isinstance(each, Refused)] == [403] * 10 + [429] * 2


async def test_a_use_is_noted_now_and_then_and_an_idle_session_ends(
    gate: Gate, store: SqlAccessStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    entered = await gate.log_in("lead", PASSWORD, "10.0.0.7", None)
    assert isinstance(entered, Entered)
    begun = entered.session.begun_s
    for minutes in (0.5, 50, 100):
        monkeypatch.setattr(time, "time", lambda at=begun + 60 * minutes: at)
        assert await gate.session(entered.token) is not None
    kept = store.session(digest(entered.token))
    assert kept is not None
    assert kept.used_s == begun + 6000
    monkeypatch.setattr(time, "time", lambda: begun + 6000 + IDLE_S)
    assert await gate.session(entered.token) is None
    await asyncio.wait_for(gate.ended(entered.token), PATIENCE_S)


async def test_where_the_store_cannot_be_read_a_stream_ends(gate: Gate, tmp_path: Path) -> None:
    entered = await gate.log_in("lead", PASSWORD, "10.0.0.7", None)
    assert isinstance(entered, Entered)
    with sqlite3.connect(tmp_path / "access.sqlite3") as other:
        other.execute("drop table access_session")
    other.close()
    await asyncio.wait_for(gate.ended(entered.token), PATIENCE_S)


def test_the_log_is_bounded_and_each_line_whole(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "access.log")
    journal.note("refused", address="10.0.0.7", path="a\nb\x1b[31m\0" + "x" * 5000)
    (line,) = (tmp_path / "access.log").read_text(encoding="ascii").splitlines()
    assert json.loads(line)["path"].startswith("a\nb\x1b[31m\0xxx")
    assert len(line) < 1000
    (tmp_path / "access.log").write_bytes(b"x" * MOST_BYTES)
    for number in range(KEPT + 2):
        journal.note("refused", address="10.0.0.7", number=number)
        with (tmp_path / "access.log").open("ab") as log:
            log.write(b"x" * MOST_BYTES)
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == ["access.log", *(f"access.log.{number}" for number in range(1, KEPT + 1))]


def test_a_log_that_cannot_be_written_is_told_once_and_refuses_nobody(tmp_path: Path) -> None:
    told: list[str] = []
    journal = Journal(tmp_path / "none" / "access.log", told.append)
    journal.note("refused", address="10.0.0.7")
    journal.note("refused", address="10.0.0.7")
    (words,) = told
    assert "cannot be logged" in words


CREDENTIALS = Credentials("mqtts://broker.example:8883", "crew-1", "secret-word", "office-1", "-----BEGIN X-----\nA\n")


def test_credentials_come_back_as_they_were_written(tmp_path: Path) -> None:
    path = tmp_path / "crew-1.credentials"
    for credentials in (CREDENTIALS, Credentials("mqtt://localhost:1883", "crew-1", "secret-word")):
        write_credentials(path, credentials)
        assert is_private(path)
        assert read_credentials(path) == credentials
    assert "secret-word" not in repr(CREDENTIALS)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("user = secret-word", "TOML"),
        ('broker = "b"\nuser = "u"\n', "password is missing"),
        ('broker = "b"\nuser = "u"\npassword = 7\n', "password: expected a text"),
        ('broker = "b"\nuser = "u"\npassword = "secret-word"\nextra = "x"\n', "unknown key 'extra'"),
        ("#" * 70_000, "64 KiB"),
    ],
)
def test_what_are_no_credentials_is_said_without_repeating_them(text: str, why: str, tmp_path: Path) -> None:
    path = tmp_path / "crew-1.credentials"
    path.write_text(text, encoding="utf-8")
    path.chmod(0o600)
    with pytest.raises(FileError, match=why) as told:
        read_credentials(path)
    assert "secret-word" not in str(told.value)


@pytest.mark.skipif(os.name != "posix", reason="file modes are POSIX's")
def test_credentials_that_others_may_read_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "crew-1.credentials"
    write_credentials(path, CREDENTIALS)
    for mode in (0o640, 0o604, 0o620):
        path.chmod(mode)
        with pytest.raises(FileError, match="chmod 600"):
            read_credentials(path)


def test_accounts_are_added_listed_changed_and_removed(tmp_path: Path) -> None:
    def account(*arguments: str, stdin: str = f"{PASSWORD}\n") -> tuple[int, str]:
        result = steadypoint(tmp_path, "account", *arguments, stdin=stdin)
        return result.returncode, result.stdout + result.stderr

    assert account("add", "lead", "--role", "office", "--password-file", "-") == (0, "lead can log in as office.\n")
    status, said = account("add", "lead", "--role", "auditor", "--password-file", "-")
    assert status == 2
    assert "already" in said
    with access_store(tmp_path) as store:
        before = store.accounts()
    assert account("password", "lead", "--password-file", "-", stdin="another set of words\n")[0] == 0
    with access_store(tmp_path) as store:
        assert store.accounts() != before
    assert lines(account("list", "--json")[1]) == [{"name": "lead", "role": "office"}]
    assert account("password", "nobody", "--password-file", "-")[0] == 2
    assert account("remove", "lead")[0] == 0
    assert account("remove", "lead")[0] == 2
    assert account("list") == account() == (0, "There is no account yet; steadypoint account add makes one.\n")


def test_no_password_is_taken_from_the_command_line_or_from_a_file_that_others_read(tmp_path: Path) -> None:
    add = ("account", "add", "lead", "--role", "office")
    assert "there is no terminal" in steadypoint(tmp_path, *add).stderr
    assert steadypoint(tmp_path, *add, PASSWORD).returncode == 2
    secret = tmp_path / "password"
    secret.write_text(f"{PASSWORD}\nnot this line\n", encoding="utf-8")
    secret.chmod(0o644)
    if os.name == "posix":
        assert "chmod 600" in steadypoint(tmp_path, *add, "--password-file", str(secret)).stderr
    secret.chmod(0o600)
    assert steadypoint(tmp_path, *add, "--password-file", str(secret)).returncode == 0
    with access_store(tmp_path) as store:
        assert Argon2Hasher().matches(store.accounts()[0].password_hash, PASSWORD)


@pytest.mark.parametrize("name", ["<script>", "a/b", "../x", "A", ""])
def test_hostile_names_get_neither_an_account_nor_credentials(name: str, tmp_path: Path) -> None:
    added = steadypoint(tmp_path, "account", "add", name, "--role", "office", "--password-file", "-", stdin=PASSWORD)
    enrolled = steadypoint(tmp_path, "enrol", name)
    assert (added.returncode, enrolled.returncode) == (2, 2)
    assert not (tmp_path / "broker").exists()


def test_enrol_makes_the_broker_s_folder_and_a_device_s_credentials(tmp_path: Path) -> None:
    for name, port in (("crew-1", 8883), ("office", 8884)):
        path = tmp_path / f"{name}.credentials"
        arguments = ("--only", "broker", "-o", str(path))
        result = steadypoint(tmp_path, "enrol", name, "--broker-host", "Broker.Example", *arguments)
        assert result.returncode == 0, result.stderr
        made = read_credentials(path)
        assert (made.broker, made.user) == (f"mqtts://broker.example:{port}", name)
        assert made.password not in result.stdout + result.stderr
        assert (made.share is not None) is (name == "office")
        again = steadypoint(tmp_path, "enrol", name, *arguments)
        assert again.returncode == 0
        assert read_credentials(path).password != made.password
        assert read_credentials(path).ca == made.ca
    files = [path for path in (tmp_path / "broker").iterdir() if path.is_file() and path.suffix != ".lock"]
    assert [path.name for path in files if not is_private(path)] == []
    gone = steadypoint(tmp_path, "enrol", "crew-1", "--revoke")
    assert "crew-1 has lost its password at the broker." in gone.stdout
    assert "crew-1" not in (tmp_path / "broker" / "crew.passwords").read_text(encoding="utf-8")
    assert steadypoint(tmp_path, "enrol", "crew-1", "--revoke").returncode == 2


def test_enrol_enters_a_device_in_the_office_s_register(tmp_path: Path) -> None:
    pem = tmp_path / "crew-1.pem"
    pem.write_text(steadypoint(tmp_path / "crew", "keys", "--own").stdout, encoding="ascii")
    make = ("enrol", "crew-1", "--only", "broker", "-o", str(tmp_path / "x"), "--broker-host", "localhost")
    entry = ("--site", "north", "--key", str(pem))
    for wrong in (entry[:2], entry[2:], (*entry[:3], "ab"), (*entry, "--only", "phone")):
        assert steadypoint(tmp_path, *make, *wrong).returncode == 2
    assert not (tmp_path / "x").exists()
    made = steadypoint(tmp_path, *make, *entry)
    assert "crew-1 stands in the office's register, at north." in made.stderr
    url = f"sqlite:///{tmp_path / 'office.sqlite3'}"
    with Store.at(url) as office:
        (device,) = Register(office).devices()
    assert (device.name, device.site, device.public_key, device.first_seen) == (
        "crew-1",
        "north",
        own_public_key(tmp_path / "crew"),
        False,
    )
    gone = steadypoint(tmp_path, "enrol", "crew-1", "--revoke")
    assert "crew-1 has lost its password at the broker, its entry in the register." in gone.stdout
    with Store.at(url) as office:
        assert Register(office).devices()[0].revoked_utc_ns is not None


def test_what_was_changed_in_the_configuration_stays(tmp_path: Path) -> None:
    make = ("enrol", "crew-1", "--only", "broker", "-o", str(tmp_path / "x"), "--broker-host", "localhost")
    steadypoint(tmp_path, *make)
    configuration = tmp_path / "broker" / "mosquitto.conf"
    changed = configuration.read_text(encoding="utf-8").replace("listener 8883", "listener 9883 10.0.0.1")
    configuration.write_text(changed, encoding="utf-8")
    steadypoint(tmp_path, *make)
    assert configuration.read_text(encoding="utf-8") == changed
    assert read_credentials(tmp_path / "x").broker == "mqtts://localhost:9883"


@pytest.mark.parametrize("host", ["", "a b", "a/b", "-a", "a..b", "ü.example", "a\nb", 'a"b'])
def test_what_is_no_host_makes_no_certificate(host: str, tmp_path: Path) -> None:
    result = steadypoint(tmp_path, "enrol", "crew-1", "--only", "broker", "--broker-host", host)
    assert result.returncode == 2
    assert "--broker-host" in result.stderr


def read_code(shown: str) -> str:
    """Read a QR code off a terminal's half blocks, as a camera would, with an outside reader."""
    rows = [line for line in shown.splitlines() if set(line) & set("█▀▄")]
    width = max(len(row) for row in rows)
    halves = []
    for row in (row.ljust(width) for row in rows):
        halves.append([sign in "█▀" for sign in row])
        halves.append([sign in "█▄" for sign in row])
    image = np.kron(np.array(halves, dtype=np.uint8) * 255, np.ones((8, 8), dtype=np.uint8))
    (found,) = zxingcpp.read_barcodes(image)
    return found.text


def test_enrol_shows_a_code_that_a_phone_reads(tmp_path: Path) -> None:
    picture = tmp_path / "code.png"
    page = "https://192.168.4.1:8024"
    result = steadypoint(
        tmp_path, "enrol", "phone-1", "--only", "phone", "--page", page, "--picture", str(picture), "--minutes", "5"
    )
    assert result.returncode == 0, result.stderr
    opens = read_code(result.stdout)
    address, _, token = opens.partition("/enter?ticket=")
    assert address == page
    with access_store(tmp_path) as store:
        ticket = store.ticket(digest(token))
    assert ticket is not None
    assert (ticket.who, ticket.role) == ("phone-1", Role.TECHNICIAN)
    assert is_private(picture)
    assert picture.read_bytes().startswith(b"\x89PNG")
    revoked = steadypoint(tmp_path, "enrol", "phone-1", "--revoke")
    assert "its way into the pages" in revoked.stdout
    with access_store(tmp_path) as store:
        assert store.ticket(digest(token)) is None


@pytest.mark.parametrize(
    "page",
    ["javascript:alert(1)", "ftp://a/", "http://", "http://a/b", "http://a/?b", "http://me@a/", "http://a:x/", "a"],
)
def test_what_is_no_page_s_address_is_not_shown(page: str, tmp_path: Path) -> None:
    result = steadypoint(tmp_path, "enrol", "phone-1", "--only", "phone", "--page", page)
    assert result.returncode == 2
    assert "--page" in result.stderr


class FakeRegister:
    """A register of devices in a dictionary."""

    def __init__(self) -> None:
        self.devices: dict[str, tuple[str, str]] = {}

    def enrol(self, name: str, site: str, key_hex: str, at: int) -> None:
        self.devices[name] = (site, key_hex)

    def revoke(self, name: str, at: int) -> None:
        if self.devices.pop(name, None) is None:
            raise UsageError("no such device")


def test_a_device_is_entered_in_the_register_and_struck_out_again(store: SqlAccessStore, tmp_path: Path) -> None:
    broker = BrokerFolder(tmp_path / "broker")
    broker.set_up("localhost")
    register = FakeRegister()
    admit(broker, "crew-1", tmp_path / "x", Registration(register, "Hall B", "ab" * 32), 0)
    assert register.devices == {"crew-1": ("Hall B", "ab" * 32)}
    assert broker.admitted() == ["crew-1"]
    had = dismiss(broker, store, register, "crew-1", 0)
    assert had == ["its password at the broker", "its entry in the register"]
    assert register.devices == {}
    assert broker.admitted() == []
    assert dismiss(broker, store, register, "crew-1", 0) == []
    with pytest.raises(UsageError, match="no device"):
        admit(broker, "office", tmp_path / "x", Registration(register, "Hall B", "ab" * 32), 0)
