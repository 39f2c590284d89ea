"""The command line. One file a command, imported only when it runs, so that `--help` stays quick."""

import importlib
import io
import sys

import click

from meterlink.errors import MeterlinkError

_COMMANDS = {
    "account": "Say who may log in to the pages: add, list, password, remove.",
    "backup": "Copy the record, consistent even while a check runs.",
    "check": "Run a procedure with a meter: match, judge, store and answer each reading.",
    "cues": "Write every tone and a sample of every phrase as WAV files.",
    "decode": "Turn a meter's raw bytes into readings.",
    "demo": "Run a whole start-up check of a simulated lift, then one with a fault.",
    "dry-run": "Run procedures on the simulated lift, clean and with each fault planted.",
    "enrol": "Let a device in: credentials for the broker, a code for a phone.",
    "export": "Write a job as CSV, SenML, or an archive for another machine.",
    "find": "Find what is wrong with a circuit: the next point to probe, and the answer.",
    "formats": "List the wire formats.",
    "history": "Show the visits to a lift side by side, and what drifts.",
    "identify": "Find out what a meter speaks, and remember it.",
    "import": "Take a job from an archive into the record.",
    "instruments": "List the registered meters and their calibration.",
    "jobs": "List the jobs in the record.",
    "judge": "Judge one reading: uncertainty budget, verdict, probability.",
    "keys": "List the keys whose seals are known here, or print this device's.",
    "lint": "Check procedures, accuracy sheets, instruments, profiles, formats.",
    "listen": "Show a meter's readings live.",
    "meters": "List the serial ports and Bluetooth devices, and what each speaks.",
    "new": "Begin a procedure from a template, another one, or a circuit.",
    "note": "Keep a remark, with or without a photo, in a job's record.",
    "office": "Take in the crews' jobs over MQTT, checked, and keep them.",
    "print": "Print a procedure for the pouch, as PDF.",
    "register": "Put a meter into the register, or change what is there.",
    "relay": "Send the office what it lacks of this record, over MQTT.",
    "replay": "Replay a job from its stored frames, and compare every outcome.",
    "report": "Write a job as a report: PDF for the file, or a page.",
    "resume": "Go on with an interrupted job where it stood.",
    "schema": "Print the JSON Schema of procedures and the other files people write.",
    "seal": "Seal a job that was left open, or gone on with since.",
    "serve": "Serve the pages: the technician's is the first; checks are started there.",
    "sheets": "List the accuracy sheets, or show one.",
    "show": "Show one job: its steps, verdicts and touches.",
    "simulate": "Put a simulated meter on a port, to try the other commands.",
    "solve": "Work out what every point of a circuit reads, sound or with a fault.",
    "verify": "Say what proves a job unaltered, and what does not.",
}

_ELSEWHERE = {
    "demo": "meterlink_sim.demo",
    "dry-run": "meterlink_sim.dry_run",
    "import": "meterlink.cli.import_job",
    "simulate": "meterlink_sim.simulate",
}
"""Commands that do not live in a file of their name here: nothing may import the simulator, and `import` is a word of
Python's."""


class _LazyGroup(click.Group):
    """Knows each command's name and one line of help without importing it."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        command = importlib.import_module(_ELSEWHERE.get(cmd_name, f"meterlink.cli.{cmd_name}")).command
        assert isinstance(command, click.Command)  # noqa: S101 - a file in this folder that breaks the rule is our bug
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="steadypoint", prog_name="steadypoint")
def cli() -> None:
    """Hands-free commissioning and fault-finding of 24 V platform and home lifts.

    METER is an address: serial:/dev/ttyUSB0?format=fs9721-lcd14, tcp:HOST:PORT?format=scpi-line, trace:FILE or
    sim:SCENARIO.
    """


def main() -> None:
    """Run the command line; an error that the user can act on ends it with a clear message and status 2."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a console that lacks ± shows ? and not a traceback
    try:
        cli()
    except MeterlinkError as error:
        complain(error)
        sys.exit(2)


def complain(error: MeterlinkError) -> None:
    """Print an error on standard error; a procedure's come many to a file, a line each, as compilers write them."""
    from meterlink.procedure.problem import ProcedureError  # noqa: PLC0415 - lazy, for a quick --help

    click.echo(f"{error}" if isinstance(error, ProcedureError) else f"steadypoint: {error}", err=True)
