"""The pages' server: who is let in, what a page that was away is told, and that no watcher holds up the check."""

import asyncio
import json
import re
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from statistics import median

import pytest

from commands import jobs, only, shown, steadypoint
from meterlink.errors import UsageError
from meterlink.outcome import Answer
from meterlink.web.board import Board
from meterlink.web.guard import TOKEN_HEADER, Guard
from meterlink.web.hub import MOST_WATCHERS, Hub
from meterlink.web.offer import chosen_meter, chosen_procedure
from meterlink.web.server import serving, take_place
from meterlink.web.stage import NotTakenError, Stage
from meterlink.web.technician import STATIC, TechnicianPage
from page_bench import CAUTIONS, TITLE, Meter, Served, write_procedure
from page_client import Client
from waiting import PATIENCE_S

GUARD = Guard("secret", 8024, names=("Toolbag",))
OURS = {"host": "127.0.0.1:8024", "origin": "http://127.0.0.1:8024", TOKEN_HEADER: "secret"}


@pytest.mark.parametrize("host", ["127.0.0.1:8024", "localhost:8024", "[::1]:8024", "toolbag:8024", "LOCALHOST:8024"])
def test_our_own_names_are_served(host: str) -> None:
    assert GUARD.wrong_host(host) is None


@pytest.mark.parametrize(
    "host",
    ["", "evil.example:8024", "127.0.0.1", "127.0.0.1:80", "127.0.0.1:8024.evil.example", "10.0.0.7:8024",
     "me@127.0.0.1:8024", "127.0.0.1:8024/x", "[::1", "127.0.0.1:99999", "localhost.evil.example:8024"],
)  # fmt: skip
def test_other_names_are_not_served_whatever_they_resolve_to(host: str) -> None:
    assert GUARD.wrong_host(host) is not None


def test_on_a_network_bare_addresses_are_served_and_foreign_names_are_not() -> None:
    guard = Guard("secret", 8024, any_address=True)
    assert guard.wrong_host("192.168.7.4:8024") is None
    assert guard.wrong_host("[fd00::7]:8024") is None
    assert guard.wrong_host("evil.example:8024") is not None


@pytest.mark.parametrize(
    ("changed", "refused"),
    [
        ({}, False),
        ({"sec-fetch-site": "same-origin"}, False),
        ({"sec-fetch-site": "cross-site"}, True),
        ({"sec-fetch-site": "same-site"}, True),
        ({"origin": "http://evil.example"}, True),
        ({"origin": "null"}, True),
        ({"origin": "https://127.0.0.1:8024"}, True),
        ({TOKEN_HEADER: "guess"}, True),
        ({TOKEN_HEADER: ""}, True),
    ],
)
def test_only_our_own_page_may_change_anything(changed: dict[str, str], refused: bool) -> None:
    assert (GUARD.forged(OURS | changed) is not None) is refused


def test_another_address_than_this_machine_s_own_must_be_accepted_first() -> None:
    with pytest.raises(UsageError, match="--insecure-lan"):
        take_place("0.0.0.0", 0, open_to_all=False)  # noqa: S104
    with take_place("0.0.0.0", 0, open_to_all=True).socket as taken:  # noqa: S104
        assert taken.getsockname()[1] > 0


