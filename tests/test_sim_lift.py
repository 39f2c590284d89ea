"""The simulated job: the same seed does the same, the truth is complete, and the engine's verdicts agree with it."""

from collections.abc import Mapping
from decimal import Decimal
from itertools import pairwise

import pytest

from known_meter import engine_for
from meterlink.engine import Engine
from meterlink.errors import UsageError
from meterlink.outcome import Answer, Input, VerdictOutcome
from meterlink.procedure.load import load_procedure
from meterlink.procedure.model import LookStep, Procedure
from meterlink.reading import Flag, Function, Instant, Reading
from meterlink_sim.circuit import POINTS
from meterlink_sim.lift import SimulatedJob
from meterlink_sim.scenario import SCENARIOS, find_scenario

START_UP = load_procedure("start-up").procedure
LONGEST = 600.0


def cue(code: str, step: str) -> Mapping[str, object]:
    return {"event": "cue", "code": code, "text": "", "step": step, "t": 0}


def procedure(*steps: dict[str, object]) -> Procedure:
    return Procedure.model_validate(
        {"procedure": "short", "title": "Short", "revision": "1", "cautions": ["Take care."], "steps": steps}
    )


def volts_step(point: str = "F1:2") -> dict[str, object]:
    reference = {"reference": "earth bar", "measure": "dc-voltage", "limits": "22..29 V"}
    return {"id": "volts", "kind": "reading", "point": point, **reference}


def ohms_step() -> dict[str, object]:
    reference = {"reference": "X7:2", "measure": "resistance", "limits": "<= 2 Ohm"}
    return {"id": "ohms", "kind": "reading", "point": "X7:1", **reference}


def until(job: SimulatedJob, seconds: float) -> list[Reading | Input]:
    """Everything that comes out while nothing is announced."""
    events: list[Reading | Input] = []
    while job.due <= seconds:
        events += job.advance()
    return events


def run(job: SimulatedJob, engine: Engine) -> list[Reading | Input]:
    """One job with the real engine."""
    events = []
    for outcome in engine.start(Instant(0, 0)):
        job.hear(outcome.as_json())
    while not engine.ended and job.now < LONGEST:
        for event in job.advance():
            events.append(event)
            for outcome in engine.feed(event):
                job.hear(outcome.as_json())
    return events


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("name", [*SCENARIOS, "open:W6", "open:Q1"])
def test_the_engine_comes_to_the_true_verdicts(name: str, seed: int) -> None:
    job, engine = SimulatedJob(START_UP, find_scenario(name), seed), engine_for(START_UP)
    run(job, engine)
    assert engine.ended
    passed = {step: verdict.outcome is VerdictOutcome.PASS for step, verdict in engine.verdicts.items()}
    assert passed == {step: job.truth.steps[step].must_pass for step in passed}


def test_a_healthy_lift_must_pass_everywhere_and_a_faulty_one_from_the_fault_on() -> None:
    healthy = SimulatedJob(START_UP, find_scenario("healthy"), 1).truth.steps
    assert all(step.must_pass for step in healthy.values())
    faulty = SimulatedJob(START_UP, find_scenario("open-final-limit"), 1).truth.steps
    assert faulty["final-limit-in"].must_pass
    assert [faulty[step].must_pass for step in ("final-limit-out", "controller-input")] == [False, False]
    assert faulty["proved-dead"].must_pass is None  # the fuse is out and the limit open: what lies between floats
    assert faulty["edge-loop"].must_pass


def test_the_same_seed_does_the_same_and_another_does_not() -> None:
    first, again, other = (
        run(SimulatedJob(START_UP, find_scenario("healthy"), seed), engine_for(START_UP)) for seed in (7, "7", 8)
    )
    assert first == again
    assert first != other


def test_every_fault_can_be_planted_in_the_same_lift() -> None:
    healthy, faulty = (SimulatedJob(START_UP, find_scenario(name), 3).truth.steps for name in ("healthy", "open:B4"))
    assert healthy["battery"].value == pytest.approx(faulty["battery"].value, abs=0.002)


@pytest.mark.parametrize("seed", range(8))
def test_every_touch_carries_its_truth(seed: int) -> None:
    job = SimulatedJob(START_UP, find_scenario("healthy"), seed, slips=3)
    events = run(job, engine_for(START_UP))
    readings = {event.at: event for event in events if isinstance(event, Reading)}
    touches = job.truth.touches
    asked = {step.id: step.point for step in START_UP.steps if not isinstance(step, LookStep)}
    assert {touch.step for touch in touches} == set(asked)
    for before, after in pairwise(touches):
        assert before.end is not None
        assert before.start < before.end <= after.start
    for touch in touches:
        assert touch.point in POINTS
        if touch.settled_at is None:
            continue
        assert touch.start < touch.settled_at
        assert touch.end is None or touch.settled_at <= touch.end
        shown = readings[job.instant(touch.settled_at)]
        assert shown.value is not None
        assert touch.value is not None
        leads = Decimal("0.6") if touch.function is Function.RESISTANCE else 0
        allowed = Decimal("0.003") * shown.value + 2 * shown.resolution + leads
        assert abs(shown.value - Decimal(touch.value)) <= allowed
    settled = {touch.step for touch in touches if touch.settled_at is not None and touch.point == asked[touch.step]}
    assert settled == set(asked)


