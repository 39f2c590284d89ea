"""`steadypoint verify`: what a job's chain and seal prove, and what they do not."""

import json
import sys

import click

from meterlink.cli._source import Source, open_sources
from meterlink.home import home_folder
from meterlink.procedure.on_file import on_file
from meterlink.record.device_key import known_keys
from meterlink.record.proof import Proof, check_photos, prove
from meterlink.record.seal import fingerprint
from meterlink.record.words import columns


@click.command("verify", short_help="Say what proves a job unaltered, and what does not.")
@click.argument("job", metavar="JOB|FILE")
@click.option("--key", metavar="FINGERPRINT", help="Demand a seal by this key, such as 4f3a-91c2-77b0-e6d1.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a job.")
def command(job: str, key: str | None, as_json: bool) -> None:
    """Verify JOB, an id that `steadypoint jobs` lists, or FILE: an archive, or a database with all its jobs.

    Exit status: 0 intact, 1 not: altered, truncated, signed by a key that has no business there, or never chained.
    """
    folder = home_folder()
    intact = True
    with open_sources(job, folder) as sources:
        for source in sources:
            proof = _prove(source, known_keys(folder))
            if key is not None and (proof.key is None or fingerprint(proof.key) != key):
                proof.bad(None, f"It is not sealed by the key {key} that was asked for.")
            intact = intact and proof.intact
            click.echo(json.dumps(proof.as_json()) if as_json else "\n".join(_page(proof)))
    sys.exit(0 if intact else 1)


def _prove(source: Source, known: dict[str, str]) -> Proof:
    proof = prove(source.job, source.lines(), source.seals, known, recorded_here=source.recorded_here)
    check_photos(proof, source.has_photo)
    if proof.intact:
        proof.facts.append(on_file(source.job.procedure, source.job.revision, source.job.source))
    return proof


def _page(proof: Proof) -> list[str]:
    sealed = "sealed" if proof.sealed else "not sealed"
    head = [("Job", proof.job), ("Record", f"{'INTACT' if proof.intact else 'NOT INTACT'}, {sealed}")]
    return [*columns(head), *(f"  {reason}" for reason in (*proof.troubles, *proof.facts))]
