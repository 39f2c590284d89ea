"""Identifies every simulated meter on every kind of port, and prints what came out and how long it took.

Run by hand: `python tests/identify_peers.py [FORMAT...]`; a short form is among the tests. An answer is right when it
names the meter's format alone, `one of` when it names it among others, and anything else but silence is wrong.
"""

import asyncio
import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import click

from meterlink.driver import parse_meter_url
from meterlink.finder import LISTEN_S, identify
from meterlink.found import Finding
from meterlink.home import VARIABLE
from meterlink.identify import takes_part
from meterlink.link import start_clock
from meterlink.registry import load_format, load_transport
from meterlink_sim.front import Front
from meterlink_sim.peer import SimulatedMeter
from meterlink_sim.pty_front import PtyFront
from meterlink_sim.rfc2217_front import Rfc2217Front
from meterlink_sim.tcp_front import TcpFront
from meterlink_sim.wires import WIRES, Wire

PORTS: dict[str, Callable[[SimulatedMeter, float], Front]] = {
    "pty": PtyFront,
    "pty, parity stripped": lambda meter, speed: PtyFront(meter, speed, parity_left_in=False),
    "rfc2217": Rfc2217Front,
    "tcp": TcpFront,
}
RIGHT, ONE_OF, NOTHING, WRONG = "right", "one of", "nothing", "WRONG"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What identifying one meter on one kind of port came to."""

    wire: str
    port: str
    verdict: str
    finding: Finding


def identified(wire: Wire, port: str, *, speed: float = 1.0, listen_s: float = LISTEN_S) -> Outcome:
    """Identify one simulated meter, which may live so many times as fast."""
    with PORTS[port](SimulatedMeter(wire), speed) as front:
        url = parse_meter_url(front.where)
        through = load_transport(url.scheme)
        finding = asyncio.run(identify(url, through, start_clock(), lambda what: None, listen_s=listen_s))
    return Outcome(wire.name, port, verdict(wire.name, finding), finding)


def verdict(name: str, finding: Finding) -> str:
    """Hold what was found against the truth."""
    named = [each.format for each in finding.formats]
    if not named:
        return NOTHING
    if name not in named or (finding.profile and finding.profile.format != name):
        return WRONG
    return RIGHT if len(named) == 1 else ONE_OF


def cases(names: list[str]) -> Iterator[tuple[Wire, str]]:
    """Every meter whose bytes can speak for themselves, on every port that makes a difference."""
    for name, wire in WIRES.items():
        if names and name not in names:
            continue
        if not (takes_part(load_format(name)) or load_format(name).polled):
            continue  # two bytes a number: only a Bluetooth characteristic can say what they are
        for port in PORTS:
            if port != "pty, parity stripped" or wire.line.bytesize == 7:
                yield wire, port


def row(outcome: Outcome, wire: Wire) -> str:
    """One line of the table."""
    line, found = wire.line, outcome.finding
    setting = f"{line.baud:5} {line.bytesize}{line.parity}{line.stopbits:g}"
    formats = ", ".join(each.format for each in found.formats) or "-"
    profile = found.profile.profile if found.profile else "-"
    start = f"{wire.name:18} {setting:12} {outcome.port:21} {outcome.verdict:8}"
    return f"{start} {found.seconds:6.1f} s  {formats}; {profile}"


def main() -> int:
    """Print the table; return how many answers were wrong."""
    wrong = 0
    click.echo(f"{'METER':18} {'LINE':12} {'PORT':21} {'ANSWER':8} {'TIME':>8}  FORMATS; PROFILE")
    for wire, port in cases(sys.argv[1:]):
        outcome = identified(wire, port)
        wrong += outcome.verdict == WRONG
        click.echo(row(outcome, wire))
    click.echo(f"{wrong} wrong")
    return wrong


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as home:
        os.environ[VARIABLE] = home
        sys.exit(bool(main()))
