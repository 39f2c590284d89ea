"""Transport `serial:` with real pyserial: on pseudo-terminals, over socket:// and over rfc2217://.

What a pty cannot show (speed, parity) is asserted at the far end of an RFC 2217 link, against pyserial's own server.
"""

import asyncio
import errno
import os
import re
import socket
import threading
from collections.abc import Iterator

import pytest
import serial
from serial.rfc2217 import PortManager

from frames import VOLTS_24
from meter_server import meter_server
from meterlink.driver import LineSettings
from meterlink.errors import LinkError, UsageError
from meterlink.keeper import News
from meterlink.link import Link, open_link, start_clock
from meterlink.reading import Reading
from meterlink_drivers.transports.serial_port import line_settings
from pty_meter import Pty
from waiting import PATIENCE_S

FORMAT = "format=fs9721-lcd14"


@pytest.fixture
def pty() -> Iterator[Pty]:
    with Pty() as pty:
        yield pty


def ports_read() -> list[str]:
    return [thread.name for thread in threading.enumerate() if thread.name.startswith("read ")]


async def readings(link: Link, count: int) -> list[Reading]:
    found: list[Reading] = []
    async with asyncio.timeout(PATIENCE_S):
        while len(found) < count:
            item = await anext(link)
            if isinstance(item, Reading):
                found.append(item)
    return found


async def test_a_stream_comes_through_in_any_pieces(pty: Pty) -> None:
    async with open_link(f"serial:{pty.name}?{FORMAT}", start_clock()) as link:
        for byte in VOLTS_24 * 3:
            pty.send(bytes([byte]))
        found = await readings(link, 3)
        assert [reading.raw for reading in found] == [VOLTS_24] * 3
        assert found == sorted(found, key=lambda reading: reading.at)
        assert link.received == 42
    assert ports_read() == []


async def test_a_pulled_cable_is_told_at_once_and_given_up_when_patience_ends(pty: Pty) -> None:
    async with open_link(f"serial:{pty.name}?{FORMAT}&patience=0", start_clock()) as link:
        pty.send(VOLTS_24[:9])
        asyncio.get_running_loop().call_later(0.1, pty.unplug)
        opened, lost = [await asyncio.wait_for(anext(link), PATIENCE_S) for _ in range(2)]
        assert isinstance(opened, News)
        assert opened.text == f"opened serial:{pty.name}, fs9721-lcd14, 2400 8N1, DTR on, RTS off"
        assert isinstance(lost, News)
        assert re.match(rf"serial port {pty.name} is lost .*; plug the cable in again", lost.text)
        for _ in range(2):  # and it stays lost
            with pytest.raises(LinkError, match=r"is lost .*given up after 0 s"):
                await anext(link)
    assert ports_read() == []


async def test_a_second_program_is_told_that_the_port_is_busy(pty: Pty) -> None:
    async with open_link(f"serial:{pty.name}?{FORMAT}", start_clock()) as first:
        with pytest.raises(
            LinkError, match=rf"serial port {pty.name} is busy: .* \(process {os.getpid()}\) has it open; close that"
        ):
            async with open_link(f"serial:{pty.name}?{FORMAT}", start_clock()):
                pass
        pty.send(VOLTS_24)
        assert len(await readings(first, 1)) == 1  # the first one is left untouched
    async with open_link(f"serial:{pty.name}?{FORMAT}", start_clock()):
        pass  # and the port is free again


async def test_a_port_that_is_not_there() -> None:
    with pytest.raises(LinkError, match="serial port /dev/ttyNONE9 is absent; plug the cable in"):
        async with open_link(f"serial:/dev/ttyNONE9?{FORMAT}", start_clock()):
            pass


