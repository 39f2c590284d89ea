"""`steadypoint simulate`: a simulated meter on a port, to try the other commands without a meter."""

import sys
import threading
from contextlib import suppress
from dataclasses import replace

import click

from meterlink.errors import LinkError, UsageError
from meterlink.reading import Flag, Function, Reading
from meterlink_sim.front import Front
from meterlink_sim.peer import Habits, SimulatedMeter, counting, steady
from meterlink_sim.rfc2217_front import Rfc2217Front
from meterlink_sim.tcp_front import TcpFront
from meterlink_sim.wires import Wire, find_wire

_PORT = click.IntRange(0, 65535)


@click.command("simulate", short_help="Put a simulated meter on a port, to try the other commands.")
@click.argument("format_", metavar="FORMAT")
@click.option("--tcp", type=_PORT, help="On this TCP port (0: any) instead of a pseudo-terminal.")
@click.option("--rfc2217", type=_PORT, help="On this TCP port as a network adapter that knows line settings.")
@click.option("--display", help="The digits shown, such as -12.30, or OL.  [default: some volts]")
@click.option("--function", type=click.Choice([each.value for each in Function]), help="What the dial selects.")
@click.option("--scale", type=int, default=0, help="Power of ten of the prefix shown: -3 for mV.")
@click.option("--flag", "flags", type=click.Choice([each.value for each in Flag]), multiple=True, help="A lit symbol.")
@click.option("--count", is_flag=True, help="Let the digits count the updates.")
@click.option("--rate", type=click.FloatRange(0.1, 50), default=3.0, show_default=True, help="Updates a second.")
@click.option("--half", type=click.FloatRange(0, 1), default=0.0, help="Chance that a block is cut short.")
@click.option("--junk", type=click.FloatRange(0, 1), default=0.0, help="Chance of junk before a block.")
def command(
    *,
    format_: str,
    tcp: int | None,
    rfc2217: int | None,
    display: str | None,
    function: str | None,
    scale: int,
    flags: tuple[str, ...],
    count: bool,
    rate: float,
    half: float,
    junk: float,
) -> None:
    """Let a simulated meter speak FORMAT until Ctrl-C, and print the METER address that reaches it."""
    wire = find_wire(format_)
    shown = _shown(wire, display, function, scale, flags)
    meter = SimulatedMeter(
        wire, counting(shown, rate) if count else steady(shown), Habits(rate=rate, half=half, junk=junk)
    )
    try:
        with _front(meter, tcp, rfc2217) as front, suppress(KeyboardInterrupt):
            click.echo(f"{front.where}?format={wire.name}")
            threading.Event().wait()
    except OSError as error:
        raise LinkError(f"the port cannot be opened ({error}); name another") from error


def _shown(wire: Wire, display: str | None, function: str | None, scale: int, flags: tuple[str, ...]) -> Reading:
    """What the options ask for. Raises `UsageError` for what the format cannot show."""
    sample = wire.sample
    dial = Function(function) if function else sample.function
    try:
        shown = replace(
            sample,
            display=sample.display if display is None else display,
            function=dial,
            unit=dial.unit,
            scale=scale,
            flags=frozenset(map(Flag, flags)) or sample.flags,
        )
        wire.encode(shown)
    except ValueError as error:
        raise UsageError(f"{error}; it can show {sample.display!r} in {sample.function}, say") from error
    return shown


def _front(meter: SimulatedMeter, tcp: int | None, rfc2217: int | None) -> Front:
    if tcp is not None and rfc2217 is not None:
        raise UsageError("give --tcp or --rfc2217, not both")
    if tcp is not None:
        return TcpFront(meter, port=tcp)
    if rfc2217 is not None:
        return Rfc2217Front(meter, port=rfc2217)
    if sys.platform == "win32":
        raise UsageError("this system has no pseudo-terminals; give --tcp or --rfc2217")
    from meterlink_sim.pty_front import PtyFront  # noqa: PLC0415 - POSIX only

    return PtyFront(meter)
