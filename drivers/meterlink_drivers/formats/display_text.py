"""What four characters of a display say: a number, overload, nothing; or what no meter shows. Shared by formats."""

import re

_NUMBER = re.compile(r"\d+(\.\d+)?|\.\d+", re.ASCII)


def display_text(characters: str, point: int | None, *, minus: bool) -> str | None:
    """Return the text of a `Reading`: the number, `OL` or `-OL`, empty for blank or dashes; None for a damaged display.

    Leading zeros stay; blanks before the number go.

    Args:
        characters: from the left: digits, `L`, `-`, blanks; anything else is no display of ours.
        point: how many characters stand left of the decimal point; None without one.
        minus: whether the minus sign is lit.
    """
    sign = "-" if minus else ""
    if set(characters) <= {" ", "-"}:
        return ""
    if characters.count("L") == 1 and set(characters) <= {"L", "0", " "}:
        return f"{sign}OL"
    text = characters if point is None else f"{characters[:point]}.{characters[point:]}"
    number = text.lstrip(" ")
    return f"{sign}{number}" if _NUMBER.fullmatch(number) else None