async def test_no_permission_names_the_group_and_never_the_administrator(
    pty: Pty, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(port: serial.Serial) -> None:
        raise serial.SerialException(errno.EACCES, "could not open port")

    monkeypatch.setattr(serial.Serial, "open", refuse)
    with pytest.raises(LinkError, match=r"no permission .* the group \w+, then log in again") as caught:
        async with open_link(f"serial:{pty.name}?{FORMAT}", start_clock()):
            pass
    assert "root" not in str(caught.value).replace("group root", "")
    assert "sudo" not in str(caught.value)


@pytest.mark.parametrize("address", [__file__, "nothing://here"])
async def test_a_file_and_an_unknown_url_are_no_ports(address: str) -> None:
    with pytest.raises(LinkError, match=f"serial port {address} cannot be opened"):
        async with open_link(f"serial:{address}?{FORMAT}", start_clock()):
            pass


async def test_a_query_goes_out_of_the_port(pty: Pty) -> None:
    async with open_link(f"serial:{pty.name}?format=scpi-line", start_clock()) as link:
        waiting = asyncio.ensure_future(readings(link, 1))
        assert await asyncio.to_thread(os.read, pty.meter, 64) == b"*IDN?\n"
        waiting.cancel()
        await asyncio.gather(waiting, return_exceptions=True)


async def test_a_socket_url_works_as_a_port() -> None:
    async with (
        meter_server() as meter,
        open_link(f"serial:socket://127.0.0.1:{meter.port}?{FORMAT}&patience=0", start_clock()) as link,
    ):
        await meter.connected.wait()
        meter.send(VOLTS_24)
        assert [reading.raw for reading in await readings(link, 1)] == [VOLTS_24]
        meter.close()
        with pytest.raises(LinkError, match="is lost"):
            await readings(link, 1)


class Rfc2217Server:
    """pyserial's own RFC 2217 server in front of its loop:// port, for one client."""

    def __init__(self) -> None:
        self.port = serial.serial_for_url("loop://", timeout=0.1)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.number = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._serve, name="rfc2217-server")
        self._thread.start()

    def _serve(self) -> None:
        client, _ = self._listener.accept()
        client.settimeout(PATIENCE_S)  # a test that fails must end
        with client:
            self._client = client
            manager = PortManager(self.port, self)  # type: ignore[arg-type]  # the stubs ask for too much
            while data := client.recv(1024):
                self.port.write(b"".join(manager.filter(data)))
                if self.port.in_waiting:
                    client.sendall(b"".join(manager.escape(self.port.read(self.port.in_waiting))))

    def write(self, data: bytes) -> None:
        """Send an answer of the protocol; the manager calls this."""
        self._client.sendall(data)

    def close(self) -> None:
        self._thread.join()
        self._listener.close()
        self.port.close()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # in pyserial 3.5's own RFC 2217 client
async def test_line_settings_reach_the_far_end() -> None:
    server = Rfc2217Server()
    try:
        address = f"serial:rfc2217://127.0.0.1:{server.number}?{FORMAT}&parity=O&bytesize=7&stopbits=2&rts=on&dtr=off"
        async with open_link(address, start_clock()):
            pass
    finally:
        await asyncio.to_thread(server.close)
    port = server.port
    assert (port.baudrate, port.bytesize, port.parity, port.stopbits) == (2400, 7, "O", 2)
    assert (port.rts, port.dtr) == (True, False)


def test_options_stand_over_the_formats_own_settings() -> None:
    line = LineSettings(baud=2400)
    assert line_settings({}, line) == line
    changed = {"baud": "19200", "bytesize": "7", "parity": "E", "stopbits": "1.5", "dtr": "off", "rts": "on"}
    assert line_settings(changed, line) == LineSettings(19200, 7, "E", 1.5, False, True)


WRONG = "baud=0 baud=-9600 baud=fast baud=9e9 bytesize=9 parity=X parity=n stopbits=3 dtr=1 rts=up"


@pytest.mark.parametrize("option", WRONG.split())
async def test_a_setting_that_no_line_has_is_refused(pty: Pty, option: str) -> None:
    name, _, value = option.partition("=")
    with pytest.raises(UsageError, match=f"{name} '{value}': expected"):
        async with open_link(f"serial:{pty.name}?{FORMAT}&{option}", start_clock()):
            pass


async def test_a_pty_without_control_lines_still_opens(pty: Pty) -> None:
    async with open_link(f"serial:{pty.name}?{FORMAT}&dtr=on&rts=on", start_clock()) as link:
        pty.send(VOLTS_24)
        assert len(await readings(link, 1)) == 1
