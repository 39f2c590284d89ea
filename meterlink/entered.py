"""What a person enters as a line of text during a check: an answer, a jumper, a note. Pure.

confirm
jumper fitted X3:5-X3:6: levelling run
jumper removed X3:5-X3:6
note Cover screw M4 missing
"""

from collections.abc import Callable

from meterlink.note import Note
from meterlink.outcome import Answer, Input, Jumper
from meterlink.reading import Instant

Entered = Callable[[Instant], Input | Jumper | Note]
"""What was entered, once it is known when."""

NOTE = "note "
JUMPER = "jumper fitted "
"""How the lines begin that are not answers."""

_REMOVED = "jumper removed "
_EXPECTED = ", ".join((*Answer, f"{JUMPER}WHERE: WHY", f"{_REMOVED}WHERE", f"{NOTE}TEXT"))


def entered(line: str) -> Entered:
    """Read one line.

    Raises:
        ValueError: it is none of these; says what was expected.
    """
    text = line.strip()
    if text in list(Answer):
        answer = Answer(text)
        return lambda at: Input(answer, at)
    if text.startswith((JUMPER, _REMOVED)):
        fitted = text.startswith(JUMPER)
        where, _, why = text.removeprefix(JUMPER if fitted else _REMOVED).partition(": ")
        if where.strip():
            return lambda at: Jumper(fitted, where.strip(), why.strip(), at)
    if text.startswith(NOTE):
        return lambda at: Note(text.removeprefix(NOTE).strip(), "technician", at)
    raise ValueError(f"answer {text!r} is not known; expected {_EXPECTED}")
