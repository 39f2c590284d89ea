"""Serial ports as they are listed, and the identity of what is behind each; the system's account is simulated."""

import os
from pathlib import Path

import pytest
from serial.tools.list_ports_common import ListPortInfo

from meterlink.errors import LinkError
from meterlink_drivers.transports import serial_ports
from meterlink_drivers.transports.serial_port import TRANSPORT
from meterlink_drivers.transports.serial_ports import (
    Port,
    devices,
    identities,
    identity_at,
    listed_ports,
    port_name,
)


def adapter(number: int, serial: str = "A5XK3RJT", location: str = "1-4") -> Port:
    return Port(f"/dev/ttyUSB{number}", "USB adapter", 0x0403, 0x6001, serial, location)


def info(device: str, **fields: object) -> ListPortInfo:
    """What pyserial says of a port."""
    found = ListPortInfo(device, skip_link_detection=True)
    for name, value in fields.items():
        setattr(found, name, value)
    return found


def test_a_usb_adapter_is_known_by_its_serial_number_in_any_socket() -> None:
    first, second = identities([adapter(0)]), identities([adapter(3, location="2-1")])
    assert first == {"/dev/ttyUSB0": "usb:0403:6001:A5XK3RJT"}
    assert second == {"/dev/ttyUSB3": "usb:0403:6001:A5XK3RJT"}


def test_without_a_serial_number_the_socket_stands_for_it() -> None:
    assert identities([adapter(0, serial="")]) == {"/dev/ttyUSB0": "usb:0403:6001@1-4"}


def test_adapters_that_are_numbered_alike_are_told_apart_by_their_sockets() -> None:
    assert identities([adapter(0, "0001", "1-4"), adapter(1, "0001", "1-5"), adapter(2)]) == {
        "/dev/ttyUSB0": "usb:0403:6001:0001@1-4",
        "/dev/ttyUSB1": "usb:0403:6001:0001@1-5",
        "/dev/ttyUSB2": "usb:0403:6001:A5XK3RJT",
    }


def test_two_ports_of_one_adapter_are_two() -> None:
    both = [adapter(0, "FT1", "1-4:1.0"), adapter(1, "FT1", "1-4:1.1")]
    assert list(identities(both).values()) == ["usb:0403:6001:FT1", "usb:0403:6001:FT1/1"]


def test_a_built_in_port_is_its_name() -> None:
    assert identities([Port("/dev/ttyS0")]) == {"/dev/ttyS0": "port:/dev/ttyS0"}


@pytest.mark.parametrize("name", ["COM10", "com10", "Com10", r"\\.\COM10", r"\\.\com10"])
def test_windows_spellings_are_one_port(name: str) -> None:
    assert port_name(name) == "COM10"
    assert identity_at(name, [Port("COM10", vid=1, pid=2, serial_number="S")]) == "usb:0001:0002:S"


@pytest.mark.parametrize("name", ["/dev/ttyUSB0", "COMET", "COM", r"\\.\pipe", "/dev/COM10"])
def test_other_names_stay_as_they_are(name: str) -> None:
    assert port_name(name) == name


def test_a_lasting_link_leads_to_the_adapter(tmp_path: Path) -> None:
    port, link = tmp_path / "ttyUSB0", tmp_path / "by-id-adapter"
    port.touch()
    link.symlink_to(port)
    listed = [Port(str(port), vid=0x0403, pid=0x6001, serial_number="X")]
    assert identity_at(str(link), listed) == "usb:0403:6001:X"


def test_a_name_that_is_given_to_changing_ports_is_its_own_identity(tmp_path: Path) -> None:
    link = tmp_path / "meter"
    link.symlink_to(os.devnull)
    assert identity_at(str(link), []) == f"port:{link}"


def test_a_port_behind_a_url_is_the_url() -> None:
    assert identity_at("rfc2217://10.0.0.5:2217", []) == "serial:rfc2217://10.0.0.5:2217"


def test_a_port_that_is_not_there_has_no_identity_now() -> None:
    with pytest.raises(LinkError, match=r"/dev/ttyUSB9 is absent; .*ports seen now: /dev/ttyUSB0"):
        identity_at("/dev/ttyUSB9", [adapter(0)])


def test_a_device_has_address_name_and_lasting_link() -> None:
    port = Port("/dev/ttyUSB0", "USB adapter", 0x0403, 0x6001, "S", "1-4", "/dev/serial/by-id/usb-adapter_S-if00")
    (device,) = devices([port])
    assert device.address == "serial:/dev/ttyUSB0"
    assert device.name == "USB adapter (/dev/serial/by-id/usb-adapter_S-if00)"
    assert (device.identity, device.formats, device.trouble) == ("usb:0403:6001:S", (), "")


def test_what_the_system_says_is_taken_over_without_control_characters() -> None:
    found = [
        info("/dev/ttyUSB0", vid=0x0403, pid=0x6001, serial_number="S\x00", location="1-4", description="a\x1b[2Jb"),
        info("/dev/ttyS0"),
    ]
    assert listed_ports(found, {"/dev/ttyUSB0": "/dev/serial/by-id/x"}) == [
        Port("/dev/ttyUSB0", "a[2Jb", 0x0403, 0x6001, "S", "1-4", "/dev/serial/by-id/x"),
        Port("/dev/ttyS0"),
    ]


async def test_the_serial_transport_finds_and_names_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    port = tmp_path / "ttyUSB0"
    port.touch()
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-lasting").symlink_to(port)
    monkeypatch.setattr(serial_ports, "_BY_ID", by_id)
    monkeypatch.setattr(serial_ports, "comports", lambda: [info(str(port), vid=1, pid=2, serial_number="S")])
    assert TRANSPORT.find is not None
    assert TRANSPORT.identity is not None
    (device,) = await TRANSPORT.find()
    assert device.address == f"serial:{port}"
    assert str(by_id / "usb-lasting") in device.name
    assert await TRANSPORT.identity(str(by_id / "usb-lasting")) == device.identity == "usb:0001:0002:S"


def test_a_port_without_permission_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    port = tmp_path / "ttyUSB0"
    port.touch()
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    (device,) = devices([Port(str(port))])
    assert device.trouble == "you have no permission to open it"
