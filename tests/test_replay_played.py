"""`steadypoint replay --speed`: a job played as it went, marked as a replay; nothing is answered and nothing stored."""

import asyncio
import os
from hashlib import sha256
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit_bench import alter
from commands import lines, only, shown, steadypoint
from meterlink.outcome import Json
from meterlink.playback import Playback, Tempo
from meterlink.reading import Instant, Reading
from meterlink.record.store import FILE_NAME, Store
from meterlink.replay import Replay
from page_bench import LARGE, Served, chromium, opened
from page_client import Client
from sealed_job import sealed_job
from terminal_window import Window
from traces import blown_fuse
from waiting import PATIENCE_S

S = 1_000_000_000


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("played")


@pytest.fixture(scope="module")
def job(home: Path) -> str:
    return sealed_job(home, trace=blown_fuse())


@given(
    st.lists(st.integers(0, 10**12), min_size=2, max_size=30).map(sorted),
    st.floats(0.01, 1000),
    st.booleans(),
)
def test_waits_and_what_is_skipped_are_the_job_s_length(times: list[int], speed: float, skip: bool) -> None:
    tempo = Tempo(speed, skip)
    waits = [tempo.wait(Instant(one, 0), Instant(two, 0)) for one, two in pairwise(times)]
    lasted = sum(wait for wait, _ in waits) * speed + sum(skipped for _, skipped in waits)
    assert lasted == pytest.approx((times[-1] - times[0]) / S)
    if skip:
        assert all(wait * speed <= 5.0000001 for wait, _ in waits)
    else:
        assert all(skipped == 0 for _, skipped in waits)


def test_as_fast_as_it_can_waits_for_nothing() -> None:
    assert Tempo(None).wait(Instant(0, 0), Instant(100 * S, 0)) == (0, 0)


class Heard:
    """Notes what it is shown, and when by the clock of the loop."""

    def __init__(self) -> None:
        self.told: list[tuple[float, Json]] = []
        self.shown: list[tuple[float, str]] = []
        self.news: list[str] = []
        self.ticks = 0

    def tell(self, announcement: Json) -> None:
        self.told.append((asyncio.get_running_loop().time(), announcement))

    def live(self, reading: Reading) -> None:
        self.shown.append((asyncio.get_running_loop().time(), reading.display))

    def tick(self) -> None:
        self.ticks += 1

    def warn(self, news: str) -> None:
        self.news.append(news)


@pytest.mark.parametrize(("speed", "skip"), [(1.0, False), (10.0, False), (1.0, True)])
async def test_each_thing_comes_at_its_time(
    home: Path, job: str, monkeypatch: pytest.MonkeyPatch, speed: float, skip: bool
) -> None:
    now = [1000.0]

    async def asleep(seconds: float) -> None:
        now[0] += seconds

    monkeypatch.setattr(asyncio, "sleep", asleep)
    monkeypatch.setattr(asyncio.get_running_loop(), "time", lambda: now[0])
    output = Heard()
    with Store.open(home) as store:
        playback = Playback(Replay(store.job(job)), store.events(job), Tempo(speed, skip))
        await playback.run(output)
    assert playback.differences == []
    stored = [event for event in shown(home, job) if event["event"] not in ("start", "instrument", "reading", "input")]
    assert [each["event"] for _, each in output.told] == [each["event"] for each in stored if each["event"] != "note"]
    readings = only(shown(home, job), "reading")
    assert [display for _, display in output.shown] == [each["display"] for each in readings]
    assert [(at - 1000) * speed for at, _ in output.shown] == pytest.approx(
        [float(str(each["t"])) for each in readings]
    )


