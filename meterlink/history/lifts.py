"""Which jobs are of one lift: by its tag, as people write tags. Pure."""

import difflib
from collections.abc import Iterable

from meterlink.errors import RecordError, UsageError
from meterlink.record.store import Job

LONGEST_TAG = 80
"""Characters of a lift's or an operator's tag."""


def same_tag(one: str, other: str) -> bool:
    """Tell whether two tags mean one lift: the same but for case, and for space at the ends."""
    return _folded(one) == _folded(other)


def lifts(jobs: Iterable[Job]) -> dict[str, list[Job]]:
    """Every lift's jobs by its tag, as that was written first in the order of the jobs."""
    written: dict[str, str] = {}
    found: dict[str, list[Job]] = {}
    for job in jobs:
        if job.lift:
            tag = written.setdefault(_folded(job.lift), job.lift.strip())
            found.setdefault(tag, []).append(job)
    return found


def no_such_lift(tag: str, known: Iterable[str]) -> RecordError:
    """Say that no job has this tag, and which tags are near it."""
    written = {_folded(each): each for each in known}
    near = difflib.get_close_matches(_folded(tag), written, n=3)
    if near:
        hint = f"did you mean {' or '.join(repr(written[each]) for each in near)}?"
    elif written:
        hint = f"lifts in the record: {', '.join(sorted(written.values()))}"
    else:
        hint = "no job in the record names a lift; name it with: steadypoint check --lift TAG"
    return RecordError(f"no job of lift {tag!r}; {hint}")


def checked_tag(what: str, text: str | None) -> str | None:
    """Return a tag as it may stand in the record.

    Raises:
        UsageError: it may not; says what was expected.
    """
    if text is not None and not (text.strip() == text and text.isprintable() and 0 < len(text) <= LONGEST_TAG):
        raise UsageError(f"{what} {text!r}: expected up to {LONGEST_TAG} printable characters, no space at the ends")
    return text


def _folded(tag: str) -> str:
    return tag.strip().casefold()
