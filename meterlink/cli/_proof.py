"""What proves a job, wherever it lies."""

from pathlib import Path

from meterlink.cli._source import Source
from meterlink.office.register import registered_keys
from meterlink.procedure.on_file import on_file
from meterlink.record.device_key import known_keys
from meterlink.record.proof import Proof, check_photos, prove


def proof_of(source: Source, folder: Path) -> Proof:
    """Work out what a job's chain, seals and photos prove.

    Args:
        source: the job.
        folder: the home folder, with the keys that are known here; an office's store has others.
    """
    known = {**(registered_keys(source.store) if source.store is not None else {}), **known_keys(folder)}
    proof = prove(source.job, source.lines(), source.seals, known, recorded_here=source.recorded_here)
    check_photos(proof, source.has_photo)
    if proof.intact:
        proof.facts.append(on_file(source.job.procedure, source.job.revision, source.job.source))
    return proof
