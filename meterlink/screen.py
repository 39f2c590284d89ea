"""The technician's screen as text: the rail of test points, the live value in large digits, the band of limits.

Pure: a `View` goes in, lines come out. State is told by shape and word; a terminal may add colour on top.

    ┃ ● G1:+      25.41 V  pass        proven: solid rail
    ┊ ○ B1:12      0.00 V  fail        lost: hollow
    ┆ · K1:A1                          not known yet: dashed
"""

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from meterlink.band import Band
from meterlink.circuit.parts import Circuit
from meterlink.circuit.picture.marks import Marks
from meterlink.circuit.picture.rail import rail_lines
from meterlink.judging.words import uncertainty
from meterlink.limits import PREFIXES, Limits
from meterlink.outcome import Verdict, VerdictOutcome
from meterlink.procedure.model import Step
from meterlink.reading import Flag, Reading, State

KEYS = "y yes  n no  r repeat  b back  q stop"
_MORE_KEYS = "  j jumper  t note"
_PEDAL = "any key yes  "
REPLAY_KEYS = "q stop"

_PREFIX = {0: "", **{power: letter for letter, power in PREFIXES.items()}, PREFIXES["u"]: "µ"}
_UNIT = {"Ohm": "Ω", "Cel": "°C"}
_MARK = {
    None: ("┆", "·", ""),
    VerdictOutcome.PASS: ("┃", "●", "pass"),
    VerdictOutcome.FAIL: ("┊", "○", "fail"),
    VerdictOutcome.UNCLEAR: ("┊", "◐", "unclear"),
    VerdictOutcome.NOT_APPLICABLE: ("┆", "–", "not applicable"),
}
_LARGE = {
    "0": "███ █ █ █ █ █ █ ███",
    "1": " █  ██   █   █  ███",
    "2": "███   █ ███ █   ███",
    "3": "███   █ ███   █ ███",
    "4": "█ █ █ █ ███   █   █",
    "5": "███ █   ███   █ ███",
    "6": "███ █   ███ █ █ ███",
    "7": "███   █   █   █   █",
    "8": "███ █ █ ███ █ █ ███",
    "9": "███ █ █ ███   █ ███",
    "O": "███ █ █ █ █ █ █ ███",
    "L": "█   █   █   █   ███",
    "-": "        ███        ",
}
"""Glyphs three cells wide and five high, rows divided by one cell."""
_ROWS = 5
_MARGIN = "  "
_ROOM_FOR_LARGE = 16
"""Rows; below that, large digits would lose their tops."""


@dataclass(frozen=True, slots=True)
class View:
    """What the screen shows at one moment."""

    title: str
    steps: Sequence[Step]
    current: str
    """The id of the step that is waited for."""
    verdicts: Mapping[str, Verdict]
    """By step: what it came to."""
    limits: Limits | None
    reading: Reading | None
    said: Sequence[str]
    """What was said last, newest last."""
    old: str | None = None
    """Why the reading is not live, and how old it is; None while it is live."""
    may_be_off: Decimal | None = None
    """By how much the live reading may be off, in its unit; None where that is not known."""
    answers: Mapping[str, bool] = field(default_factory=dict)
    """By the step that asked: yes or no."""
    entry: str | None = None
    """What is being typed, in the place of the keys; None while nothing is."""
    pedal: bool = False
    """Whether any key that says nothing else says yes."""
    replay: str | None = None
    """Of what this is a replay, which takes no answers; None for a check."""
    searched: tuple[Circuit, Marks] | None = None
    """The circuit, and what is known of it, while a fault is looked for: it stands in the place of the steps."""


def render(view: View, width: int, height: int) -> list[str]:
    """Lay the view out in a terminal of that many cells: one text a row, none wider than the terminal.

    The rail gives way first down to the waiting step, then the head: digits, what to do next and the keys stay.
    """
    live = view.reading if view.old is None else None
    replay = [_cut(view.replay, width)] if view.replay is not None else []
    head = [_cut(f"Steadypoint  {view.title}", width), *replay, _progress(view), ""]
    foot = [
        "",
        *(large(live, width) if height >= _ROOM_FOR_LARGE else small(live)),
        caption(view.reading, view.old),
        *_limits(view, min(width - 2, 60)),
        "",
        *_words(view.said, width),
        "",
        _last_line(view, width),
    ]
    if height < _ROOM_FOR_LARGE:
        head, foot = [line for line in head if line], [line for line in foot if line]
    room = height - len(head) - len(foot)
    rail = _rail(view, max(1, room), width)
    filling = [""] * (room - len(rail))
    return [line[:width] for line in (*head, *rail, *filling, *foot)][-height:]


def _last_line(view: View, width: int) -> str:
    if view.replay is not None:
        return REPLAY_KEYS[:width]
    if view.entry is None:
        return keys(width, pedal=view.pedal)
    return _cut_front(f"{view.entry}_  (Enter keeps it, Esc does not)", width)


def keys(width: int, *, pedal: bool = False) -> str:
    """Name the keys: those that answer before those that begin a line of text."""
    answers = f"{_PEDAL if pedal else ''}{KEYS}"
    every = answers + _MORE_KEYS
    return every if len(every) <= width else answers[:width]


