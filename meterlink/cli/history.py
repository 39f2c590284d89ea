"""`steadypoint history`: the visits to a lift side by side, and what drifts from one to the next."""

import json

import click

from meterlink.cli.readings import quiet_end
from meterlink.history.lines import history_json
from meterlink.history.look_up import visits_to
from meterlink.history.page import history_page
from meterlink.history.series import history
from meterlink.home import home_folder
from meterlink.record.device_key import known_keys
from meterlink.record.store import Store


@click.command("history", short_help="Show the visits to a lift side by side, and what drifts.")
@click.argument("lift")
@click.option("--sealed-only", is_flag=True, help="Leave out jobs that are not both intact and sealed.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(lift: str, sealed_only: bool, as_json: bool) -> None:
    """Show the jobs of LIFT, as `check --lift TAG` named it, side by side: what each point read, with margin and
    uncertainty, what is lost between neighbouring points, how long a value took to stand.

    From three visits on, each gets a slope with its uncertainty, corrected for how many are looked at, and says when a
    limit would be reached, or how steep a change would have been seen.
    """
    folder = home_folder()
    with Store.open(folder) as store:
        visits = visits_to(store, lift, known_keys(folder), sealed_only=sealed_only)
    found = history(visits[-1].job.lift or lift, visits)
    with quiet_end():
        click.echo(json.dumps(history_json(found), ensure_ascii=False) if as_json else "\n".join(history_page(found)))
