"""What the auditor's page is told: jobs, windows, marks, details, proof, what-if; and that nothing is ever changed."""

import threading
from collections.abc import Collection, Iterator
from hashlib import sha256
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest

from audit_bench import alter, answered, faulty_job
from commands import jobs, only, shown, steadypoint
from known_meter import known_meter
from long_job import readings
from meterlink.errors import RecordError
from meterlink.outcome import Break
from meterlink.prepared import Prepared
from meterlink.procedure.parse import parse_procedure
from meterlink.record.device_key import device_key
from meterlink.record.entry import Event, Kind
from meterlink.record.store import FILE_NAME, Job, Store
from meterlink.session import Session
from meterlink.web.audit.marks import Marks, Wanted
from meterlink.web.audit.open_jobs import ClosedError, OpenJobs
from meterlink.web.audit.pages import AuditPages
from meterlink.web.audit.records import OwnRecords, Records
from page_bench import Served
from procedure_samples import TWO_POINTS
from sealed_job import sealed_job
from waiting import PATIENCE_S

pytestmark = pytest.mark.timeout(300)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("audited")
    sealed_job(home, "--lift", "L-4", "--operator", "crew 1")
    faulty_job(home)
    return home


@pytest.fixture(scope="module")
def served(home: Path) -> Iterator[Served]:
    with Served(home, "serve", "--port", "0") as served:
        yield served


@pytest.fixture(scope="module")
def job(home: Path) -> str:
    return str(jobs(home)[0]["job"])


def asked(served: Served, path: str) -> Any:
    status, answer, _ = answered(served.port, path)
    assert status == 200, answer
    return answer


def test_the_list_is_searched_and_says_what_each_job_came_to(served: Served, job: str) -> None:
    page = asked(served, "jobs")
    assert page["found"] == 2
    newest, older = page["jobs"]
    assert newest["job"] == job
    assert [newest[count] for count in ("passed", "failed", "unclear")] == [11, 1, 0]
    assert newest["lost_between"] == ["B1:11", "B1:12"]
    assert newest["sealed_to"] > 0
    assert older["operator"] == "crew 1"
    for words, found in (("crew", [older]), ("l-17 START-UP", [newest]), ("l-17 crew", []), ("", [newest, older])):
        assert asked(served, f"jobs?find={quote(words)}")["jobs"] == found
    assert asked(served, "jobs?begin=1")["jobs"] == [older]


def test_the_proof_is_that_of_verify(served: Served, home: Path, job: str) -> None:
    proof = asked(served, f"jobs/{job}/proof")
    verified = steadypoint(home, "verify", job).stdout
    assert (proof["intact"], proof["sealed"], proof["first_bad_event"]) == (True, True, None)
    assert all(fact in verified for fact in proof["facts"])
    assert len(proof["facts"]) == len(verified.splitlines()) - 2


def test_a_window_has_the_readings_and_what_stands_beside_them(served: Served, home: Path, job: str) -> None:
    events = shown(home, job)
    size = asked(served, f"jobs/{job}/size")
    assert size["readings"] == len(only(events, "reading"))
    assert size["fails"] == 1
    window = asked(served, f"jobs/{job}/window?from=0&to={size['seconds']}&columns=2000")
    (volts,) = window["traces"]
    stored = [each for each in only(events, "reading") if each["display"] not in ("OL", "")]
    assert [y for y in volts["y"] if y is not None] == [
        pytest.approx(float(str(each["display"])) * 10 ** int(str(each["scale"]))) for each in stored
    ]
    assert len(volts["over"]) == sum(each["display"] == "OL" for each in only(events, "reading")) > 0
    kinds = [mark["kind"] for mark in window["marks"]]
    for kind in ("touch", "verdict", "cue", "finding", "end", "note", "input", "start", "instrument"):
        assert kinds.count(kind) == len(only(events, kind)), kind
    assert window["left_out"] == 0


def test_a_touch_carries_what_it_was_judged_by_whichever_the_record_has_first(served: Served, job: str) -> None:
    marks = asked(served, f"jobs/{job}/window?from=0&to=100&columns=500")["marks"]
    judged = [mark for mark in marks if mark["kind"] == "touch" and mark["outcome"] in ("pass", "fail")]
    assert [mark["outcome"] for mark in judged] == ["pass"] * 6 + ["fail"]
    limits = [(mark["low"], mark["high"]) for mark in judged]
    assert (limits[0], limits[-1]) == ((24, 29), (23.5, 29))
    assert {mark["trace"] for mark in judged} == {0}
    searches = [mark["text"] for mark in marks if mark["kind"] == "touch" and "search" in mark["text"]]
    assert searches == ["B1:12, asked by the search: 0.0000 V, out of limits"] * 2


