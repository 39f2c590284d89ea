"""Meter profiles: the file, its problems with their places, the shipped ones, and where they are found."""

from decimal import Decimal
from pathlib import Path

import pytest

from meterlink.driver import GattPlace, LineSettings
from meterlink.errors import FileError, UsageError
from meterlink.procedure.load import SourceText
from meterlink.procedure.problem import ProcedureError
from meterlink.profile import Profile, Trap, examine_profile, is_profile
from meterlink.profiles import all_profiles, load_profile, profile_problems
from meterlink.registry import format_names, load_format

SMALL = """\
profile: mine
title: FS9721_LP3, bit 1 is degrees Celsius
format: fs9721-lcd14
traffic: stream
options:
  celsius-bit: 1
line: {baud: 4800, parity: E, bytesize: 7, stopbits: 2, dtr: off, rts: on}
updates: 2.5
auto_off: 15
press: Hold REL while you switch on.
traps: [sends-twice, no-checksum]
source: tried with a known temperature
"""


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STEADYPOINT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def sound(text: str) -> Profile:
    examined = examine_profile(text, "mine.yaml")
    assert examined.problems == ()
    assert examined.profile is not None
    return examined.profile


def problems(text: str) -> list[tuple[int, int, str]]:
    return [(each.line, each.column, each.message) for each in profile_problems(SourceText("mine.yaml", text))]


def test_a_profile_says_all_that_the_bytes_do_not() -> None:
    profile = sound(SMALL)
    assert (profile.profile, profile.format, profile.options) == ("mine", "fs9721-lcd14", {"celsius-bit": "1"})
    assert (profile.updates, profile.auto_off) == (Decimal("2.5"), Decimal(15))
    assert profile.traps == (Trap.SENDS_TWICE, Trap.NO_CHECKSUM)
    assert problems(SMALL) == []


def test_its_line_stands_over_the_format_s_own_and_what_it_leaves_out_stays() -> None:
    own = LineSettings(2400, 8, "N", 1, dtr=True, rts=False)
    assert sound(SMALL).line_settings(own) == LineSettings(4800, 7, "E", 2, dtr=False, rts=True)
    bare = sound("profile: mine\ntitle: t\nformat: f\ntraffic: poll\nsource: s\n")
    assert bare.line_settings(own) == own


def test_its_place_over_bluetooth_stands_over_the_format_s_own() -> None:
    base = "-0000-1000-8000-00805f9b34fb"
    text = f"{SMALL}gatt: {{service: 0000FFE0{base}, notify: 0000ffe1{base}}}\n"
    place = sound(text).line_settings(LineSettings()).gatt
    assert place == GattPlace(f"0000ffe0{base}", f"0000ffe1{base}")


@pytest.mark.parametrize(
    ("found", "wrong", "line", "column", "message"),
    [
        ("title: FS", "titel: FS", 2, 1, "key 'titel' is not known in a profile; did you mean 'title'"),
        ("traffic: stream", "traffic: streams", 4, 10, "traffic 'streams' is not known, expected 'stream' or 'poll'"),
        ("baud: 4800", "baud: fast", 7, 14, "'fast': expected a speed from 50 to 4000000"),
        ("baud: 4800", "baud: 0x10", 7, 14, "'0x10': expected a speed from 50 to 4000000"),
        ("dtr: off", "dtr: low", 7, 62, "dtr 'low' is not known, expected 'on' or 'off'"),
        ("parity: E", "party: E", 7, 20, "key 'party' is not known in 'line' of a profile; did you mean 'parity'"),
        ("updates: 2.5", "updates: NaN", 8, 10, "'NaN': expected a number above 0"),
        ("updates: 2.5", "updates: [3]", 8, 10, "expected a number above 0"),
        ("auto_off: 15", "auto_off: -1", 9, 11, "'-1': expected a number above 0"),
        ("sends-twice", "sends-thrice", 11, 9, "did you mean 'sends-twice'"),
        ("format: fs9721-lcd14", "format: fs9721", 3, 9, "unknown format 'fs9721'; known:"),
        ("celsius-bit: 1", "celsius: 1", 6, 3, "key 'celsius' is not known in the options of format fs9721-lcd14"),
        ("celsius-bit: 1", "celsius-bit: 7", 6, 3, "celsius-bit '7': expected 0, 1, 2 or 3"),
        ("traffic: stream", "traffic: poll", 4, 10, "traffic 'poll', but a meter of format fs9721-lcd14 talks by"),
        ("profile: mine", "profile: yours", 1, 10, "profile 'yours' lies in a file of the name 'mine'"),
    ],
)
def test_each_problem_is_told_with_its_place(found: str, wrong: str, line: int, column: int, message: str) -> None:
    assert found in SMALL
    told = problems(SMALL.replace(found, wrong))
    matching = [each for each in told if message in each[2]]
    assert matching, told
    assert matching[0][0] == line
    assert matching[0][1] == column


