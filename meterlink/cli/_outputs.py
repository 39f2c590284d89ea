"""The three ways to show a check: JSON lines for programs, plain lines for a pipe, a screen for the technician."""

import json

import click

from meterlink.engine import Engine
from meterlink.outcome import Json
from meterlink.reading import Reading
from meterlink.screen import View
from meterlink.terminal import TerminalScreen


class JsonOutput:
    """One outcome a line on standard output."""

    def __init__(self, job: str) -> None:
        self.tell({"event": "job", "job": job})

    def tell(self, announcement: Json) -> None:
        """Print the outcome."""
        click.echo(json.dumps(announcement, ensure_ascii=False))

    def live(self, reading: Reading) -> None:
        """Print nothing: only outcomes are announced."""

    def warn(self, news: str) -> None:
        """Print it beside the outcomes, not among them."""
        click.echo(f"steadypoint: {news}", err=True)


class PlainOutput:
    """What is said, a sentence a line."""

    def tell(self, announcement: Json) -> None:
        """Print the cue's words; verdicts and touches are in them."""
        if announcement["event"] == "cue":
            click.echo(announcement["text"])

    def live(self, reading: Reading) -> None:
        """Print nothing: a log of every update helps nobody."""

    def warn(self, news: str) -> None:
        """Print it beside what is said."""
        click.echo(f"steadypoint: {news}", err=True)


class TerminalOutput:
    """The whole screen, redrawn with every update of the meter."""

    def __init__(self, engine: Engine, screen: TerminalScreen) -> None:
        self._engine, self._screen = engine, screen
        self._reading: Reading | None = None
        self._said: list[str] = []

    def tell(self, announcement: Json) -> None:
        """Show the words; a verdict's stay in sight beside the next step's."""
        if announcement["event"] == "cue":
            self._said = [*self._said, str(announcement["text"])][-2:]
            self._draw()

    def live(self, reading: Reading) -> None:
        """Show the digits."""
        self._reading = reading
        self._draw()

    def warn(self, news: str) -> None:
        """Show it as the last thing said; digits that are old must not pass for live ones."""
        self._reading = None
        self._said = [*self._said, news][-2:]
        self._draw()

    def _draw(self) -> None:
        procedure = self._engine.procedure
        self._screen.draw(
            View(
                title=f"{procedure.title}, revision {procedure.revision}",
                steps=procedure.steps,
                current=self._engine.step.id,
                verdicts=self._engine.verdicts,
                limits=self._engine.limits(),
                reading=self._reading,
                said=self._said,
            )
        )
