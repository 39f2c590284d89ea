"""The shell around a terminal: draws the screen, reads single keys."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import blessed

from meterlink.outcome import Answer
from meterlink.screen import View, render

ANSWERS = {"y": Answer.CONFIRM, "n": Answer.REFUSE, "r": Answer.REPEAT, "b": Answer.BACK, "q": None}
"""What each key says; None is stop. Enter says yes as well: it is what most presenters and pedals send."""

_LOOK_S = 0.2


class TerminalScreen:
    """A full-screen picture of the check, redrawn in place."""

    def __init__(self, terminal: blessed.Terminal) -> None:
        self._terminal = terminal

    def draw(self, view: View) -> None:
        """Show the view; nothing blinks, since each line is written over in place."""
        terminal = self._terminal
        lines = render(view, terminal.width, terminal.height)
        # Each line is placed by itself: one that wraps, because the window has just been made narrower, moves no other.
        # It is cleared before it is written: after a full line, clearing would take its last sign.
        placed = [terminal.move_yx(row, 0) + terminal.clear_eol + line for row, line in enumerate(lines)]
        print("".join(placed), end="", flush=True)  # noqa: T201 - drawing is this class's work

    def ring(self) -> None:
        """Sound the terminal's bell: whoever holds the probes is not looking."""
        print("\a", end="", flush=True)  # noqa: T201 - sounding is this class's work


@contextmanager
def terminal_screen(answer: Callable[[Answer | None], None]) -> Iterator[TerminalScreen]:
    """Take the whole terminal for as long as the context lasts, and give it back as it was.

    Args:
        answer: called from another thread with each answer that a key gives (None: stop).
    """
    terminal = blessed.Terminal()
    done = threading.Event()
    with terminal.fullscreen(), terminal.hidden_cursor(), terminal.cbreak():
        keys = threading.Thread(target=_read_keys, args=(terminal, done, answer), name="keys")
        keys.start()
        try:
            yield TerminalScreen(terminal)
        finally:
            done.set()
            keys.join()


def _read_keys(terminal: blessed.Terminal, done: threading.Event, answer: Callable[[Answer | None], None]) -> None:
    while not done.is_set():
        key = terminal.inkey(timeout=_LOOK_S)
        sign = "y" if key.name == "KEY_ENTER" else str(key).lower()
        if sign in ANSWERS:
            answer(ANSWERS[sign])
