"""A job's own line and its seals as archives and packs have them, and back."""

import json
from dataclasses import fields, replace

from meterlink.record.chain import VERSION, canonical, digest, with_hash, without_hash
from meterlink.record.seal import Seal
from meterlink.record.store import Job


class NewerError(Exception):
    """It is sound, and of a newer Steadypoint."""


def written_job(job: Job) -> bytes:
    """Write the job's own line; its hash, which it must have, is the last key."""
    return with_hash(job.text, (job.sha256 or "").encode())


def read_job(written: bytes) -> Job:
    """Read it.

    Raises:
        NewerError: it is of a newer version.
        KeyError, TypeError, ValueError: it is not in that form. One that is, but not written as it must be, was
            altered whatever it means: the job that comes back is `unreadable`.
    """
    text, sha256 = without_hash(written) or (written, b"")
    body = json.loads(text)
    if body["chain"] != VERSION and digest(text) == sha256:
        raise NewerError
    job = Job.from_line(body["job"])
    return replace(job, sha256=sha256.decode()) if job.text == text else Job.unreadable(job.id)


def seal_line(seal: Seal) -> bytes:
    """Write a seal."""
    return canonical({**seal.signed, "signature": seal.signature})


def read_seal(written: bytes) -> Seal:
    """Read a seal; one that is not written as it must be holds for nothing, and covers no line."""
    nothing = Seal("", 0, "", 0, "", "")
    try:
        values = json.loads(written)
        del values["seal"]
        seal = Seal(**{**values, "utc_ns": int(values["utc_ns"])})
        if wrong := [each.name for each in fields(seal) if type(getattr(seal, each.name)) is not each.type]:
            raise TypeError(wrong)
    except (KeyError, TypeError, ValueError, RecursionError):
        return nothing
    return seal if seal.events > 0 and seal_line(seal) == written else nothing
