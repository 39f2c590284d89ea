"""Who may do what, as decisions: names, roles, passwords, sessions, guesses slowed down."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.access.lockout import MOST_KEPT, OF_ACCOUNT, OF_ADDRESS, Lockout
from meterlink.access.names import checked_key, checked_name, checked_site, is_name
from meterlink.access.passwords import LONGEST, SHORTEST, normalised, trouble_with
from meterlink.access.roles import Role, may_change, may_read
from meterlink.access.session import IDLE_S, LONGEST_S, Session, digest
from meterlink.errors import UsageError

HOSTILE = [
    "", "-", "-a", "a-", "A", "a" * 33, "a b", "a/b", "a+", "#", "$sys", "a\n", "a\0", "../a",
    "<script>alert(1)</script>", "'; drop table access_account; --", "ａ", "é", "a:b", "%u",
]  # fmt: skip


@pytest.mark.parametrize("name", ["a", "crew-1", "7", "a" * 32])
def test_names_that_can_be_topics_log_lines_and_file_names(name: str) -> None:
    assert checked_name(name) == name


@pytest.mark.parametrize("name", HOSTILE)
def test_no_other_name_is_taken(name: str) -> None:
    assert not is_name(name)
    with pytest.raises(UsageError, match="expected a name"):
        checked_name(name)


def test_sites_and_keys_are_checked() -> None:
    assert checked_site("Site 12, hall B") == "Site 12, hall B"
    for wrong in ("", " a", "a\n", "a" * 65):
        with pytest.raises(UsageError, match=r"^site "):
            checked_site(wrong)
    assert checked_key("AB" * 32) == "ab" * 32
    for wrong in ("", "ab", "zz" * 32, "ab" * 33):
        with pytest.raises(UsageError, match=r"^key: "):
            checked_key(wrong)


def test_an_auditor_changes_nothing_anywhere() -> None:
    for path in (
        "/answer",
        "/start",
        "/again",
        "/stop",
        "/note",
        "/photo",
        "/jumper",
        "/office",
        "/office/note",
        "/audit",
        "/x",
    ):
        assert not may_change(Role.AUDITOR, path)


def test_what_each_role_may_do() -> None:
    assert may_change(Role.TECHNICIAN, "/answer")
    assert not may_change(Role.OFFICE, "/answer")
    assert may_change(Role.OFFICE, "/office/crew-1/note")
    assert not may_change(Role.TECHNICIAN, "/office/crew-1/note")
    assert not may_read(Role.TECHNICIAN, "/office")
    assert not may_read(Role.TECHNICIAN, "/office/events")
    assert may_read(Role.AUDITOR, "/office/events")
    assert all(may_read(role, "/audit") for role in Role)


@given(path=st.text(), role=st.sampled_from(Role))
def test_a_path_that_is_not_named_can_be_changed_by_nobody(path: str, role: Role) -> None:
    assert not may_change(role, f"/unnamed{path}")
    assert not may_change(role, f"/answered{path}")


@pytest.mark.parametrize("good", ["three blind cable ties", "x7#Kq-0pZ.w4", "пароль из слов", "ｗide and narrow 12"])
def test_long_passwords_are_taken_whatever_they_are_made_of(good: str) -> None:
    assert trouble_with(good, "crew-1") is None


@pytest.mark.parametrize(
    ("bad", "why"),
    [
        ("short", "12 to 256"),
        ("x" * SHORTEST, "different"),
        ("abababababab", "different"),
        ("abcdefghijklmnop", "run"),
        ("1234567890123", "run"),
        ("steadypoint-12", "steadypoint"),
        ("technician-lead-a", "technician-lead"),
        ("two\nlines of text", "printable"),
        ("ab" * LONGEST, "12 to 256"),
    ],
)
def test_passwords_that_are_guessed_first_are_not(bad: str, why: str) -> None:
    said = trouble_with(bad, "technician-lead")
    assert said is not None
    assert why in said


def test_a_password_is_the_same_however_a_keyboard_composes_it() -> None:
    assert normalised("Übergabe") == normalised("U\u0308bergabe")


def test_a_session_ends_by_itself() -> None:
    session = Session("crew-1", Role.TECHNICIAN, begun_s=1000, used_s=1000)
    assert session.holds(1000)
    assert session.holds(1000 + IDLE_S - 1)
    assert not session.holds(1000 + IDLE_S)
    used = Session("crew-1", Role.TECHNICIAN, begun_s=1000, used_s=1000 + LONGEST_S - 1)
    assert not used.holds(1000 + LONGEST_S)
    assert not session.holds(999)  # a clock that was set back
    assert len(digest("token")) == 64


def tries(lockout: Lockout, account: str, address: str, seconds: float) -> int:
    """How often a password can be guessed within a time, by somebody who waits as long as told and no longer."""
    now = done = 0.0
    while now <= seconds:
        wait = lockout.attempt(account, address, now)
        now += wait
        done += wait == 0
    return int(done)


def test_guessing_is_slowed_down_to_a_dozen_an_hour() -> None:
    first_hour = tries(Lockout(), "lead", "10.0.0.7", 3600)
    assert OF_ACCOUNT.free <= first_hour <= 30
    assert tries(Lockout(), "lead", "10.0.0.7", 100 * 3600) - first_hour <= 13 * 99


def test_it_is_slowed_down_for_an_account_from_many_addresses_and_for_an_address_with_many_accounts() -> None:
    lockout = Lockout()
    waits = [lockout.attempt("lead", f"10.0.0.{number}", 0.0) for number in range(50)]
    assert waits.count(0) == OF_ACCOUNT.free
    lockout = Lockout()
    waits = [lockout.attempt(f"name{number}", "10.0.0.7", 0.0) for number in range(50)]
    assert waits.count(0) == OF_ADDRESS.free


def test_many_tries_at_once_are_no_way_around() -> None:
    """Each counts as failed from its beginning, before anybody knows."""
    lockout = Lockout()
    assert sum(lockout.attempt("lead", "10.0.0.7", 5.0) == 0 for _ in range(1000)) == OF_ACCOUNT.free


def test_a_login_that_succeeds_is_never_held_against_anybody() -> None:
    lockout = Lockout()
    for number in range(1000):
        assert lockout.attempt("lead", "10.0.0.7", float(number)) == 0
        lockout.succeeded("lead", "10.0.0.7")


def test_an_account_of_one_s_own_is_no_way_to_guess_another_s() -> None:
    lockout = Lockout()
    guesses = 0
    for _ in range(100):
        if lockout.attempt("mine", "10.0.0.7", 0.0) == 0:
            lockout.succeeded("mine", "10.0.0.7")
        guesses += lockout.attempt(f"name{guesses}", "10.0.0.7", 0.0) == 0
    assert guesses == OF_ADDRESS.free


def test_whoever_is_told_to_wait_gets_in_after_that() -> None:
    lockout = Lockout()
    while not (wait := lockout.attempt("lead", "10.0.0.7", 0.0)):
        pass
    for late in (0.0, 0.5, 1.0):  # hammering does not make it longer
        assert lockout.attempt("lead", "10.0.0.7", late) == pytest.approx(wait - late)
    assert lockout.attempt("lead", "10.0.0.7", wait) == 0


def test_after_an_hour_all_is_forgotten() -> None:
    lockout = Lockout()
    for _ in range(100):
        lockout.attempt("lead", "10.0.0.7", 0.0)
    fresh = [lockout.attempt("lead", "10.0.0.7", 2 * OF_ACCOUNT.forgotten_s) for _ in range(OF_ACCOUNT.free)]
    assert fresh == [0.0] * OF_ACCOUNT.free


def test_what_is_remembered_is_bounded() -> None:
    lockout = Lockout()
    for number in range(MOST_KEPT + 100):
        lockout.attempt(f"name{number}", f"address{number}", 0.0)
    assert len(lockout._accounts) == len(lockout._addresses) == MOST_KEPT
