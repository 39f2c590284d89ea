"""`steadypoint identify`, `meters` and `formats`, and METER addresses that name no format."""

import json
import os
import pty as pseudo_terminal
import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from commands import environment, lines, steadypoint, steadypoint_apart
from meterlink import meter_list
from meterlink.driver import Device, Transport
from meterlink.errors import LinkError
from meterlink.format_page import experimental_notice
from meterlink.known_meters import KnownMeter, known_meters, remember
from meterlink.meter_list import list_meters, natural
from meterlink.registry import format_names, load_format
from meterlink_sim.peer import SimulatedMeter
from meterlink_sim.pty_front import PtyFront
from meterlink_sim.wires import WIRES
from waiting import PATIENCE_S

KNOWN, NOT_KNOWN, BAD = 0, 1, 2


def meter(name: str, link: Path | None = None) -> PtyFront:
    """A simulated meter that lives four times as fast."""
    return PtyFront(SimulatedMeter(WIRES[name]), speed=4, link=link, parity_left_in=False)


# identify


def test_a_certain_answer_is_remembered_and_the_address_is_enough_from_then_on(tmp_path: Path) -> None:
    link = tmp_path / "meter"
    with meter("fs9721-lcd14", link) as front:
        result = steadypoint(tmp_path, "identify", front.where, "--tag", "van 3")
        assert result.returncode == KNOWN, result.stderr
        assert "This is fs9721-lcd14, profile fs9721" in result.stdout
        assert f"Remembered: port:{link} is fs9721; from now on {front.where} is enough." in result.stdout
        heard = lines(steadypoint(tmp_path, "listen", front.where, "--json", "--count", "2").stdout)
    assert [each["display"] for each in heard if each["event"] == "reading"] == ["24.06", "24.06"]
    known = known_meters(tmp_path)[f"port:{link}"]
    assert (known.profile, known.how, known.tag) == ("fs9721", "identified", "van 3")


def test_nothing_is_remembered_when_it_shall_not_be(tmp_path: Path) -> None:
    with meter("fs9721-lcd14") as front:
        result = steadypoint(tmp_path, "identify", front.where, "--no-remember")
    assert result.returncode == KNOWN
    assert "Remembered" not in result.stdout
    assert known_meters(tmp_path) == {}


def test_what_the_bytes_cannot_tell_is_left_open_and_can_be_stated(tmp_path: Path) -> None:
    link = tmp_path / "meter"
    with meter("es519xx-2400-11", link) as front:
        left = steadypoint(tmp_path, "identify", front.where)
        assert left.returncode == NOT_KNOWN
        assert "one of es51986-19200-11, es519xx-2400-11" in left.stdout
        assert f"steadypoint identify {front.where} --profile NAME" in left.stdout
        assert known_meters(tmp_path) == {}

        stated = steadypoint(tmp_path, "identify", front.where, "--profile", "es519xx-4000", "--json")
    assert stated.returncode == KNOWN
    assert (json.loads(stated.stdout)["remembered"], json.loads(stated.stdout)["profile"]) == ("es519xx-4000", None)
    assert known_meters(tmp_path)[f"port:{link}"].how == "stated"


def test_a_statement_that_the_bytes_contradict_is_refused(tmp_path: Path) -> None:
    with meter("fs9721-lcd14") as front:
        result = steadypoint(tmp_path, "identify", front.where, "--profile", "fs9922")
    assert result.returncode == BAD
    assert "profile 'fs9922' does not fit what" in result.stderr
    assert "fitting: fs9721" in result.stderr
    assert known_meters(tmp_path) == {}


def test_json_is_one_object_and_nothing_else_on_standard_output(tmp_path: Path) -> None:
    with meter("fs9922-ascii14") as front:
        result = steadypoint(tmp_path, "identify", front.where, "--json")
    (told,) = lines(result.stdout)
    assert (told["meter"], told["profile"], told["remembered"]) == (front.where, "fs9922", "fs9922")
    assert "listening" in result.stderr


def test_a_trace_is_no_meter_to_identify(tmp_path: Path) -> None:
    result = steadypoint(tmp_path, "identify", "trace:readings.jsonl")
    assert result.returncode == BAD
    assert "there is no meter to identify" in result.stderr


def test_a_port_that_is_absent_says_so(tmp_path: Path) -> None:
    result = steadypoint(tmp_path, "identify", "serial:/dev/ttyNONE9")
    assert result.returncode == BAD
    assert "serial port /dev/ttyNONE9 is absent" in result.stderr