def test_one_goes_from_fail_to_fail_and_from_touch_to_touch(served: Served, job: str) -> None:
    fail = asked(served, f"jobs/{job}/beside?what=fail&at=-1")["mark"]
    assert (fail["kind"], fail["outcome"], fail["text"]) == ("verdict", "fail", "B1:12: 0.0000 V")
    assert fail["around"][0] < fail["from"]
    assert asked(served, f"jobs/{job}/beside?what=fail&number={fail['number']}")["mark"] is None
    number, seen = 0, []
    while mark := asked(served, f"jobs/{job}/beside?what=touch&at=-1&number={number}")["mark"]:
        number = mark["number"]
        seen.append(number)
    back = [number]
    while mark := asked(served, f"jobs/{job}/beside?what=touch&way=back&number={back[-1]}")["mark"]:
        back.append(mark["number"])
    assert seen == back[::-1]
    assert len(seen) == asked(served, f"jobs/{job}/size")["touches"] == 14


def test_the_details_of_a_fail_go_down_to_its_bytes(served: Served, home: Path, job: str) -> None:
    fail = asked(served, f"jobs/{job}/beside?what=fail&at=-1")["mark"]
    found = asked(served, f"jobs/{job}/events/{fail['number']}")
    rows = dict(found["rows"])
    assert rows["Test point"] == "B1:12"
    assert rows["Limits"] == "23.5..29.0 V"
    assert rows["Where the limits come from"].startswith("Low: full battery at rest")
    assert rows["Uncertainty"] == "±590 uV (k = 2)"
    assert rows["Rule"] == "guarded"
    assert rows["Reason"].startswith("Outside 23.5..29.0 V")
    assert rows["Confirmed"] == "by the technician"
    assert [line[0] for line in found["budget"]] == ["accuracy", "resolution", "scatter"]
    stored = {f"{each['t']:.3f} s": each["raw"] for each in only(shown(home, job), "reading")}
    assert len(found["frames"]) > 3
    for time, _, raw in found["frames"]:
        assert raw.replace(" ", "") == stored[time]


def test_what_if_says_what_would_differ_and_nothing_is_stored(served: Served, home: Path, job: str) -> None:
    before = sha256((home / FILE_NAME).read_bytes()).digest()
    offered = asked(served, "procedures")["procedures"]
    assert "start-up" in offered
    same = asked(served, f"jobs/{job}/what-if?procedure=start-up")
    assert (same["verdicts"], same["differences"]) == (12, [])
    source = stored_procedure(home, job)
    (home / "procedures").mkdir(exist_ok=True)
    revised = source.read_text(encoding="utf-8").replace("revision: 3", "revision: 4", 1)
    (home / "procedures" / "revised.yaml").write_text(revised.replace("24.0..29.0 V", "27.5..29.0 V"), encoding="utf-8")
    other = asked(served, f"jobs/{job}/what-if?procedure=own/revised.yaml")
    assert other["revision"] == "4"
    battery = next(each for each in other["differences"] if each["step"] == "battery")
    assert (battery["stored"]["outcome"], battery["what_if"]["outcome"]) == ("pass", "fail")
    status, words, _ = answered(served.port, f"jobs/{job}/what-if?procedure=../../etc/passwd")
    assert (status, words) == (409, "../../etc/passwd: there is no procedure of that name here")
    assert asked(served, f"jobs/{job}/replay")["different"] == 0
    assert sha256((home / FILE_NAME).read_bytes()).digest() == before


def stored_procedure(home: Path, job: str) -> Path:
    """Write the procedure that a job was run by into a file."""
    path = home / "stored.yaml"
    with Store.open(home) as store:
        path.write_text(store.job(job).source, encoding="utf-8")
    return path


def test_what_does_not_exist_is_said(served: Served, job: str) -> None:
    assert answered(served.port, "jobs/20200101-aaaa")[0] == 409
    assert "no job '20200101-aaaa'; nearest:" in answered(served.port, "jobs/20200101-aaaa/size")[1]
    assert answered(served.port, f"jobs/{job}/events/99999")[:2] == (
        409,
        f"job {job} has no event 99999 on its timeline",
    )


@pytest.mark.parametrize("odd", ["nan", "inf", "-1e300", "1e300", "x", "", "²"])
def test_odd_numbers_are_taken_for_something(served: Served, job: str, odd: str) -> None:
    number = quote(odd)
    window = asked(served, f"jobs/{job}/window?from={number}&to={number}&columns={number}")
    assert window["from"] <= window["to"]
    asked(served, f"jobs/{job}/beside?what={number}&way={number}&number={number}&at={number}")
    asked(served, f"jobs?begin={number}")