def test_a_taken_port_is_told_before_anything_begins(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        sim = ("start-up", "--meter", "sim:healthy", "--accept-cautions", "--page", port)
        result = steadypoint(tmp_path, "check", *sim)
    assert result.returncode == 2
    assert f"port {port}: Address already in use" in result.stderr
    assert jobs(tmp_path) == []


def test_a_page_that_was_away_is_told_what_it_missed_and_nothing_twice() -> None:
    board = Board("run1")
    for number in range(3):
        board.put({"number": number})
    assert board.number(None) == 3
    assert [number for number, _ in board.since(board.number("run1-2"))] == [3]
    assert list(board.since(board.number("run1-3"))) == []
    assert [number for number, _ in board.since(board.number("earlier-9"))] == [1, 2, 3]
    assert [number for number, _ in board.since(board.number("run1-99999"))] == []
    assert [number for number, _ in board.since(board.number("run1-x"))] == [1, 2, 3]


async def test_announcements_come_one_by_one_and_live_values_only_as_they_are_now() -> None:
    hub = Hub()
    hub.show({"phase": "running"})
    stream = hub.watch(None)
    assert (await anext(stream)).event == "state"
    for number in range(50):
        hub.tell({"number": number})
        hub.show_live({"display": str(number)})
    hub.close()
    rest = [message async for message in stream]
    assert [json.loads(each.data)["number"] for each in rest if each.event == "told"] == list(range(50))
    assert [json.loads(each.data)["display"] for each in rest if each.event == "live"] == ["49"]
    assert hub.watchers == 0


async def test_what_is_kept_for_slow_pages_is_bounded() -> None:
    hub = Hub()
    stream = hub.watch(None)
    await anext(stream)
    for number in range(5000):
        hub.tell({"number": number})
    hub.close()
    told = [json.loads(each.data)["number"] async for each in stream if each.event == "told"]
    assert told == list(range(4600, 5000))


async def test_a_reader_that_reads_nothing_holds_up_neither_the_check_nor_another_page(tmp_path: Path) -> None:
    stage = Stage()
    place = take_place("127.0.0.1", 0, open_to_all=False)
    async with serving(place, stage, TechnicianPage(stage, tmp_path).routes):
        asks = f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{place.port}\r\n\r\n".encode()
        _, stuck = await asyncio.open_connection("127.0.0.1", place.port, limit=1024)
        stuck.write(asks)
        reader, writer = await asyncio.open_connection("127.0.0.1", place.port, limit=2**26)
        writer.write(asks)
        await reader.readuntil(b"event: state")
        async with asyncio.timeout(PATIENCE_S):
            while stage.hub.watchers < 2:  # noqa: ASYNC110 - a count that nothing announces
                await asyncio.sleep(0.01)
        took = []
        for number in range(200):
            began = time.perf_counter()
            stage.hub.show({"much": "x" * 200_000, "number": number})
            stage.hub.tell({"number": number})
            took.append(time.perf_counter() - began)
            await asyncio.sleep(0.01)
        seen = await asyncio.wait_for(reader.readuntil(b'"number":199}'), PATIENCE_S)
        assert seen
        assert median(took) < 0.05  # one that is held up is so each time, once what lies between is full
        stuck.transport.abort()
        writer.close()


async def test_one_answer_counts_and_it_must_be_for_what_is_asked() -> None:
    stage = Stage()
    with pytest.raises(NotTakenError, match="No check is running"):
        stage.answer(Answer.CONFIRM, 1, "page")
    with pytest.raises(NotTakenError, match="No check is running"):
        await stage.remark("a word", None)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Served, Meter]]:
    home = tmp_path_factory.mktemp("home")
    write_procedure(home)
    with Meter() as meter, Served(home, "serve", "--port", "0") as served:
        yield home, served, meter


@pytest.fixture
def client(served: tuple[Path, Served, Meter]) -> Client:
    client = Client(served[1].port)
    client.state()
    return client


def test_every_answer_forbids_what_the_page_does_not_need(client: Client) -> None:
    for path in ("/", "/static/technician.js", "/picture.svg", "/audit", "/audit/api/jobs", "/nowhere"):
        _, _, headers = client.get(path)
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert "Access-Control-Allow-Origin" not in headers


def test_nothing_on_the_page_comes_from_elsewhere(client: Client) -> None:
    for path in sorted(each for each in STATIC.rglob("*") if each.is_file()):
        status, text, _ = client.get(f"/static/{path.relative_to(STATIC).as_posix()}")
        assert status == 200
        assert re.findall(r"https?://(?!www\.w3\.org/2000/svg)|@import|url\(", text) == []


def test_where_nobody_logs_in_nobody_is_named(client: Client) -> None:
    assert client.get("/session")[:2] == (204, "")
    assert client.get("/login")[0] == 404


def test_a_name_that_was_rebound_is_turned_away(client: Client) -> None:
    for path in ("/", "/events", "/offer"):
        assert client.get(path, {"Host": f"evil.example:{client.port}"})[0] == 421


def test_another_site_may_lead_here_but_use_nothing_of_it(client: Client) -> None:
    assert client.get("/", {"Sec-Fetch-Site": "cross-site"})[0] == 200
    for path in ("/events", "/offer", "/meters", "/picture.svg", "/static/technician.js"):
        assert client.get(path, {"Sec-Fetch-Site": "cross-site"})[0] == 403


@pytest.mark.parametrize("path", ["/answer", "/start", "/again", "/stop", "/note", "/photo", "/jumper"])
def test_a_forged_request_changes_nothing(client: Client, path: str, served: tuple[Path, Served, Meter]) -> None:
    before = jobs(served[0])
    for headers in ({"Origin": "http://evil.example"}, {"Sec-Fetch-Site": "cross-site"}, {TOKEN_HEADER: "guess"}):
        assert client.send(path, {}, headers)[0] == 403
    assert jobs(served[0]) == before


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        ("/answer", {"answer": "confirm"}, 400),
        ("/answer", {"answer": "burn", "asked": 1, "page": "x"}, 400),
        ("/answer", b"x" * 20_000, 400),
        ("/answer", {"answer": "confirm", "asked": 1, "page": "x"}, 409),
        ("/note", {"text": ""}, 400),
        ("/note", {"text": "a word"}, 409),
        ("/photo", b"\xff\xd8", 415),
        ("/jumper", {"fitted": True, "where": "  "}, 400),
        ("/jumper", {"fitted": True, "where": "X3:5-X3:6", "why": "x" * 201}, 400),
        ("/jumper", {"fitted": False, "where": "X3:5-X3:6"}, 409),
        ("/start", {"procedure": "start-up"}, 400),
        ("/again", {"job": "none", "meter": "trace:-"}, 409),
        ("/nowhere", {}, 404),
    ],
)
def test_what_is_no_answer_is_refused_in_words(client: Client, path: str, body: object, status: int) -> None:
    got, said = client.send(path, body)
    assert got == status
    assert said