# METER without a format


@pytest.mark.parametrize("command", [["listen"], ["check", "start-up", "--accept-cautions", "--meter"]])
def test_an_unknown_meter_is_refused_with_what_to_run(command: Sequence[str], tmp_path: Path) -> None:
    with meter("fs9721-lcd14") as front:
        result = steadypoint(tmp_path, *command, front.where)
    assert result.returncode == BAD
    assert f"run: steadypoint identify {front.where}, or add ?profile=NAME" in result.stderr
    assert not (tmp_path / "record.sqlite3").exists()


def on_a_terminal(home: Path, answer: bytes, *arguments: str) -> tuple[int, str]:
    """Run a command on a pseudo-terminal; return its status and all that it showed."""
    ours, theirs = pseudo_terminal.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "meterlink", *arguments],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env=environment(home),
    )
    os.close(theirs)
    shown, answered = b"", False
    try:
        while data := os.read(ours, 4096):
            shown += data
            if b"Which is it?" in shown and not answered:
                answered = True
                os.write(ours, answer)
    except OSError:  # the other end is closed: the command has ended
        pass
    os.close(ours)
    return process.wait(PATIENCE_S), shown.decode("utf-8", "replace")


def test_on_a_terminal_the_question_is_asked_once(tmp_path: Path) -> None:
    link = tmp_path / "meter"
    with meter("es519xx-2400-11", link) as front:
        status, shown = on_a_terminal(tmp_path, b"3\n", "listen", front.where, "--count", "1")
        assert status == 0, shown
        assert re.search(r"3  es519xx-4000 +ES51978-class part", shown)
        assert "24.06" in shown
        assert known_meters(tmp_path)[f"port:{link}"].profile == "es519xx-4000"
        status, shown = on_a_terminal(tmp_path, b"", "listen", front.where, "--count", "1")
    assert status == 0, shown
    assert "Which is it?" not in shown


def test_who_does_not_know_either_is_told_what_to_do_and_nothing_is_kept(tmp_path: Path) -> None:
    with meter("es519xx-2400-11") as front:
        status, shown = on_a_terminal(tmp_path, b"0\n", "listen", front.where)
    assert status == BAD
    assert "what this meter speaks is not known" in shown.replace("\r\n", " ")
    assert known_meters(tmp_path) == {}


# meters


def device(number: int) -> Device:
    return Device(f"usb:0403:6001:S{number}", f"serial:/dev/ttyUSB{number}")


def transports(monkeypatch: pytest.MonkeyPatch, *found: Transport) -> None:
    by_scheme = {each.scheme: each for each in found}
    monkeypatch.setattr(meter_list, "transport_names", lambda: sorted(by_scheme))
    monkeypatch.setattr(meter_list, "load_transport", lambda scheme: by_scheme[scheme])


def finding(scheme: str, *devices: Device, error: str = "") -> Transport:
    async def find() -> Sequence[Device]:
        if error:
            raise LinkError(error)
        return devices

    return Transport(scheme, "a test's", lambda url, line, clock: None, find=find)  # type: ignore[arg-type,return-value]


