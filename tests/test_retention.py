"""Jobs that are kept no longer leave as archives, whole and proven; a site sees its own."""

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from commands import lines, steadypoint
from crews import Crew, rows
from meterlink.errors import UsageError
from meterlink.office.admission import Head
from meterlink.office.intake import Came, Intake, Outcome
from meterlink.office.reader import read_message
from meterlink.office.register import Register
from meterlink.office.retention import EVERY_SITE, retire
from meterlink.record.as_found import job_as_found, lines_as_found, seals_as_found
from meterlink.record.device_key import device_key
from meterlink.record.schema import GONE
from meterlink.record.store import Store
from meterlink.record.written import written_job
from meterlink.relay.ack import Why
from meterlink.relay.pack import write_pack
from meterlink.relay.topics import FromCrew

DAY_NS = 24 * 3600 * 10**9


def _folder(tmp_path: Path, number: str) -> Path:
    folder = tmp_path / f"crew-{number}"
    folder.mkdir(exist_ok=True)
    return folder


@pytest.fixture
def crews(tmp_path: Path) -> Iterator[list[Crew]]:
    found = [Crew.begin(_folder(tmp_path, number)) for number in ("1", "2")]
    for each in found:
        each.work(20)
        each.finish()
    yield found
    for each in found:
        each.store.close()


@dataclass
class Office:
    """A store with an intake, and no broker before it."""

    store: Store
    intake: Intake

    def take(self, crew: Crew, device: str, data: bytes) -> Outcome:
        return self.intake.take(
            [Came(FromCrew(device, "log", crew.job), data, b"", time.monotonic(), read_message(data))]
        )


def sent(crew: Crew, first: int = 0) -> bytes:
    job = job_as_found(crew.store, crew.job)
    assert job is not None
    found = [line for line in lines_as_found(crew.store, crew.job, job.sha256 or "") if line.seq >= first]
    return write_pack(job, None if first else written_job(job), found, seals_as_found(crew.store, crew.job))


@pytest.fixture
def office(store_url: str, tmp_path: Path) -> Iterator[Office]:
    store = Store.at(store_url)
    for number, site in (("1", "Depot north"), ("2", "Depot south")):
        key = device_key(_folder(tmp_path, number)).public_key.hex()
        Register(store).enrol(f"crew-{number}", site, key, 1)
    yield Office(store, Intake(store, Register(store), 0.0))
    store.close()


def test_a_job_leaves_as_an_archive_and_its_crew_hears_that_all_is_there(
    office: Office, crews: list[Crew], tmp_path: Path
) -> None:
    north, south = crews
    for number, crew in enumerate((north, south), 1):
        outcome = office.take(crew, f"crew-{number}", sent(crew))
        assert [answer.ack.why for answer in outcome.answers] == [Why.TAKEN]
    archives = tmp_path / "archives"
    archives.mkdir()
    now = time.time_ns()
    assert retire(office.store, archives, {EVERY_SITE: 30}, now) == ([], [])
    gone, troubles = retire(office.store, archives, {"Depot north": 30}, now + 31 * DAY_NS)
    assert ([each.job for each in gone], troubles) == ([north.job], [])
    assert rows(office.store, north.job) == []
    assert len(rows(office.store, south.job)) == 25
    steadypoint(tmp_path / "reader", "import", str(archives / f"{north.job}.zip"))
    with Store.open(tmp_path / "reader") as reader:
        assert rows(reader, north.job) == rows(north.store, north.job)
    with office.store.reading() as connection:
        (tombstone,) = connection.execute(GONE.select()).all()
    head = Head(23, str(rows(north.store, north.job)[-2][-1]), 23)
    assert (tombstone.job, tombstone.site, tombstone.seq, tombstone.sha256) == (
        north.job,
        "Depot north",
        head.seq,
        head.sha256,
    )
    (again,) = office.take(north, "crew-1", sent(north, 23)).answers
    assert (again.ack.seq, again.ack.sha256, again.ack.sealed, again.ack.why) == (23, head.sha256, 23, Why.TAKEN)
    north.work(1)
    (more,) = office.take(north, "crew-1", sent(north, 24)).answers
    assert more.ack.why is Why.REFUSED
    assert more.ack.text.startswith("gone")


def test_an_archive_that_is_not_whole_keeps_the_job_here(office: Office, crews: list[Crew], tmp_path: Path) -> None:
    north, _ = crews
    office.take(north, "crew-1", sent(north))
    (tmp_path / f"{north.job}.zip").write_bytes(b"an older file of that name")
    gone, (trouble,) = retire(office.store, tmp_path, {EVERY_SITE: 1}, time.time_ns() + 2 * DAY_NS)
    assert gone == []
    assert f"job {north.job} stays" in trouble
    assert len(rows(office.store, north.job)) == 25


def test_a_site_sees_its_own_jobs(office: Office, crews: list[Crew], tmp_path: Path, store_url: str) -> None:
    north, south = crews
    for number, crew in enumerate((north, south), 1):
        office.take(crew, f"crew-{number}", sent(crew))
    for site, crew in (("Depot north", north), ("Depot south", south)):
        listed = lines(steadypoint(tmp_path, "jobs", "--json", "--store", store_url, "--site", site).stdout)
        assert [each["job"] for each in listed] == [crew.job]


def test_how_long_to_keep_is_read() -> None:
    from meterlink.cli.office import keep_days

    assert keep_days(["365", "Depot north=30"]) == {EVERY_SITE: 365, "Depot north": 30}
    for wrong in ("", "a", "Depot=0", "-1"):
        with pytest.raises(UsageError):
            keep_days([wrong])


def test_what_is_not_kept_needs_a_place_to_go(tmp_path: Path) -> None:
    refused = steadypoint(tmp_path, "office", "--broker", "mqtt://127.0.0.1", "--keep", "30")
    assert (refused.returncode, "--archives" in refused.stderr) == (2, True)
