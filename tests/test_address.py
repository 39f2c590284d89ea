"""What a METER address comes to: as written, by profile, as remembered; never guessed."""

from collections.abc import Awaitable, Callable
from contextlib import AbstractAsyncContextManager
from pathlib import Path

import pytest

from meterlink.address import MeterUnknownError, Resolved, identity_of, resolve
from meterlink.driver import Clock, Connection, LineSettings, MeterUrl, Transport, parse_meter_url
from meterlink.errors import FileError, LinkError, UsageError
from meterlink.known_meters import KnownMeter, remember
from meterlink_drivers.transports.serial_port import line_settings

OWN = "usb:0403:6001:A5XK3RJT"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STEADYPOINT_HOME", str(tmp_path))
    return tmp_path


def never(url: MeterUrl, line: LineSettings, clock: Clock) -> AbstractAsyncContextManager[Connection]:
    raise AssertionError("resolving opens nothing")


def transport(identity: Callable[[str], Awaitable[str]] | None = None, default_format: str | None = None) -> Transport:
    return Transport("serial", "a test's", never, identity=identity, default_format=default_format)


async def own_identity(address: str) -> str:
    return OWN


async def absent(address: str) -> str:
    raise LinkError(f"serial port {address} is absent")


async def resolved(text: str, through: Transport | None = None) -> Resolved:
    return await resolve(parse_meter_url(text), through or transport(own_identity))


def known(profile: str, **line: str) -> KnownMeter:
    return KnownMeter(profile, "stated", "2026-11-25T22:02:33+00:00", "", line)


async def test_a_format_stands_as_written() -> None:
    meter = await resolved("serial:/dev/ttyUSB0?format=fs9721-lcd14&celsius-bit=1&baud=4800")
    assert (meter.format.name, meter.options, meter.profile) == ("fs9721-lcd14", {"celsius-bit": "1"}, None)
    assert meter.line.baud == 2400  # the transport puts its own options over it


async def test_a_profile_stands_for_format_options_and_line() -> None:
    meter = await resolved("serial:/dev/ttyUSB0?profile=ascii-polled-600")
    assert (meter.format.name, meter.options) == ("ascii-polled-14", {"timeout": "2"})
    assert (meter.line.baud, meter.line.bytesize, meter.line.stopbits) == (600, 7, 2)
    assert meter.profile is not None


async def test_what_the_address_says_itself_wins_over_the_profile() -> None:
    meter = await resolved("serial:/dev/ttyUSB0?profile=fs9721-celsius-2&celsius-bit=0")
    assert meter.options == {"celsius-bit": "0"}
    assert line_settings({"baud": "9600"}, meter.line).baud == 9600


async def test_a_profile_may_be_a_file(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text("profile: mine\ntitle: t\nformat: fs9721-lcd14\ntraffic: stream\nsource: s\nline: {baud: 1200}\n")
    assert (await resolved(f"serial:/dev/ttyUSB0?profile={path}")).line.baud == 1200


async def test_format_and_profile_together_are_refused() -> None:
    with pytest.raises(UsageError, match="both format and profile are given; leave one out"):
        await resolved("serial:/dev/ttyUSB0?format=fs9721-lcd14&profile=fs9721")


async def test_without_either_the_device_s_own_is_remembered(home: Path) -> None:
    remember(home, OWN, known("fs9721-celsius-2", baud="9600", parity="E", bytesize="7"))
    meter = await resolved("serial:/dev/ttyUSB7")
    assert (meter.format.name, meter.options) == ("fs9721-lcd14", {"celsius-bit": "2"})
    assert (meter.line.baud, meter.line.parity, meter.line.bytesize) == (9600, "E", 7)


async def test_a_word_about_another_device_says_nothing(home: Path) -> None:
    remember(home, "usb:0403:6001:OTHER", known("fs9721"))
    with pytest.raises(MeterUnknownError, match="not known; run: steadypoint identify serial:/dev/ttyUSB0, or add"):
        await resolved("serial:/dev/ttyUSB0")


async def test_a_written_format_needs_no_memory(home: Path) -> None:
    (home / "meters.json").write_text("{")
    assert (await resolved("serial:/dev/ttyUSB0?profile=fs9721", transport(absent))).format.name == "fs9721-lcd14"
    with pytest.raises(FileError, match="is damaged"):
        await resolved("serial:/dev/ttyUSB0")


async def test_a_device_that_is_not_there_cannot_be_looked_up(home: Path) -> None:
    remember(home, OWN, known("fs9721"))
    with pytest.raises(LinkError, match="is absent"):
        await resolved("serial:/dev/ttyUSB0", transport(absent))


async def test_a_remembered_profile_that_is_gone_is_named(home: Path) -> None:
    remember(home, OWN, known("gone"))
    with pytest.raises(UsageError, match="unknown profile 'gone'"):
        await resolved("serial:/dev/ttyUSB0")


async def test_a_remembered_line_that_no_port_has_is_refused(home: Path) -> None:
    remember(home, OWN, known("fs9721", baud="fast"))
    with pytest.raises(UsageError, match=r"holds a line .*fast.* that no port has; identify it anew"):
        await resolved("serial:/dev/ttyUSB0")


async def test_a_transport_s_usual_format_needs_no_memory() -> None:
    assert (await resolved("sim:healthy", transport(default_format="fs9721-lcd14"))).profile is None


async def test_without_a_better_one_the_address_is_the_identity(home: Path) -> None:
    url = parse_meter_url("tcp:10.0.0.7:5025?format=scpi-line")
    assert await identity_of(url, transport()) == "tcp:10.0.0.7:5025"
    remember(home, "tcp:10.0.0.7:5025", known("scpi"))
    assert (await resolved("tcp:10.0.0.7:5025", transport())).format.name == "scpi-line"