def test_ports_are_listed_in_their_natural_order(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    transports(monkeypatch, finding("serial", *(device(number) for number in (10, 9, 2))))
    listed = lines(steadypoint(tmp_path, "meters", "--json").stdout)
    assert [each["meter"] for each in listed] == [f"serial:/dev/ttyUSB{number}" for number in (2, 9, 10)]


def test_numbers_sort_as_numbers() -> None:
    assert sorted(["COM10", "COM9", "COM1"], key=natural) == ["COM1", "COM9", "COM10"]
    assert sorted(["b", "a2", "a", "a10"], key=natural) == ["a", "a2", "a10", "b"]


def test_a_transport_that_cannot_look_is_one_line_and_no_failure(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    transports(
        monkeypatch, finding("serial", device(1)), finding("ble", error="ble: no Bluetooth adapter; use the cable")
    )
    result = steadypoint(tmp_path, "meters")
    assert result.returncode == 0
    assert result.stderr == "steadypoint: ble: no Bluetooth adapter; use the cable\n"
    assert "serial:/dev/ttyUSB1" in result.stdout


async def test_what_each_speaks_comes_with_how_sure_that_is(monkeypatch: pytest.MonkeyPatch) -> None:
    said = KnownMeter("fs9721", "stated", "2026-11-25T22:02:33+00:00", "van 3")
    heard = Device("ble:A", "ble:A", "METER", ("ble-count6", "ble-lcd11-xor"))
    transports(monkeypatch, finding("serial", device(1), device(2)), finding("ble", heard))
    listed = await list_meters({device(1).identity: said})
    assert [each.speaks for each in listed.meters] == [
        "perhaps ble-count6 or ble-lcd11-xor, from what it announces",
        "fs9721 (van 3), stated 2026-11-25",
        "not known",
    ]


def test_a_damaged_memory_does_not_hide_the_ports(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    transports(monkeypatch, finding("serial", device(1)))
    (tmp_path / "meters.json").write_text("{")
    result = steadypoint(tmp_path, "meters")
    assert result.returncode == 0
    assert "is damaged" in result.stderr
    assert "serial:/dev/ttyUSB1" in result.stdout


def test_nothing_there_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    transports(monkeypatch, finding("serial"))
    assert steadypoint(tmp_path, "meters").stdout == "No serial port and no Bluetooth device is there now.\n"


def test_each_free_port_is_listened_to_where_that_is_wanted(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    with meter("fs9922-ascii14") as front:
        there = Device("usb:1:2:S", front.where)
        known = Device("usb:1:2:K", "serial:/dev/ttyKNOWN")
        held = Device("usb:1:2:H", "serial:/dev/ttyHELD", trouble="you have no permission to open it")
        gone = Device("usb:1:2:G", "serial:/dev/ttyGONE9")
        transports(monkeypatch, finding("serial", there, known, held, gone))
        remember(tmp_path, known.identity, KnownMeter("fs9721", "stated", "2026-11-25T22:02:33+00:00"))
        listed = lines(steadypoint(tmp_path, "meters", "--identify", "--json").stdout)
    speaks = {str(each["identity"]): str(each["speaks"]) for each in listed}
    assert speaks["usb:1:2:S"] == "fs9922, identified now"
    assert speaks["usb:1:2:K"] == "fs9721, stated 2026-11-25"
    assert speaks["usb:1:2:H"] == "not known"
    assert "/dev/ttyGONE9 is absent" in speaks["usb:1:2:G"]


# formats


def test_every_format_is_listed_with_what_it_takes_to_use_it(tmp_path: Path) -> None:
    listed = {str(each["format"]): each for each in lines(steadypoint(tmp_path, "formats", "--json").stdout)}
    assert sorted(listed) == format_names()
    slow = listed["es519xx-2400-11"]
    assert slow["line"] == {"baud": 2400, "bytesize": 7, "parity": "O", "stopbits": 1, "dtr": True, "rts": False}
    assert slow["look_alikes"] == ["es51986-19200-11"]
    assert slow["profiles"] == ["es519xx-4000"]
    assert listed["ascii-polled-14"]["polled"] is True
    assert [name for name, each in listed.items() if each["experimental"]] == ["dtm0660-lcd15", "es51986-19200-11"]


def test_the_list_for_people_marks_what_is_experimental(tmp_path: Path) -> None:
    shown = steadypoint(tmp_path, "formats").stdout
    assert "dtm0660-lcd15: " in shown
    assert "2400 8N1, DTR high, RTS low; streams; confidence low, experimental" in shown
    assert "same bytes as es51986-19200-11: say which it is" in shown
    assert "?profile=fs9721-celsius-2: " in shown


def test_an_experimental_format_comes_with_a_warning_and_no_other_does() -> None:
    notice = experimental_notice(load_format("dtm0660-lcd15"))
    assert notice is not None
    assert "dtm0660-lcd15 is experimental" in notice
    assert experimental_notice(load_format("fs9721-lcd14")) is None


# lint


def test_lint_checks_profiles_too(tmp_path: Path) -> None:
    good = "profile: mine\ntitle: t\nformat: fs9721-lcd14\ntraffic: stream\nsource: s\n"
    (tmp_path / "mine.yaml").write_text(good)
    assert steadypoint(tmp_path, "lint", str(tmp_path / "mine.yaml")).stdout == ""
    (tmp_path / "mine.yaml").write_text(good.replace("stream", "poll"))
    result = steadypoint(tmp_path, "lint", str(tmp_path / "mine.yaml"))
    assert result.returncode == BAD
    assert "mine.yaml:4:10: error: traffic 'poll', but a meter of format fs9721-lcd14 talks by itself" in result.stdout


def test_the_commands_work_in_a_process_of_their_own(tmp_path: Path) -> None:
    result = steadypoint_apart(tmp_path, "meters", "--json")
    assert result.returncode == 0, result.stderr
    assert all("identity" in each for each in lines(result.stdout))
