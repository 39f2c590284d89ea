"""`steadypoint decode` with the text, bus and Bluetooth value formats. Vectors: tests/data/frames.json."""

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from frames import Vector, vectors
from meterlink.cli import cli

NAMES = (
    "ascii-polled-14",
    "stx-ascii16",
    "text-line",
    "modbus-rtu",
    "gatt-voltage-2b18",
    "gatt-current-2aee",
    "gatt-temperature-2a6e",
    "gatt-battery-2a19",
    "sfloat16",
)
CASES = [pytest.param(name, vector, id=f"{name} {vector.shown}") for name in NAMES for vector in vectors(name)]


def records(*arguments: str) -> list[dict[str, object]]:
    result = CliRunner().invoke(cli, ["decode", *arguments])
    assert result.exception is None
    return [json.loads(line) for line in result.stdout.splitlines()]


@pytest.mark.parametrize(("name", "vector"), CASES)
def test_each_vector_prints_as_it_says(name: str, vector: Vector, tmp_path: Path) -> None:
    path = tmp_path / "capture.hex"
    path.write_text(vector.data.hex(" ").upper(), encoding="ascii")
    order = re.search(r"\b(CDAB|BADC|DCBA)\b", vector.shown)
    options = ["-o", f"word-order={order[1]}"] if order and name == "modbus-rtu" else []
    (record,) = records("--format", name, "--hex", *options, str(path))
    raw = bytes.fromhex(str(record.pop("raw")))
    assert record == vector.expected
    assert vector.data in (raw, raw + b"\n")  # a text line counts from its CR on, without waiting for an LF


def test_a_map_names_what_was_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "map.yaml"
    path.write_text(
        "registers:\n  - {register: 107, kind: holding, type: uint16, function: dc-voltage, resolution: 0.01}\n"
    )
    capture = tmp_path / "capture"
    capture.write_bytes(bytes.fromhex("01 03 00 6B 00 03 74 17 01 03 06 02 2B 00 00 00 64 05 7A"))
    shown = [
        (record["function"], record["display"])
        for record in records("--format", "modbus-rtu", "-o", f"map={path}", str(capture))
    ]
    assert shown == [("request", None), ("dc-voltage", "5.55")]


def test_a_wrong_map_ends_with_its_place(tmp_path: Path) -> None:
    path = tmp_path / "map.yaml"
    path.write_text("registers:\n  - {register: here}\n")
    result = CliRunner().invoke(cli, ["decode", "--format", "modbus-rtu", "-o", f"map={path}"])
    assert "map.yaml:2:5: kind: is missing" in str(result.exception)