def test_without_slips_each_step_takes_one_touch() -> None:
    job = SimulatedJob(START_UP, find_scenario("healthy"), 4, slips=0)
    run(job, engine_for(START_UP))
    measured = [step for step in START_UP.steps if not isinstance(step, LookStep)]
    assert [touch.step for touch in job.truth.touches] == [step.id for step in measured]
    assert [touch.point for touch in job.truth.touches] == [step.point for step in measured]


def test_with_slips_points_are_lost_and_neighbours_brushed() -> None:
    job = SimulatedJob(START_UP, find_scenario("healthy"), 4, slips=5)
    run(job, engine_for(START_UP))
    asked = {step.id: step.point for step in START_UP.steps}
    brushes = [touch for touch in job.truth.touches if touch.point != asked[touch.step]]
    assert len(brushes) > 3
    assert all(touch.end is not None and 0.1 <= touch.end - touch.start <= 0.35 for touch in brushes)
    assert len(job.truth.touches) > 1.5 * len(asked)


def test_nobody_moves_before_the_first_cue() -> None:
    job = SimulatedJob(procedure(volts_step()), find_scenario("healthy"), 1)
    events = until(job, 20)
    assert len(events) == 60
    assert not job.truth.touches


def test_the_probes_dwell_until_the_tone_and_then_lift() -> None:
    job = SimulatedJob(procedure(volts_step()), find_scenario("healthy"), 1, slips=0)
    job.hear(cue("probe", "volts"))
    until(job, 9)
    touch = job.truth.touches[-1]
    assert job.truth.touches == [touch]
    assert 1.2 <= touch.start <= 4.6
    told = job.now
    job.hear(cue("pass", "volts"))
    until(job, 12)
    assert touch.end is not None
    assert 0.2 <= touch.end - told <= 0.6
    assert job.truth.touches == [touch]


def test_a_dead_point_is_confirmed_while_it_is_held_and_again_without_a_verdict() -> None:
    job = SimulatedJob(procedure(volts_step()), find_scenario("open-fuse"), 1, slips=0)
    job.hear(cue("probe", "volts"))
    events = until(job, 10)
    presses = [event for event in events if isinstance(event, Input)]
    [touch] = job.truth.touches
    assert {press.answer for press in presses} == {Answer.CONFIRM}
    assert len(presses) >= 2
    assert 1.5 <= float(presses[0].at.seconds) - touch.start <= 3.1


def test_a_live_point_is_never_confirmed_as_dead() -> None:
    job = SimulatedJob(procedure(volts_step()), find_scenario("healthy"), 1, slips=0)
    job.hear(cue("probe", "volts"))
    job.hear(cue("confirm-dead", "volts"))
    assert not [event for event in until(job, 9) if isinstance(event, Input)]


def test_a_look_is_answered_after_a_look() -> None:
    look: dict[str, object] = {"id": "seen", "kind": "look", "point": "Q1", "ask": "Is it in?"}
    job = SimulatedJob(procedure(look), find_scenario("healthy"), 1)
    job.hear(cue("look", "seen"))
    press = next(event for event in until(job, 5) if isinstance(event, Input))
    assert press.answer is Answer.CONFIRM
    assert 1.2 <= float(press.at.seconds) <= 3.6


def test_a_forgotten_dial_is_turned_once_the_check_says_so() -> None:
    job = SimulatedJob(procedure(ohms_step()), find_scenario("healthy"), 1, slips=100)
    job.hear(cue("probe", "ohms"))
    until(job, 5)
    assert {touch.function for touch in job.truth.touches} == {Function.DC_VOLTAGE}
    job.hear(cue("wrong-function", "ohms"))
    until(job, 12)
    assert job.truth.touches[-1].function is Function.RESISTANCE


def test_hold_pressed_unawares_is_let_go_once_the_check_says_so() -> None:
    job = SimulatedJob(procedure(volts_step("X7:1")), find_scenario("healthy"), 1, slips=100)
    job.hear(cue("probe", "volts"))
    until(job, 6)
    assert job.shown is not None
    assert Flag.HOLD in job.shown.flags
    job.hear(cue("hold", "volts"))
    until(job, 9)
    assert Flag.HOLD not in job.shown.flags


def test_an_announcement_between_two_updates_is_heard_when_it_was_made() -> None:
    early, late = (SimulatedJob(procedure(volts_step()), find_scenario("healthy"), 1, slips=0) for _ in range(2))
    early.hear(cue("probe", "volts"), at=0.1)
    late.hear(cue("probe", "volts"), at=0.3)
    until(early, 9)
    until(late, 9)
    assert late.truth.touches[0].start - early.truth.touches[0].start == pytest.approx(0.2)


def test_a_procedure_for_another_lift_is_refused() -> None:
    with pytest.raises(UsageError, match="step volts: the simulated lift has no point Z9:1"):
        SimulatedJob(procedure(volts_step("Z9:1")), find_scenario("healthy"))
    amps = volts_step() | {"measure": "dc-current", "limits": "0..1 A"}
    with pytest.raises(UsageError, match="no dc-current"):
        SimulatedJob(procedure(amps), find_scenario("healthy"))


@pytest.mark.parametrize("name", ["nothing", "open:", "open:Z9", "Healthy"])
def test_an_unknown_scenario_is_refused_with_the_known_ones(name: str) -> None:
    with pytest.raises(UsageError, match="expected healthy, open-fuse"):
        find_scenario(name)