def test_nothing_can_be_sent_to_it(served: Served, job: str) -> None:
    for path in ("/audit", f"/audit/{job}", f"/audit/api/jobs/{job}", "/audit/api/jobs"):
        for method in ("POST", "PUT", "DELETE", "PATCH"):
            connection = HTTPConnection("127.0.0.1", served.port, timeout=PATIENCE_S)
            connection.request(method, path, body=b"{}")
            assert connection.getresponse().status in (403, 405)
            connection.close()


def test_an_altered_record_is_reported_and_can_be_looked_at_still(tmp_path: Path) -> None:
    job = faulty_job(tmp_path)
    alter(tmp_path, "UPDATE event SET body = replace(body, '26.77', '26.78') WHERE seq = 79")
    alter(tmp_path, "UPDATE event SET body = '{' WHERE seq = 20 AND kind = 'reading'")
    records = OwnRecords(tmp_path)
    proof = records.prove(job)
    assert (proof.intact, proof.first_bad_event) == (False, 20)
    found = OpenJobs(records)
    assert found.head(job)["unreadable"] == 1
    alter(tmp_path, "UPDATE event SET body = '{' WHERE seq = 79")
    with pytest.raises(RecordError, match=f"a line of job {job} cannot be read .*; its proof says which"):
        OpenJobs(records).head(job)
    records.close()


def begun(home: Path) -> tuple[Store, Session]:
    store = Store.open(home)
    prepared = Prepared(parse_procedure(TWO_POINTS, "two-points.yaml"), TWO_POINTS)
    return store, Session.begin(store, prepared, "sim:x", known_meter(), signer=device_key(home))


def test_a_job_under_way_is_read_on_from_where_it_stood(tmp_path: Path) -> None:
    store, session = begun(tmp_path)
    records = OwnRecords(tmp_path)
    jobs_open = OpenJobs(records)
    windows: list[dict[str, Any]] = []
    for number, reading in enumerate(readings(900)):
        session.take(reading)
        if number % 250 == 249:
            windows.append({**jobs_open.window(session.job, 0, 90, 300)})
    session.close(Break.INTERRUPTED)
    last: dict[str, Any] = {**jobs_open.window(session.job, 0, 90, 300)}
    assert last == OpenJobs(records).window(session.job, 0, 90, 300)
    counts = [len(list(window["marks"])) for window in [*windows, last]]
    assert counts == sorted(counts)
    assert counts[0] < counts[-1]
    records.close()
    store.close()


class Elsewhere:
    """A record that lies somewhere else, such as the office's."""

    def __init__(self, own: Records) -> None:
        self._own = own
        self.waiting, self.go_on = threading.Event(), threading.Event()

    def jobs(self) -> list[Job]:
        return self._own.jobs()

    def job(self, job_id: str) -> Job:
        return self._own.job(job_id)

    def last_number(self, job_id: str) -> int:
        return self._own.last_number(job_id)

    def sealed_to(self, job_id: str) -> int:
        return self._own.sealed_to(job_id)

    def events(self, job_id: str, kinds: Collection[Kind] = tuple(Kind), *, after: int = 0) -> Iterator[Event]:
        return self._own.events(job_id, kinds, after=after)

    def displays(self, job_id: str, *, after: int = 0) -> Iterator[tuple[int, int, str]]:
        self.waiting.set()
        assert self.go_on.wait(PATIENCE_S)
        return self._own.displays(job_id, after=after)

    def prove(self, job_id: str) -> Any:
        return self._own.prove(job_id)


def test_closed_pages_break_off_what_they_were_reading(tmp_path: Path) -> None:
    job = sealed_job(tmp_path)
    own = OwnRecords(tmp_path)
    records = Elsewhere(own)
    open_jobs = OpenJobs(records)
    ended: list[BaseException] = []

    def read() -> None:
        try:
            open_jobs.head(job)
        except ClosedError as error:
            ended.append(error)

    reader = threading.Thread(target=read)
    reader.start()
    assert records.waiting.wait(PATIENCE_S)
    open_jobs.close()
    records.go_on.set()
    reader.join(PATIENCE_S)
    assert len(ended) == 1
    own.close()


def test_the_pages_take_any_record_of_that_form(tmp_path: Path) -> None:
    own = OwnRecords(tmp_path)
    pages = AuditPages(Elsewhere(own), dict)
    assert len(pages.routes) == 14
    pages.close()
    own.close()


def test_where_there_is_not_room_for_all_fails_stay_and_the_rest_gives_way_evenly(tmp_path: Path) -> None:
    job = faulty_job(tmp_path)
    with Store.open(tmp_path) as store:
        marks = Marks({})
        marks.take(store.events(job, [kind for kind in Kind if kind is not Kind.READING]))
    few, left = marks.window(0, 10**12, 12)
    assert len(few) == 12
    assert left == len(marks.all) - 12
    assert [mark.outcome for mark in few if mark.fits(Wanted.FAIL)] == ["fail"]
    assert few[0].start_ns < few[-1].start_ns
