"""Texts, times and values as a report shows them. Pure."""

from dataclasses import dataclass

from meterlink.reading import NS_PER_S
from meterlink.record.words import local_time

_JOINERS = "\N{ZERO WIDTH NON-JOINER}\N{ZERO WIDTH JOINER}"
"""They join letters and signs, and turn nothing."""


def said(text: str) -> str:
    """One paragraph, without controls and without marks that turn the writing's direction."""
    return " ".join("".join(map(_shown, word)) for word in text.split())


def _shown(sign: str) -> str:
    return sign if sign.isprintable() or sign in _JOINERS else "\N{REPLACEMENT CHARACTER}"


@dataclass(frozen=True, slots=True)
class Clock:
    """The job's local time. Of an altered record, a time may be none."""

    started_utc_ns: int
    utc_offset_s: int

    def full(self, utc_ns: int) -> str:
        """Date, time and offset."""
        try:
            return local_time(utc_ns, self.utc_offset_s)
        except (ValueError, OverflowError, OSError):
            return f"no time that can be ({utc_ns / NS_PER_S:g} s)"

    def time(self, utc_ns: int) -> str:
        """The time of day; with the date where that is not the one of the start."""
        moment, start = self.full(utc_ns), self.full(self.started_utc_ns)
        return moment[11:19] if moment[:10] == start[:10] else moment[:19]

    def day(self, utc_ns: int) -> str | None:
        """The day, such as 2026-11-27; None where the time is none."""
        moment = self.full(utc_ns)
        return moment[:10] if moment[:1].isdigit() else None
