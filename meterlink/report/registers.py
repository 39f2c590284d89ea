"""What a report lists besides steps and touches: instruments, jumpers, faults, notes, breaks, blind spots. Pure."""

from collections.abc import Iterator, Sequence
from statistics import median

from meterlink.outcome import Break, Json
from meterlink.phrases import LINK_CUES
from meterlink.procedure.model import BridgeStep, Step, WatchStep
from meterlink.record.entry import Event, Kind
from meterlink.record.summary import Found, Summary
from meterlink.record.words import calibration_words, proof_words
from meterlink.report.gathered import Gathered, TouchSeen
from meterlink.report.texts import Clock, said

_BREAKS = {
    Break.RESUMED: "The job was taken up again.",
    Break.INTERRUPTED: "The job was broken off.",
    Break.ENDED: "The stream of readings came to its end.",
    **{reason: text for reason, (_, text) in LINK_CUES.items()},
}


def instruments(summary: Summary, clock: Clock) -> Iterator[Json]:
    """What was stated of the meter, at the start and each time the job was taken up again."""
    for event in summary.meters:
        body = event.body
        name = body["instrument"] or ("not known" if body["cautious_default"] else "not registered")
        yield {
            "since": clock.time(event.at.utc_ns),
            "name": said(str(name)),
            "identity": said(str(body["identity"] or "")),
            "sheet": said(str(body["sheet"])),
            "cautious": body["cautious_default"],
            "temperature": said(f"{body['temperature']} °C") if body["temperature"] is not None else "",
            "calibration": said(calibration_words(body)),
            "valid": body["calibration"] == "valid",
        }


def jumpers(steps: Sequence[Step], summary: Summary, clock: Clock) -> Iterator[Json]:
    """Factory-fit jumpers as seen, then the register of temporary ones; one still in is marked at its last entry."""
    for step in steps:
        if isinstance(step, BridgeStep) and step.jumper == "factory":
            judged = summary.steps.get(step.id)
            counts = judged if judged and not judged.reopened else None
            yield {
                "time": clock.time(counts.at.utc_ns) if counts else "",
                "where": said(step.point),
                "state": f"factory-fit, {counts.outcome if counts else 'not judged'}",
                "why": said(step.why or ""),
                "still_in": False,
            }
    inside = {where.casefold() for where in summary.jumpers_open}
    last = {str(event.body["where"]).casefold(): event.seq for event in summary.jumpers}
    for event in summary.jumpers:
        where = str(event.body["where"])
        yield {
            "time": clock.time(event.at.utc_ns),
            "where": said(where),
            "state": "fitted" if event.body["fitted"] else "taken out",
            "why": said(str(event.body["why"])),
            "still_in": where.casefold() in inside and last[where.casefold()] == event.seq,
        }


def faults(summary: Summary, clock: Clock) -> Iterator[Json]:
    """The faults that searches have proven."""
    for found in summary.found:
        yield {
            "time": clock.time(found.event.at.utc_ns),
            "fault": fault_of(found),
            "mended": found.mended,
            "proof": said(" and ".join(proof_words(each) for each in _proof(found))),
        }


def fault_of(found: Found) -> str:
    """The fault's name."""
    return said(str(found.event.body["answer"]))


def _proof(found: Found) -> Sequence[Json]:
    proof = found.event.body["proof"]
    return proof if isinstance(proof, list) else []


def notes(summary: Summary, clock: Clock) -> Iterator[Json]:
    """What people have noted."""
    for event in summary.notes:
        photo = event.body.get("photo")
        yield {
            "time": clock.time(event.at.utc_ns),
            "by": said(str(event.body.get("by", ""))),
            "text": said(str(event.body["text"])),
            "photo": _photo(photo) if isinstance(photo, dict) else None,
        }


def _photo(photo: Json) -> Json:
    """A photo by its hash; the picture itself comes from elsewhere (`meterlink.report.pictures`)."""
    named = {"name": said(str(photo["name"])), "size": photo["size"], "sha256": said(str(photo["sha256"]))}
    return {**named, "there": False, "svg": None}


def breaks(gathered: Gathered, clock: Clock) -> Iterator[Json]:
    """Where the stream of readings was broken, verdicts were taken back, and what the meter had to say."""
    for event in sorted([*gathered.news, *gathered.reopened], key=lambda event: event.seq):
        yield {"time": clock.time(event.at.utc_ns), "text": _news(event)}


def _news(event: Event) -> str:
    body = event.body
    if event.kind is Kind.GAP:
        return _BREAKS[Break(str(body["reason"]))]
    if event.kind is Kind.REOPENED:
        steps = body["steps"]
        named = ", ".join(map(str, steps)) if isinstance(steps, list) else ""
        return said(f"No longer counted: {named}. {body['reason']}")
    word = "Link" if body["about"] == "link" else "Meter"
    return said(f"{word}: {body['text']}")


def unseen(steps: Sequence[Step], summary: Summary, touches: Sequence[TouchSeen]) -> Iterator[str]:
    """What the meter could not see."""
    middles = [touch.interval_s for touch in touches if touch.interval_s is not None]
    if middles:
        longest = max(touch.longest_s for touch in touches if touch.longest_s is not None)
        yield (
            f"While the probes were on a point the display changed every {median(middles):.2g} s in the middle, "
            f"{longest:.2g} s apart at most. What lasted for less, it may not have shown."
        )
    for step in steps:
        if isinstance(step, WatchStep):
            judged = summary.steps.get(step.id)
            told = str(judged.last["reason"]) if judged and not judged.reopened else "not watched."
            yield said(f"{step.point}, watched while the lift travels: {told}")
