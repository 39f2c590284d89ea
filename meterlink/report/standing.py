"""Where a job stands: what must be said first, and the counts. Pure."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from meterlink.outcome import Json
from meterlink.paper.letters import shortened
from meterlink.record.proof import Proof
from meterlink.record.store import Job
from meterlink.record.summary import JobState
from meterlink.report.gathered import Gathered
from meterlink.report.registers import fault_of
from meterlink.report.step_rows import MARKS, WORDS, StepRow
from meterlink.report.texts import said

_FIRST = 120
"""Letters of a line on the first page."""
_MOST_TROUBLES = 3
_MOST_OPEN, _LEAST_OPEN = 9, 5
_ROOM, _WARNING, _LINE, _COLUMNS = 26, 2.4, 1.6, 3
"""Of the first page: the lines for points checked, and how many of them a warning or an open line takes."""
_MOST_NAMED = 10
_COUNTED = ("pass", "fail", "unclear", "open", "yes", "no", "not-applicable")
_ALWAYS = ("pass", "fail", "unclear", "open")
_STATES = {
    JobState.STOPPED: "NOT COMPLETE: the job was stopped before its end.",
    JobState.INTERRUPTED: "NOT COMPLETE: the job has no end. It is under way, or it broke off.",
}


def warnings(job: Job, proof: Proof, gathered: Gathered, left_out: Sequence[int], *, legible: bool) -> Iterator[Json]:
    """What must be known before anything else is read, in bold: a head, and what it means.

    Args:
        job: its own line.
        proof: of its record.
        gathered: its log.
        left_out: the numbers of events that could not be read.
        legible: whether the procedure could be read.
    """
    if job.sha256 is None:
        yield _warning("NOT PROVEN: made by an older version, without hashes.", "Nothing shows whether it was altered.")
    elif not proof.intact:
        yield _warning("NOT INTACT: do not rely on this record.", _troubles(proof))
    if job.sha256 is not None and not proof.sealed:
        told = "Nothing proves who recorded it, nor that no event is missing at its end."
        yield _warning("NOT SEALED.", told)
    if left_out:
        numbers = ", ".join(map(str, left_out[:_MOST_NAMED]))
        more = f" and {len(left_out) - _MOST_NAMED} more" if len(left_out) > _MOST_NAMED else ""
        which = "1 EVENT LEFT OUT: it" if len(left_out) == 1 else f"{len(left_out)} EVENTS LEFT OUT: each"
        yield _warning(f"{which} was altered or cannot be read.", f"{numbers}{more}")
    if not legible:
        yield _warning("THE PROCEDURE CANNOT BE READ.", "Steps stand in the order of their verdicts.")
    if gathered.summary.state in _STATES:
        points = gathered.summary.lost_between
        lost = f"The voltage is lost between {points[0]} and {points[1]}." if points else ""
        yield _warning(_STATES[gathered.summary.state], lost)
    if gathered.start is None:
        yield _warning("NO CAUTIONS WERE ACKNOWLEDGED: the log has no start.", "")
    if any(event.body["calibration"] != "valid" for event in gathered.summary.meters):
        yield _warning("CALIBRATION NOT SHOWN TO BE VALID.", "See Instrument and calibration.")
    elif not gathered.summary.meters:
        yield _warning("NOTHING IS KNOWN OF THE METER.", "No value has a stated uncertainty.")


def _warning(head: str, text: str) -> Json:
    return {"head": head, "text": shortened(said(text), 3 * _FIRST)}


def _troubles(proof: Proof) -> str:
    more = len(proof.troubles) - _MOST_TROUBLES
    told = [*proof.troubles[:_MOST_TROUBLES], *([f"And {more} more; see Seal."] if more > 0 else [])]
    return " ".join(told)


def open_first(gathered: Gathered, rows: Sequence[StepRow], warned: int) -> Mapping[str, Any]:
    """What is open: fails, jumpers that are in, faults that are not mended, then what is unclear or not judged.

    Args:
        gathered: the log.
        rows: the steps.
        warned: how many warnings stand on the first page already; there is room for the fewer lines.
    """
    groups = [each for each in _open_groups(gathered, rows) if each]
    room = max(_LEAST_OPEN, _MOST_OPEN - warned)
    told: list[Json] = []
    for index, group in enumerate(groups):
        waiting = len(groups) - index - 1  # each of the rest gets a line at least
        told += group[: max(1, room - len(told) - waiting)]
    return {"lines": told, "more": sum(map(len, groups)) - len(told)}


def _open_groups(gathered: Gathered, rows: Sequence[StepRow]) -> Iterator[list[Json]]:
    summary = gathered.summary
    yield [_line("fail", row) for row in rows if row.state == "fail"]
    yield [_said("JUMPER STILL IN", "▲", said(each)) for each in summary.jumpers_open]
    yield [_said("FAULT NOT MENDED", "▲", fault_of(found)) for found in summary.found if not found.mended]
    yield [_line("unclear", row) for row in rows if row.state == "unclear"]
    lacking = [shortened(row.point, 24) for row in rows if row.state == "open"]
    if lacking:
        more = f" and {len(lacking) - _MOST_NAMED} more" if len(lacking) > _MOST_NAMED else ""
        named = f"{len(lacking)}: {', '.join(lacking[:_MOST_NAMED])}{more}"
        yield [_said(WORDS["open"], MARKS["open"], named)]


def checked(rows: Sequence[StepRow], warned: Sequence[Json], opened: Mapping[str, Any]) -> Json:
    """The steps in short, as many as the first page has room for."""
    room = int(_ROOM - _WARNING * len(warned) - _LINE * len(opened["lines"])) * _COLUMNS
    told = rows[: max(0, room)]
    lines = [
        {"mark": row.mark, "word": row.word, "point": shortened(row.point, 18), "value": shortened(row.value, 12)}
        for row in told
    ]
    return {"lines": lines, "more": len(rows) - len(told)}


def _line(state: str, row: StepRow) -> Json:
    limits = f", limits {' / '.join(row.limits)}" if row.limits else ""
    value = f": {row.value}" if row.value else ""
    return _said(WORDS[state], MARKS[state], f"{shortened(row.point, 40)}{value}{limits}")


def _said(word: str, mark: str, text: str) -> Json:
    return {"word": word, "mark": mark, "text": shortened(text, _FIRST)}


def counts(rows: Sequence[StepRow]) -> list[Json]:
    """How many steps came to what."""
    found = [(state, sum(row.state == state for row in rows)) for state in _COUNTED]
    return [
        {"state": state, "mark": MARKS[state], "word": WORDS[state].lower(), "count": count}
        for state, count in found
        if count or state in _ALWAYS
    ]
