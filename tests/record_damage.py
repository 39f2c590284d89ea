"""Damages a sealed job at random and holds what `prove` says against what was done.

Any single byte of any stored field is changed; an event is dropped, swapped with another, or doubled; the end of the
log is cut off. Done to the database and to an archive. As a program it runs the full figures:

    python tests/record_damage.py 5000
"""

import io
import random
import shutil
import sqlite3
import sys
import tempfile
import time
import zipfile
from collections import Counter
from contextlib import closing
from pathlib import Path

import click

from commands import steadypoint
from meterlink.record.archive import open_archive
from meterlink.record.as_found import job_as_found, job_ids, lines_as_found, seals_as_found
from meterlink.record.device_key import device_key
from meterlink.record.proof import Proof, prove
from meterlink.record.store import FILE_NAME, Store
from sealed_job import sealed_job

EVENT_FIELDS = ("job", "seq", "kind", "monotonic_ns", "utc_ns", "body", "raw", "sha256")
JOB_FIELDS = (
    *("id", "procedure", "title", "revision", "source", "source_sha256", "meter", "meter_identity", "software"),
    *("started_utc_ns", "utc_offset_s", "lift", "operator", "device", "sealing", "sha256"),
)
SEAL_FIELDS = ("job", "events", "head", "utc_ns", "public_key", "signature")

Expected = set[int | None]
"""The numbers that may be reported: more than one where the damage itself does not say which event it is."""


