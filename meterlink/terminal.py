"""The shell around a terminal: draws the screen, reads single keys."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

import blessed

from meterlink.entered import JUMPER, NOTE, Entered, entered
from meterlink.outcome import Answer
from meterlink.screen import View, render

ANSWERS = {"y": Answer.CONFIRM, "n": Answer.REFUSE, "r": Answer.REPEAT, "b": Answer.BACK, "q": None}
"""What each key says; None is stop. Enter says yes as well: it is what most presenters and pedals send."""

ENTRIES = {"j": JUMPER, "t": NOTE}
"""What each key begins a line of text with, which Enter hands over."""

_LOOK_S = 0.2


class TerminalScreen:
    """A full-screen picture of the check, redrawn in place."""

    def __init__(self, terminal: blessed.Terminal) -> None:
        self._terminal = terminal
        self._drawing = threading.Lock()
        self._view: View | None = None
        self._entry: str | None = None

    def draw(self, view: View) -> None:
        """Show the view; nothing blinks, since each line is written over in place."""
        with self._drawing:
            self._view = view
            self._show(replace(view, entry=self._entry))

    def type(self, entry: str | None) -> None:
        """Show what is being typed; None: nothing is any more. Called from the thread that reads the keys."""
        with self._drawing:
            self._entry = entry
            if self._view is not None:
                self._show(replace(self._view, entry=entry))

    def _show(self, view: View) -> None:
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
def terminal_screen(
    answer: Callable[[Answer | Entered | None], None], *, pedal: bool = False
) -> Iterator[TerminalScreen]:
    """Take the whole terminal for as long as the context lasts, and give it back as it was.

    Args:
        answer: called from another thread with each answer that a key gives (None: stop), and with what was typed.
        pedal: whether any key that says nothing else says yes.
    """
    terminal = blessed.Terminal()
    done = threading.Event()
    with terminal.fullscreen(), terminal.hidden_cursor(), terminal.cbreak():
        screen = TerminalScreen(terminal)
        keys = threading.Thread(
            target=_read_keys, args=(terminal, done, answer, screen, pedal), name="keys", daemon=True
        )
        keys.start()
        try:
            yield screen
        finally:
            done.set()
            # Ctrl-C throws away a key that was announced and not yet read: then this thread waits until there is one.
            keys.join(5 * _LOOK_S)


def _read_keys(
    terminal: blessed.Terminal,
    done: threading.Event,
    answer: Callable[[Answer | Entered | None], None],
    screen: TerminalScreen,
    pedal: bool,
) -> None:
    while not done.is_set():
        key = terminal.inkey(timeout=_LOOK_S)
        sign = "y" if key.name == "KEY_ENTER" else str(key).lower()
        if sign in ANSWERS:
            answer(ANSWERS[sign])
        elif sign in ENTRIES:
            line = _typed(terminal, done, screen, ENTRIES[sign])
            screen.type(None)
            if line is not None:
                answer(line)
        elif key and pedal:
            answer(Answer.CONFIRM)


def _typed(terminal: blessed.Terminal, done: threading.Event, screen: TerminalScreen, text: str) -> Entered | None:
    """Read a line of text to its Enter; None where Esc or a line that says nothing ended it."""
    while not done.is_set():
        screen.type(text)
        key = terminal.inkey(timeout=_LOOK_S)
        if key.name == "KEY_ESCAPE":
            return None
        if key.name == "KEY_ENTER":
            try:
                return entered(text)
            except ValueError:
                return None
        if key.name in ("KEY_BACKSPACE", "KEY_DELETE"):
            text = text[:-1]
        elif key and not key.is_sequence and key.isprintable():
            text += str(key)
    return None
