"""A driver of another package: built, installed beside the checkout, and used by name through the command line."""

import json
import os
import socket
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import pytest

from waiting import PATIENCE_S

PROJECT = """
[build-system]
requires = ["hatchling"]
build-backend = "hatchling.build"

[project]
name = "outside-meter"
version = "1.2.3"

[project.entry-points."meterlink.formats"]
outside-text = "outside_meter:FORMAT"
outside-broken = "outside_meter.missing:FORMAT"

[project.entry-points."meterlink.transports"]
outside = "outside_meter:TRANSPORT"
"""

MODULE = '''
"""A format of lines such as `24.10`, and a transport that sends two of them."""

from contextlib import asynccontextmanager

from meterlink.driver import Chunk, Format, Transport
from meterlink.reading import Function, Reading


class Decoder:
    skipped = 0

    def __init__(self, function):
        self._function = function
        self._rest = b""

    def feed(self, data, at):
        *lines, self._rest = (self._rest + data).split(b"\\n")
        return [Reading(line.decode(), self._function.unit, self._function, at, raw=line) for line in lines]

    def poll(self, at):
        return b""


class Connection:
    def __init__(self, address, clock):
        self._lines = [address.encode() + b"\\n", b"OL\\n"]
        self._clock = clock

    async def read(self):
        return Chunk(self._lines.pop(0), self._clock()) if self._lines else None

    async def write(self, data):
        raise AssertionError("never asked")

    def hear(self, announcement):
        pass


@asynccontextmanager
async def open_connection(url, line, clock):
    assert line.baud == 9600
    yield Connection(url.address, clock)


FORMAT = Format(
    "outside-text", "text", "invented", lambda options: Decoder(Function(options.get("function", "dc-voltage"))),
    options={"function": "what is measured"},
)
TRANSPORT = Transport("outside", "two lines", open_connection, default_format="outside-text")
'''


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Install the package into a folder of its own, by pip, without a network."""
    source, target = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("target")
    (source / "outside_meter").mkdir()
    (source / "pyproject.toml").write_text(PROJECT, encoding="utf-8")
    (source / "outside_meter" / "__init__.py").write_text(MODULE, encoding="utf-8")
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-build-isolation", "--no-index"]
    subprocess.run([*pip, "--target", str(target), str(source)], check=True, timeout=120)
    return target


def steadypoint(
    installed: Path, *arguments: str, data: bytes = b"", home: Path | None = None
) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-c", "from meterlink.cli import main; main()", *arguments],
        input=data,
        env={**os.environ, "PYTHONPATH": str(installed)} | ({"STEADYPOINT_HOME": str(home)} if home else {}),
        capture_output=True,
        timeout=PATIENCE_S,
        check=False,
    )


def test_its_transport_and_its_format_are_used_by_name(installed: Path) -> None:
    result = steadypoint(installed, "listen", "--json", "outside:24.10?function=ac-voltage")
    assert (result.returncode, result.stderr) == (0, b"")
    first, second = (json.loads(line) for line in result.stdout.splitlines())
    assert (first["display"], first["function"]) == ("24.10", "ac-voltage")
    assert (second["display"], second["overload"]) == (None, True)


def test_its_format_decodes_a_capture(installed: Path) -> None:
    result = steadypoint(installed, "decode", "--format", "outside-text", "-o", "function=resistance", data=b"12.5\n")
    assert json.loads(result.stdout) == {
        "display": "12.5",
        "unit": "Ohm",
        "function": "resistance",
        "scale": 0,
        "overload": False,
        "flags": [],
        "raw": "31 32 2E 35",
    }


PROCEDURE = """
procedure: one-point
title: One point
revision: 1
cautions: [Only trained people.]
steps:
  - {id: bank, kind: reading, point: "G1:+", reference: earth bar, measure: dc-voltage, limits: 22.0..29.0 V}
"""


def test_its_format_serves_a_check_over_a_transport_of_ours(installed: Path, tmp_path: Path) -> None:
    procedure = tmp_path / "one.yaml"
    procedure.write_text(PROCEDURE, encoding="utf-8")
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"tcp:127.0.0.1:{server.getsockname()[1]}?format=outside-text&patience=0"
        command = ("check", str(procedure), "--meter", address, "--accept-cautions", "--json")

        server.settimeout(PATIENCE_S)

        def meter() -> None:
            connection, _ = server.accept()
            with connection, suppress(OSError):  # the check hangs up when it is done
                for _ in range(400):
                    connection.sendall(b"24.10\n")
                    time.sleep(0.25)

        thread = threading.Thread(target=meter)
        thread.start()
        result = steadypoint(installed, *command, home=tmp_path / "home")
        thread.join()
    events = [json.loads(line) for line in result.stdout.splitlines()]
    (verdict,) = [event for event in events if event["event"] == "verdict"]
    assert (result.returncode, verdict["outcome"], verdict["value"]) == (0, "pass", "24.10")


def test_its_broken_part_is_named_with_its_package_and_harms_no_other(installed: Path) -> None:
    broken = steadypoint(installed, "decode", "--format", "outside-broken")
    assert broken.returncode == 2
    assert broken.stderr.startswith(
        b"steadypoint: format 'outside-broken' of outside-meter 1.2.3 cannot be loaded: ModuleNotFoundError"
    )
    assert steadypoint(installed, "decode", "--format", "fs9721-lcd14").returncode == 0


def test_it_is_listed_beside_our_own(installed: Path) -> None:
    result = steadypoint(installed, "listen", "nothing:x")
    assert b"known: ble, outside, serial, sim, tcp, trace" in result.stderr
