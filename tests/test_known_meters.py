"""What is remembered of each device: kept whole, never half, and refused with a place where it is damaged."""

import json
import os
import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from meterlink.errors import FileError
from meterlink.known_meters import KnownMeter, known_meters, remember, utc_now

PORT = "usb:0403:6001:A5XK3RJT"
METER = KnownMeter("fs9721", "stated", "2026-11-25T22:02:33+00:00", "van 3", {"baud": "4800"})


def content(folder: Path) -> dict[str, dict[str, dict[str, object]]]:
    loaded: dict[str, dict[str, dict[str, object]]] = json.loads((folder / "meters.json").read_text(encoding="utf-8"))
    return loaded


def test_nothing_is_known_before_anything_was_said(tmp_path: Path) -> None:
    assert known_meters(tmp_path) == {}
    assert known_meters(tmp_path / "not there") == {}


def test_what_was_said_is_known_again(tmp_path: Path) -> None:
    remember(tmp_path, PORT, METER)
    remember(tmp_path, "ble:C0:FF:EE:00:00:01", KnownMeter("ble-count6", "identified", utc_now()))
    assert known_meters(tmp_path)[PORT] == METER
    assert known_meters(tmp_path)["ble:C0:FF:EE:00:00:01"].profile == "ble-count6"


def test_the_last_word_counts_but_a_tag_stays_until_another_is_given(tmp_path: Path) -> None:
    remember(tmp_path, PORT, METER)
    remember(tmp_path, PORT, KnownMeter("fs9922", "identified", utc_now()))
    known = known_meters(tmp_path)[PORT]
    assert (known.profile, known.tag, known.line) == ("fs9922", "van 3", {})


def test_what_a_newer_version_added_to_an_entry_is_kept(tmp_path: Path) -> None:
    remember(tmp_path, PORT, METER)
    changed = content(tmp_path)
    changed["meters"][PORT]["calibrated"] = "2026-01-01"
    (tmp_path / "meters.json").write_text(json.dumps(changed))
    remember(tmp_path, PORT, METER)
    assert content(tmp_path)["meters"][PORT]["calibrated"] == "2026-01-01"


DAMAGED = {
    "": "is damaged: Expecting value",
    "{": r"meters\.json:1:2: is damaged",
    "[]": "expected an object with 'version' and 'meters'",
    '{"version": 1, "meters": []}': "expected an object with 'version' and 'meters'",
    '{"version": 2, "meters": {}}': "has version 2; this Steadypoint reads version 1",
    '{"version": 1, "meters": {"a": 1}}': "the entry of 'a' names no profile",
    '{"version": 1, "meters": {"a": {"profile": 3}}}': "the entry of 'a' names no profile",
    '{"version": 1, "meters": {"a": {"profile": "p", "line": {"baud": 1}}}}': "the line of 'a' is no set of options",
    "[" * 200_000: "is damaged",
}


@pytest.mark.parametrize("text", DAMAGED, ids=range(len(DAMAGED)))
def test_a_damaged_file_is_refused_with_what_to_do(text: str, tmp_path: Path) -> None:
    (tmp_path / "meters.json").write_text(text)
    with pytest.raises(FileError, match=DAMAGED[text]) as caught:
        known_meters(tmp_path)
    assert "steadypoint identify METER" in str(caught.value)
    assert (tmp_path / "meters.json").read_text() == text


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    (tmp_path / "meters.json").write_bytes(b"\xff\xfe")
    with pytest.raises(FileError, match="no UTF-8 text"):
        known_meters(tmp_path)


def test_a_damaged_file_is_never_written_over(tmp_path: Path) -> None:
    (tmp_path / "meters.json").write_text("{")
    with pytest.raises(FileError, match="is damaged"):
        remember(tmp_path, PORT, METER)
    assert (tmp_path / "meters.json").read_text() == "{"


def test_a_write_that_breaks_off_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    remember(tmp_path, PORT, METER)
    before = (tmp_path / "meters.json").read_text()

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileError, match=r"meters\.json: cannot be written: No space left on device"):
        remember(tmp_path, "port:/dev/ttyS0", METER)
    assert (tmp_path / "meters.json").read_text() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["meters.json", "meters.json.lock"]


def test_writers_side_by_side_lose_nothing(tmp_path: Path) -> None:
    def write(number: int) -> Callable[[], None]:
        return lambda: remember(tmp_path, f"port:{number}", METER)

    with ThreadPoolExecutor(8) as pool:
        for done in [pool.submit(write(number)) for number in range(40)]:
            done.result()
    assert len(known_meters(tmp_path)) == 40


def test_the_time_is_iso_8601_in_utc() -> None:
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00", utc_now())
