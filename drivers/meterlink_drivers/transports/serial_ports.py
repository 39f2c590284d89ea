"""Which serial ports there are, and what stays the same about the device behind each. Nothing is ever opened.

The identity of a USB adapter is made of what it carries in itself: vendor, product and serial number; without a serial
number, or with one that another adapter plugged in now has too (cheap ones are all numbered alike), the socket it is
plugged into takes that place. Any other port is its name.
"""

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from serial.tools.list_ports import comports
from serial.tools.list_ports_common import ListPortInfo

from meterlink.driver import Device
from meterlink.errors import LinkError

_BY_ID = Path("/dev/serial/by-id")
_WINDOWS_PORT = re.compile(r"(?:\\\\\.\\)?(COM\d+)", re.IGNORECASE | re.ASCII)
_INTERFACE = re.compile(r":\d+\.(\d+)$", re.ASCII)
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069]")


@dataclass(frozen=True, slots=True)
class Port:
    """A serial port as the system lists it."""

    name: str
    """`/dev/ttyUSB0`, `COM10`."""
    description: str = ""
    vid: int | None = None
    pid: int | None = None
    serial_number: str = ""
    location: str = ""
    """The USB socket: `1-4.2`, or `1-4.2:1.0` where the system tells the interface too."""
    by_id: str = ""
    """A name the system gives it that stays the same, where it does."""


def port_name(address: str) -> str:
    r"""Bring a port's name to the one form the system lists: `com10` and `\\.\COM10` are `COM10`."""
    match = _WINDOWS_PORT.fullmatch(address)
    return match[1].upper() if match else address


def identities(ports: Sequence[Port]) -> Mapping[str, str]:
    """Give each port its identity: name to identity, no two alike."""
    own = {port.name: _own_identity(port) for port in ports}
    shared = {identity for identity in own.values() if list(own.values()).count(identity) > 1}
    return {
        port.name: f"{own[port.name]}@{port.location or port.name}" if own[port.name] in shared else own[port.name]
        for port in ports
    }


def _own_identity(port: Port) -> str:
    if port.vid is None or port.pid is None:
        return f"port:{port.name}"
    base = f"usb:{port.vid:04X}:{port.pid:04X}"
    if not port.serial_number:
        return f"{base}@{port.location or port.name}"
    interface = _INTERFACE.search(port.location)
    return f"{base}:{port.serial_number}" + (f"/{interface[1]}" if interface and interface[1] != "0" else "")


def devices(ports: Sequence[Port]) -> list[Device]:
    """Describe ports as devices."""
    identity = identities(ports)
    return [
        Device(
            identity[port.name],
            f"serial:{port.name}",
            " ".join(filter(None, (port.description, f"({port.by_id})" if port.by_id else ""))),
            trouble=_trouble(port.name),
        )
        for port in ports
    ]


def _trouble(name: str) -> str:
    if os.name != "posix" or os.access(name, os.R_OK | os.W_OK) or not Path(name).exists():
        return ""
    return "you have no permission to open it"


def listed_ports(infos: Iterable[ListPortInfo], links: Mapping[str, str]) -> list[Port]:
    """Take over what the system lists.

    Args:
        infos: pyserial's account.
        links: port name to its lasting name.
    """
    return [
        Port(
            name=port_name(info.device),
            description=_text(info.description) if info.description != "n/a" else "",
            vid=info.vid,
            pid=info.pid,
            serial_number=_text(info.serial_number),
            location=_text(info.location),
            by_id=links.get(info.device, ""),
        )
        for info in infos
    ]


def _text(value: str | None) -> str:
    return _CONTROL.sub("", value or "").strip()


def ports_now() -> list[Port]:
    """List the ports that are there now."""
    links = {str(link.resolve()): str(link) for link in sorted(_BY_ID.glob("*"))} if _BY_ID.is_dir() else {}
    return listed_ports(comports(), links)


def identity_at(address: str, ports: Sequence[Port]) -> str:
    """Return the identity of the device behind the address of a METER, its text after `serial:`.

    Raises:
        LinkError: no such port is there now.
    """
    if "://" in address:
        return f"serial:{address}"
    name = port_name(address)
    identity = identities(ports)
    for candidate in (name, os.path.realpath(name)):
        if candidate in identity:
            return identity[candidate]
    if not os.path.exists(name):  # noqa: PTH110 - a port of Windows is no path
        known = ", ".join(sorted(identity)) or "none"
        raise LinkError(f"serial port {address} is absent; plug the cable in or name another (ports seen now: {known})")
    return f"port:{os.path.abspath(name)}"  # noqa: PTH100 - links stay: such a name outlives what it points at


async def find() -> Sequence[Device]:
    """List the serial ports; see `meterlink.driver.Transport.find`."""
    return devices(ports_now())


async def identity(address: str) -> str:
    """Give the identity of what is behind a port; see `meterlink.driver.Transport.identity`."""
    return identity_at(address, ports_now())
