"""Seven-segment digits as LCD formats copy them: which segments of which digit are lit.

Segments: a top, b upper right, c lower right, d bottom, e lower left, f upper left, g middle. The usual shapes; that
the meters draw 6, 7 and 9 so is common practice, no source.
"""

from meterlink.reading import Reading, State
from meterlink_sim.encoders.parts import refusal

PLACES = 4

_GLYPHS = {
    "0": "abcdef",
    "1": "bc",
    "2": "abdeg",
    "3": "abcdg",
    "4": "bcfg",
    "5": "acdfg",
    "6": "acdefg",
    "7": "abc",
    "8": "abcdefg",
    "9": "abcdfg",
    "L": "def",
    " ": "",
}


def lit_segments(reading: Reading, form: str) -> set[str]:
    """Name the segments lit: `1a` to `4g` from the left, `point2` to `point4` before a digit, `minus`.

    A short number stands to the right; overload stands as ` 0.L `.

    Raises:
        ValueError: more than four digits, or a point before or behind all of them.
    """
    unsigned = " 0.L " if reading.state is State.OVERLOAD else reading.display.removeprefix("-")
    before, point, after = unsigned.partition(".")
    glyphs = (before + after).rjust(PLACES)
    if len(glyphs) > PLACES:
        raise refusal(form, f"{reading.display!r}: it has {PLACES} digits")
    if point and not 1 <= len(after) < PLACES:
        raise refusal(form, f"the point of {reading.display!r}")
    lit = {f"{place}{segment}" for place, glyph in enumerate(glyphs, start=1) for segment in _GLYPHS[glyph]}
    if point:
        lit.add(f"point{PLACES + 1 - len(after)}")
    if reading.display.startswith("-"):
        lit.add("minus")
    return lit
