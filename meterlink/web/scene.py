"""What a page shows of a check, as JSON: the waiting step, its band, the rail, what comes next; the live value. Pure.

Every text in it may come from a procedure file or a meter: a page shows it as text and as nothing else.
"""

from decimal import Decimal

from meterlink.band import Band
from meterlink.circuit.marked import search_marks, step_marks
from meterlink.circuit.parts import Circuit
from meterlink.circuit.picture.marks import Marks, percent
from meterlink.engine import Engine
from meterlink.judging.words import uncertainty
from meterlink.limits import Limits
from meterlink.outcome import Json, VerdictOutcome
from meterlink.phrases import FUNCTION_NAMES, functions
from meterlink.procedure.model import AnsweredStep, MeasuredStep, Step
from meterlink.reading import Flag, Reading
from meterlink.screen import unit_shown
from meterlink.web.rail import rail

_SUSPECTS = 5
"""So many are worth a line on a small page."""


Pictured = tuple[Circuit, Marks]
"""A circuit with what is known of it and where to probe."""


def scene(engine: Engine, pictured: Pictured | None) -> Json:
    """The check as it stands.

    Args:
        engine: the check.
        pictured: what `circuit_shown` gave.
    """
    limits = None if engine.ended else engine.limits()
    outcomes = [given.outcome for given in engine.verdicts.values()]
    return {
        "title": engine.procedure.title,
        "revision": engine.procedure.revision,
        "steps": len(engine.procedure.steps),
        "judged": len(engine.procedure.steps) - len(engine.course.missing),
        "counts": {each.value: outcomes.count(each) for each in VerdictOutcome},
        "step": None if engine.ended else _step(engine, limits),
        "band": _band(limits) if limits else None,
        "next": _following(engine),
        "last": _last(engine),
        "rail": rail(engine, pictured[1] if pictured else None),
        "search": _search(engine),
        "jumpers": list(engine.jumpers.open),
        "cautions": list(engine.procedure.cautions),
    }


def circuit_shown(engine: Engine) -> Pictured | None:
    """The circuit of a check; None for a procedure without one."""
    if engine.hunt is not None:
        return engine.hunt.search.circuit, search_marks(engine.hunt.search, engine.hunt.finding)
    if engine.tied is None:
        return None
    return engine.tied.circuit, step_marks(engine.tied, engine.verdicts, engine.step)


def live_scene(engine: Engine, reading: Reading) -> Json:
    """What the meter shows, and where that stands on the band of the waiting step."""
    limits = None if engine.ended else engine.limits()
    band = Band.around(limits) if limits and limits.unit == reading.unit else None
    may_be_off = None if engine.ended else engine.may_be_off(reading)
    notes = sorted(flag.value for flag in reading.flags - {Flag.AUTO_RANGE})
    return {
        "display": reading.display,
        "unit": unit_shown(reading),
        "function": FUNCTION_NAMES[reading.function],
        "notes": notes,
        "mark": _mark(band, limits, reading.value, may_be_off) if band and limits else None,
        "off": f"±{uncertainty(may_be_off, reading.unit)}" if may_be_off else None,
        "confirms": engine.confirms(),
    }


def _step(engine: Engine, limits: Limits | None) -> Json:
    step = engine.step
    ids = [each.id for each in engine.procedure.steps]
    measured = step if isinstance(step, MeasuredStep) else None
    group = engine.procedure.group_of(step) if engine.hunt is None else None
    return {
        "id": step.id,
        "number": ids.index(step.id) + 1 if step.id in ids and engine.hunt is None else None,
        "group": group.title if group else None,
        "look": measured is None,
        "point": _either(engine.open_points),
        "ask": step.question if isinstance(step, AnsweredStep) else step.say,
        "black": measured.reference if measured else None,
        "where": _where(engine, measured.reference) if measured else None,
        "dial": functions(measured.measure) if measured else None,
        "limits": limits.text if limits else None,
        "source": measured.source if measured else None,
        "before": _before(engine, step),
    }


def _either(points: list[str]) -> str:
    return f"{', '.join(points[:-1])} or {points[-1]}" if len(points) > 1 else points[0]


def _where(engine: Engine, reference: str) -> str | None:
    return next((each.where for each in engine.procedure.references if each.name == reference), None)


def _before(engine: Engine, step: Step) -> str | None:
    """What the step came to when it was judged before; None while it has not been."""
    given = engine.verdicts.get(step.id)
    return f"{given.measured or ''} {given.outcome.value}".strip() if given else None


def _band(limits: Limits) -> Json | None:
    band = Band.around(limits)
    if band is None:
        return None
    low = _share(band.place(band.low)) if band.low is not None else 0.0
    high = _share(band.place(band.high)) if band.high is not None else 1.0
    return {
        "low": low,
        "high": high,
        "low_text": _limit_text(limits.low),
        "high_text": _limit_text(limits.high),
        "unit": limits.unit,
    }


def _limit_text(limit: Decimal | None) -> str | None:
    return None if limit is None else f"{limit.normalize():f}"


def _mark(band: Band, limits: Limits, value: Decimal | None, may_be_off: Decimal | None) -> Json | None:
    if value is None:
        return None
    off = may_be_off or Decimal(0)
    return {
        "at": _share(band.place(value)),
        "from": _share(band.place(value - off)),
        "to": _share(band.place(value + off)),
        "beyond": band.beyond(value),
        "inside": limits.accept(value),
    }


def _share(place: Decimal) -> float:
    return round(float(place), 4)


def _following(engine: Engine) -> str | None:
    """Which point comes next; None where that is open, or this is the last."""
    if engine.ended or engine.hunt is not None:
        return None
    rest = (step for step in engine.procedure.steps if not engine.course.done(step) and step.id != engine.step.id)
    return next((step.point for step in rest), None)


def _last(engine: Engine) -> Json | None:
    """The newest verdict; None before the first."""
    steps = {step.id: step for step in engine.procedure.steps}
    given = max(engine.verdicts.values(), key=lambda verdict: verdict.at, default=None)
    if given is None:
        return None
    step = steps[given.step]
    advice = given.assessment.advice if given.assessment else None
    why = " ".join(filter(None, (given.reason, advice, step.remedy)))
    value = str(given.measured) if given.measured else ""
    return {"point": step.point, "outcome": given.outcome.value, "value": value, "why": why}


def _search(engine: Engine) -> Json | None:
    if engine.hunt is None:
        return None
    finding = engine.hunt.finding
    suspects = [{"name": each.name, "share": percent(each.probability)} for each in finding.faults[:_SUSPECTS]]
    return {"why": engine.hunt.why(), "found": finding.answer, "suspects": suspects}
