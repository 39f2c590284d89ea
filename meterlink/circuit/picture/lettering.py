"""How much room a text takes, and how it is cut: in columns of a terminal, and in SVG by an estimate of its width."""

from unicodedata import category, east_asian_width

_LONGEST_TAG = 24
"""A tag on the picture; a longer one is cut in its middle."""

_NARROW = frozenset("iIlj.,:;'|!()[]/\\ -ft")
_WIDE = frozenset("mwMW%@—…")


def clean(text: str) -> str:
    """Leave out what cannot be shown: controls, which XML forbids too, and marks that turn the writing's direction."""
    return "".join(sign if sign.isprintable() else "�" for sign in text)


def short_tag(tag: str) -> str:
    """A tag for the picture: head and tail tell more than a cut end."""
    tag = clean(tag)
    if len(tag) <= _LONGEST_TAG:
        return tag
    half = _LONGEST_TAG // 2
    return f"{tag[:half]}…{tag[1 - half :]}"


def breadth(text: str, size: float, *, bold: bool = False) -> float:
    """About how wide a text is, in the unit of its size: on the wide side for the sans-serif letters of any system."""
    return size * (1.08 if bold else 1.0) * sum(map(_sign, text))


def _sign(sign: str) -> float:
    """A sign's width in parts of its size (common practice, no source: between Arial and DejaVu Sans)."""
    if east_asian_width(sign) in "WF":
        return 1.05
    if category(sign) in ("Mn", "Me"):
        return 0.0
    if not sign.isascii():
        return 0.9
    if sign in _NARROW:
        return 0.38
    if sign in _WIDE:
        return 0.92
    return 0.72 if sign.isupper() else 0.61


def cells(text: str) -> int:
    """How many columns of a terminal a text takes."""
    return sum(_cells(sign) for sign in text)


def _cells(sign: str) -> int:
    if category(sign) in ("Mn", "Me"):
        return 0
    return 2 if east_asian_width(sign) in "WF" else 1


def cut(text: str, width: int) -> str:
    """A text in at most that many columns, with … where something is missing."""
    if cells(text) <= width:
        return text
    kept, room = "", width - 1
    for sign in text:
        room -= _cells(sign)
        if room < 0:
            break
        kept += sign
    return f"{kept}…" if width > 0 else ""


def padded(text: str, width: int) -> str:
    """A text in exactly that many columns."""
    text = cut(text, width)
    return text + " " * (width - cells(text))
