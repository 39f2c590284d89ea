"""What the technician is told, in the trade's words: short, and what to do next."""

from collections.abc import Sequence

from meterlink.instrument import Calibration, Instrument
from meterlink.outcome import Break, Measured, Verdict, VerdictOutcome
from meterlink.procedure.model import MeasuredStep, OperateStep, ReadingStep, Step, TimedStep
from meterlink.reading import Flag, Function, Reading

FUNCTION_NAMES = {
    Function.DC_VOLTAGE: "DC volts",
    Function.AC_VOLTAGE: "AC volts",
    Function.RESISTANCE: "resistance",
    Function.CONTINUITY: "continuity",
    Function.DIODE: "diode test",
    Function.DC_CURRENT: "DC current",
    Function.AC_CURRENT: "AC current",
    Function.FREQUENCY: "frequency",
    Function.CAPACITANCE: "capacitance",
    Function.TEMPERATURE: "temperature",
    Function.DUTY: "duty cycle",
    Function.VOLTAGE: "volts, AC or DC not told",
    Function.CURRENT: "current, AC or DC not told",
    Function.NUMBER: "a number without unit",
    Function.OTHER: "a function that is not judged",
}

REFUSED_FLAGS = {
    Flag.HOLD: ("hold", "HOLD is on. Switch it off; nothing is judged from a held display."),
    Flag.RELATIVE: ("relative", "Relative mode is on. Switch it off; the display shows a difference."),
    Flag.MINIMUM: ("min-max", "Minimum mode is on. Switch it off."),
    Flag.MAXIMUM: ("min-max", "Maximum mode is on. Switch it off."),
    Flag.PEAK: ("peak", "Peak mode is on. Switch it off."),
    Flag.LOW_BATTERY: ("low-battery", "The meter's battery is low; its readings may be far off. Change it."),
}
"""Flags under which nothing is judged: the cue's code and text."""

REFUSED_CODES = frozenset({"wrong-unit", *(code for code, _ in REFUSED_FLAGS.values())})
"""The codes of all cues that say why a reading is not judged at all."""

LINK_CUES = {
    Break.LINK_LOST: ("link-lost", "The link to the meter is lost; nothing is judged. It comes back by itself."),
    Break.LINK_BACK: ("link-back", "The meter is back."),
    Break.SILENT: ("no-data", "No data from the meter; nothing is judged. Is it on and sending?"),
    Break.HEARD_AGAIN: ("data-back", "The meter sends again."),
}
"""What is told of a break in the link: the cue's code and text."""


LINK_TROUBLE = {"link-lost": "no link", "no-data": "no data"}
"""What is shown in the place of a live value, by the code of the cue that told it."""


def why_refused(reading: Reading) -> tuple[str, str] | None:
    """Say why nothing may be judged from a reading, whatever it shows: the cue's code and text; None where it may."""
    for flag, cue in REFUSED_FLAGS.items():
        if flag in reading.flags:
            return cue
    if reading.unit != reading.function.unit:
        return "wrong-unit", f"The meter shows {reading.unit}. Set it to {reading.function.unit}."
    return None


def meter_stated(instrument: Instrument) -> str:
    """Say which meter it is, how its readings are judged, and how its calibration stands."""
    text = f"Meter {instrument.name}, accuracy sheet {instrument.sheet.name}."
    if instrument.cautious:
        text = "The meter is not known: its readings are judged by a cautious default."
    elif instrument.name is None:
        text = f"Accuracy sheet {instrument.sheet.name}."
    return f"{text} {_CALIBRATIONS[instrument.calibration].format(instrument=instrument)}"


_CALIBRATIONS = {
    Calibration.VALID: "Calibrated {instrument.calibrated}, valid to {instrument.due}.",
    Calibration.OVERDUE: "Its calibration is overdue: it was due by {instrument.due}.",
    Calibration.MISSING: "No calibration of it is on file that holds today.",
    Calibration.UNKNOWN: "No calibration is known.",
}


def announce(step: Step, before: Step | None) -> str:
    """Ask for a step; the dial and the black lead are named where they change."""
    if step.say is not None:
        return step.say
    if not isinstance(step, MeasuredStep):
        return f"{step.point}: {step.question}"
    text = f"Touch {step.point}."
    if not isinstance(before, MeasuredStep) or before.reference != step.reference:
        text += f" Black lead on {step.reference}."
    if not isinstance(before, MeasuredStep) or before.measure != step.measure:
        text += f" Dial on {functions(step.measure)}."
    return f"{text}{_held(step)}"


def _held(step: MeasuredStep) -> str:
    """What to do with the probes where a touch is not all."""
    if isinstance(step, OperateStep) and step.begins == "open":
        return " With both probes firmly on, confirm."
    return " Hold the probes on." if isinstance(step, TimedStep) else ""


def announce_any(steps: Sequence[ReadingStep], before: Step | None) -> str:
    """Ask for several steps of which any may come first."""
    points = ", ".join(step.point for step in steps[:-1])
    return announce(steps[0], before).replace(f"Touch {steps[0].point}.", f"Touch {points} or {steps[-1].point}.", 1)


def fits_none(shown: Measured, steps: Sequence[ReadingStep]) -> str:
    """Say that a touch may be none of several points', and that they come one by one now."""
    points = ", ".join(step.point for step in steps)
    return f"{shown} fits none of {points}. One by one now: lift the probes, then touch {steps[0].point}."


def functions(measure: tuple[Function, ...]) -> str:
    """Name the functions that will do."""
    return " or ".join(FUNCTION_NAMES[function] for function in measure)


def verdict(step: Step, given: Verdict) -> str:
    """Say what a step came to, and for anything but a pass free of doubt why and what to do."""
    value = f" {given.measured}." if given.measured else ""
    text = f"{step.point}:{value} {given.outcome.value.capitalize()}."
    advice = given.assessment.advice if given.assessment else None
    if given.outcome is VerdictOutcome.PASS:
        return f"{text} {given.reason} {advice}" if advice else text
    return " ".join(filter(None, (text, given.reason, advice, step.remedy)))


def wrong_function(step: MeasuredStep, found: Function) -> str:
    """Ask for another position of the dial."""
    text = f"The meter is on {FUNCTION_NAMES[found]}; set the dial to {functions(step.measure)}."
    if found.open_leads_read_overload and not any(function.open_leads_read_overload for function in step.measure):
        text += " Lift the probes first: that range on a live circuit can damage the meter."
    return text


def confirm_dead(step: MeasuredStep, shown: Measured) -> str:
    """Ask whether a display that leads in the air would show too is real."""
    return f"The display shows {shown}, as leads in the air do. If both probes are firmly on, confirm {step.point}."
