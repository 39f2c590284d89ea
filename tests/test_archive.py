"""`steadypoint export --as archive` and `import`: a job that proves itself elsewhere, and never overwrites."""

import json
import shutil
import sqlite3
import zipfile
from contextlib import closing
from pathlib import Path

import pytest

from commands import Result, jobs, lines, shown, steadypoint
from meterlink.errors import RecordError
from meterlink.note import Note
from meterlink.record.archive import open_archive, write_archive
from meterlink.record.chain import Line, digest
from meterlink.record.codec import to_entry
from meterlink.record.photos import keep_photo, photo_path, photos_in
from meterlink.record.store import FILE_NAME, Store
from record_samples import at, begin
from sealed_job import sealed_job


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path / "home"


@pytest.fixture
def other(tmp_path: Path) -> Path:
    return tmp_path / "other"


def exported(home: Path, job: str, path: Path) -> Path:
    result = steadypoint(home, "export", job, "--as", "archive", "-o", str(path))
    assert (result.returncode, result.stderr) == (0, "")
    return path


def taken_in(home: Path, archive: Path) -> Result:
    return steadypoint(home, "import", str(archive))


def rewritten(archive: Path, target: Path, **members: bytes) -> Path:
    """Copy an archive with other content for some members, named without their suffix."""
    with zipfile.ZipFile(archive) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            new.writestr(name, members.get(Path(name).stem, old.read(name)))
    return target


def test_another_machine_imports_verifies_and_replays_it(home: Path, other: Path, tmp_path: Path) -> None:
    job = sealed_job(home, "--lift", "L-17")
    archive = exported(home, job, tmp_path / "job.zip")
    here = json.loads(steadypoint(home, "verify", job, "--json").stdout)
    there = json.loads(steadypoint(other, "verify", str(archive), "--json").stdout)
    assert [each["intact"] for each in (here, there)] == [True, True]
    assert "(unknown: compare it with its owner's before you rely on it)" in str(there["reasons"])
    told = taken_in(other, archive)
    assert (told.returncode, told.stdout.splitlines()[0]) == (0, f"Imported job {job}, 37 events.")
    assert shown(other, job) == shown(home, job)
    assert jobs(other) == jobs(home)
    verified = steadypoint(other, "verify", job, "--json")
    assert verified.returncode == 0
    assert "(known only from an import: compare it with its owner's)" in verified.stdout
    for name in (job, str(archive)):
        replayed = steadypoint(other, "replay", name, "--json")
        assert (replayed.returncode, lines(replayed.stdout)[0]["differences"]) == (0, [])


def test_what_is_imported_can_be_exported_again_byte_for_byte(home: Path, other: Path, tmp_path: Path) -> None:
    job = sealed_job(home)
    first = exported(home, job, tmp_path / "first.zip")
    taken_in(other, first)
    assert exported(other, job, tmp_path / "second.zip").read_bytes() == first.read_bytes()


def test_an_import_overwrites_nothing(home: Path, other: Path, tmp_path: Path) -> None:
    job = sealed_job(home)
    archive = exported(home, job, tmp_path / "job.zip")
    taken_in(other, archive)
    for place in (home, other):
        before = shown(place, job)
        result = taken_in(place, archive)
        assert (result.returncode, result.stdout) == (2, "")
        assert result.stderr == f"steadypoint: job {job} is in the record already; nothing is overwritten\n"
        assert shown(place, job) == before


def test_an_export_overwrites_nothing(home: Path, tmp_path: Path) -> None:
    job = sealed_job(home)
    path = tmp_path / "mine"
    path.write_text("mine", encoding="utf-8")
    for form in ("archive", "csv", "senml"):
        result = steadypoint(home, "export", job, "--as", form, "-o", str(path))
        assert (result.returncode, path.read_text(encoding="utf-8")) == (2, "mine")


def test_an_altered_archive_is_not_imported_and_leaves_no_trace(home: Path, other: Path, tmp_path: Path) -> None:
    archive = exported(home, sealed_job(home), tmp_path / "job.zip")
    with zipfile.ZipFile(archive) as file:
        events = file.read("events.jsonl")
    changes = {
        "altered": events.replace(b"25.58", b"26.58", 1),
        "cut": b"".join(events.splitlines(keepends=True)[:20]),
        "empty": b"",
        "no lines": b"\n" * 37,
    }
    for name, content in changes.items():
        result = taken_in(other, rewritten(archive, tmp_path / f"{name}.zip", events=content))
        assert result.returncode == 2, name
        assert "is not imported, since it is not intact: " in result.stderr
        assert jobs(other) == []
    assert steadypoint(other, "keys").stdout == ""