def test_the_cautions_that_were_read_are_those_that_count(client: Client, served: tuple[Path, Served, Meter]) -> None:
    order = {"procedure": "own/sample.yaml", "meter": served[2].address, "cautions": ["Something else."]}
    assert client.send("/start", order)[0] == 204
    state = client.until_phase("none")
    assert state["trouble"] == "The cautions have changed since they were read; read them again."
    assert jobs(served[0]) == []


@pytest.mark.parametrize(
    "address", ["trace:/etc/passwd", "tcp:x:1?format=/etc/passwd", "tcp:x:1?format=./a.yaml", "nothing", "magic:1"]
)
def test_a_page_names_no_file_and_no_unknown_way_to_a_meter(address: str) -> None:
    with pytest.raises(UsageError):
        chosen_meter(address, "start-up")


def test_a_page_starts_only_what_is_offered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STEADYPOINT_HOME", str(tmp_path))
    path = write_procedure(tmp_path)
    assert chosen_procedure("own/sample.yaml").procedure.title == TITLE
    assert chosen_procedure("start-up").procedure.procedure == "start-up"
    for name in (str(path), "own/../sample.yaml", "own/other.yaml", ""):
        with pytest.raises(UsageError):
            chosen_procedure(name)


@pytest.mark.parametrize("wrong", [{"lift": " L-17"}, {"operator": "A\u0007"}, {"lift": ""}])
def test_a_tag_that_may_not_stand_in_the_record_is_refused(
    client: Client, served: tuple[Path, Served, Meter], wrong: dict[str, str]
) -> None:
    order = {"procedure": "own/sample.yaml", "meter": served[2].address, "cautions": CAUTIONS}
    status, said = client.send("/start", order | wrong)
    assert status == 409
    assert "expected up to 80 printable characters" in said
    assert jobs(served[0]) == []


def test_a_check_is_started_answered_noted_stopped_and_gone_on_with(
    client: Client, served: tuple[Path, Served, Meter]
) -> None:
    home, _, meter = served
    order = {"procedure": "own/sample.yaml", "meter": meter.address, "cautions": CAUTIONS}
    assert client.send("/start", order)[0] == 204
    asked = client.until_phase("running")["asked"]
    assert client.send("/start", order) == (409, "A check is running already; end that one first.")
    time.sleep(0.2)
    yes = {"answer": "confirm", "asked": asked, "page": "one"}
    assert client.send("/answer", yes)[0] == 204
    assert client.send("/answer", yes | {"page": "other"})[0] == 409
    assert client.send("/note", {"text": "Door <b>three</b> sticks"})[0] == 204
    photo = b"\xff\xd8" + bytes(1000)
    assert client.send("/photo", photo, {"Content-Type": "image/jpeg"})[0] == 204
    assert client.send("/stop", {})[0] == 204
    job = client.until_phase("broken-off")["job"]
    assert job in client.get("/offer")[1]
    assert client.send("/again", {"job": job, "meter": meter.address})[0] == 204
    state = client.until_phase("running")
    assert state["check"]["step"]["point"] == "G1:+"
    assert client.send("/stop", {})[0] == 204
    client.until_phase("broken-off")

    events = shown(home, job)
    remarks = [event for event in events if event["event"] == "note" and event.get("about") == "remark"]
    assert [(each["text"], each["by"]) for each in remarks] == [
        ("Door <b>three</b> sticks", "technician"),
        ("Photo", "technician"),
    ]
    kept = remarks[1]["photo"]
    assert isinstance(kept, dict)
    assert (home / "photos" / str(kept["sha256"])).read_bytes() == photo
    assert [each["outcome"] for each in only(events, "verdict")] == ["pass"]


def test_no_more_pages_than_can_be_served(client: Client) -> None:
    with ExitStack() as pages:
        streams = [pages.enter_context(client.stream()) for _ in range(MOST_WATCHERS)]
        assert {stream.status for stream in streams} == {200}
        assert client.get("/events")[:2] == (503, "Too many pages are open; close one.")
    end = time.monotonic() + PATIENCE_S
    while True:
        with client.stream() as stream:
            if stream.status == 200:
                break
        assert time.monotonic() < end
        time.sleep(0.2)


def test_a_check_at_the_terminal_can_be_seen_on_a_page(tmp_path: Path) -> None:
    with Meter() as meter:
        procedure = str(write_procedure(tmp_path))
        with Served(
            tmp_path, "check", procedure, "--meter", meter.address, "--accept-cautions", "--page", "0"
        ) as check:
            client = Client(check.port)
            state = client.until_phase("running")
            assert state["check"]["step"]["point"] == "Q1"
            assert "starts" not in state
            time.sleep(0.2)
            assert client.send("/answer", {"answer": "confirm", "asked": state["asked"], "page": "one"})[0] == 204
            assert client.send("/start", {})[0] == 404
            client.until(lambda state: state["check"]["step"]["point"] == "G1:+")