def test_it_says_what_was_said_and_compares_in_the_end(home: Path, job: str) -> None:
    before = sha256((home / FILE_NAME).read_bytes()).digest()
    result = steadypoint(home, "replay", job, "--speed", "max")
    said = [str(each["text"]) for each in only(shown(home, job), "cue")]
    compared = steadypoint(home, "replay", job).stdout.splitlines()
    assert result.stdout.splitlines() == [*said, *compared]
    assert result.stderr == (
        f"REPLAY of job {job}, as fast as it can. No answers are taken, and nothing is stored. Ctrl-C ends it.\n"
    )
    assert result.returncode == 0
    as_json = steadypoint(home, "replay", job, "--speed", "max", "--json")
    assert lines(as_json.stdout) == lines(steadypoint(home, "replay", job, "--json").stdout)
    assert sha256((home / FILE_NAME).read_bytes()).digest() == before


def test_a_difference_is_told_at_the_end_as_without_it(tmp_path: Path) -> None:
    job = sealed_job(tmp_path)
    alter(tmp_path, "UPDATE event SET body = replace(body, '\"pass\"', '\"fail\"') WHERE kind = 'verdict'")
    played = steadypoint(tmp_path, "replay", job, "--speed", "max")
    plain = steadypoint(tmp_path, "replay", job)
    assert (played.returncode, plain.returncode) == (1, 1)
    assert played.stdout.endswith(plain.stdout)
    assert "DIFFERENCES" in plain.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--speed", "0"), "expected how many times as fast"),
        (("--speed", "fast"), "expected how many times as fast"),
        (("--speed", "nan"), "expected how many times as fast"),
        (("--skip-pauses",), "give --speed N or --speed max too"),
        (("--port", "0"), "give --speed N or --speed max too"),
        (("--speed", "1", "--with", "start-up"), "leave out --speed or --with"),
    ],
)
def test_what_makes_no_sense_is_refused(home: Path, job: str, arguments: tuple[str, ...], words: str) -> None:
    result = steadypoint(home, "replay", job, *arguments)
    assert result.returncode == 2
    assert words in result.stderr


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
@pytest.mark.parametrize("ending", ["q", "\x03"])
def test_on_the_terminal_it_is_marked_and_takes_no_answers(home: Path, job: str, ending: str) -> None:
    with Window(home, "replay", job, "--speed", "0.2", "--sound", "off") as window:
        window.until_shown(f"REPLAY of job {job}, 0.2 times as fast")
        window.until_shown("Is the breaker pushed in?")
        assert window.rows[-1] == "q stop"
        window.press("y")
        window.press("n")
        window.until(lambda: "0 of 3 steps judged" in window.text)
        window.press(ending)
        assert window.until_ended() == 3
        assert "Ended by hand at" in window.text


def test_the_page_is_marked_and_takes_no_answers(home: Path, job: str) -> None:
    before = sha256((home / FILE_NAME).read_bytes()).digest()
    troubles: list[str] = []
    with chromium() as browser, Served(home, "replay", job, "--speed", "2", "--port", "0") as served:
        page = opened(browser.new_context(viewport=LARGE), served.url, troubles)
        page.locator("#replay", has_text=f"REPLAY of job {job}, 2 times as fast. No answers are taken").wait_for()
        page.wait_for_selector("#verdict .outcome")
        for answers in ("#answers", "#fit", "#stop", "#desk", "#watch"):
            assert page.locator(answers).is_hidden()
        assert page.title().startswith("Replay: ")
        client = Client(served.port)
        state = client.state()
        for path, body in (
            ("/answer", {"answer": "confirm", "asked": state["asked"], "page": "x"}),
            ("/note", {"text": "no"}),
            ("/jumper", {"fitted": True, "where": "X1", "why": ""}),
        ):
            status, words = client.send(path, body)
            assert (status, words) == (409, f"REPLAY of job {job}, 2 times as fast: no answers are taken.")
        assert client.send("/photo", b"JPEG", {"Content-Type": "image/jpeg"})[0] == 409
        page.wait_for_selector("#finished:not([hidden])")
        assert served.process.wait(PATIENCE_S) == 0
    assert not (home / "photos").exists()
    assert sha256((home / FILE_NAME).read_bytes()).digest() == before
    assert [trouble for trouble in troubles if "net::" not in trouble] == []
