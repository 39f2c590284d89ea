"""A small invented job on paper: a procedure of three steps, and traces that a meter and a technician could leave."""

import json
from pathlib import Path

from commands import Lines

PROCEDURE = """\
procedure: two-volts
title: Two points of an invented lift
revision: 3
cautions:
  - Take care.
  - Prove dead before you touch.
steps:
  - id: breaker
    kind: look
    point: Q1
    ask: Is the breaker pushed in?
  - id: battery
    kind: reading
    point: "G1:+"
    reference: earth bar
    measure: dc-voltage
    limits: 24.0..29.0 V
  - id: fuse
    kind: reading
    point: "F1:2"
    reference: earth bar
    measure: dc-voltage
    limits: 23.5..29.0 V
    on_fail: stop
"""


class Trace:
    """A trace, written update by update."""

    def __init__(self, interval_s: float = 0.4) -> None:
        self._interval = interval_s
        self._lines: list[str] = []
        self._t = 0.0

    def show(self, display: str, updates: int = 6) -> "Trace":
        """The display shows that many updates of one value in DC volts."""
        for _ in range(updates):
            self._add({"display": display, "unit": "V", "function": "dc-voltage", "flags": ["auto-range"]})
        return self

    def lift(self) -> "Trace":
        """The leads hang in the air."""
        return self.show("0.02", 2).show("0.01", 2)

    def answer(self, word: str) -> "Trace":
        self._add({"input": word})
        return self

    def damaged(self) -> "Trace":
        """A line that a full disk cut off."""
        self._lines.append('{"t": 99, "displ')
        return self

    @property
    def text(self) -> str:
        return "".join(f"{line}\n" for line in self._lines)

    def at(self, path: Path) -> str:
        """Write it to a file and return its METER address."""
        path.write_text(self.text, encoding="utf-8")
        return f"trace:{path}"

    def _add(self, item: dict[str, object]) -> None:
        self._t = round(self._t + self._interval, 3)
        self._lines.append(json.dumps({"t": self._t, **item}))


def sound() -> Trace:
    """Every step passes."""
    return begun().lift().show("25.58")


def begun(interval_s: float = 0.4) -> Trace:
    """The first two steps pass, and then the trace breaks off."""
    return Trace(interval_s).lift().answer("confirm").lift().show("25.61")


def blown_fuse() -> Trace:
    """The last step fails, dead and confirmed."""
    return begun().lift().show("0.01", 8).answer("confirm").show("0.01", 3)


def stored_trace(events: Lines, end: float) -> str:
    """Write readings and answers out of a record as a trace, up to a moment in seconds."""
    kept = [event for event in events if float(str(event["t"])) <= end]
    return "".join(
        json.dumps({key: value for key, value in event.items() if key not in ("event", "raw")}) + "\n" for event in kept
    )
