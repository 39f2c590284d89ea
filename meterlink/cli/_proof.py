"""What proves a job, wherever it lies."""

import hashlib
from pathlib import Path

from meterlink.cli._source import Source
from meterlink.errors import FileError
from meterlink.procedure.load import read_text, shipped
from meterlink.record.device_key import known_keys
from meterlink.record.proof import Proof, check_photos, prove


def proof_of(source: Source, folder: Path) -> Proof:
    """Work out what a job's chain, seals and photos prove.

    Args:
        source: the job.
        folder: the home folder, with the keys that are known here.
    """
    known = known_keys(folder)
    proof = prove(source.job, source.lines(), source.seals, known, recorded_here=source.recorded_here)
    check_photos(proof, source.has_photo)
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
