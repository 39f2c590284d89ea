"""What the office's page reads from the store, on SQLite and on PostgreSQL alike."""

import time

import pytest
from sqlalchemy import insert

from meterlink.errors import RecordError, UsageError
from meterlink.office.register import NO_SITE, Register
from meterlink.outcome import VerdictOutcome
from meterlink.record.codec import to_entry
from meterlink.record.entry import Kind
from meterlink.record.schema import ASIDE, PROGRESS, STATUS
from meterlink.record.store import Store
from meterlink.web.office.history import History, Wanted, as_text
from meterlink.web.office.records import Records
from record_samples import begin, end, probe, reading, verdict

KEY = "ab" * 32


def job_of(store: Store, device: str, *, started_s: int, fails: bool = False, complete: bool = True) -> str:
    outcome = VerdictOutcome.FAIL if fails else VerdictOutcome.PASS
    judged = verdict("battery", "24.1", outcome, 300)
    asked, over = to_entry(probe("battery", 0)), to_entry(end(400, complete=complete))
    entries = [asked, to_entry(reading("24.10", 200)), to_entry(judged), over]
    job = begin(store, entries, started_utc_ns=started_s * 10**9)
    row = {"job": job, "device": device, "seq": len(entries), "sha256": "", "sealed": 0, "received_utc_ns": started_s}
    with store.writing("") as connection:
        connection.execute(insert(PROGRESS), row)
    return job


def found(store: Store, **query: str) -> list[object]:
    jobs = History(store).jobs(Wanted.of(query))["jobs"]
    assert isinstance(jobs, list)
    return [job["job"] for job in jobs]


def test_jobs_are_searched_newest_first(store_url: str) -> None:
    with Store.at(store_url) as store:
        Register(store).enrol("crew-1", "North %", KEY, 0)
        first = job_of(store, "crew-1", started_s=1_795_600_000, fails=True, complete=False)
        second = job_of(store, "crew-2", started_s=1_795_700_000)
        assert found(store) == [second, first]
        assert found(store, site="north") == [first]
        assert found(store, site="%") == [first], "a sign of the query language is a sign like any other"
        assert found(store, site="_") == []
        assert found(store, device="crew-2") == [second]
        assert found(store, text="INVENTED") == [second, first]
        assert found(store, begin="2026-11-26", end="2026-11-26") == [second]
        assert found(store, outcome="failed") == [first]
        assert found(store, outcome="stopped") == [first]
        assert found(store, outcome="complete") == [second]
        assert found(store, outcome="interrupted") == []
        assert found(store, before=f"{1_795_700_000 * 10**9} {second}") == [first]


def test_more_jobs_than_a_page_are_all_found_page_by_page(store_url: str) -> None:
    with Store.at(store_url) as store:
        jobs = [job_of(store, "crew-1", started_s=10**9 + number // 3, fails=number % 40 == 7) for number in range(120)]
        history, pages, before = History(store), [], ""
        while True:
            answer = history.jobs(Wanted.of({"before": before}))
            page = answer["jobs"]
            assert isinstance(page, list)
            pages.append([job["job"] for job in page])
            if answer["before"] is None:
                break
            before = str(answer["before"])
        assert [len(page) for page in pages] == [50, 50, 20]
        assert sorted(job for page in pages for job in page) == sorted(jobs)
        assert sorted(map(str, found(store, outcome="failed"))) == sorted([jobs[7], jobs[47], jobs[87]])


@pytest.mark.parametrize("query", [{"outcome": "good"}, {"begin": "yesterday"}, {"end": "2026-13-01"}])
def test_what_cannot_be_asked_is_refused_in_words(query: dict[str, str]) -> None:
    with pytest.raises(UsageError, match="expected"):
        Wanted.of(query)


def test_only_what_is_new_of_a_job_is_read_and_its_newest_reading(store_url: str) -> None:
    with Store.at(store_url) as store:
        job = job_of(store, "crew-1", started_s=1_795_600_000)
        records = Records(store)
        grown = records.grown({job: 0, "20261125-none": 0})
        assert list(grown) == [job]
        assert [event.kind for event in grown[job].events] == [Kind.CUE, Kind.VERDICT, Kind.END]
        assert grown[job].reading is not None
        assert grown[job].device == "crew-1"
        assert [step.id for step in grown[job].plan.steps] == ["breaker", "battery", "fuse"]
        assert [event.kind for event in records.grown({job: 3})[job].events] == [Kind.END]
        assert records.newest_jobs(0, 10) == [job]
        assert records.newest_jobs(time.time_ns(), 10) == []
        assert records.owner(job) == ("crew-1", NO_SITE)
        with pytest.raises(RecordError, match="no job"):
            records.owner("20261125-none")


def test_statuses_and_refusals_are_read_whatever_stands_in_them(store_url: str) -> None:
    with Store.at(store_url) as store:
        bodies = ['{"online": true, "battery": 34, "meter": "silent"}', '{"online": false, "battery": "full"}']
        with store.writing("") as connection:
            rows = [{"device": f"crew-{n}", "body": body, "received_utc_ns": n} for n, body in enumerate(bodies)]
            connection.execute(insert(STATUS), rows)
            came = {"job": "x", "reason": "malformed", "size": 9, "payload": b"\xff<b>\n\x00"}
            refused = [{"utc_ns": 5, "device": f"crew-{n}", **came} for n in range(2)]
            connection.execute(insert(ASIDE), refused)
        links = Records(store).links()
        assert (links["crew-0"].online, links["crew-0"].battery, links["crew-0"].in_trouble) == (True, 34, True)
        assert (links["crew-1"].online, links["crew-1"].battery, links["crew-1"].meter) == (False, None, "unknown")
        assert list(Records(store).links(["crew-1"])) == ["crew-1"]
        assert Records(store).asides("crew-0", 5) == 1
        assert Records(store).asides("crew-0", 6) == 0
        aside = History(store).aside("crew-1", None)["aside"]
        assert isinstance(aside, list)
        assert [each["payload"] for each in aside] == ["\\xff<b>\n\\x00"]


def test_payloads_become_text_that_says_every_byte() -> None:
    assert as_text("Ω ok\n".encode()) == "Ω ok\n"
    assert as_text(b"\x1b[2J\x80") == "\\x1b[2J\\x80"
    assert as_text("\u202e".encode()) == "\\u202e"
