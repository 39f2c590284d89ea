"""A short form of `python tests/startups.py`: whole start-ups, held against the simulation's own truth."""

import random
from statistics import median

from meterlink.procedure.load import load_procedure
from startups import FAULTS, RATES, RULES, STEADYPOINT, Row, Tally, check, compare, run_job

JOBS = 40


def test_no_start_up_gets_a_wrong_verdict_and_each_comes_to_its_end_without_delay() -> None:
    procedure = load_procedure("start-up").procedure
    tally = Tally()
    for seed in range(5000, 5000 + JOBS):
        chosen = random.Random(seed)
        scenario = chosen.choice(FAULTS) if seed % 2 else "healthy"
        check(run_job(procedure, scenario, seed, chosen.choice(RATES)), procedure, f"seed {seed} {scenario}", tally)
    assert tally.wrong == []
    assert tally.finished == tally.jobs == JOBS
    assert tally.verdicts > 15 * JOBS
    assert median(tally.updates_waited) <= 3  # updates of simulated time


def test_every_rule_is_offered_the_same_touches() -> None:
    procedure = load_procedure("start-up").procedure
    rows = {name: Row() for name in (STEADYPOINT, *RULES)}
    compare(run_job(procedure, "healthy", 1, 4.0, linger_s=1.5), procedure, rows)
    assert len({row.offered for row in rows.values()}) == 1
    live = 14  # reading steps of the procedure, but for the one that must be dead
    assert rows[STEADYPOINT].judged == live
    assert all(live <= row.offered and row.judged <= row.offered for row in rows.values())
    assert all(len(row.updates_waited) > 10 and row.judged > 10 for row in rows.values())