def test_an_event_of_a_kind_of_tomorrow_is_not_imported(home: Path, other: Path, tmp_path: Path) -> None:
    home.mkdir()
    with Store.open(home) as store:
        job = store.job(begin(store))
        line = Line(1, b"0", b"0", b"hologram", b"{}", b"", (job.sha256 or "").encode(), b"")
        write_archive(tmp_path / "job.zip", job, [line._replace(sha256=digest(line.text))], [], photos_in(home))
    result = taken_in(other, tmp_path / "job.zip")
    assert (result.returncode, jobs(other)) == (2, [])
    assert "a kind that this Steadypoint does not know (hologram); use a newer one" in result.stderr


def test_photos_go_along_and_their_hashes_are_checked(home: Path, other: Path, tmp_path: Path) -> None:
    home.mkdir()
    photo = keep_photo(home, b"\xff\xd8 a picture of a relay", "relay.jpg", "image/jpeg")
    with Store.open(home) as store:
        job = begin(store, [to_entry(Note("Contact burnt.", "technician", at(5), photo))])
    archive = exported(home, job, tmp_path / "job.zip")
    assert taken_in(other, archive).returncode == 0
    assert photo_path(other, photo.sha256).read_bytes() == b"\xff\xd8 a picture of a relay"
    photo_path(other, photo.sha256).write_bytes(b"\xff\xd8 a picture of another")
    found = json.loads(steadypoint(other, "verify", job, "--json").stdout)
    assert (found["intact"], found["first_bad_event"]) == (False, 1)
    assert found["reasons"][0] == "The photo that event 1 names is missing or was altered."
    swapped = rewritten(archive, tmp_path / "swapped.zip", **{photo.sha256: b"\xff\xd8 a picture of another"})
    shutil.rmtree(other)
    assert "photo that event 1 names" in taken_in(other, swapped).stderr


def test_a_damaged_zip_file_is_no_crash(home: Path, other: Path, tmp_path: Path) -> None:
    archive = exported(home, sealed_job(home), tmp_path / "job.zip")
    data = archive.read_bytes()
    damaged = tmp_path / "damaged.zip"
    for place in range(0, len(data), 97):
        damaged.write_bytes(data[:place] + bytes([data[place] ^ 0x55]) + data[place + 1 :])
        result = steadypoint(other, "verify", str(damaged), "--json")
        assert result.returncode in (0, 1, 2), place
        if result.returncode == 0:  # a byte of the ZIP file's own that says nothing about the job
            assert lines(result.stdout)[0]["key"] is not None
    for length in range(0, len(data), 499):
        damaged.write_bytes(data[:length])
        assert steadypoint(other, "verify", str(damaged)).returncode in (1, 2)


def test_a_damaged_directory_of_a_zip_file_is_no_crash(home: Path, tmp_path: Path) -> None:
    """Every byte of what a ZIP file ends with, where it says what it holds (APPNOTE.TXT 4.3.12 to 4.3.16)."""
    data = exported(home, sealed_job(home), tmp_path / "job.zip").read_bytes()
    damaged, refused = tmp_path / "damaged.zip", 0
    for place in range(data.index(b"PK\x01\x02"), len(data)):
        for change in (0x01, 0x55, 0x80, 0xFF):
            damaged.write_bytes(data[:place] + bytes([data[place] ^ change]) + data[place + 1 :])
            try:
                with open_archive(damaged) as archive:
                    list(archive.lines())
            except RecordError:
                refused += 1
    assert refused > 100  # the rest says nothing about the job, such as a time


def test_an_altered_record_is_not_exported_as_an_archive(home: Path, tmp_path: Path) -> None:
    job = sealed_job(home)
    with closing(sqlite3.connect(home / FILE_NAME)) as file, file:
        file.execute("DROP TRIGGER event_no_update")
        file.execute("UPDATE event SET raw = x'00' WHERE seq = 12")
    path = tmp_path / "job.zip"
    result = steadypoint(home, "export", job, "--as", "archive", "-o", str(path))
    assert (result.returncode, path.exists()) == (2, False)
    assert "event 12 was altered; see: steadypoint verify" in result.stderr
