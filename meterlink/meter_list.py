"""What can be reached now: every transport's devices, and what each seems to speak. A shell; opens nothing."""

import asyncio
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from meterlink.driver import Device, Transport
from meterlink.errors import LinkError, MeterlinkError
from meterlink.known_meters import KnownMeter
from meterlink.registry import load_transport, transport_names


@dataclass(frozen=True, slots=True)
class Listed:
    """One device, and what is known of it."""

    device: Device
    known: KnownMeter | None = None

    @property
    def speaks(self) -> str:
        """What it seems to speak, and how sure that is."""
        if self.known:
            tag = f" ({self.known.tag})" if self.known.tag else ""
            return f"{self.known.profile}{tag}, {self.known.how} {self.known.said[:10]}"
        if self.device.formats:
            return f"perhaps {' or '.join(self.device.formats)}, from what it announces"
        return "not known"


@dataclass(frozen=True, slots=True)
class MeterList:
    """All that was found."""

    meters: tuple[Listed, ...]
    troubles: tuple[str, ...]
    """One line on each transport that cannot look."""


async def list_meters(known: Mapping[str, KnownMeter]) -> MeterList:
    """Let every transport look, side by side; one that cannot harms no other.

    Args:
        known: what is remembered, by identity.
    """
    transports: list[Transport] = []
    troubles: list[str] = []
    for name in transport_names():
        try:
            transports.append(load_transport(name))
        except MeterlinkError as error:
            troubles.append(_named(name, error))
    looking = [each for each in transports if each.find is not None]
    found = await asyncio.gather(*(_look(transport) for transport in looking))
    devices: list[Device] = []
    for transport, result in zip(looking, found, strict=True):
        if isinstance(result, LinkError):
            troubles.append(_named(transport.scheme, result))
        else:
            devices += result
    devices.sort(key=lambda device: natural(device.address))
    return MeterList(tuple(Listed(device, known.get(device.identity)) for device in devices), tuple(troubles))


async def _look(transport: Transport) -> Sequence[Device] | LinkError:
    assert transport.find is not None  # noqa: S101 - asked only of those that can
    try:
        return await transport.find()
    except LinkError as error:
        return error


def _named(scheme: str, error: MeterlinkError) -> str:
    return str(error) if str(error).startswith(f"{scheme}:") else f"{scheme}: {error}"


def natural(text: str) -> list[tuple[int, str]]:
    """Return a key that sorts COM10 after COM9, and ttyUSB10 after ttyUSB9."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"([0-9]+)", text)]
