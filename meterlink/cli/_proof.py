"""What proves a job, wherever it lies."""

from pathlib import Path

from meterlink.cli._source import Source
from meterlink.office.register import known_to
from meterlink.record.device_key import known_keys
from meterlink.record.proof import Proof
from meterlink.record.proven import proven


def proof_of(source: Source, folder: Path) -> Proof:
    """Work out what a job's chain, seals and photos prove.

    Args:
        source: the job.
        folder: the home folder, with the keys that are known here; an office's store has others.
    """
    known = known_keys(folder) if source.store is None else known_to(source.store, folder)
    lines, here = source.lines(), source.recorded_here
    return proven(source.job, lines, source.seals, known, source.has_photo, recorded_here=here)
