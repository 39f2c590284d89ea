"""A short form of `python tests/ageing.py`: sound lifts drift no more often than stated, a bad contact is foreseen."""

import pytest

from ageing import CONTACTS, Lift, going_bad, meter, sound, start_up
from meterlink.prepared import Prepared


@pytest.fixture(scope="module")
def prepared() -> Prepared:
    return start_up()


def test_of_sound_lifts_hardly_any_is_said_to_drift(prepared: Prepared) -> None:
    told = [sound(Lift(prepared, f"short {seed}", meter()), visits=6) for seed in range(4)]
    assert [history.looked_at for history in told] == [34] * 4
    # At the stated 5 % each, two false histories of four have a chance of 1.4 %.
    assert sum(any(series.significant for series in history.series) for history in told) <= 1


@pytest.mark.parametrize("contact", CONTACTS[:2])
def test_a_contact_that_goes_bad_is_seen_before_a_step_fails(prepared: Prepared, contact: str) -> None:
    seen = going_bad(Lift(prepared, f"short {contact}", meter()), contact, ohms_a_visit=2.0)
    assert seen.right
    assert seen.seen_at is not None
    assert seen.fails_at is not None
    assert seen.seen_at < seen.fails_at
    assert seen.foretold is not None
    _, early, late = seen.foretold
    # The step stops passing where its margin is less than its uncertainty, a little before the limit itself.
    assert early - 1.5 <= seen.fails_at <= late + 1
