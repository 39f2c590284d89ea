"""Transport `tcp:`, against a real socket on this machine."""

import asyncio
import socket

import pytest

from frames import VOLTS_24
from meter_server import meter_server
from meterlink.errors import LinkError, UsageError
from meterlink.link import open_link, start_clock
from meterlink.reading import Reading

FORMAT = "format=fs9721-lcd14"


async def test_readings_come_and_an_orderly_close_is_the_end() -> None:
    async with meter_server() as meter, open_link(f"tcp:127.0.0.1:{meter.port}?{FORMAT}", start_clock()) as link:
        await meter.connected.wait()
        meter.send(VOLTS_24 + VOLTS_24[:5])
        assert (await anext(link)).raw == VOLTS_24  # type: ignore[union-attr]
        meter.close()
        assert [item async for item in link] == []
        assert link.received == 19


async def test_a_reset_is_a_broken_link() -> None:
    async with meter_server() as meter, open_link(f"tcp:127.0.0.1:{meter.port}?{FORMAT}", start_clock()) as link:
        await meter.connected.wait()
        meter.abort()
        with pytest.raises(LinkError, match=rf"tcp:127\.0\.0\.1:{meter.port}: the connection broke"):
            await asyncio.wait_for(anext(link), 2)


async def test_ipv6_stands_in_brackets() -> None:
    try:
        socket.create_server(("::1", 0), family=socket.AF_INET6).close()
    except OSError:
        pytest.skip("this machine has no IPv6")
    async with meter_server("::1") as meter, open_link(f"tcp:[::1]:{meter.port}?{FORMAT}", start_clock()) as link:
        await meter.connected.wait()
        meter.send(VOLTS_24)
        assert isinstance(await anext(link), Reading)


async def test_nobody_listening_says_where() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with pytest.raises(LinkError, match=rf"tcp:127\.0\.0\.1:{port}: cannot connect .* check address, port and network"):
        async with open_link(f"tcp:127.0.0.1:{port}?{FORMAT}", start_clock()):
            pass


@pytest.mark.parametrize("address", ["host", "host:", ":5025", "host:0", "host:65536", "host:x", "::1:5025", "host:٣"])
async def test_a_wrong_address_is_refused(address: str) -> None:
    with pytest.raises(UsageError, match=r"tcp:.*(PORT|brackets)"):
        async with open_link(f"tcp:{address}?{FORMAT}", start_clock()):
            pass
