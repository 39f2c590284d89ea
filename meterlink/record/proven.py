"""What proves a job, with its photos and its procedure: the whole answer of `verify`, wherever the job lies."""

from collections.abc import Callable, Iterable, Mapping, Sequence

from meterlink.procedure.on_file import on_file
from meterlink.record.chain import Line
from meterlink.record.proof import Proof, check_photos, prove
from meterlink.record.seal import Seal
from meterlink.record.store import Job


def proven(
    job: Job,
    lines: Iterable[Line | None],
    seals: Sequence[Seal],
    known: Mapping[str, str],
    has_photo: Callable[[str], bool],
    *,
    recorded_here: bool,
) -> Proof:
    """Work out what chain, seals and photos of a job prove; see `prove`.

    Args:
        job: its own line.
        lines: its log, as found.
        seals: those there are.
        known: names of the keys that are known, by public key in hex.
        has_photo: tells whether the bytes of a hash are there.
        recorded_here: whether it lies in this machine's own record.
    """
    proof = prove(job, lines, seals, known, recorded_here=recorded_here)
    check_photos(proof, has_photo)
    if proof.intact:
        proof.facts.append(on_file(job.procedure, job.revision, job.source))
    return proof
