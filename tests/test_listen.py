"""`steadypoint listen`, in a process of its own where signals and pipes matter."""

import asyncio
import json
import select
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from frames import VOLTS_24
from meter_server import meter_server
from meterlink.cli import cli
from meterlink.cli.listen import Show, listen
from meterlink.errors import LinkError
from meterlink.silence import Silence
from pty_meter import Pty
from waiting import PATIENCE_S

LISTEN = [sys.executable, "-c", "from meterlink.cli import main; main()", "listen"]
TRACE = (
    '{"t": 1.25, "display": "24.10", "unit": "V", "function": "dc-voltage", "flags": ["low-battery", "hold"]}\n'
    '{"t": 2, "display": "OL", "unit": "Ohm", "function": "resistance", "scale": 6}\n'
    '{"t": 3, "display": "", "unit": "V", "function": "dc-voltage", "scale": -3}\n'
    '{"t": 9.5, "input": "confirm"}\n'
)


@pytest.fixture
def trace(tmp_path: Path) -> str:
    path = tmp_path / "a.jsonl"
    path.write_text(TRACE, encoding="utf-8")
    return f"trace:{path}"


def test_json_lines(trace: str) -> None:
    result = CliRunner().invoke(cli, ["listen", trace, "--json"])
    assert result.exception is None
    base = {"event": "reading", "scale": 0, "overload": False, "flags": []}
    volts = {"unit": "V", "function": "dc-voltage"}
    assert [json.loads(line) for line in result.stdout.splitlines()] == [
        {**base, **volts, "t": 1.25, "display": "24.10", "flags": ["hold", "low-battery"]},
        {**base, "t": 2.0, "display": None, "unit": "Ohm", "function": "resistance", "scale": 6, "overload": True},
        {**base, **volts, "t": 3.0, "display": None, "scale": -3},
        {"event": "input", "t": 9.5, "input": "confirm"},
    ]


def test_plain_lines(trace: str) -> None:
    result = CliRunner().invoke(cli, ["listen", trace])
    assert [line.split() for line in result.stdout.splitlines()] == [
        ["1.250", "s", "24.10", "V", "dc-voltage", "hold", "low-battery"],
        ["2.000", "s", "OL", "MOhm", "resistance"],
        ["3.000", "s", "---", "mV", "dc-voltage"],
        ["9.500", "s", "confirm"],
    ]


def test_count_stops_after_so_many_readings(trace: str) -> None:
    result = CliRunner().invoke(cli, ["listen", trace, "--count", "2"])
    assert len(result.stdout.splitlines()) == 2


@contextmanager
def listening(pty: Pty, name: str = "") -> Iterator[subprocess.Popen[bytes]]:
    """Listen to a port, by its own or another name; its first reading is out when this begins."""
    address = f"serial:{name or pty.name}?format=fs9721-lcd14&patience=1"
    with subprocess.Popen([*LISTEN, address, "--json"], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        try:
            assert first_reading(process, pty)["display"] == "24.06"
            yield process
        finally:
            process.kill()


def first_reading(process: subprocess.Popen[bytes], pty: Pty) -> dict[str, object]:
    """Send frames until the first reading is out: what comes before the port is open is lost."""
    assert process.stdout is not None
    for _ in range(300):
        pty.send(VOLTS_24)
        if select.select([process.stdout], [], [], 0.1)[0]:
            return dict(json.loads(process.stdout.readline()))
    raise AssertionError("no reading in 30 s")


def test_ctrl_c_is_a_clean_end() -> None:
    with Pty() as pty, listening(pty) as process:
        process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=PATIENCE_S)
        assert (process.returncode, errors) == (0, b"")


def test_ctrl_c_ends_a_wait_for_standard_input() -> None:
    with subprocess.Popen(
        [*LISTEN, "trace:-"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdin.write(TRACE.encode())
        process.stdin.flush()
        assert b"24.10 V" in process.stdout.readline()  # at once, although the input is still open
        process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE_S) == 0
        assert process.stderr.read() == b""


def test_a_reader_that_goes_away_is_a_quiet_end() -> None:
    with Pty() as pty, listening(pty) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        pty.send(VOLTS_24)
        assert process.wait(PATIENCE_S) == 0
        assert process.stderr.read() == b""


def test_a_pulled_cable_that_stays_out_ends_with_status_2(tmp_path: Path) -> None:
    lasting = tmp_path / "port"  # the terminal's own name may be given to the next test's
    with Pty() as pty:
        lasting.symlink_to(pty.name)
        with listening(pty, str(lasting)) as process:
            lasting.unlink()
            pty.unplug()
            _, errors = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 2
        assert errors.startswith(f"steadypoint: serial port {lasting}".encode())
        assert b"is lost" in errors


@pytest.mark.parametrize(("data", "hint"), [(b"", "nothing arrives"), (b"\x00", "bytes arrive but none decode")])
async def test_trouble_on_the_line_is_told_while_it_lasts(
    data: bytes, hint: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Silence, "NOTHING_AFTER_S", 0.0 if not data else 60.0)
    monkeypatch.setattr(Silence, "UNDECODED_AFTER_S", 0.0)
    monkeypatch.setattr("meterlink.stretch.POLL_S", 0.01)
    async with meter_server() as meter, asyncio.timeout(PATIENCE_S):
        address = f"tcp:127.0.0.1:{meter.port}?format=fs9721-lcd14&patience=0"
        listening = asyncio.create_task(listen(address, Show(False, False, None), None))
        await meter.connected.wait()
        meter.send(data)
        errors = ""
        while not errors:
            await asyncio.sleep(0.01)  # the watch runs by the real clock
            errors = capsys.readouterr().err
        meter.close()
        with pytest.raises(LinkError, match="the other end closed the connection"):
            await listening
    assert errors.startswith(f"steadypoint: {hint}")


def test_a_meter_that_is_silent_is_told_once() -> None:
    silence = Silence()
    assert [silence.hints(second / 4, 0) for second in range(12)] == [[]] * 12
    (hint,) = silence.hints(3.0, 0)
    assert hint.startswith("nothing arrives; check the cable")
    assert silence.hints(9.0, 0) == []


def test_bytes_that_do_not_decode_are_told_once() -> None:
    silence = Silence()
    assert silence.hints(0.0, 0) == []
    assert silence.hints(1.0, 10) == []
    assert silence.hints(2.9, 20) == []
    (hint,) = silence.hints(3.0, 30)
    assert hint.startswith("bytes arrive but none decode; check the format;")
    silence.restart("2400 8N1, DTR on, RTS off")
    assert silence.hints(4.0, 50) == []
    (hint,) = silence.hints(6.0, 60)
    assert "check the format, and the baud rate and parity of the line (now 2400 8N1, DTR on, RTS off)" in hint
    assert silence.hints(3.5, 40) == []


def test_readings_in_time_say_nothing_and_a_later_silence_does() -> None:
    silence = Silence()
    for second in range(10):
        silence.decoded += 1
        assert silence.hints(float(second), 14 * second) == []
    assert silence.hints(11.9, 126) == []
    assert len(silence.hints(12.0, 126)) == 1
