"""`steadypoint verify`: what a job's chain and seal prove, and what they do not."""

import json
import sys

import click

from meterlink.cli._proof import proof_of
from meterlink.cli._source import open_sources
from meterlink.cli._store import store_option
from meterlink.home import home_folder
from meterlink.record.proof import Proof
from meterlink.record.seal import fingerprint
from meterlink.record.words import columns


@click.command("verify", short_help="Say what proves a job unaltered, and what does not.")
@click.argument("job", metavar="JOB|FILE")
@click.option("--key", metavar="FINGERPRINT", help="Demand a seal by this key, such as 4f3a-91c2-77b0-e6d1.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a job.")
@store_option
def command(job: str, key: str | None, as_json: bool, store_url: str | None) -> None:
    """Verify JOB, an id that `steadypoint jobs` lists, or FILE: an archive, or a database with all its jobs.

    Exit status: 0 intact, 1 not: altered, truncated, signed by a key that has no business there, or never chained.
    """
    folder = home_folder()
    intact = True
    with open_sources(job, folder, store_url) as sources:
        for source in sources:
            proof = proof_of(source, folder)
            if key is not None and (proof.key is None or fingerprint(proof.key) != key):
                proof.bad(None, f"It is not sealed by the key {key} that was asked for.")
            intact = intact and proof.intact
            click.echo(json.dumps(proof.as_json()) if as_json else "\n".join(_page(proof)))
    sys.exit(0 if intact else 1)


def _page(proof: Proof) -> list[str]:
    sealed = "sealed" if proof.sealed else "not sealed"
    head = [("Job", proof.job), ("Record", f"{'INTACT' if proof.intact else 'NOT INTACT'}, {sealed}")]
    return [*columns(head), *(f"  {reason}" for reason in (*proof.troubles, *proof.facts))]
