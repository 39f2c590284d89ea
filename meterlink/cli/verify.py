"""`steadypoint verify`: what a job's chain and seal prove, and what they do not."""

import hashlib
import json
import sys
from pathlib import Path

import click

from meterlink.cli._source import Source, open_sources
from meterlink.cli._store import store_option
from meterlink.errors import FileError
from meterlink.home import home_folder
from meterlink.office.register import registered_keys
from meterlink.procedure.load import read_text, shipped
from meterlink.record.device_key import known_keys
from meterlink.record.proof import Proof, check_photos, prove
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
            proof = _prove(source, _known(source, folder))
            if key is not None and (proof.key is None or fingerprint(proof.key) != key):
                proof.bad(None, f"It is not sealed by the key {key} that was asked for.")
            intact = intact and proof.intact
            click.echo(json.dumps(proof.as_json()) if as_json else "\n".join(_page(proof)))
    sys.exit(0 if intact else 1)


def _known(source: Source, folder: Path) -> dict[str, str]:
    """Return the names of the keys that are known here: to this machine, and to the office whose store it is."""
    return {**(registered_keys(source.store) if source.store is not None else {}), **known_keys(folder)}


def _prove(source: Source, known: dict[str, str]) -> Proof:
    proof = prove(source.job, source.lines(), source.seals, known, recorded_here=source.recorded_here)
    check_photos(proof, lambda sha256: source.photo(sha256) is not None)
    if proof.intact:
        proof.facts.append(_procedure_on_file(source.job.procedure, source.job.revision, source.job.source))
    return proof


def _procedure_on_file(name: str, revision: str, source: str) -> str:
    """Compare the procedure that a job was run by with the one of that name that comes with this Steadypoint."""
    path = shipped().get(name)
    if path is None:
        return f"Procedure {name} revision {revision}: its text is in the record; none of that name is shipped."
    try:
        same = hashlib.sha256(read_text(path).text.encode()).digest() == hashlib.sha256(source.encode()).digest()
    except FileError:
        same = False
    if same:
        return f"Procedure {name} revision {revision} is the one on file."
    return f"Procedure {name} revision {revision} is not the one on file today; the record keeps the text of then."


def _page(proof: Proof) -> list[str]:
    sealed = "sealed" if proof.sealed else "not sealed"
    head = [("Job", proof.job), ("Record", f"{'INTACT' if proof.intact else 'NOT INTACT'}, {sealed}")]
    return [*columns(head), *(f"  {reason}" for reason in (*proof.troubles, *proof.facts))]
