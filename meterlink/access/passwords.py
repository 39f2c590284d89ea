"""Which passwords are taken: long ones, whatever signs they are made of (NIST SP 800-63B: length counts, not kinds)."""

import unicodedata
from itertools import pairwise

SHORTEST = 12
LONGEST = 256
"""More is refused unread, so that nobody makes us hash a book."""
_FEWEST_DIFFERENT = 6


def normalised(password: str) -> str:
    """Return the form that is hashed: the same whichever keyboard composed it (Unicode NFKC, as SP 800-63B asks)."""
    return unicodedata.normalize("NFKC", password)


def trouble_with(password: str, name: str) -> str | None:
    """Say why a new password is not taken; None where it is.

    Args:
        password: as typed.
        name: the account's.
    """
    text = normalised(password)
    if not SHORTEST <= len(text) <= LONGEST:
        return f"a password has {SHORTEST} to {LONGEST} characters; several words are easy to keep in mind"
    if not text.isprintable():
        return "a password is one line of printable characters"
    if len(set(text.lower())) < _FEWEST_DIFFERENT:
        return f"a password has at least {_FEWEST_DIFFERENT} different characters"
    for word in {name, "steadypoint"} - {""}:
        if word in text.lower() and len(text) - len(word) < SHORTEST:
            return f"a password that contains {word!r} has {SHORTEST} more characters beside it"
    if _is_run(text.lower()):
        return "a password is no run of neighbouring characters such as abcdefgh or 12345678"
    return None


def _is_run(text: str) -> bool:
    """Whether nearly every character is the neighbour of the one before."""
    steps = [abs(ord(b) - ord(a)) <= 1 for a, b in pairwise(text)]
    return sum(steps) > 0.7 * len(steps)
