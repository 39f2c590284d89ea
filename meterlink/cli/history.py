"""`steadypoint history`: the visits to a lift side by side, and what drifts from one to the next."""

import json

import click

from meterlink.cli._store import open_store, store_option
from meterlink.cli.readings import quiet_end
from meterlink.history.lines import history_json
from meterlink.history.look_up import visits_to
from meterlink.history.page import history_page
from meterlink.history.series import history
from meterlink.home import home_folder
from meterlink.office.register import known_to


@click.command("history", short_help="Show the visits to a lift side by side, and what drifts.")
@click.argument("lift")
@click.option("--sealed-only", is_flag=True, help="Leave out jobs that are not both intact and sealed.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@store_option
def command(lift: str, sealed_only: bool, as_json: bool, store_url: str | None) -> None:
    """Show the jobs of LIFT, as `check --lift TAG` named it, side by side: what each point read, with margin and
    uncertainty, what is lost between neighbouring points, how long a value took to stand.

    From three visits on, each gets a slope with its uncertainty, corrected for how many are looked at, and says when a
    limit would be reached, or how steep a change would have been seen.
    """
    with open_store(store_url) as store:
        known = known_to(store, home_folder())
        visits = visits_to(store, lift, known, recorded_here=store_url is None, sealed_only=sealed_only)
    found = history(visits[-1].job.lift or lift, visits)
    with quiet_end():
        click.echo(json.dumps(history_json(found), ensure_ascii=False) if as_json else "\n".join(history_page(found)))
