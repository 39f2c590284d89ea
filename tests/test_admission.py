"""What the office takes of a pack, and what it refuses: decided without a database."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from crews import Crew
from meterlink.office.admission import Admitted, Early, Head, Refused, admit
from meterlink.record.as_found import job_as_found, lines_as_found, seals_as_found
from meterlink.record.chain import Line, digest
from meterlink.record.device_key import device_key
from meterlink.record.seal import Seal, seal
from meterlink.record.store import Job
from meterlink.relay.pack import NoPackError, Pack, read_pack, write_pack


class Log:
    """One crew's log, and an office that has some of it."""

    def __init__(self, crew: Crew) -> None:
        job = job_as_found(crew.store, crew.job)
        assert job is not None
        self.crew, self.job = crew, job
        self.lines: list[Line] = list(lines_as_found(crew.store, crew.job, job.sha256 or ""))
        self.seals: list[Seal] = seals_as_found(crew.store, crew.job)
        self.key = crew.key.public_key.hex()

    def head(self, seq: int) -> Head:
        own = self.job.sha256 or ""
        return Head(seq, self.hash_at(seq) or "", 0, "crew-1", own)

    def hash_at(self, seq: int) -> str | None:
        return self.job.sha256 if seq == 0 else self.lines[seq - 1].sha256.decode()

    def pack(self, job: Job | None, lines: Sequence[Line] = (), seals: Sequence[Seal] = ()) -> Pack:
        """A pack as it comes over the wire; the job's own line as it is, since it may be one that cannot be written."""
        found = read_pack(write_pack(self.job, None, lines))
        assert isinstance(found, Pack)
        return replace(found, job=job, seals=seals)

    def admit(self, pack: Pack, head: Head, device: str = "crew-1", key: str | None = None) -> object:
        return admit(pack, job_id=self.job.id, device=device, key=key or self.key, head=head, hash_at=self.hash_at)


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    crew = Crew.begin(tmp_path / "crew")
    crew.work(10)
    crew.finish()
    yield Log(crew)
    crew.store.close()


def altered(line: Line, change: dict[str, bytes]) -> Line:
    return Line(*{**line._asdict(), **change}.values())


def rehashed(line: Line) -> Line:
    return line._replace(sha256=digest(line.text))


def test_a_whole_job_is_taken(log: Log) -> None:
    taken = log.admit(log.pack(log.job, log.lines, log.seals), Head())
    last = len(log.lines)
    assert isinstance(taken, Admitted)
    assert (taken.job, list(taken.seals)) == (log.job, log.seals)
    assert [sha256.encode() for sha256 in taken.lines.sha256] == [line.sha256 for line in log.lines]
    assert taken.head == Head(last, log.hash_at(last) or "", last, "crew-1", log.job.sha256 or "")


def test_what_is_there_already_is_not_taken_twice(log: Log) -> None:
    taken = log.admit(log.pack(log.job, log.lines[:8]), log.head(5))
    assert isinstance(taken, Admitted)
    assert (list(taken.lines.seq), taken.job, taken.head.seq) == ([6, 7, 8], None, 8)
    again = log.admit(log.pack(None, log.lines[:3]), log.head(5))
    assert isinstance(again, Admitted)
    assert (len(again.lines), again.head) == (0, log.head(5))


def test_what_comes_too_early_waits(log: Log) -> None:
    assert log.admit(log.pack(None, log.lines[3:]), log.head(2)) == Early()
    assert log.admit(log.pack(None, log.lines[:3]), Head()) == Early()
    assert log.admit(log.pack(None, (), log.seals), log.head(2)) == Early()


def refused(log: Log, pack: Callable[[], Pack], head: Head, **more: str) -> str:
    """Return why, whether a pack is not sound by itself or does not belong behind what is there."""
    try:
        found = log.admit(pack(), head, **more)
    except NoPackError as error:
        return str(error)
    assert isinstance(found, Refused), found
    return found.why


def test_an_altered_line_is_refused(log: Log) -> None:
    for change in ({"body": b'{"display":"25.00"}'}, {"utc_ns": b"1"}, {"raw": b"x"}, {"kind": b"note"}):
        assert "has not the hash" in refused(log, partial(log.pack, None, [altered(log.lines[2], change)]), log.head(2))


