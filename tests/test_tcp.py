"""Transport `tcp:`, against a real socket on this machine."""

import asyncio
import socket

import pytest

from frames import VOLTS_24
from meter_server import meter_server
from meterlink.errors import LinkError, UsageError
from meterlink.link import Link, open_link, start_clock
from meterlink.reading import Reading
from waiting import PATIENCE_S

FORMAT = "format=fs9721-lcd14"


async def next_reading(link: Link) -> Reading:
    async with asyncio.timeout(PATIENCE_S):
        async for item in link:
            if isinstance(item, Reading):
                return item
    raise AssertionError("the stream ended")


async def test_readings_come_and_an_orderly_close_is_a_broken_link_too() -> None:
    address = f"tcp:127.0.0.1:{{}}?{FORMAT}&patience=0"
    async with meter_server() as meter, open_link(address.format(meter.port), start_clock()) as link:
        await meter.connected.wait()
        meter.send(VOLTS_24 + VOLTS_24[:5])
        assert (await next_reading(link)).raw == VOLTS_24
        meter.close()
        with pytest.raises(LinkError, match=rf"tcp:127\.0\.0\.1:{meter.port}: the other end closed the connection"):
            await next_reading(link)
        assert link.received == 19


async def test_a_reset_is_a_broken_link() -> None:
    address = f"tcp:127.0.0.1:{{}}?{FORMAT}&patience=0"
    async with meter_server() as meter, open_link(address.format(meter.port), start_clock()) as link:
        await meter.connected.wait()
        meter.abort()
        with pytest.raises(LinkError, match=rf"tcp:127\.0\.0\.1:{meter.port}: the connection broke"):
            await next_reading(link)


async def test_ipv6_stands_in_brackets() -> None:
    try:
        socket.create_server(("::1", 0), family=socket.AF_INET6).close()
    except OSError:
        pytest.skip("this machine has no IPv6")
    async with meter_server("::1") as meter, open_link(f"tcp:[::1]:{meter.port}?{FORMAT}", start_clock()) as link:
        await meter.connected.wait()
        meter.send(VOLTS_24)
        assert (await next_reading(link)).raw == VOLTS_24


async def test_nobody_listening_says_where() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # and nobody listens
        port = taken.getsockname()[1]
        told = rf"tcp:127\.0\.0\.1:{port}: cannot connect .* check address, port and network"
        with pytest.raises(LinkError, match=told):
            async with open_link(f"tcp:127.0.0.1:{port}?{FORMAT}", start_clock()):
                pass


@pytest.mark.parametrize("address", ["host", "host:", ":5025", "host:0", "host:65536", "host:x", "::1:5025", "host:٣"])
async def test_a_wrong_address_is_refused(address: str) -> None:
    with pytest.raises(UsageError, match=r"tcp:.*(PORT|brackets)"):
        async with open_link(f"tcp:{address}?{FORMAT}", start_clock()):
            pass
