"""How long to wait before a broker is tried again. Pure."""

_FIRST_S, _LONGEST_S = 0.5, 30.0


def wait_s(failures: int, chance: float) -> float:
    """Return the wait in seconds.

    Doubled with each failure up to half a minute, and spread by chance over its upper half: a hundred crews that lost
    the same broker do not come back in the same moment.

    Args:
        failures: attempts that failed in a row, from 1.
        chance: from 0 to 1.
    """
    whole: float = min(_LONGEST_S, _FIRST_S * 2 ** min(failures - 1, 10))
    return whole * (0.5 + chance / 2)
