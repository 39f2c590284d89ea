"""From an outcome, as JSON, to what it sounds like. Pure."""

from meterlink.cues.codes import END, LIFT, tone_of, weight_of
from meterlink.cues.queue import Sound
from meterlink.cues.spoken import Speaker
from meterlink.outcome import Json


def sound_of(event: Json, speaker: Speaker | None) -> Sound | None:
    """Return what an outcome sounds like; None for one that is not heard.

    Args:
        event: the outcome. All of a job go through here, in their order: later ones are spoken with what earlier told.
        speaker: puts it into words; None for tones only.
    """
    phrase = speaker.phrase(event) if speaker else ""
    at = event.get("t")
    moment = float(at) if isinstance(at, int | float) else None
    code = {"cue": event.get("code"), "touch": LIFT, "end": END}.get(str(event["event"]))
    if code is None:
        return None
    return Sound(str(code), tone_of(str(code)), phrase, weight_of(str(code)), moment)
