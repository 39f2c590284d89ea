"""A wire format in a file, used: by path, by name, through an entry point, from every command that takes a format."""

import json
import re
import time
from collections.abc import Iterable
from importlib.metadata import EntryPoint, EntryPoints
from pathlib import Path

import pytest

from commands import Result, lines, only, started, steadypoint
from format_laws import readings
from frames import VOLTS_24
from meterlink import registry
from meterlink.driver import Format
from meterlink.errors import FileError, UsageError
from meterlink.reading import Flag, Function, State
from meterlink.registry import format_names, load_format
from pty_meter import Pty
from waiting import PATIENCE_S

DEVELOPERS = (Path(__file__).parent.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
(EXAMPLE,) = re.findall(r"^```yaml\n(.*?)^```$", DEVELOPERS, re.MULTILINE | re.DOTALL)
PROCEDURE = """\
procedure: one-point
title: One point of an invented lift
revision: 1
cautions: [Take care.]
steps:
  - id: battery
    kind: reading
    point: "G1:+"
    reference: earth bar
    measure: dc-voltage
    limits: 24.0..29.0 V
"""


def frame(count: int, dial: int = 1, range_: int = 2, symbols: int = 0) -> bytes:
    """A frame of the example, put together by hand: AA, dial, count, symbols, range, sum, 55."""
    body = bytes([0xAA, dial, *count.to_bytes(2, "little"), symbols, range_])
    return body + bytes([sum(body) % 256, 0x55])


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    home = tmp_path / "home"
    monkeypatch.setenv("STEADYPOINT_HOME", str(home))
    (tmp_path / "my-meter.yaml").write_text(EXAMPLE, encoding="utf-8")
    return home


def in_home(home: Path, text: str, name: str = "my-meter.yaml") -> None:
    (home / "formats").mkdir(parents=True)
    (home / "formats" / name).write_text(text, encoding="utf-8")


def decoded(home: Path, name: str, data: Iterable[bytes]) -> Result:
    text = " ".join(each.hex(" ") for each in data)
    return steadypoint(home, "decode", "--format", name, "--hex", stdin=text)


def test_the_example_is_short_and_has_nothing_for_lint_to_say(home: Path) -> None:
    assert len(EXAMPLE.splitlines()) <= 30
    result = steadypoint(home, "lint", "my-meter.yaml")
    assert (result.returncode, result.stdout) == (0, "")


def test_the_example_says_all_that_a_list_shows(home: Path) -> None:
    wire = load_format("./my-meter.yaml")
    assert (wire.name, wire.confidence, wire.line.baud, wire.line.rts) == ("my-meter", "medium", 9600, False)
    assert wire.summary.startswith("8-byte frame")


def test_the_example_reads_what_its_tables_say(home: Path) -> None:
    wire = load_format("./my-meter.yaml")
    shown = [
        (item.display, item.unit, item.scale, item.function)
        for item in readings(
            wire,
            frame(2406)
            + frame(0x10000 - 5, range_=0)
            + frame(0x7FFF, dial=3, range_=4)
            + frame(0x7FFE)
            + frame(724, dial=5, range_=3),
        )
    ]
    assert shown == [
        ("24.06", "V", 0, Function.DC_VOLTAGE),
        ("-0.5", "V", -3, Function.DC_VOLTAGE),
        ("OL", "Ohm", 6, Function.RESISTANCE),
        ("", "V", 0, Function.DC_VOLTAGE),
        ("72.4", "degF", 0, Function.TEMPERATURE),
    ]
    (held,) = readings(wire, frame(2406, symbols=0x83))
    assert held.flags == {Flag.HOLD, Flag.RELATIVE, Flag.LOW_BATTERY}


@pytest.mark.parametrize(
    "damaged",
    [
        frame(2406)[:6] + b"\x00\x55",
        frame(2406, dial=6),
        frame(2406, range_=5),
        frame(2406, dial=4, range_=1),
        frame(2406)[:7] + b"\x54",
    ],
    ids=["sum", "dial", "range", "range of another dial", "end"],
)
def test_the_example_refuses_what_it_does_not_describe(home: Path, damaged: bytes) -> None:
    wire = load_format("./my-meter.yaml")
    assert readings(wire, damaged) == []
    assert [item.display for item in readings(wire, damaged[:5] + frame(2406))] == ["24.06"]


def test_a_check_runs_on_a_meter_described_in_a_file(home: Path) -> None:
    Path("one-point.yaml").write_text(PROCEDURE, encoding="utf-8")
    with Pty() as meter:
        address = f"serial:{meter.name}?format=./my-meter.yaml&time-scale=5"
        with started(home, "check", "one-point.yaml", "--meter", address, "--accept-cautions", "--json") as process:
            for count in [2] * 6 + [2561, 2562] * 300:  # 0.02 V in the air, then 25.61 V; a minute at most
                meter.send(b"\x55\xaa\x01" + frame(count))  # with noise before each
                time.sleep(0.1)
                if process.poll() is not None:
                    break
            told, errors = process.communicate(timeout=PATIENCE_S)
    (verdict,) = only(lines(told), "verdict")
    assert (verdict["outcome"], verdict["unit"], verdict["limits"]) == ("pass", "V", "24.0..29.0 V")
    assert verdict["value"] in ("25.61", "25.62")
    assert (process.returncode, errors) == (0, "")


@pytest.mark.parametrize("name", ["./my-meter.yaml", "my-meter.yaml"])
def test_decode_takes_the_path_of_a_description(home: Path, name: str) -> None:
    result = decoded(home, name, [frame(2406), frame(2407)])
    assert [json.loads(line)["display"] for line in result.stdout.splitlines()] == ["24.06", "24.07"]
    assert result.stderr == "2 readings, 0 bytes skipped\n"
    assert not home.exists()  # reading a format makes no folder


def test_a_description_in_the_home_folder_is_found_by_its_name(home: Path) -> None:
    in_home(home, EXAMPLE)
    assert "my-meter" in format_names()
    assert load_format("my-meter").summary == load_format("./my-meter.yaml").summary
    assert decoded(home, "my-meter", [frame(2406)]).returncode == 0


def test_a_description_in_the_home_folder_never_takes_the_place_of_an_installed_format(home: Path) -> None:
    in_home(home, EXAMPLE, "fs9721-lcd14.yaml")
    with pytest.raises(UsageError, match=r"'fs9721-lcd14' is an installed one and also described in .*; rename"):
        load_format("fs9721-lcd14")


def test_an_entry_point_may_name_the_file(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Path("shipping.py").write_text("from pathlib import Path\nFORMAT = Path(__file__).with_name('my-meter.yaml')\n")
    monkeypatch.syspath_prepend(str(Path.cwd()))
    found = EntryPoints([EntryPoint("shipped-meter", "shipping:FORMAT", "meterlink.formats")])
    monkeypatch.setattr(registry, "entry_points", lambda group: found)
    wire = load_format("shipped-meter")
    assert isinstance(wire, Format)
    assert [item.display for item in readings(wire, frame(2406))] == ["24.06"]


def test_a_twin_is_taken_by_a_name_of_its_own(home: Path) -> None:
    (item,) = readings(load_format("described:fs9721-lcd14"), VOLTS_24)
    assert (item.display, item.state) == ("24.06", State.VALUE)
    with pytest.raises(UsageError, match="unknown format 'described:other'; known: described:ble-count6, "):
        load_format("described:other")


def test_what_is_not_there_or_wrong_is_said_with_its_place(home: Path) -> None:
    with pytest.raises(FileError, match=r"missing\.yaml: cannot be read: No such file"):
        load_format("./missing.yaml")
    with pytest.raises(FileError, match=r"my-meter\.toml: is TOML; a wire format is described in YAML"):
        load_format("my-meter.toml")
    Path("bad.yaml").write_text(EXAMPLE.replace("AA 0?", "AA 0!"), encoding="utf-8")
    result = decoded(home, "./bad.yaml", [])
    assert result.returncode == 2
    assert result.stderr == (
        "bad.yaml:6:8: '0!': expected each byte as two hex digits, ? for any, such as 02 3? ?? 0D\n"
    )


def test_options_belong_to_code(home: Path) -> None:
    result = steadypoint(home, "decode", "--format", "./my-meter.yaml", "-o", "celsius-bit=2")
    assert (result.returncode, result.stderr) == (
        2,
        "steadypoint: my-meter: unknown option 'celsius-bit'; known: none\n",
    )
