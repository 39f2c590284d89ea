"""The three ways to show a check: JSON lines for programs, plain lines for a pipe, a screen for the technician."""

import json
import time
from collections.abc import Sequence

import click

from meterlink.circuit.marked import search_marks
from meterlink.circuit.parts import Circuit
from meterlink.circuit.picture.marks import Marks
from meterlink.engine import Engine
from meterlink.outcome import Json
from meterlink.phrases import LINK_TROUBLE
from meterlink.reading import Reading
from meterlink.run import Output
from meterlink.screen import View
from meterlink.terminal import TerminalScreen

_LINK_GOOD = ("link-back", "data-back")


class JsonOutput:
    """One outcome a line on standard output."""

    def __init__(self, job: str) -> None:
        self.tell({"event": "job", "job": job})

    def tell(self, announcement: Json) -> None:
        """Print the outcome."""
        click.echo(json.dumps(announcement, ensure_ascii=False))

    def live(self, reading: Reading) -> None:
        """Print nothing: only outcomes are announced."""

    def tick(self) -> None:
        """Print nothing."""

    def warn(self, news: str) -> None:
        """Print it beside the outcomes, not among them."""
        click.echo(f"steadypoint: {news}", err=True)


class NoOutput:
    """Nothing is shown here."""

    def tell(self, announcement: Json) -> None:
        """Show nothing."""

    def live(self, reading: Reading) -> None:
        """Show nothing."""

    def tick(self) -> None:
        """Show nothing."""

    def warn(self, news: str) -> None:
        """Show nothing."""


class PlainOutput:
    """What is said, a sentence a line."""

    def tell(self, announcement: Json) -> None:
        """Print the cue's words; verdicts and touches are in them."""
        if announcement["event"] == "cue":
            click.echo(announcement["text"])

    def live(self, reading: Reading) -> None:
        """Print nothing: a log of every update helps nobody."""

    def tick(self) -> None:
        """Print nothing."""

    def warn(self, news: str) -> None:
        """Print it beside what is said."""
        click.echo(f"steadypoint: {news}", err=True)


class Together:
    """Several of them at once."""

    def __init__(self, outputs: Sequence[Output]) -> None:
        self._outputs = outputs

    def tell(self, announcement: Json) -> None:
        """Show it on each, one after the other."""
        for output in self._outputs:
            output.tell(announcement)

    def live(self, reading: Reading) -> None:
        """Show it on each."""
        for output in self._outputs:
            output.live(reading)

    def tick(self) -> None:
        """Let each show how old things have become."""
        for output in self._outputs:
            output.tick()

    def warn(self, news: str) -> None:
        """Show it on each."""
        for output in self._outputs:
            output.warn(news)


class TerminalOutput:
    """The whole screen, redrawn with every update of the meter."""

    def __init__(
        self, engine: Engine, screen: TerminalScreen, *, pedal: bool = False, replay: str | None = None
    ) -> None:
        self._engine, self._screen, self._pedal, self._replay = engine, screen, pedal, replay
        self._reading: Reading | None = None
        self._read_s = 0.0
        self._trouble: str | None = None
        self._said: list[str] = []

    def tell(self, announcement: Json) -> None:
        """Show the words; a verdict's stay in sight beside the next step's."""
        if announcement["event"] == "cue":
            text = str(announcement["text"])
            # What is said of the meter stands before the step that is waited for: the newest says what to do.
            before, after = (self._said[:-1], self._said[-1:]) if announcement["code"] == "meter" else (self._said, [])
            self._said = [*before, text, *after][-2:]
            if announcement["code"] in LINK_TROUBLE:
                self._trouble = LINK_TROUBLE[str(announcement["code"])]
                self._screen.ring()
            elif announcement["code"] in _LINK_GOOD:
                self._screen.ring()
            self._draw()

    def live(self, reading: Reading) -> None:
        """Show the digits."""
        self._reading, self._read_s, self._trouble = reading, time.monotonic(), None
        self._draw()

    def tick(self) -> None:
        """Show how old the digits have become."""
        if self._trouble:
            self._draw()

    def warn(self, news: str) -> None:
        """Show it as the last thing said."""
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
                answers=self._engine.course.answers,
                limits=self._engine.limits(),
                reading=self._reading,
                old=self._old(),
                said=self._said,
                may_be_off=self._engine.may_be_off(self._reading) if self._reading else None,
                pedal=self._pedal,
                replay=self._replay,
                searched=self._searched(),
            )
        )

    def _searched(self) -> tuple[Circuit, Marks] | None:
        hunt = self._engine.hunt
        return (hunt.search.circuit, search_marks(hunt.search, hunt.finding)) if hunt else None

    def _old(self) -> str | None:
        """Say why the digits are not live and how old they are; None while they are live."""
        if self._trouble is None:
            return None
        return f"{self._trouble}; {time.monotonic() - self._read_s:.0f} s old" if self._reading else self._trouble