def test_a_line_altered_and_hashed_anew_is_refused_where_the_next_is_there(log: Log) -> None:
    other = rehashed(log.lines[2]._replace(body=b'{"display":"25.00"}'))
    assert "does not follow" in refused(log, partial(log.pack, None, [other, log.lines[3]]), log.head(2))
    assert "not the one that came first" in refused(log, partial(log.pack, None, [other]), log.head(5))


def test_a_line_that_follows_another_log_is_refused(log: Log) -> None:
    other = rehashed(log.lines[2]._replace(prev=b"0" * 64))
    assert "does not follow" in refused(log, partial(log.pack, None, [other]), log.head(2))


def test_lines_out_of_order_are_refused(log: Log) -> None:
    assert "out of order" in refused(log, partial(log.pack, None, [log.lines[2], log.lines[4]]), log.head(2))
    assert "out of order" in refused(log, partial(log.pack, None, [log.lines[3], log.lines[2]]), log.head(2))


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"kind": b"sabotage"}, "kind"),
        ({"body": b"{]}"}, "no JSON object"),
        ({"utc_ns": b"9" * 20}, "a time"),
        ({"body": b'{"a":' * 2000 + b"1" + b"}" * 2000}, "no JSON"),
    ],
)
def test_a_line_that_no_record_can_hold_is_refused_though_its_hash_is_right(
    log: Log, change: dict[str, bytes], why: str
) -> None:
    assert why in refused(log, partial(log.pack, None, [rehashed(altered(log.lines[2], change))]), log.head(2))


def test_another_device_s_job_is_foreign(log: Log) -> None:
    assert refused(log, partial(log.pack, log.job), Head(), key="ab" * 32).startswith(
        "foreign: the job was recorded by another key"
    )
    assert refused(log, partial(log.pack, None, log.lines[5:]), log.head(5), device="crew-2").startswith("foreign")
    assert refused(log, partial(log.pack, replace(log.job, id="20260101-xxxx")), Head()).startswith("foreign")


def test_an_altered_job_line_is_refused(log: Log) -> None:
    changed = replace(log.job, lift="L99")
    assert refused(log, partial(log.pack, changed), Head()).startswith("altered")
    anew = replace(changed, sha256=digest(changed.text).decode())
    assert refused(log, partial(log.pack, anew), log.head(3)).startswith("altered: the job's own line is not the one")
    assert refused(log, partial(log.pack, Job.unreadable(log.job.id)), Head()).startswith("foreign")
    nul = replace(log.job, lift="a\0b")
    assert refused(log, partial(log.pack, replace(nul, sha256=digest(nul.text).decode())), Head()).startswith(
        "malformed"
    )


def test_seals_that_do_not_follow_each_other_are_refused(log: Log) -> None:
    last = len(log.lines)
    first = seal(log.job.id, 2, log.hash_at(2) or "", 1, log.crew.key)
    for seals in ([log.seals[0], first], [first, first]):
        assert refused(log, partial(log.pack, None, (), seals), log.head(last)).startswith("malformed: seals")
    assert isinstance(log.admit(log.pack(None, (), [first, log.seals[0]]), log.head(last)), Admitted)


def test_a_seal_that_covers_no_line_is_no_part_of_a_pack(log: Log) -> None:
    none = seal(log.job.id, 0, log.hash_at(0) or "", 1, log.crew.key)
    with pytest.raises(NoPackError, match="record 2"):
        read_pack(write_pack(log.job, None, log.lines[:1], [none]))


def test_a_forged_seal_is_refused(log: Log, tmp_path: Path) -> None:
    last = len(log.lines)
    (tmp_path / "other").mkdir()
    stranger = seal(log.job.id, last, log.hash_at(last) or "", 1, device_key(tmp_path / "other"))
    early = seal(log.job.id, last, log.hash_at(2) or "", 1, log.crew.key)
    for forged in (stranger, replace(log.seals[0], utc_ns=5), early, seal("other", last, "", 1, log.crew.key)):
        assert refused(log, partial(log.pack, None, (), [forged]), log.head(last)).startswith("forged")
