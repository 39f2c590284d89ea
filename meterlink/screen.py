"""The technician's screen as text: the rail of test points, the live value in large digits, the band of limits.

Pure: a `View` goes in, lines come out. State is told by shape and word; a terminal may add colour on top.

    ┃ ● G1:+      25.41 V  pass        proven: solid rail
    ┊ ○ B1:12      0.00 V  fail        lost: hollow
    ┆ · K1:A1                          not known yet: dashed
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from meterlink.limits import Limits
from meterlink.outcome import Verdict, VerdictOutcome
from meterlink.procedure.model import Step
from meterlink.reading import Flag, Reading, State

KEYS = "y yes   n no   r repeat   b back   q stop"

_PREFIX = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
_UNIT = {"Ohm": "Ω", "Cel": "°C"}
_MARK = {
    None: ("┆", "·", ""),
    VerdictOutcome.PASS: ("┃", "●", "pass"),
    VerdictOutcome.FAIL: ("┊", "○", "fail"),
    VerdictOutcome.UNCLEAR: ("┊", "◐", "unclear"),
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
    " ": "                   ",
}
"""Glyphs three cells wide and five high, rows divided by one cell."""
_ROWS = 5


@dataclass(frozen=True, slots=True)
class View:
    """What the screen shows at one moment."""

    title: str
    steps: Sequence[Step]
    current: str
    """The id of the step that is waited for."""
    verdicts: Mapping[str, Verdict]
    limits: Limits | None
    reading: Reading | None
    said: Sequence[str]
    """What was said last, newest last."""


def render(view: View, width: int, height: int) -> list[str]:
    """Lay the view out in a terminal of that many cells; lines are cut to fit, never wrapped."""
    head = [f"Steadypoint  {view.title}", _progress(view), ""]
    foot = [
        "",
        *large(view.reading),
        caption(view.reading),
        *_limits(view, min(width - 2, 60)),
        "",
        *view.said,
        "",
        KEYS,
    ]
    rail = _rail(view, max(3, height - len(head) - len(foot)))
    return [line[:width] for line in (*head, *rail, *foot)][:height]


def large(reading: Reading | None) -> list[str]:
    """Draw the display's digits five lines high; the decimal point is a block on the base line."""
    text = reading.display if reading is not None else ""
    rows = [""] * _ROWS
    for sign in text:
        for index in range(_ROWS):
            if sign == ".":
                rows[index] += "█ " if index == _ROWS - 1 else "  "
            else:
                rows[index] += _LARGE[sign][index * 4 : index * 4 + 3] + " "
    return [f"  {row}" for row in rows]


def caption(reading: Reading | None) -> str:
    """Name what the digits are: unit with prefix, coupling, and any annunciator that weakens them."""
    if reading is None:
        return "  no reading yet"
    unit = _PREFIX.get(reading.scale, f"x10^{reading.scale} ") + _UNIT.get(reading.unit, reading.unit)
    words = [unit, reading.function.value, *sorted(flag.value for flag in reading.flags - {Flag.AUTO_RANGE})]
    return "  " + "  ".join(words) + ("  (blank)" if reading.state is State.BLANK else "")


def band(limits: Limits, value: Decimal | None, width: int) -> str:
    """Draw the limits as a strip of that many cells: accepted span ═, outside ─, the value as ◆ where it stands."""
    if limits.low is None and limits.high is None:
        return ""
    low = limits.low if limits.low is not None else limits.high
    high = limits.high if limits.high is not None else limits.low
    assert low is not None  # noqa: S101 - one of the two limits stands for a missing other
    assert high is not None  # noqa: S101
    room = (high - low) / 2 or max(abs(high), Decimal(1))
    start, cells = low - room, width - 1

    def cell(at: Decimal) -> int:
        return min(cells, max(0, int((at - start) / (high - low + 2 * room) * cells)))

    first = cell(low) if limits.low is not None else 0
    last = cell(high) if limits.high is not None else cells
    strip = ["═" if first <= index <= last else "─" for index in range(width)]
    if value is not None:
        strip[cell(value)] = "◆"
    return "".join(strip)


def _progress(view: View) -> str:
    done = len(view.verdicts)
    return f"{done} of {len(view.steps)} steps judged"


def _rail(view: View, room: int) -> list[str]:
    index = next(at for at, step in enumerate(view.steps) if step.id == view.current)
    first = max(0, min(index - room // 2, len(view.steps) - room))
    return [_stop(step, view) for step in view.steps[first : first + room]]


def _stop(step: Step, view: View) -> str:
    verdict = view.verdicts.get(step.id)
    line, mark, word = _MARK[verdict.outcome if verdict else None]
    pointer = "▶" if step.id == view.current else " "
    value = str(verdict.measured) if verdict and verdict.measured else ""
    return f"{pointer} {line} {mark} {step.point:<14} {value:>12}  {word}"


def _limits(view: View, width: int) -> list[str]:
    if view.limits is None:
        return ["", ""]
    value = view.reading.value if view.reading is not None else None
    return [f"  limits {view.limits.text}", f"  {band(view.limits, value, width)}"]
