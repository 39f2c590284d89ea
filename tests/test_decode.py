"""`steadypoint decode`. Vectors: tests/data/frames.json, each with its source."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from frames import VOLTS_24, Vector, vectors
from meterlink.cli import cli
from meterlink.cli.decode import hex_bytes
from meterlink.errors import FileError, UsageError
from waiting import PATIENCE_S

STEADYPOINT = [sys.executable, "-c", "from meterlink.cli import main; main()"]


def decode(*arguments: str, data: bytes | str = b"") -> Result:
    return CliRunner().invoke(cli, ["decode", *arguments], input=data)


def records(result: Result) -> list[dict[str, object]]:
    assert result.exception is None
    return [json.loads(line) for line in result.stdout.splitlines()]


@pytest.mark.parametrize("vector", vectors("fs9721-lcd14"), ids=lambda vector: vector.shown)
def test_each_frame_prints_as_its_vector_says(vector: Vector) -> None:
    (record,) = records(decode("--format", "fs9721-lcd14", data=vector.data))
    assert record == {**vector.expected, "raw": vector.data.hex(" ").upper()}


@pytest.mark.parametrize("vector", vectors("scpi-line"), ids=lambda vector: vector.shown)
def test_each_line_prints_as_its_vector_says(vector: Vector) -> None:
    (record,) = records(decode("--format", "scpi-line", data=vector.data))
    raw = bytes.fromhex(str(record.pop("raw")))
    assert record == vector.expected
    assert vector.data in (raw, raw + b"\n")  # a line counts from its CR on, without waiting for an LF


def test_a_file_is_read_and_the_rest_is_counted(tmp_path: Path) -> None:
    path = tmp_path / "capture"
    path.write_bytes(b"\x00\x00\x00" + VOLTS_24 * 2)
    result = decode("--format", "fs9721-lcd14", str(path))
    assert [record["display"] for record in records(result)] == ["24.06", "24.06"]
    assert result.stderr == "2 readings, 3 bytes skipped\n"


def test_hex_text_takes_any_white_space() -> None:
    text = VOLTS_24.hex(" ").replace(" ", "\r\n\t", 5).replace("a0 b0", "A0B0")
    assert len(records(decode("--format", "fs9721-lcd14", "--hex", "-", data=text))) == 1


@pytest.mark.parametrize(
    ("text", "before", "place"),
    [
        ("17 25 3B\n4x", "17 25 3b", "t:2:2: 'x' is no hex digit"),
        ("17 2 53", "17", "t:1:4: '2' is half a byte"),
        ("17 25 3", "17 25", "t:1:7: '3' is half a byte"),
        ("17 2\n5", "17", "t:1:4: '2' is half a byte"),
        ("0x17", "", "t:1:2: 'x' is no hex digit"),
        ("17,25", "17", "t:1:3: ',' is no hex digit"),
    ],
)
def test_bad_hex_is_told_with_its_place_after_what_came_before(text: str, before: str, place: str) -> None:
    got: list[bytes] = []
    with pytest.raises(FileError, match=place):
        got.extend(hex_bytes([text.encode()], "t"))
    assert b"".join(got).hex(" ") == text.lower()[: len(before)] == before


@given(st.binary(max_size=40), st.integers(0, 120))
def test_hex_in_any_split_gives_the_bytes(data: bytes, cut: int) -> None:
    text = data.hex(" ").encode()
    assert b"".join(hex_bytes([text[:cut], text[cut:]], "t")) == data


def test_an_option_of_the_format_is_passed_on() -> None:
    warm = bytes.fromhex("13 25 3B 42 57 6F 7D 87 9E A0 B0 C0 D0 E4")
    options = ("--format", "fs9721-lcd14")
    (record,) = records(decode(*options, "-o", "celsius-bit=2", data=warm))
    assert (record["unit"], record["function"], record["flags"]) == ("Cel", "temperature", ["auto-range"])
    assert records(decode(*options, data=warm)) == []


@pytest.mark.parametrize("option", ["celsius-bit", "celsius-bit=", "colour=red", "celsius-bit=9"])
def test_a_wrong_option_is_refused(option: str) -> None:
    result = decode("--format", "fs9721-lcd14", "-o", option)
    assert isinstance(result.exception, UsageError)


def test_flags_come_in_one_order() -> None:
    # REL, HOLD, AUTO and the battery lit at once, on 24.06 V DC.
    frame = bytes.fromhex("17 25 3B 42 57 6F 7D 87 9E A0 B0 C3 D5 E0")
    (record,) = records(decode("--format", "fs9721-lcd14", data=frame))
    assert record["flags"] == ["hold", "relative", "auto-range", "low-battery"]


def run(*arguments: str, data: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    return subprocess.run([*STEADYPOINT, *arguments], input=data, capture_output=True, timeout=PATIENCE_S, check=False)


def test_errors_end_with_status_2_and_one_line() -> None:
    bad_hex = run("decode", "--format", "fs9721-lcd14", "--hex", data=VOLTS_24.hex(" ").encode() + b"\nzz")
    assert bad_hex.returncode == 2
    assert bad_hex.stderr == b"steadypoint: standard input:2:1: 'z' is no hex digit\n"
    assert bad_hex.stdout.count(b"\n") == 1
    unknown = run("decode", "--format", "nothing")
    assert (unknown.returncode, unknown.stdout) == (2, b"")
    assert unknown.stderr.startswith(b"steadypoint: unknown format 'nothing'; known: ")


def test_it_prints_as_bytes_come_and_ends_quietly_when_nobody_reads_on() -> None:
    with subprocess.Popen(
        [*STEADYPOINT, "decode", "--format", "fs9721-lcd14"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdin.write(VOLTS_24)
        process.stdin.flush()
        assert json.loads(process.stdout.readline())["display"] == "24.06"  # although the input is still open
        process.stdout.close()
        process.stdin.write(VOLTS_24)
        process.stdin.close()
        assert process.wait(PATIENCE_S) == 0
        assert process.stderr.read() == b""