class Subject:
    """A sealed job in a folder of its own, to be damaged in copies."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.job = sealed_job(folder, "--lift", "L-17", "--operator", "A. B.")
        archive = folder / "job.zip"
        steadypoint(folder, "export", self.job, "--as", "archive", "-o", str(archive))
        with zipfile.ZipFile(archive) as file:
            self.members = {name: file.read(name) for name in file.namelist()}
        key = device_key(folder).public_key.hex()
        self.known = {key: "this-device"}
        with closing(sqlite3.connect(folder / FILE_NAME)) as file:
            (self.events,) = file.execute("SELECT count(*) FROM event").fetchone()
            for (trigger,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                file.execute(f"DROP TRIGGER {trigger}")
            file.commit()
            file.execute("PRAGMA journal_mode = DELETE")

    def proofs(self, folder: Path) -> list[Proof]:
        """What is found in a record, for each job of which anything is there."""
        with Store.open(folder) as store:
            found = []
            for job_id in job_ids(store):
                job = job_as_found(store, job_id)
                if job is not None:
                    lines = lines_as_found(store, job_id, job.sha256 or "")
                    found.append(prove(job, lines, seals_as_found(store, job_id), self.known, recorded_here=True))
            return found


def damage_database(subject: Subject, folder: Path, chance: random.Random) -> tuple[str, Expected, list[Proof]]:
    """Damage a copy in one way; return which, the numbers that must be reported, and what is found."""
    path = folder / FILE_NAME
    shutil.copy(subject.folder / FILE_NAME, path)
    with closing(sqlite3.connect(path)) as file:
        file.execute("PRAGMA foreign_keys = OFF")
        kind = chance.choice(("event field",) * 6 + ("job field", "seal field", "drop", "swap", "double", "cut"))
        expected = _DAMAGE[kind](file, subject, chance)
        file.commit()
    return kind, expected, subject.proofs(folder)


def _event_field(file: sqlite3.Connection, subject: Subject, chance: random.Random) -> Expected:
    number, field = chance.randint(1, subject.events), chance.choice(EVENT_FIELDS)
    where = "WHERE seq = ?"
    (value,) = file.execute(f"SELECT {field} FROM event {where}", (number,)).fetchone()
    if field == "raw" and not value:
        field, value = "kind", file.execute(f"SELECT kind FROM event {where}", (number,)).fetchone()[0]
    if field == "seq":
        # A number that another event has would be a swap; any other tells of the gap that it leaves.
        other = number ^ (1 << chance.randint(6, 30))
        file.execute(f"UPDATE event SET seq = ? {where}", (other, number))
        return {min(number, other)} if other > 0 else {1}
    file.execute(f"UPDATE event SET {field} = ? {where}", (_flipped(value, chance), number))
    return {number}


def _job_field(file: sqlite3.Connection, subject: Subject, chance: random.Random) -> Expected:
    field = chance.choice([name for name in JOB_FIELDS if name != "meter_identity"])  # a trace has none to change
    (value,) = file.execute(f"SELECT {field} FROM job").fetchone()
    file.execute(f"UPDATE job SET {field} = ?", (_flipped(value, chance),))
    return {0}


def _seal_field(file: sqlite3.Connection, subject: Subject, chance: random.Random) -> Expected:
    field = chance.choice(SEAL_FIELDS)
    (value,) = file.execute(f"SELECT {field} FROM seal").fetchone()
    file.execute(f"UPDATE seal SET {field} = ?", (_flipped(value, chance),))
    return {None}  # no event is bad; the seal is


def _drop(file: sqlite3.Connection, subject: Subject, chance: random.Random) -> Expected:
    number = chance.randint(1, subject.events)
    file.execute("DELETE FROM event WHERE seq = ?", (number,))
    if chance.random() < 0.5:  # and close the gap
        for later in range(number + 1, subject.events + 1):
            file.execute("UPDATE event SET seq = ? WHERE seq = ?", (later - 1, later))
    return {number}


def _swap(file: sqlite3.Connection, subject: Subject, chance: random.Random) -> Expected:
    one, other = sorted(chance.sample(range(1, subject.events + 1), 2))
    for before, after in ((one, -1), (other, one), (-1, other)):
        file.execute("UPDATE event SET seq = ? WHERE seq = ?", (after, before))
    return {one}


def _double(file: sqlite3.Connection, subject: Subject, chance: random.Random) -> Expected:
    number = chance.randint(1, subject.events)
    for later in range(subject.events, number, -1):
        file.execute("UPDATE event SET seq = ? WHERE seq = ?", (later + 1, later))
    rest = ", ".join(EVENT_FIELDS[2:])
    file.execute(f"INSERT INTO event SELECT job, ?, {rest} FROM event WHERE seq = ?", (number + 1, number))
    return {number + 1}


def _cut(file: sqlite3.Connection, subject: Subject, chance: random.Random) -> Expected:
    number = chance.randint(1, subject.events)
    file.execute("DELETE FROM event WHERE seq >= ?", (number,))
    return {number}


_DAMAGE = {
    "event field": _event_field,
    "job field": _job_field,
    "seal field": _seal_field,
    "drop": _drop,
    "swap": _swap,
    "double": _double,
    "cut": _cut,
}


def _flipped(value: object, chance: random.Random) -> object:
    """The value with one bit of one of its bytes turned over, kept in its type as far as the bytes allow."""
    if isinstance(value, int):
        return value ^ (1 << chance.randint(0, 60))
    data = bytearray(value if isinstance(value, bytes) else str(value).encode())
    data[chance.randrange(len(data))] ^= 1 << chance.randint(0, 7)
    try:
        return bytes(data) if isinstance(value, bytes) else data.decode()
    except UnicodeDecodeError:
        return bytes(data)


def damage_archive(subject: Subject, folder: Path, chance: random.Random) -> tuple[str, Expected, list[Proof]]:
    """The same in an archive, whose ZIP file is written anew around what was damaged."""
    members = dict(subject.members)
    lines = members["events.jsonl"].splitlines(keepends=True)
    kind = chance.choice(("any byte",) * 6 + ("drop", "swap", "double", "cut", "job byte", "seal byte"))
    one, other = sorted(chance.sample(range(1, subject.events + 1), 2))
    expected: Expected = {one}
    if kind == "any byte":
        data = bytearray(lines[one - 1])
        data[chance.randrange(len(data))] ^= 1 << chance.randint(0, 7)
        lines[one - 1] = bytes(data)
    elif kind == "drop":
        del lines[one - 1]
    elif kind == "swap":
        lines[one - 1], lines[other - 1] = lines[other - 1], lines[one - 1]
    elif kind == "double":
        lines.insert(one, lines[one - 1])
        expected = {one + 1}
    elif kind == "cut":
        del lines[one - 1 :]
    elif kind == "job byte":
        members["job.json"], expected = _byte(members["job.json"].rstrip(b"\n"), chance), {0}
    else:
        members["seals.jsonl"], expected = _byte(members["seals.jsonl"].rstrip(b"\n"), chance), {None}
    members["events.jsonl"] = b"".join(lines)
    path = folder / "damaged.zip"
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as file:
        for name, content in members.items():
            file.writestr(name, content)
    path.write_bytes(buffer.getvalue())
    return f"archive: {kind}", expected, _archive_proofs(path, subject)


def _archive_proofs(path: Path, subject: Subject) -> list[Proof]:
    with open_archive(path) as archive:
        return [prove(archive.job, archive.lines(), archive.seals, subject.known, recorded_here=False)]


def _byte(data: bytes, chance: random.Random) -> bytes:
    changed = bytearray(data)
    changed[chance.randrange(len(changed))] ^= 1 << chance.randint(0, 7)
    return bytes(changed)


def wrong(subject: Subject, folder: Path, seed: int) -> tuple[str, str | None]:
    """Damage in one way; return in which, and what is wrong with the report; None where it is right."""
    chance = random.Random(seed)
    damage = damage_database if seed % 2 else damage_archive
    kind, expected, proofs = damage(subject, folder, chance)
    found = [proof for proof in proofs if not proof.intact]
    if not found:
        return kind, f"seed {seed}: {kind} at {expected} is not reported"
    if not any(proof.first_bad_event in expected for proof in found):
        told = [(proof.first_bad_event, proof.troubles) for proof in found]
        return kind, f"seed {seed}: {kind} at {expected} is reported as {told}"
    return kind, None


def main(count: int) -> int:
    """Run the full figures; return the exit status."""
    began, kinds, problems = time.monotonic(), Counter[str](), []
    with tempfile.TemporaryDirectory() as folder:
        subject, copies = Subject(Path(folder) / "sound"), Path(folder)
        assert [proof.intact for proof in subject.proofs(subject.folder)] == [True]
        for seed in range(count):
            kind, problem = wrong(subject, copies, seed)
            kinds[kind] += 1
            if problem:
                problems.append(problem)
                click.echo(problem)
    click.echo(f"{count} damages in {time.monotonic() - began:.0f} s: {dict(sorted(kinds.items()))}")
    click.echo(f"{len(problems)} not reported, or with a wrong number")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 5000))
