"""`steadypoint resume`: go on with a job that was broken off, or that a fail or an unclear step stopped."""

import click

from meterlink.cli._conduct import conduct, json_option, meter_option
from meterlink.cli._stated import stated_options
from meterlink.in_hand import Stated, require_calibration
from meterlink.instrument import Instrument
from meterlink.record.seal import Signer
from meterlink.record.store import Store
from meterlink.session import Session


@click.command("resume", short_help="Go on with an interrupted job where it stood.")
@click.argument("job")
@meter_option
@stated_options
@json_option
def command(job: str, meter: str, stated: Stated, as_json: bool) -> None:
    """Go on with JOB where it stood: its verdicts stay, the step that was waited for is asked for again.

    A job that a fail or an unclear step stopped asks for that step again. Exit status as for `check`.
    """

    def begin(store: Store, instrument: Instrument, key: Signer) -> Session:
        session = Session.resume(store, job, instrument, key)
        require_calibration(session.engine.procedure, instrument)
        return session

    conduct(meter, stated, begin, as_json=as_json, job=job)