def large(reading: Reading | None, width: int) -> list[str]:
    """Draw the display's digits five rows high, twice as wide where there is room; the unit stands on the base line.

    The decimal point is a block on the base line. Digits are never cut, since a number without its end is a wrong
    number: where there is no room, they are plain text.
    """
    if reading is None:
        return [""] * _ROWS
    rows = ["".join(_glyph_row(sign, row) for sign in reading.display) for row in range(_ROWS)]
    unit = unit_shown(reading)
    room = width - len(_MARGIN) - len(unit)
    if len(rows[0]) > room:
        return [*[""] * (_ROWS - 1), *small(reading)]
    if 2 * len(rows[0]) <= room:
        rows = ["".join(2 * cell for cell in row) for row in rows]
    rows[-1] += unit
    return [_MARGIN + row for row in rows]


def small(reading: Reading | None) -> list[str]:
    """Write the display as plain text, in one row."""
    return [f"{_MARGIN}{reading.display} {unit_shown(reading)}" if reading is not None else ""]


def _glyph_row(sign: str, row: int) -> str:
    if sign == ".":
        return "█ " if row == _ROWS - 1 else "  "
    return _LARGE[sign][row * 4 : row * 4 + 3].ljust(3) + " "


def caption(reading: Reading | None, old: str | None = None) -> str:
    """Name what the digits are: the function, and any annunciator that weakens them. An old value is never large."""
    if reading is None:
        return f"{_MARGIN}{old or 'no reading yet'}"
    if old is not None:
        return f"{_MARGIN}not live: {old} (last {reading.display or 'blank'} {unit_shown(reading)})"
    words = [reading.function.value, *sorted(flag.value for flag in reading.flags - {Flag.AUTO_RANGE})]
    if reading.state is State.BLANK:
        words.append("(blank)")
    return _MARGIN + "  ".join(words)


def unit_shown(reading: Reading) -> str:
    """The unit as the display shows it, with its prefix."""
    return _PREFIX.get(reading.scale, f"x10^{reading.scale} ") + _UNIT.get(reading.unit, reading.unit)


def band(limits: Limits, value: Decimal | None, width: int, may_be_off: Decimal | None = None) -> str:
    """Draw the limits as a strip of that many cells: accepted span ═, outside ─, the value as ◆ where it stands.

    A value outside the limits never stands in the accepted span, however near; one off the strip is ◁ or ▷ at its end.
    What the value may be off by stands around it between ├ and ┤, where that is wide enough to be seen.
    """
    strip_of = Band.around(limits)
    if strip_of is None:
        return ""
    cells = width - 1

    def cell(at: Decimal) -> int:
        return int(strip_of.place(at) * cells)

    first = cell(limits.low) if limits.low is not None else 0
    last = cell(limits.high) if limits.high is not None else cells
    strip = ["═" if first <= index <= last else "─" for index in range(width)]
    if value is not None:
        at = cell(value)
        if limits.low is not None and value < limits.low:
            at = min(at, first - 1)
        if limits.high is not None and value > limits.high:
            at = max(at, last + 1)
        if may_be_off is not None:
            for mark, end in (("├", cell(value - may_be_off)), ("┤", cell(value + may_be_off))):
                strip[end] = mark if end != at else strip[end]
        strip[at] = "◆▷◁"[strip_of.beyond(value)]
    return "".join(strip)


def _progress(view: View) -> str:
    done = len(view.verdicts.keys() | view.answers.keys())
    if view.searched is not None:
        return f"{done} of {len(view.steps)} steps judged; looking for the fault"
    return f"{done} of {len(view.steps)} steps judged"


def _rail(view: View, room: int, width: int) -> list[str]:
    if view.searched is not None:
        return rail_lines(*view.searched, width, room)
    last = len(view.steps) - 1  # what is asked at the end of a job is none of its steps
    index = next((at for at, step in enumerate(view.steps) if step.id == view.current), last)
    first = max(0, min(index - room // 2, len(view.steps) - room))
    return [_stop(step, view) for step in view.steps[first : first + room]]


def _stop(step: Step, view: View) -> str:
    verdict = view.verdicts.get(step.id)
    line, mark, word = _MARK[verdict.outcome if verdict else None]
    if step.id in view.answers:
        line, mark, word = ("┃", "●", "yes") if view.answers[step.id] else ("┃", "○", "no")
    pointer = " "
    if step.id == view.current:
        pointer, word = "▶", f"{word}, now" if word else "now"
    value = str(verdict.measured) if verdict and verdict.measured else ""
    return f"{pointer} {line} {mark} {step.point:<10} {value:>10}  {word}"


def _words(said: Sequence[str], width: int) -> list[str]:
    """Lay out what was said: what came before in one line, the newest, which says what to do, in full."""
    if not said:
        return []
    *before, newest = said
    lines = textwrap.wrap(newest, width - 2, max_lines=4, placeholder=" …")
    return [*(_cut(f"  {text}", width) for text in before), *(f"» {line}" for line in lines)]


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else f"{text[: width - 1]}…"


def _cut_front(text: str, width: int) -> str:
    """Keep the end: there is where one types."""
    return text if len(text) <= width else f"…{text[len(text) - width + 1 :]}"


def _limits(view: View, width: int) -> list[str]:
    if view.limits is None:
        return ["", ""]
    live = view.reading if view.reading is not None and view.old is None else None
    value, may_be_off = (live.value, view.may_be_off) if live else (None, None)
    unsure = f"   ±{uncertainty(may_be_off, live.unit)}" if live and may_be_off else ""
    return [f"{_MARGIN}limits {view.limits.text}{unsure}", _MARGIN + band(view.limits, value, width, may_be_off)]
