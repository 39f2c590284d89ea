"""A sample of every cue, as the engine would tell it: what `steadypoint cues` lets one listen to. Pure."""

from collections.abc import Iterator
from typing import Any

from meterlink.cues.announced import sound_of
from meterlink.cues.codes import END
from meterlink.cues.languages import words_of
from meterlink.cues.spoken import Speaker
from meterlink.cues.vocabulary import Brevity
from meterlink.outcome import Json
from meterlink.phrases import LINK_CUES, REFUSED_FLAGS
from meterlink.procedure.model import Procedure

_POINT, _NEXT = "X1:4", "B1:12"
_STEP: dict[str, Any] = {"id": "x1-4", "kind": "reading", "point": _POINT, "reference": "earth bar"}
_STEP |= {"measure": "dc-voltage", "limits": "23.5..29.0 V"}
_LOOK: dict[str, Any] = {"id": "q1", "kind": "look", "point": "Q1", "ask": "Is the breaker pushed in?"}
_FINDING: dict[str, Any] = {
    "event": "finding",
    "faults": [{"fault": "open:B1", "probability": 0.999}],
    "sure": True,
    "answer": "open:B1",
    "next": None,
    "proof": [{"point": "B1:11", "value": "24.10", "unit": "V"}, {"point": _NEXT, "value": "0.00", "unit": "V"}],
}
_END: dict[str, Any] = {"event": "end", "complete": True, "passed": 24, "failed": 1, "unclear": 0, "not_judged": []}
_READ = {"pass": "24.10", "fail": "3.21", "unclear": "23.51"}

_TEXTS = {
    "probe": f"Touch {_NEXT}. Black lead on earth bar. Dial on DC volts.",
    "look": "Q1: Is the breaker pushed in?",
    "ask": "Q1: Is the breaker pushed in?",
    "meter": "Meter, accuracy sheet. Calibrated, valid.",
    "read": f"{_NEXT}: 24.1 V.",
    "wrong-function": "The meter is on resistance; set the dial to DC volts. Lift the probes first:",
    "reversed": f"-24.1 V: the leads are reversed, or the wiring is. Red on {_POINT}.",
    "confirm-dead": f"The display shows 0.00 V. If both probes are firmly on, confirm {_POINT}.",
    "lift-first": f"Lift the probes, then touch {_NEXT}.",
    "refused": f"Not counted. Lift the probes, then touch {_POINT}.",
    "office-note": "office: Probe X1:7 next.",
    "click": "1 of 3.",
    "operate-ready": f"Closed, 0.3 Ohm. Work {_POINT} 3 times, a second each way.",
    "fits-none": f"24.1 V fits none. One by one now: lift the probes, then touch {_POINT}.",
    "go-to": f"On to {_NEXT}.",
    "jumper-fitted": "Jumper X3:5-X3:6 entered. It must come out before the job is complete.",
    "jumper-removed": "Jumper X3:5-X3:6 is out.",
    "jumper-unknown": "No jumper is entered at X3:5-X3:6; entered are: none.",
    "jumper-open": "Jumper X3:5-X3:6 is still in: the job is not complete.",
    **dict(REFUSED_FLAGS.values()),
    **dict(LINK_CUES.values()),
}
"""What the engine would say, where a phrase takes something from it."""


def sample_phrases(language: str, brevity: Brevity = Brevity.FULL) -> Iterator[tuple[str, str]]:
    """Yield every cue's code with a phrase for it.

    Raises:
        UsageError: the language is not known.
    """
    words = words_of(language)
    for code in (*words.verdicts, *words.cues, "meter", END):
        speaker = Speaker(_procedure(), language, brevity)
        for event in _events(code):
            sound = sound_of(event, speaker)
            if sound is not None and sound.phrase:
                yield code, sound.phrase


def _procedure() -> Procedure:
    head = {"procedure": "samples", "title": "Samples", "revision": "1", "cautions": ["Take care."]}
    return Procedure.model_validate({**head, "steps": [_STEP, _LOOK]})


def _events(code: str) -> Iterator[Json]:
    if code == END:
        yield _END
        return
    if code in _READ:
        judged = {"step": "x1-4", "value": _READ[code], "unit": "V", "limits": "23.5..29.0 V"}
        yield {"event": "verdict", "outcome": code, **judged}
    if code in ("find", "found"):
        yield _FINDING
    step = {"look": "q1", "ask": "q1", "jumper-open": "jumper-out-1"}.get(code, "x1-4")
    yield {"event": "cue", "code": code, "text": _TEXTS.get(code, f"{_POINT}: {code}."), "step": step, "t": 0.0}
