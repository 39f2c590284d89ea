"""A short form of `python tests/record_damage.py`: every damage is reported, with the right event."""

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import asdict
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from meterlink.record.chain import Line, digest
from meterlink.record.device_key import DeviceKey
from meterlink.record.proof import Proof
from meterlink.record.seal import fingerprint, seal
from meterlink.record.store import FILE_NAME, Job
from record_damage import Subject, wrong


@pytest.fixture(scope="module")
def subject(tmp_path_factory: pytest.TempPathFactory) -> Subject:
    return Subject(tmp_path_factory.mktemp("sound"))


@pytest.mark.parametrize("part", range(8))
def test_damage_is_reported_with_the_right_event(subject: Subject, tmp_path: Path, part: int) -> None:
    problems = [wrong(subject, tmp_path, seed)[1] for seed in range(10_000 + 50 * part, 10_050 + 50 * part)]
    assert [problem for problem in problems if problem] == []


def changed(subject: Subject, folder: Path, change: Callable[[sqlite3.Connection], None]) -> Proof:
    """Change a copy of the record and say what is found."""
    shutil.copy(subject.folder / FILE_NAME, folder)
    with closing(sqlite3.connect(folder / FILE_NAME)) as file:
        file.row_factory = sqlite3.Row
        change(file)
        file.commit()
    (proof,) = subject.proofs(folder)
    return proof


def relink(file: sqlite3.Connection) -> str:
    """Work out every hash anew, as somebody would who knows how; return the last."""
    row = dict(file.execute("SELECT * FROM job").fetchone())
    job = Job(**row)
    head = digest(job.text).decode()
    file.execute("UPDATE job SET sha256 = ?", (head,))
    for event in file.execute("SELECT * FROM event ORDER BY seq").fetchall():
        times = (str(event["monotonic_ns"]).encode(), str(event["utc_ns"]).encode())
        text = Line(
            event["seq"], *times, event["kind"].encode(), event["body"].encode(), event["raw"], head.encode(), b""
        )
        head = digest(text.text).decode()
        file.execute("UPDATE event SET sha256 = ? WHERE seq = ?", (head, event["seq"]))
    return head


def better(file: sqlite3.Connection) -> None:
    file.execute("UPDATE event SET body = replace(body, '25.58', '26.58') WHERE kind = 'verdict'")


def test_a_log_linked_anew_does_not_fit_its_seal(subject: Subject, tmp_path: Path) -> None:
    def change(file: sqlite3.Connection) -> None:
        better(file)
        relink(file)

    proof = changed(subject, tmp_path, change)
    assert (proof.intact, proof.sealed, proof.first_bad_event) == (False, False, None)
    assert "is that of another log" in proof.troubles[0]


def test_a_seal_taken_away_is_missed(subject: Subject, tmp_path: Path) -> None:
    def change(file: sqlite3.Connection) -> None:
        file.execute("DELETE FROM seal")

    proof = changed(subject, tmp_path, change)
    assert (proof.intact, proof.sealed, proof.first_bad_event) == (False, False, None)
    assert proof.troubles == ["The job ended with event 37, and the seal that was set then is missing."]


def sealed_anew(file: sqlite3.Connection, *, as_own_device: bool) -> str:
    """Change a verdict, link anew and seal with another key, as somebody would who has the file and no key of ours."""
    better(file)
    thief = DeviceKey(Ed25519PrivateKey.generate())
    if as_own_device:
        file.execute("UPDATE job SET device = ?", (thief.public_key.hex(),))
    head = relink(file)
    job, events, utc_ns = file.execute("SELECT job, events, utc_ns FROM seal").fetchone()
    made = seal(job, events, head, utc_ns, thief)
    file.execute("DELETE FROM seal")
    columns = asdict(made)
    file.execute(f"INSERT INTO seal VALUES ({', '.join('?' * len(columns))})", list(columns.values()))
    return fingerprint(made.public_key)


def test_a_job_sealed_anew_by_another_key_is_reported(subject: Subject, tmp_path: Path) -> None:
    thieves: list[str] = []
    proof = changed(subject, tmp_path, lambda file: thieves.append(sealed_anew(file, as_own_device=False)))
    own = fingerprint(next(iter(subject.known)))
    assert not proof.intact
    assert proof.troubles[0] == (f"Sealed by key {thieves[0]}, but the job was recorded by the device with key {own}.")


def test_and_so_is_one_whose_device_was_changed_with_it(subject: Subject, tmp_path: Path) -> None:
    thieves: list[str] = []
    proof = changed(subject, tmp_path, lambda file: thieves.append(sealed_anew(file, as_own_device=True)))
    assert not proof.intact
    assert proof.troubles == [
        f"Signature over events 1 to 37 by key {thieves[0]}, which is not known in this record: "
        "signed anew by somebody else."
    ]


def test_hashes_taken_away_altogether_do_not_make_it_pass(subject: Subject, tmp_path: Path) -> None:
    def change(file: sqlite3.Connection) -> None:
        file.execute("UPDATE job SET sha256 = NULL")
        file.execute("UPDATE event SET sha256 = NULL")
        file.execute("DELETE FROM seal")

    assert not changed(subject, tmp_path, change).intact