def test_all_problems_are_told_at_once() -> None:
    assert len(problems(SMALL.replace("title", "titel").replace("traffic: stream", "traffic: x"))) == 3


@pytest.mark.parametrize("text", ["", "- a\n", "profile: [\n", "profile: &a x\n", "profile: mine\n"])
def test_what_is_no_profile_has_problems_and_no_traceback(text: str) -> None:
    assert problems(text)


def test_a_profile_is_known_by_its_first_key() -> None:
    assert is_profile(f"# a comment\n---\n{SMALL}")
    assert not is_profile("procedure: x\nprofile: y\n")
    assert not is_profile("")


# The shipped ones


def test_every_shipped_profile_is_sound_and_every_format_has_one() -> None:
    shelf = all_profiles()
    assert shelf.troubles == ()
    assert {profile.format for profile in shelf.profiles} == set(format_names())


def test_no_two_profiles_of_a_format_may_stand_alone() -> None:
    alone = [profile.format for profile in all_profiles().profiles if profile.stands_alone]
    assert len(alone) == len(set(alone))


def test_parts_that_send_the_same_bytes_never_stand_alone() -> None:
    for profile in all_profiles().profiles:
        wire = load_format(profile.format)
        if wire.look_alikes and wire.line.gatt is None:  # over Bluetooth the characteristic tells them apart
            assert not profile.stands_alone, profile.profile


def test_meters_of_one_chip_with_different_speeds_have_profiles_of_their_own() -> None:
    slow, fast = load_profile("es519xx-4000"), load_profile("es5198x-6000")
    assert slow.line_settings(load_format(slow.format).line).baud == 2400
    assert fast.line_settings(load_format(fast.format).line).baud == 19230
    polled = [load_profile(f"ascii-polled-{baud}") for baud in (1200, 600)]
    assert [profile.line_settings(load_format(profile.format).line).baud for profile in polled] == [1200, 600]


# Where they are found


def test_the_user_s_own_are_found_by_name_in_the_home_folder(home: Path) -> None:
    folder = home / "profiles"
    folder.mkdir(parents=True)
    (folder / "mine.yaml").write_text(SMALL)
    assert load_profile("mine").title.startswith("FS9721_LP3")
    assert "mine" in [profile.profile for profile in all_profiles().profiles]


def test_a_file_is_found_by_its_path(tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text(SMALL)
    assert load_profile(str(tmp_path / "mine.yaml")).profile == "mine"
    with pytest.raises(FileError, match=r"other\.yaml: no such file; expected a meter profile"):
        load_profile(str(tmp_path / "other.yaml"))


def test_a_broken_one_is_refused_by_name_and_harms_no_other(home: Path) -> None:
    (home / "profiles").mkdir(parents=True)
    (home / "profiles" / "mine.yaml").write_text(SMALL.replace("baud: 4800", "baud: fast"))
    with pytest.raises(ProcedureError, match=r"mine\.yaml:7:14: .*expected a speed"):
        load_profile("mine")
    shelf = all_profiles()
    assert len(shelf.troubles) == 1
    assert "fs9721" in [profile.profile for profile in shelf.profiles]


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(UsageError, match=r"unknown profile 'fs9722'; known: .*fs9721, "):
        load_profile("fs9722")
