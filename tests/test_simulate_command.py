"""`steadypoint simulate`: the address that it prints reaches the meter that was asked for."""

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from click.testing import CliRunner

from meterlink.cli import cli
from meterlink.errors import LinkError, UsageError
from meterlink_sim.peer import SimulatedMeter
from meterlink_sim.tcp_front import TcpFront
from meterlink_sim.wires import WIRES
from waiting import PATIENCE_S

posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals and interrupts are POSIX")


@contextmanager
def simulated(*arguments: str) -> Iterator[str]:
    """Run the command; gives the address that it prints, and ends it as Ctrl-C does."""
    command = [sys.executable, "-m", "meterlink", "simulate", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        try:
            yield running.stdout.readline().strip()
        finally:
            running.send_signal(signal.SIGINT)
            _, errors = running.communicate(timeout=PATIENCE_S)
    assert (running.returncode, errors) == (0, "")


def listened(address: str, count: int) -> list[dict[str, object]]:
    command = [sys.executable, "-m", "meterlink", "listen", address, "--json", "--count", str(count)]
    lines = subprocess.run(command, capture_output=True, text=True, check=True, timeout=PATIENCE_S).stdout.splitlines()
    events = [json.loads(line) for line in lines]
    return [event for event in events if event["event"] == "reading"]  # the first frame may have been cut


@posix
def test_a_meter_on_a_pseudo_terminal_counts() -> None:
    with simulated("fs9721-lcd14", "--count", "--rate", "20") as address:
        assert address.startswith("serial:/dev/")
        found = [reading["display"] for reading in listened(address, 3)]
    first = int(str(found[0]).replace(".", ""))
    assert found == [f"{n // 100:02}.{n % 100:02}" for n in range(first, first + 3)]


@posix
@pytest.mark.parametrize("option", ["--tcp", "--rfc2217"])
def test_a_meter_shows_what_it_is_told_to(option: str) -> None:
    shown = ["--display", "-OL", "--function", "resistance", "--scale", "6", "--flag", "hold"]
    with simulated("fs9721-lcd14", option, "0", *shown) as address:
        [reading] = listened(address, 1)
    assert (reading["display"], reading["overload"]) == (None, True)
    assert (reading["function"], reading["scale"], reading["flags"]) == ("resistance", 6, ["hold"])


@posix
def test_a_meter_that_is_asked() -> None:
    with simulated("scpi-line", "--tcp", "0") as address:
        [reading] = listened(address, 1)
    assert reading["unit"] == "V"


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        ("morse", "format 'morse': no simulated meter speaks it"),
        ("fs9721-lcd14 --display volts", "display text 'volts': expected a number"),
        (
            "es51922-ascii14 --display 24.06",
            "it always shows 5 digits; it can show '20.612' in dc-voltage, say",
        ),
        ("fs9721-lcd14 --tcp 0 --rfc2217 0", "give --tcp or --rfc2217, not both"),
    ],
)
def test_what_cannot_be_simulated_is_refused(arguments: str, why: str) -> None:
    error = CliRunner().invoke(cli, ["simulate", *arguments.split()]).exception
    assert isinstance(error, UsageError)
    assert why in str(error)


def test_a_port_that_is_taken() -> None:
    with TcpFront(SimulatedMeter(WIRES["fs9721-lcd14"])) as front:
        error = CliRunner().invoke(cli, ["simulate", "fs9721-lcd14", "--tcp", str(front.port)]).exception
    assert isinstance(error, LinkError)
    assert "the port cannot be opened" in str(error)
