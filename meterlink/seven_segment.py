"""What a seven-segment digit shows, from its lit segments. Shared by every format that copies a display's segments.

Segments are named a (top), b (upper right), c (lower right), d (bottom), e (lower left), f (upper left), g (middle), as
data sheets of display drivers name them. The letter O looks as 0 does and is given as 0.
"""

from collections.abc import Mapping

_SHAPES = {
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
    "E": "adefg",
    "F": "aefg",
    "-": "g",
    " ": "",
}


def glyphs(order: str) -> Mapping[int, str]:
    """Map seven bits to the character they draw; bits that draw none of ours are not in the map.

    Args:
        order: the segments' names in the order of their bits, most significant first: `efadcgb`.
    """
    weight = {segment: 1 << place for place, segment in enumerate(reversed(order))}
    return {sum(weight[segment] for segment in lit): character for character, lit in _SHAPES.items()}
